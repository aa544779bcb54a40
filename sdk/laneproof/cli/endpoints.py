"""`laneproof endpoints`: which drivers there are, what is wrong with any, which cards they see; what checks data."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from laneproof.campaign.verdict import EXIT_STATUS, Verdict
from laneproof.cli.words import console, one_line
from laneproof.clock import Deadline
from laneproof.errors import BadInput, LaneproofError
from laneproof.integrity import crc_backend, kernels
from laneproof.moving import in_driver
from laneproof.registry import Uri, listings

if TYPE_CHECKING:
    from rich.console import Console

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
    checked = _print_checks(human)
    return 0 if checked and not any(row.problem for row in rows) else EXIT_STATUS[Verdict.ERROR]


def _print_checks(human: Console) -> bool:
    """What would make and verify data; False where the kernels asked for are not to be had. Imports none of them."""
    try:
        named = kernels.name()
    except BadInput as error:
        human.print(f"kernels: cannot be used: {one_line(str(error))}")
        return False
    human.print(f"kernels: {named}{', loaded when it is worth it' if named == 'numba' else ''}")
    human.print(f"CRC-32: {crc_backend()}")
    return True
