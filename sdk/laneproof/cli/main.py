"""Verbs, the one place where an error becomes a line and an exit status."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

import laneproof
from laneproof.campaign.verdict import EXIT_INTERRUPTED, EXIT_STATUS, EXIT_WRONG_USE, Verdict
from laneproof.cli.words import one_line
from laneproof.errors import BadInput, LaneproofError

_VERBS = (
    "run",
    "endpoints",
    "survey",
    "preflight",
    "decode",
    "ceiling",
    "confidence",
    "mark",
    "report",
    "compare",
    "coverage",
    "guide",
)
"""Each is a module beside this one, with what it needs, so a command that names its verb imports that one alone."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; return the exit status: 0 pass, 1 fail, 2 wrong use, 3 inconc or none, 4 error, 130 interrupted."""
    parser = argparse.ArgumentParser(
        prog="laneproof",
        description="Prove PCI Express slots with a card that echoes data by DMA.",
        epilog="exit status: 0 pass, 1 fail, 2 wrong use, 3 inconc or none, 4 error, 130 interrupted",
    )
    parser.add_argument("--version", action="version", version=f"laneproof {laneproof.__version__}")
    verbs = parser.add_subparsers(title="verbs", metavar="VERB", required=True)
    given = list(sys.argv[1:] if arguments is None else arguments)
    for verb in given[:1] if given[:1] and given[0] in _VERBS else _VERBS:
        import_module(f"laneproof.cli.{verb}").add_to(verbs)
    for stream in ("stdout", "stderr"):
        if getattr(sys, stream) is None:  # closed by whoever started us: no file of ours may take its descriptor
            setattr(sys, stream, open(os.devnull, "w"))  # noqa: SIM115 - for as long as the process lives
    chosen = parser.parse_args(given)
    try:
        status: int = chosen.call(chosen)
        sys.stdout.flush()
        return status
    except BadInput as error:
        _complain(error)
        return EXIT_WRONG_USE
    except LaneproofError as error:
        _complain(error)
        return EXIT_STATUS[Verdict.ERROR]
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except OSError as error:  # of our own output: those of devices and files are told apart where they arise
        with open(os.devnull, "w") as nowhere:  # keeps the interpreter from trying once more at exit
            os.dup2(nowhere.fileno(), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):  # whoever read our output has gone, and knows
            _complain(f"cannot write output: {error.strerror or error}")
        return EXIT_STATUS[Verdict.ERROR]


def _complain(error: object) -> None:
    print(f"laneproof: {one_line(str(error))}", file=sys.stderr)
