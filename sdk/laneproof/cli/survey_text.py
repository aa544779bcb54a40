"""A survey as lines for a terminal: one block a link, what stands out last."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from laneproof.campaign.link_errors import plain_errors
from laneproof.cli.words import one_line
from laneproof.readings import (
    HostFunction,
    HostLink,
    HostSurvey,
    LinkReading,
    PartnerLink,
    Unavailable,
    known,
)

_INDENT = 11
_LEAST = 40
"""Narrower terminals fold lines themselves."""


def survey_lines(survey: HostSurvey, width: int) -> Iterator[str]:
    """Lines of at most `width` columns, 40 at the least."""
    width = max(width, _LEAST)
    count = len(survey.links)
    opening = f"{survey.host}: {count} PCI Express link{'s' * (count != 1)} shown; nothing was written"
    yield from _folded(opening, width)
    facts = [
        f"kernel {survey.kernel}" if survey.kernel else "",
        f"ASPM policy {survey.aspm_policy}" if survey.aspm_policy else "",
        f"arguments {' '.join(survey.kernel_arguments)}" if survey.kernel_arguments else "",
    ]
    if any(facts):
        yield from _folded("; ".join(fact for fact in facts if fact), width)
    for link in survey.links:
        yield ""
        yield from _link(link, width)
    if survey.remarks or survey.missing:
        yield ""
    for remark in survey.remarks:
        yield from _folded(remark, width, "- ")
    for gap in survey.missing:
        yield from _folded(f"not readable by this user: {gap}", width, "- ")


def _link(link: HostLink, width: int) -> Iterator[str]:
    slot = f" (slot {link.slot})" if link.slot else ""
    heading = f"{link.near_address or 'hidden'}{slot} to {link.far_address or 'nothing'}  {link.description}"
    yield from _folded(heading, width, "", _INDENT)
    for label, text in _facts(link):
        yield from _folded(text, width, f"  {label:{_INDENT - 2}}", _INDENT)
    for remark in link.remarks:
        yield from _folded(remark, width, "  - ", 4)


def _facts(link: HostLink) -> Iterator[tuple[str, str]]:
    if len(link.path) > 1:
        yield "path", " > ".join(link.path)
    yield "near", _partner(link.link.near)
    if link.far_address is None and isinstance(link.link.far, Unavailable):
        yield "far", link.link.far.why
    else:
        yield "far", _partner(link.link.far)
    payload = _payload(link.link)
    if payload:
        yield "payload", payload
    if link.link.wiring:
        yield "wiring", f"x{link.link.wiring}"
    for function in link.functions:
        yield "device", _held(function, alone=len(link.functions) == 1)
    power = [
        f"slot limit {link.slot_power_w:g} W" if link.slot_power_w else "",
        "" if link.aspm is None else f"link power states on: {', '.join(link.aspm) or 'none'}",
    ]
    if any(power):
        yield "power", "; ".join(part for part in power if part)
    plain = plain_errors(link.errors)
    if plain["near"] == plain["far"]:
        yield "errors", _errors(plain["near"])
    else:
        for end in ("near", "far") if link.far_address is not None else ("near",):
            yield "errors", f"{end}: {_errors(plain[end])}"


def _partner(partner: PartnerLink | Unavailable) -> str:
    if isinstance(partner, Unavailable):
        return f"not known: {partner.why}"
    if partner.active is False:
        trained = "link down"
    elif partner.speed_gtps is None and partner.width is None:
        trained = "speed and width not known"
    else:
        trained = f"trained to {_speed(partner.speed_gtps)} {_width(partner.width)}"
    able = f"can do {_speed(partner.max_speed_gtps)} {_width(partner.max_width)}"
    if partner.max_speed_gtps is None and partner.max_width is None:
        able = "what it can do is not shown"
    return f"{trained}, {able}"


def _payload(reading: LinkReading) -> str:
    ends = {"near": known(reading.near), "far": known(reading.far)}
    sizes = {end: partner.max_payload for end, partner in ends.items() if partner is not None and partner.max_payload}
    requests = {end: partner.read_request for end, partner in ends.items() if partner is not None and sizes.get(end)}
    text = ", ".join(f"{size} B {end}" for end, size in sizes.items())
    request = requests.get("far")
    return f"{text}; read request {request} B far" if request else text


def _held(function: HostFunction, *, alone: bool) -> str:
    parts = [
        f"driver {function.driver}" if function.driver else "no driver",
        "" if function.numa_node is None else f"NUMA node {function.numa_node}",
        "" if function.iommu_group is None else f"IOMMU group {function.iommu_group}",
        f"power {function.runtime_status}" if function.runtime_status else "",
    ]
    text = ", ".join(part for part in parts if part)
    return text if alone else f"{function.address} {function.description}: {text}"


def _errors(errors: dict[str, Any]) -> str:
    if "unavailable" in errors:
        return f"not known: {errors['unavailable']}"
    counted: list[str] = []
    hidden: list[str] = []
    for severity in ("correctable", "nonfatal", "fatal"):
        for name, count in errors[severity].items():
            if "unavailable" in count:
                hidden.append(count["unavailable"])
            elif count["n"]:
                bound = "at least " if count["bound"] == "at least" else ""
                counted.append(f"{bound}{count['n']} {name} ({severity})")
    text = ", ".join(counted) or "none counted"
    return text + (f"; some not known: {hidden[0]}" if hidden else "")


def _speed(speed_gtps: float | None) -> str:
    return f"{speed_gtps:g} GT/s" if speed_gtps else "unknown speed"


def _width(width: int | None) -> str:
    return f"x{width}" if width else "unknown width"


def _folded(text: str, width: int, first: str = "", indent: int = 2) -> list[str]:
    return textwrap.wrap(
        one_line(text),
        width,
        initial_indent=first,
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    )
