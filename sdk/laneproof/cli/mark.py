"""`laneproof mark`: note something in a ledger, while its run goes on or later."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from laneproof.campaign.ledger import amend, mark


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("mark", help="note something in the ledger of a run")
    parser.add_argument("ledger", type=Path, metavar="LEDGER")
    parser.add_argument("text", metavar="TEXT", help="what to note; the moment is noted with it")
    windows = parser.add_mutually_exclusive_group()
    windows.add_argument("--open", metavar="NAME", help="a window of that name begins")
    windows.add_argument("--close", metavar="NAME", help="that window ends")
    windows.add_argument(
        "--exclude", metavar="NAME", help="results are shown without that window too; the text says why"
    )
    windows.add_argument("--amend", action="store_true", help="an amendment to what is on record, which stays as it is")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    if chosen.amend:
        number = amend(chosen.ledger, chosen.text)
    else:
        number = mark(chosen.ledger, chosen.text, opens=chosen.open, closes=chosen.close, excludes=chosen.exclude)
    print(f"entry {number}")
    return 0
