"""Facts declared when a plan is run, in place of those that it declares itself or beside them."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

import attrs

from laneproof.campaign.declared import (
    MOST_NOTES,
    Ambient,
    Declared,
    Equipment,
    Notes,
    Operator,
    Sample,
    Text,
    read_text,
)
from laneproof.campaign.plan import Plan
from laneproof.documents import printable
from laneproof.errors import BadInput

_NAMED: dict[str, Any] = {"operator": Operator, "sample": Sample}
_TABLES: dict[str, Any] = {"ambient": Ambient, "declared": Declared}
_KEYS = ", ".join(
    (
        *(f"{table}.{key.name}" for table, kind in {**_NAMED, **_TABLES}.items() for key in attrs.fields(kind)),
        "equipment.NAME.identity",
        "equipment.NAME.calibration_due",
        "notes.NAME",
    )
)


def override(plan: Plan, pairs: Sequence[str]) -> tuple[Plan, tuple[str, ...]]:
    """The plan with the facts of `pairs`, each KEY=TEXT, and a sentence for each that says what it stands in place of.

    `operator` and `sample` alone are their names. Raises BadInput, which names the key, for what no plan could declare.
    """
    said: dict[str, str] = {}
    wanted: dict[tuple[str, ...], str] = {}
    for pair in pairs:
        key, equals, text = pair.partition("=")
        path = tuple(key.split(".", 1)) if "." in key else (key, "name") if key in _NAMED else (key, "")
        shown = printable(".".join(path))
        if not equals:
            raise BadInput(f"--declare {printable(pair)}: write KEY=TEXT, for example ambient.temperature=23 °C")
        if path in wanted:
            raise BadInput(f"--declare {shown}: is given twice")
        try:
            wanted[path] = read_text(text)
        except BadInput as error:
            raise BadInput(f"--declare {shown}: {error.args[0]}") from None
    for path in sorted(wanted, key=lambda path: path[1] != "name"):  # a name before the identity that goes with it
        shown = printable(".".join(path))
        try:
            plan, before = _with(plan, path, wanted[path])
        except BadInput as error:
            raise BadInput(f"--declare {shown}: {error.args[0]}") from None
        instead = "; the plan says nothing of it" if before is None else f', in place of the plan\'s "{before}"'
        said[shown] = f'{shown}: "{wanted[path]}" by the command line{instead}'
    return plan, tuple(said.values())


def _with(plan: Plan, path: tuple[str, ...], text: str) -> tuple[Plan, str | None]:
    """The plan with one fact, and what was there before."""
    table, key = path
    if table == "notes" and key:
        notes = dict(plan.notes)
        before, notes[read_text(key)] = notes.get(key), text
        if len(notes) > MOST_NOTES:
            raise BadInput(f"{len(notes)} notes; write at most {MOST_NOTES}")
        return attrs.evolve(plan, notes=Notes(notes)), before
    if table == "equipment":
        name, _, key = key.rpartition(".")
        return _with_equipment(plan, name, key, text)
    kind = {**_NAMED, **_TABLES}.get(table)
    if kind is None or key not in attrs.fields_dict(kind):
        raise BadInput(f"there is no such fact; known are {_KEYS}")
    one = getattr(plan, table)
    if one is None and key != "name":
        raise BadInput(f"neither plan nor command line names the {table}; give {table}.name too")
    changed = kind(name=text) if one is None else attrs.evolve(one, **{key: text})
    return attrs.evolve(plan, **{table: changed}), None if one is None else getattr(one, key)


def _with_equipment(plan: Plan, name: str, key: str, text: str) -> tuple[Plan, str | None]:
    if not name or key not in ("identity", "calibration_due"):
        raise BadInput("write equipment.NAME.identity or equipment.NAME.calibration_due")
    value: Any = text
    if key == "calibration_due":
        try:
            value = datetime.date.fromisoformat(text)
        except ValueError:
            raise BadInput(f'"{printable(text)}" is not a date; write for example 2027-03-31') from None
    one = next((one for one in plan.equipment if one.name == name), None)
    changed = attrs.evolve(one or Equipment(name=Text(read_text(name))), **{key: value})
    if one is None:
        return attrs.evolve(plan, equipment=(*plan.equipment, changed)), None
    before = getattr(one, key)
    equipment = tuple(changed if other is one else other for other in plan.equipment)
    return attrs.evolve(plan, equipment=equipment), None if before is None else str(before)
