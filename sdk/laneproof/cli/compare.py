"""`laneproof compare`: what changed between runs, or which of slot, card and riser a fault follows."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from laneproof.campaign.ledger import read_ledger
from laneproof.cli.compare_text import print_comparison, print_swaps
from laneproof.cli.files import write_whole
from laneproof.cli.words import console
from laneproof.errors import BadInput
from laneproof.insight.comparison import EXIT_STATUS, compare_runs
from laneproof.insight.comparison_noise import TOLERANCE
from laneproof.insight.swap_trials import Label, read_label, trials_of
from laneproof.insight.swaps import follow
from laneproof.units import parse_fraction

_EPILOG = """exit status: 0 nothing worse, or the swaps name it; 1 something worse; 2 wrong use; 3 cannot be said;
4 a ledger that cannot be read"""


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "compare", help="say what changed between runs, or which part a fault follows", epilog=_EPILOG
    )
    parser.add_argument("ledgers", nargs="+", type=Path, metavar="LEDGER", help="the earlier run, or several of them")
    parser.add_argument("--with", dest="later", nargs="+", type=Path, metavar="LEDGER", help="the later ones")
    parser.add_argument("--anyway", action="store_true", help="compare runs of different plans, step by step")
    parser.add_argument(
        "--tolerance", metavar="SHARE", help=f'of a rate that is no difference; default "{100 * TOLERANCE:g} %%"'
    )
    parser.add_argument("--swap", action="store_true", help="all ledgers: does the fault follow slot, card or riser?")
    parser.add_argument(
        "--label",
        action="append",
        default=[],
        metavar="LEDGER[#SLOT]:PART=NAME",
        help="with --swap: the slot, card or riser of a run where its ledger does not say so; may be repeated",
    )
    parser.add_argument("--json", type=Path, metavar="FILE|-", help="also write what was found as JSON")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    if chosen.swap:
        return _swap(chosen)
    if chosen.label:
        raise BadInput("--label is for --swap; add that, or leave it out")
    earlier, later = chosen.ledgers, chosen.later
    if later is None:
        # With three ledgers or more nothing but a word between them says where the earlier ones end.
        if len(earlier) != 2:
            raise BadInput(
                "give two ledgers, the earlier run first; or several earlier ones and those to hold against them: "
                "laneproof compare A B C --with D"
            )
        earlier, later = earlier[:1], earlier[1:]
    tolerance = TOLERANCE if chosen.tolerance is None else parse_fraction(chosen.tolerance)
    found = compare_runs(
        [read_ledger(path) for path in earlier],
        [read_ledger(path) for path in later],
        tolerance=tolerance,
        anyway=chosen.anyway,
    )
    _write(chosen.json, found.to_dict())
    if str(chosen.json) != "-":
        print_comparison(console(), found, [str(path) for path in earlier], [str(path) for path in later])
    return EXIT_STATUS[found.outcome]


def _swap(chosen: argparse.Namespace) -> int:
    if chosen.later is not None or chosen.anyway or chosen.tolerance is not None:
        raise BadInput("--swap takes ledgers, --label and --json alone; leave out --with, --anyway and --tolerance")
    labels: list[Label] = [read_label(text) for text in chosen.label]
    trials = trials_of([(str(path), read_ledger(path)) for path in chosen.ledgers], labels)
    found = follow(trials)
    _write(chosen.json, found.to_dict())
    if str(chosen.json) != "-":
        print_swaps(console(), found)
    return 0 if found.decided else 3


def _write(path: Path | None, document: dict[str, Any]) -> None:
    if path is not None:
        write_whole(path, json.dumps(document, indent=2, ensure_ascii=False) + "\n", "comparison")
