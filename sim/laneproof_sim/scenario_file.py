"""Finds a bench, shipped or in a file, and reads its TOML into a `Scenario`; refuses the rest in one line.

Every refusal is a `BadInput` that names the file, the key (`slot[1].near.max_width`, counted from 0) or the line,
and the remedy. Files are hostile: they may be anything but a scenario.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any

from laneproof.documents import parse_toml, printable, read_toml, structure
from laneproof.errors import BadInput
from laneproof_sim.damage.memory import StuckBit
from laneproof_sim.faults import CATALOGUE, Absent, Fault
from laneproof_sim.quantities import MAX_LANES, READERS, shown
from laneproof_sim.scenario import NO_LIMIT, SCHEMA, SHORTEST_IDLE_S, Scenario, Slot

_MAX_SLOTS = 64


def shipped() -> tuple[str, ...]:
    """Names of the benches that come with the simulator, the healthy one first."""
    names = {Path(entry.name).stem for entry in files("laneproof_sim").joinpath("benches").iterdir()}
    return ("demo", *sorted(names - {"demo"}))


def load(text: str) -> Scenario:
    """The bench that an address names: a shipped name, or a path (anything with "/", or ending in ".toml").

    Raises BadInput.
    """
    if "/" in text or text.endswith(".toml"):
        return read_scenario(read_toml(Path(text), "scenario"), f"scenario {printable(text)}")
    where = f"bench {printable(text)}"
    if text not in shipped():
        known = ", ".join(shipped())
        raise BadInput(
            f"{where}: is not known; shipped: {known}; for a file of your own give its path, as in ./my.toml"
        )
    data = files("laneproof_sim").joinpath("benches", f"{text}.toml").read_bytes()
    return read_scenario(parse_toml(data, where), where)


def read_scenario(table: dict[str, Any], where: str) -> Scenario:
    """Read a scenario's tables; `where` names it in messages. Raises BadInput."""
    if table.get("schema") != SCHEMA:
        raise BadInput(f"{where}: schema: {shown(table.get('schema'))} is not known; begin with schema = {SCHEMA}")
    faults = {fault.kind: fault for fault in CATALOGUE}
    scenario = structure(table, Scenario, where, readers=READERS, tagged={Fault: faults})
    try:
        _check_across_keys(scenario)
    except _AcrossKeys as error:
        raise BadInput(f"{where}: {error.args[0]}: {error.args[1]}") from None
    return scenario


class _AcrossKeys(Exception):
    """A value that is right by itself and wrong beside another: key and problem."""


def _check_across_keys(scenario: Scenario) -> None:
    if not 1 <= len(scenario.slots) <= _MAX_SLOTS:
        raise _AcrossKeys("slot", f"{len(scenario.slots)} slots; write 1 to {_MAX_SLOTS} tables [[slot]]")
    names = [slot.name for slot in scenario.slots]
    for number, slot in enumerate(scenario.slots):
        at = f"slot[{number}]"
        if slot.name in names[:number]:
            raise _AcrossKeys(f"{at}.name", f'"{slot.name}" is there twice; give each slot a name of its own')
        _check_link(slot, at)
        for direction, lane_rates in (
            ("to_card", slot.bit_error_rate.to_card),
            ("from_card", slot.bit_error_rate.from_card),
        ):
            beyond = [lane for lane in range(slot.wiring, MAX_LANES) if lane_rates[lane]]
            if beyond and len(set(lane_rates)) > 1:  # one rate for all lanes is a rate for those that are wired
                problem = f"lane {beyond[0]} is not wired; use 0 to {slot.wiring - 1}"
                raise _AcrossKeys(f"{at}.bit_error_rate.{direction}", problem)
        for place, fault in enumerate(slot.faults):
            if isinstance(fault, StuckBit) and not 0 <= fault.byte < fault.word:
                problem = f"{fault.byte} is not in a word of {fault.word} bytes; use 0 to {fault.word - 1}"
                raise _AcrossKeys(f"{at}.fault[{place}].byte", problem)
            if isinstance(fault, Absent) and len(slot.faults) > 1:
                raise _AcrossKeys(f"{at}.fault[{place}]", "a card that is absent has no other faults; leave one")


def _check_link(slot: Slot, at: str) -> None:
    """What a slot says of its lanes, widths and idle speed."""
    marginal = [lane for lane in range(MAX_LANES) if slot.marginal_lanes[lane] != NO_LIMIT[lane]]
    for key, lanes in (
        ("dead_lanes", slot.dead_lanes),
        ("no_receiver", slot.no_receiver),
        ("marginal_lanes", marginal),
    ):
        for lane in lanes:
            if lane >= slot.wiring:
                raise _AcrossKeys(f"{at}.{key}", f"lane {lane} is not wired; use 0 to {slot.wiring - 1}")
    for lane in set(slot.no_receiver) & set(slot.dead_lanes):
        problem = f"lane {lane} stands in dead_lanes too, whose lanes are detected; leave it in one of them"
        raise _AcrossKeys(f"{at}.no_receiver", problem)
    for end, partner in (("near", slot.near), ("card", slot.card)):
        for width in partner.widths or ():
            if width > partner.max_width:
                problem = f"x{width} is wider than max_width; use widths up to {partner.max_width}"
                raise _AcrossKeys(f"{at}.{end}.widths", problem)
    if slot.idle_speed is not None and slot.idle_speed > min(slot.near.max_speed, slot.card.max_speed):
        raise _AcrossKeys(f"{at}.idle_speed", "is above what both partners can do; use at most the smaller max_speed")
    if slot.idle_after < SHORTEST_IDLE_S:
        problem = f"a link counts as idle from {SHORTEST_IDLE_S * 1e3:g} ms on; use that or longer"
        raise _AcrossKeys(f"{at}.idle_after", problem)
