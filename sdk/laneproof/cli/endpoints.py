"""`laneproof endpoints`: which drivers are installed, what is wrong with any, and which cards they see."""

from __future__ import annotations

import argparse
from typing import Any

from laneproof.campaign.verdict import EXIT_STATUS, Verdict
from laneproof.cli.words import console, one_line
from laneproof.clock import Deadline
from laneproof.errors import LaneproofError
from laneproof.moving import in_driver
from laneproof.registry import Uri, listings

DISCOVER_S = 10.0


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("endpoints", help="list drivers and the cards that they see")
    parser.set_defaults(call=call)


def call(_: argparse.Namespace) -> int:
    rows = listings()
    human = console()
    for row in rows:
        human.print(one_line(f"{row.scheme}: from {row.distribution}"))
        if row.problem:
            human.print(f"  cannot be used: {one_line(row.problem)}")
        if row.driver is None:
            continue
        try:
            with Deadline(DISCOVER_S) as deadline, in_driver():
                for found in row.driver.discover(deadline):
                    human.print(f"  {one_line(str(Uri(row.scheme, found.address, {})))}", soft_wrap=True)
                    if found.note:
                        human.print(f"    {one_line(found.note)}")
        except LaneproofError as error:
            human.print(f"  cannot be searched: {one_line(str(error))}")
    return EXIT_STATUS[Verdict.ERROR] if any(row.problem for row in rows) else 0
