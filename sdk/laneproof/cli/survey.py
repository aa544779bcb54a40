"""`laneproof survey`: every PCI Express link that this computer shows, both ends, read-only."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from laneproof.campaign.link_errors import plain_errors
from laneproof.cli.words import console, one_line
from laneproof.clock import Deadline
from laneproof.moving import in_driver
from laneproof.readings import HostLink, PartnerLink, Unavailable
from laneproof.registry import host

if TYPE_CHECKING:
    from rich.console import Console

SURVEY_S = 30.0


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("survey", help="list every link that this computer shows")
    parser.set_defaults(call=call)


def call(_: argparse.Namespace) -> int:
    human = console()
    with Deadline(SURVEY_S) as deadline, in_driver():
        found = host().survey(deadline)
    count = len(found.links)
    human.print(f"{one_line(found.host)}: {count} PCI Express link{'s' * (count != 1)} shown; nothing was written")
    for link in found.links:
        _print_link(human, link)
    for remark in found.remarks:
        human.print(f"\n{one_line(remark)}")
    return 0


def _print_link(human: Console, link: HostLink) -> None:
    human.print(f"\n{link.near_address or 'hidden'} to {link.far_address or 'nothing'}  {one_line(link.description)}")
    for end, partner in (("near", link.link.near), ("far", link.link.far)):
        human.print(f"  {end:5}{_shown_partner(partner)}")
    for end, errors in plain_errors(link.errors).items():
        human.print(f"  {end:5}{_shown_errors(errors)}")
    for remark in link.remarks:
        human.print(f"  - {one_line(remark)}")


def _shown_partner(partner: PartnerLink | Unavailable) -> str:
    if isinstance(partner, Unavailable):
        return f"not known: {one_line(partner.why)}"
    trained = f"{_speed(partner.speed_gtps)} {_width(partner.width)}"
    able = f"{_speed(partner.max_speed_gtps)} {_width(partner.max_width)}"
    payload = f", payload {partner.max_payload} B" if partner.max_payload else ""
    return f"trained to {trained}, can do {able}{payload}"


def _shown_errors(errors: dict[str, Any]) -> str:
    if "unavailable" in errors:
        return f"errors not known: {one_line(errors['unavailable'])}"
    counted: list[str] = []
    hidden: list[str] = []
    for severity in ("correctable", "nonfatal", "fatal"):
        for name, count in errors[severity].items():
            if "unavailable" in count:
                hidden.append(count["unavailable"])
            elif count["n"]:
                bound = "at least " if count["bound"] == "at least" else ""
                counted.append(f"{bound}{count['n']} {one_line(name)} ({severity})")
    text = "errors counted since boot: " + (", ".join(counted) or "none")
    return text + (f"; some not known: {one_line(hidden[0])}" if hidden else "")


def _speed(speed_gtps: float | None) -> str:
    return f"{speed_gtps:g} GT/s" if speed_gtps else "unknown speed"


def _width(width: int | None) -> str:
    return f"x{width}" if width else "unknown width"
