"""The catalogue as laneproof takes it: the list in `catalogue.toml`, and benches that have one of its faults.

Each bench is written as a scenario file, which is then read like any other.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from hashlib import sha256
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from laneproof import catalogue as contract
from laneproof.catalogue import Bench, CataloguedFault, Severity
from laneproof.documents import parse_toml, printable
from laneproof.errors import BadInput
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES
from laneproof_sim.scenario import Scenario, Slot
from laneproof_sim.scenario_file import read_scenario

_OF_KIND = {fault.kind: fault for fault in (*CATALOGUE, *IN_SWITCHES)}
_ROOT_ALONE = ("completion", "posted_buffer", "read_latency")
"""Keys that only a root port has."""
_SWITCH = "catalogue-switch"

Table = dict[str, Any]


class SimulatedFaults(contract.Catalogue):
    """The simulator's catalogue."""

    def __init__(self) -> None:
        data = files("laneproof_sim").joinpath("catalogue.toml").read_bytes()
        self.digest = sha256(data).hexdigest()
        listed = tomllib.loads(data.decode())
        self._entries: dict[str, Table] = {entry["kind"]: entry for entry in listed["fault"]}
        self._severities = {kind: _severities(entry, listed["ladder"]) for kind, entry in self._entries.items()}
        self.faults = tuple(self._fault(kind) for kind in self._entries)

    @property
    def base(self) -> str:
        return files("laneproof_sim").joinpath("benches", "demo.toml").read_text("utf-8")

    def slots(self, base: str, where: str) -> tuple[str, ...]:
        scenario = read_scenario(parse_toml(base.encode(), where), where)
        for each in (*scenario.slots, *scenario.switches):
            if each.faults:
                problem = f'"{printable(each.name)}" has a fault already; give a bench that is healthy'
                raise BadInput(f"{where}: {problem}")
        return tuple(str(slot.name) for slot in scenario.slots)

    def bench(self, base: str, slot: str, seed: int, kind: str = "", severity: str = "") -> Bench | None:
        table = tomllib.loads(base)
        if kind:
            there = _read(base).slot(slot)
            assert there is not None
            entry, chosen = self._entries[kind], self._severities[kind][severity]
            if not _fits(there, entry | chosen):
                return None
            self._put(table, there, entry, chosen)
        text = "".join(f"{json.dumps(key)} = {_inline(value)}\n" for key, value in table.items())
        return Bench(text=text, slot=slot, uri=f"sim:{{path}}?seed={seed}#{quote(slot)}")

    def _fault(self, kind: str) -> CataloguedFault:
        entry, known = self._entries[kind], _OF_KIND.get(kind)
        return CataloguedFault(
            kind=kind,
            cause=entry["cause"] if known is None else known.cause,
            seen=entry["seen"] if known is None else known.seen,
            unit=entry.get("unit", ""),
            harmless=entry.get("harmless", False),
            severities=tuple(_severity(entry, one) for one in self._severities[kind].values()),
        )

    def _put(self, table: Table, there: Slot, entry: Table, chosen: Table) -> None:
        """Put a fault into a scenario's tables."""
        last = _lanes(there) - 1
        slot = next(one for one in table["slot"] if one["name"] == there.name)
        _merge(slot, _with_last(entry.get("slot", {}), last))
        _merge(slot, _with_last(chosen.get("slot", {}), last))
        owner = _switch_above(table, slot) if entry.get("switch") else slot
        if entry["kind"] in _OF_KIND:
            fault = {"kind": entry["kind"], **_with_last(chosen.get("set", {}), last)}
            owner["fault"] = [*owner.get("fault", []), fault]


@lru_cache(maxsize=4)
def _read(base: str) -> Scenario:
    """The same few texts are asked for hundreds of times."""
    where = "the base of the catalogue"
    return read_scenario(parse_toml(base.encode(), where), where)


def _severities(entry: Table, ladders: Table) -> dict[str, Table]:
    """Those of an entry by name: its own, milder than what a ladder ends with, and those of its ladders."""
    own: list[Table] = entry.get("severity", [])
    shared = [one for ladder in entry.get("severities", []) for one in ladders[ladder]]
    return {one["name"]: one for one in (*shared[:-1], *own, *shared[-1:])}


def _severity(entry: Table, one: Table) -> Severity:
    undetectable = one.get("no") or entry.get("no")
    rare = "It comes too seldom for the exposure of a short plan; how seldom, the curve shows."
    return Severity(
        name=one["name"],
        level=one.get("level"),
        looked_at=one.get("looked_at", False),
        detectable=not undetectable and not one.get("chance", False),
        why=undetectable or (rare if one.get("chance") else entry["why"]),
    )


def _lanes(slot: Slot) -> int:
    return min(slot.near.max_width, slot.card.max_width, slot.wiring)


def _fits(slot: Slot, entry: Table) -> bool:
    within = entry.get("within", {})
    return (
        _lanes(slot) >= within.get("lanes", 1)
        and min(slot.near.max_speed, slot.card.max_speed) >= within.get("speed", 0)
        and not (slot.card.pattern_engine and entry.get("switch") and slot.below is None)
    )


def _switch_above(table: Table, slot: Table) -> Table:
    """The switch that a slot is below; where it is below none, one is put in between, as wide and fast."""
    if "below" in slot:
        return next(one for one in table["switch"] if one["name"] == slot["below"])
    port = {key: value for key, value in slot["near"].items() if key not in _ROOT_ALONE}
    switch: Table = {"name": _SWITCH, "wiring": port["max_width"], "near": slot["near"], "upstream": dict(port)}
    slot |= {"below": _SWITCH, "near": port}
    table["switch"] = [*table.get("switch", []), switch]
    return switch


def _merge(into: Table, more: Mapping[str, Any]) -> None:
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(into.get(key), dict):
            _merge(into[key], value)
        else:
            into[key] = value


def _with_last(value: Any, lane: int) -> Any:
    """`value` with that lane where it says "last"."""
    if isinstance(value, dict):
        return {str(lane) if key == "last" else key: _with_last(item, lane) for key, item in value.items()}
    if isinstance(value, list):
        return [_with_last(item, lane) for item in value]
    return lane if value == "last" else value


def _inline(value: Any) -> str:
    """A value as TOML writes it in a line; text as JSON does, which TOML reads the same but for DEL."""
    if isinstance(value, dict):
        return f"{{{', '.join(f'{json.dumps(key)} = {_inline(item)}' for key, item in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(_inline(item) for item in value)}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return json.dumps(value) if isinstance(value, bool | int) else repr(value)


catalogue = SimulatedFaults()
