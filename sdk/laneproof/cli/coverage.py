"""`laneproof coverage`: which faults of the simulator's catalogue a plan finds and misses, and what would help."""

from __future__ import annotations

import argparse
import json
import signal
import sys
from collections.abc import Callable, Generator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from laneproof.campaign import plan as plans
from laneproof.campaign.verdict import EXIT_INTERRUPTED, EXIT_STATUS, Verdict
from laneproof.catalogue import CataloguedFault, Severity, held_out
from laneproof.cli.coverage_text import lines_of
from laneproof.cli.files import write_whole
from laneproof.cli.words import WIDTH, console
from laneproof.documents import printable
from laneproof.errors import BadInput
from laneproof.insight import coverage

if TYPE_CHECKING:
    from concurrent.futures import Executor

MOST = 100_000
"""Of seeds, healthy runs or workers: more is a slip of the pen."""


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "coverage", help="say which simulated faults a plan would miss: the built-in one, or PLAN"
    )
    parser.add_argument("plan", nargs="?", metavar="PLAN", type=Path, help="a plan file; see `laneproof guide plans`")
    parser.add_argument("--bench", type=Path, metavar="FILE", help="put the faults into this healthy bench of yours")
    parser.add_argument("--json", type=Path, metavar="FILE|-", help="also write all that was found as JSON")
    parser.add_argument("--seeds", metavar="N", default="3", help="runs of each severity; default %(default)s")
    parser.add_argument("--healthy", metavar="N", default="200", help="runs without a fault; default %(default)s")
    parser.add_argument("--workers", metavar="N", help="processes; default: one for each core")
    parser.add_argument("--dask", metavar="ADDRESS", help="run on the workers of this Dask scheduler instead")
    parser.add_argument(
        "--only", action="append", default=[], metavar="FAULT", help="this kind of fault alone; may be repeated"
    )
    parser.add_argument("--tuning", action="store_true", help="leave out the severities that are held out from tuning")
    parser.add_argument("--catalogue", metavar="NAME", help="which catalogue, where several are installed")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    seeds, healthy = _count("--seeds", chosen.seeds, least=1), _count("--healthy", chosen.healthy, least=0)
    workers = None if chosen.workers is None else _count("--workers", chosen.workers, least=1)
    if workers is not None and chosen.dask is not None:
        raise BadInput("--workers is of processes here, and --dask runs elsewhere; give one of them")
    plan = plans.load(chosen.plan) if chosen.plan is not None else plans.builtin()
    for path, what in ((chosen.plan, "plan"), (chosen.bench, "bench")):
        if chosen.json is not None and path is not None and chosen.json.absolute() == path.absolute():
            raise BadInput(f"--json {printable(str(chosen.json))}: that is the {what}; name another file")
    name, catalogue = coverage.catalogue(chosen.catalogue)
    known = [fault.kind for fault in catalogue.faults]
    for kind in chosen.only:
        if kind not in known:
            raise BadInput(f'--only: "{printable(kind)}" is no fault of the catalogue; known are {", ".join(known)}')
    base = coverage.healthy_base(catalogue, chosen.bench)
    with _ended_by_sigterm(), _executor(workers, chosen.dask) as executor, _progress() as watch:
        found = coverage.measure(
            plan,
            name,
            catalogue,
            base,
            executor,
            seeds=seeds,
            healthy_runs=healthy,
            chosen=_chosen(chosen.only, tuning=chosen.tuning),
            watch=watch,
        )
    human = console(errors=chosen.json is not None and str(chosen.json) == "-")
    for line in lines_of(found):
        human.print(line, soft_wrap=True)
    if chosen.json is not None:
        text = json.dumps(found.to_dict(), indent=2, ensure_ascii=False, allow_nan=False)
        write_whole(chosen.json, text + "\n", "JSON")
    if found.interrupted:
        return EXIT_INTERRUPTED
    return 0 if found.complete else EXIT_STATUS[Verdict.FAIL]


def _chosen(only: list[str], *, tuning: bool) -> Callable[[CataloguedFault, Severity], bool]:
    def chosen(fault: CataloguedFault, severity: Severity) -> bool:
        return (not only or fault.kind in only) and not (tuning and held_out(fault.kind, severity))

    return chosen


def _executor(workers: int | None, dask: str | None) -> AbstractContextManager[Executor]:
    return coverage.processes(workers) if dask is None else coverage.dask(dask)


def _count(option: str, text: str, *, least: int) -> int:
    number = int(text) if text.isdecimal() and len(text) < 10 else -1
    if not least <= number <= MOST:
        raise BadInput(f'{option}: "{printable(text)}" is no whole number from {least} to {MOST}; write for example 5')
    return number


@contextmanager
def _progress() -> Generator[Callable[[int, int], None]]:
    """A line on standard error that says how far it is; nothing where that is no terminal."""
    if not sys.stderr.isatty():
        yield lambda _, __: None
        return

    def watch(done: int, known: int) -> None:
        sys.stderr.write(f"\r{done} of {known} runs".ljust(WIDTH - 1))
        sys.stderr.flush()

    try:
        yield watch
    finally:
        sys.stderr.write("\r" + " " * (WIDTH - 1) + "\r")
        sys.stderr.flush()


@contextmanager
def _ended_by_sigterm() -> Generator[None]:
    """SIGTERM means what Ctrl-C does: what is known by then is printed."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
