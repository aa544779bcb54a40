"""What people declare for a report that somebody signs: who, what, measured with what, where. Values and their readers.

Nothing in here is measured, and nothing decides a verdict.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from typing import Any, NewType, cast

from attrs import frozen

from laneproof.documents import Seconds, printable
from laneproof.errors import BadInput
from laneproof.units import format_seconds, parse_seconds

Text = NewType("Text", str)
"""One line that prints, of at most `MOST_LETTERS`."""
Notes = NewType("Notes", dict[str, str])
"""Free fields: one line of text for each name."""
Offset = NewType("Offset", float)
"""Seconds with a sign; "+1.2 s" in a plan."""

MOST_LETTERS = 200
MOST_NOTES = 100


@frozen(kw_only=True)
class Operator:
    """Who answers for the run."""

    name: Text
    identity: Text | None = None


@frozen(kw_only=True)
class Sample:
    """What is tested, as its maker and the lab name it."""

    name: Text
    identity: Text | None = None


@frozen(kw_only=True)
class Equipment:
    """One instrument in use; past `calibration_due` it is said to be overdue.

    `clock_offset` is how far its clock, which stamps its record, is ahead of this computer's; behind with a minus.
    """

    name: Text
    identity: Text | None = None
    calibration_due: datetime.date | None = None
    clock_offset: Offset | None = None
    clock_offset_uncertainty: Seconds | None = None

    def __attrs_post_init__(self) -> None:
        if self.clock_offset is None and self.clock_offset_uncertainty is not None:
            raise BadInput("clock_offset_uncertainty is of a clock_offset; give that too")


@frozen(kw_only=True)
class Ambient:
    """Conditions around the sample, as read by the operator, with their units."""

    temperature: Text | None = None
    humidity: Text | None = None
    pressure: Text | None = None


@frozen(kw_only=True)
class Declared:
    """What lies between the partners and cannot be read from them."""

    riser: Text | None = None
    cable: Text | None = None
    retimer: Text | None = None
    bifurcation: Text | None = None


def read_text(value: Any) -> str:
    """Raises BadInput for what is not one line of text."""
    if not isinstance(value, str):
        raise BadInput(f"{_shown(value)} is not text in quotes")
    if not value.strip() or len(value) > MOST_LETTERS or not value.isprintable():
        raise BadInput(f"write one line of 1 to {MOST_LETTERS} printable characters")
    return value


def read_date(value: Any) -> datetime.date:
    """A date as TOML has it, 2027-03-31 without quotes, or as a ledger keeps it. Raises BadInput for anything else."""
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value
    raise BadInput(f"{_shown(value)} is not a date; write for example 2027-03-31, without quotes")


def read_offset(value: Any) -> float:
    """Seconds of "+1.2 s" or "-30 ms". Raises BadInput for anything else."""
    if not isinstance(value, str):
        raise BadInput(f'{_shown(value)} has no unit; write for example "+1.2 s"')
    sign, rest = (value.strip()[:1], value.strip()[1:]) if value.strip()[:1] in ("+", "-") else ("", value)
    return -parse_seconds(rest) if sign == "-" else parse_seconds(rest)


def read_kept_date(value: Any) -> datetime.date:
    """A date as a ledger keeps it, as text. Raises ValueError, or TypeError, for anything else."""
    return datetime.date.fromisoformat(value)


def read_notes(value: Any) -> dict[str, str]:
    """Raises BadInput for what is not a table of texts."""
    if not isinstance(value, dict):
        raise BadInput(f"{_shown(value)} is not a table; write name = value pairs")
    table = cast("dict[str, Any]", value)
    if len(table) > MOST_NOTES:
        raise BadInput(f"{len(table)} notes; write at most {MOST_NOTES}")
    notes: dict[str, str] = {}
    for name, text in table.items():
        try:
            notes[read_text(name)] = read_text(text)
        except BadInput as error:
            raise BadInput(f"{printable(name)}: {error.args[0]}") from None
    return notes


READERS = {Text: read_text, Notes: read_notes, Offset: read_offset, datetime.date: read_date}
"""For `documents.structure`."""


def facts(plan: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What a plan on record declares, as rows of a table: what, and the text."""
    for table in ("operator", "sample"):
        if plan.get(table):
            yield table, _named(plan[table])
    for one in plan.get("equipment") or ():
        due = one.get("calibration_due")
        yield "equipment", _named(one) + (f"; calibration due {due}" if due else "") + _clock(one)
    for table in ("ambient", "declared", "notes"):
        fields: Mapping[str, Any] = plan.get(table) or {}
        yield from ((f"{table}: {key}", str(text)) for key, text in fields.items() if text)


def overdue(plan: Mapping[str, Any], moment_utc: str) -> Iterator[str]:
    """A sentence for each instrument whose calibration was due before the day of that moment, both as a ledger has
    them: in ISO 8601, whose texts sort as the days do."""
    day = moment_utc[:10]
    for one in plan.get("equipment") or ():
        due = one.get("calibration_due")
        if due and due < day:
            yield f"calibration of {_named(one)} was due {due}, before {day}"


def _clock(one: Mapping[str, Any]) -> str:
    offset_s, uncertainty_s = one.get("clock_offset"), one.get("clock_offset_uncertainty")
    if offset_s is None:
        return ""
    way = f"{format_seconds(abs(offset_s))} {'ahead of' if offset_s > 0 else 'behind'}" if offset_s else "level with"
    known = "how well that is known is not declared" if uncertainty_s is None else f"± {format_seconds(uncertainty_s)}"
    return f"; its clock was declared {way} this computer's ({known})"


def _named(one: Mapping[str, Any]) -> str:
    return f"{one['name']}, {one['identity']}" if one.get("identity") else str(one["name"])


def _shown(value: Any) -> str:
    return printable(f'"{value}"' if isinstance(value, str) else str(value))
