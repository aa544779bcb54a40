"""`laneproof ceiling`: how many payload bytes per second a link can carry at best, term by term."""

from __future__ import annotations

import argparse
import json
import math
import re
import textwrap
from typing import TYPE_CHECKING, Any, cast, get_args

from laneproof import pcie
from laneproof.cli.words import WIDTH, console
from laneproof.errors import BadInput
from laneproof.pcie.ceiling import Direction, Header
from laneproof.units import format_bytes, format_bytes_per_s, parse_bytes, parse_seconds, parse_speed_gtps

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

_WAYS = {
    "to-card": "towards the card, which reads",
    "from-card": "from the card, which writes",
    "both": "each way, both at once",
}


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("ceiling", help="compute what a link can carry at best")
    parser.add_argument("speed", metavar="SPEED", help='GT/s, such as 16 or "16 GT/s"')
    parser.add_argument("width", metavar="WIDTH", help="lanes, such as x8")
    parser.add_argument("--direction", choices=list(_WAYS), default="both", help="seen from the card; default both")
    parser.add_argument("--payload", metavar="SIZE", default="256 B", help="largest payload of a packet; default 256 B")
    parser.add_argument("--read-request", metavar="SIZE", default="512 B", help="the card's; default 512 B")
    parser.add_argument("--boundary", metavar="SIZE", default="64 B", help="the host's read completion boundary")
    parser.add_argument("--header", choices=get_args(Header), default="4dw", help="of the card's requests; default 4dw")
    parser.add_argument("--ecrc", action="store_true", help="each packet carries an end-to-end CRC")
    parser.add_argument(
        "--flit", action=argparse.BooleanOptionalAction, help="FLIT mode; on at 64 GT/s, off below, unless given"
    )
    parser.add_argument("--sris", action="store_true", help="separate reference clocks with spread spectrum")
    parser.add_argument("--tags", metavar="N", help="reads that the card keeps open at once")
    parser.add_argument("--round-trip", metavar="TIME", help='of a read, such as "1 us"; given together with --tags')
    parser.add_argument("--json", action="store_true", help="print it as JSON")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    asked: dict[str, Any] = {
        "speed_gtps": _speed(chosen.speed),
        "width": _count("link width", chosen.width.removeprefix("x"), "x8"),
        "max_payload": _size("--payload", chosen.payload),
        "direction": cast("Direction", chosen.direction.replace("-", "_")),
        "flit": chosen.flit,
        "header": chosen.header,
        "ecrc": chosen.ecrc,
        "read_request": _size("--read-request", chosen.read_request),
        "completion_boundary": _size("--boundary", chosen.boundary),
        "sris": chosen.sris,
        "tags": None if chosen.tags is None else _count("number of tags", chosen.tags, "32"),
        "round_trip_s": None if chosen.round_trip is None else parse_seconds(chosen.round_trip),
    }
    found = pcie.ceiling(**asked)
    asked["flit"] = pcie.encoding(asked["speed_gtps"], bool(asked["flit"])) == "flit"
    if chosen.json:
        print(json.dumps({"asked": asked, **found.to_dict()}, indent=2))
    else:
        _print_plain(console(), chosen.direction, asked, found)
    return 0


def _print_plain(human: Console, direction: str, asked: dict[str, Any], found: pcie.Ceiling) -> None:
    extras = [name for key, name in (("flit", "FLIT mode"), ("ecrc", "ECRC"), ("sris", "SRIS")) if asked[key]]
    human.print(f"{asked['speed_gtps']:g} GT/s x{asked['width']}, {_WAYS[direction]}")
    settings = f"payload {asked['max_payload']} B, read request {asked['read_request']} B"
    human.print(", ".join([settings, f"{asked['header'][0]} DW headers", *extras]))
    where = "towards the card" if found.bound_by == "to_card" else "from the card"
    human.print(f"\nterms of the traffic {where}{', the slower way' if direction == 'both' else ''}\n")
    human.print(_table(found))
    if any(term.assumed for term in found.terms):
        human.print("\n* an assumption, or from memory")
    human.print(f"\nlink     {format_bytes_per_s(found.link_bytes_per_second)}")
    if found.tag_limit is not None and found.tag_limit.bytes_per_second is not None:
        human.print(f"reads    {format_bytes_per_s(found.tag_limit.bytes_per_second)}: {found.tag_limit.source}")
    human.print(f"ceiling  {format_bytes_per_s(found.bytes_per_second)} of payload, limited by the {found.limited_by}")
    if found.split_bytes_per_second is not None and found.split_bytes_per_second < found.bytes_per_second:
        human.print(
            f"or       {format_bytes_per_s(found.split_bytes_per_second)} if the host cuts completions at its boundary "
            f"of {format_bytes(asked['completion_boundary'])}"
        )
    human.print("\nnot counted")
    for sentence in found.not_counted:
        human.print(textwrap.fill(sentence, WIDTH, initial_indent="  - ", subsequent_indent="    "))


def _table(found: pcie.Ceiling) -> Table:
    from rich.table import Table

    table = Table.grid(padding=(0, 2))
    for justify in ("left", "right", "right", "left"):
        table.add_column(justify=justify)
    table.add_row("term", "share", "leaves", "why")
    leaves = math.nan
    for term in found.terms:
        if term.factor is None:
            leaves, share = cast("float", term.bytes_per_second), ""
        else:
            leaves, share = leaves * term.factor, f"{term.factor:.2%}"
        table.add_row(term.name + " *" * term.assumed, share, format_bytes_per_s(leaves), term.source)
    return table


def _speed(text: str) -> float:
    try:
        return float(text) if re.fullmatch(r"[0-9]+(\.[0-9]+)?", text) else parse_speed_gtps(text)
    except BadInput:
        raise BadInput(f'"{text}" is no link speed; write for example "16" or "16 GT/s"') from None


def _size(option: str, text: str) -> int:
    try:
        return int(text) if re.fullmatch(r"[0-9]{1,9}", text) else parse_bytes(text)
    except BadInput as error:
        raise BadInput(f"{option}: {error.args[0]}") from None


def _count(what: str, text: str, example: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise BadInput(f'"{text}" is no {what}; write for example {example}')
    return int(text)
