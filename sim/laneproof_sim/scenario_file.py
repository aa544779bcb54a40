"""Finds a bench, shipped or in a file, and reads its TOML into a `Scenario`; refuses the rest in one line.

Every refusal is a `BadInput` that names the file, the key (`slot[1].near.max_width`, counted from 0) or the line,
and the remedy. Files are hostile: they may be anything but a scenario.
"""

from __future__ import annotations

from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import attrs

from laneproof.documents import parse_toml, printable, read_toml, structure
from laneproof.errors import BadInput
from laneproof_sim.damage.channels import BetweenChannels
from laneproof_sim.damage.memory import StuckBit
from laneproof_sim.degradation import BadTraining, Degrading
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES, Absent, Fault, SwitchFault
from laneproof_sim.quantities import MAX_LANES, READERS, shown
from laneproof_sim.scenario import (
    LONGEST_READ_LATENCY_S,
    NO_LIMIT,
    SCHEMA,
    SHORTEST_IDLE_S,
    SLOWEST_MARGINED_GTPS,
    Link,
    Port,
    Scenario,
    Slot,
)
from laneproof_sim.supply import power_faults

_MAX_SLOTS = 64
_MAX_BELOW = 32
"""Devices on the bus inside a switch."""
_LIVE_IN: dict[str, tuple[Any, ...]] = {"slot": CATALOGUE, "switch": IN_SWITCHES}


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
    kinds = {place: {fault.kind: fault for fault in faults} for place, faults in _LIVE_IN.items()}
    try:
        _check_places_of_faults(table)
        scenario = structure(
            table, Scenario, where, readers=READERS, tagged={Fault: kinds["slot"], SwitchFault: kinds["switch"]}
        )
        _check_across_keys(scenario)
    except _AcrossKeys as error:
        raise BadInput(f"{where}: {error.args[0]}: {error.args[1]}") from None
    return _powered(scenario)


def _powered(scenario: Scenario) -> Scenario:
    """The scenario with what its cards suffer from too little power added to their faults."""
    powers = {str(slot.name): slot.power for slot in scenario.slots if slot.power is not None and not slot.absent}
    suffered = power_faults(scenario.supply, powers)
    slots = [attrs.evolve(slot, faults=(*slot.faults, *suffered.get(slot.name, ()))) for slot in scenario.slots]
    return attrs.evolve(scenario, slots=tuple(slots))


class _AcrossKeys(Exception):
    """A value that is right by itself and wrong beside another: key and problem."""


def _check_places_of_faults(table: dict[str, Any]) -> None:
    """A fault of a kind that is known, in a table where it does not live. The tables may hold anything yet."""
    for place in _LIVE_IN:
        other = next(name for name in _LIVE_IN if name != place)
        elsewhere = {fault.kind for fault in _LIVE_IN[other]}
        for number, owner in _tables(table.get(place)):
            for which, fault in _tables(owner.get("fault")):
                kind = fault.get("kind")
                if isinstance(kind, str) and kind in elsewhere:
                    problem = f'"{kind}" lives in a {other}; put it into [[{other}.fault]]'
                    raise _AcrossKeys(f"{place}[{number}].fault[{which}].kind", problem)


def _tables(value: Any) -> list[tuple[int, dict[str, Any]]]:
    """The tables of an array of tables, with their places."""
    return [one for one in enumerate(value) if isinstance(one[1], dict)] if isinstance(value, list) else []


def _check_switches(scenario: Scenario) -> None:
    names = {slot.name for slot in scenario.slots}
    for number, switch in enumerate(scenario.switches):
        if switch.name in names:
            problem = f'"{switch.name}" is there twice; give each switch a name of its own'
            raise _AcrossKeys(f"switch[{number}].name", problem)
        names.add(switch.name)
    for number, slot in enumerate(scenario.slots):
        if slot.below is not None and scenario.switch_above(slot) is None:
            known = ", ".join(switch.name for switch in scenario.switches)
            remedy = f"use one of {known}" if known else f'add [[switch]] with name = "{slot.below}", or leave it out'
            raise _AcrossKeys(f"slot[{number}].below", f'"{slot.below}" is no switch; {remedy}')
        if slot.below is not None and slot.card.pattern_engine:
            problem = "is modelled for a card directly below a root port only; leave it out below a switch"
            raise _AcrossKeys(f"slot[{number}].card.pattern_engine", problem)
    for number, switch in enumerate(scenario.switches):
        at, below = f"switch[{number}]", scenario.slots_below(switch)
        _check_link(switch, at, "upstream")
        for place, fault in enumerate(switch.faults):
            if fault.when is not None and fault.when.temperature_above is not None:
                problem = "a switch declares no temperature; leave it out"
                raise _AcrossKeys(f"{at}.fault[{place}].when.temperature_above", problem)
        _check_port(switch, at, root=True)
        for key in ("completion", "posted_buffer", "read_latency"):
            if getattr(switch.upstream, key) != getattr(attrs.fields(Port), key).default:
                raise _AcrossKeys(f"{at}.upstream.{key}", "means nothing in an upstream port; leave it out")
        if not 1 <= len(below) <= _MAX_BELOW:
            problem = f'{len(below)} slots are below it; write below = "{switch.name}" in 1 to {_MAX_BELOW} of them'
            raise _AcrossKeys(at, problem)
        if len({slot.errors_owned_by for slot in below}) > 1:
            problem = "the slots below it differ in errors_owned_by, and one root port gets the errors of all of them"
            raise _AcrossKeys(at, f"{problem}; make it the same")


def _check_across_keys(scenario: Scenario) -> None:
    if not 1 <= len(scenario.slots) <= _MAX_SLOTS:
        raise _AcrossKeys("slot", f"{len(scenario.slots)} slots; write 1 to {_MAX_SLOTS} tables [[slot]]")
    names = [slot.name for slot in scenario.slots]
    for number, slot in enumerate(scenario.slots):
        at = f"slot[{number}]"
        if slot.name in names[:number]:
            raise _AcrossKeys(f"{at}.name", f'"{slot.name}" is there twice; give each slot a name of its own')
        _check_link(slot, at, "card")
        _check_port(slot, at, root=slot.below is None)
        _check_surroundings(scenario, slot, at)
        for place, fault in enumerate(slot.faults):
            if isinstance(fault, StuckBit) and not 0 <= fault.byte < fault.word:
                problem = f"{fault.byte} is not in a word of {fault.word} bytes; use 0 to {fault.word - 1}"
                raise _AcrossKeys(f"{at}.fault[{place}].byte", problem)
            if isinstance(fault, BetweenChannels) and slot.card.channels < 2:
                problem = f'"{fault.kind}" takes a card with several channels; set channels = 2 or more'
                raise _AcrossKeys(f"{at}.fault[{place}].kind", problem)
            if isinstance(fault, Absent) and len(slot.faults) > 1:
                raise _AcrossKeys(f"{at}.fault[{place}]", "a card that is absent has no other faults; leave one")
    _check_switches(scenario)


def _check_link(slot: Link, at: str, far: str) -> None:
    """What a slot or switch says of lanes, widths and idle speed; `far` is the key of the far partner."""
    for direction, lane_rates in (
        ("to_card", slot.bit_error_rate.to_card),
        ("from_card", slot.bit_error_rate.from_card),
    ):
        beyond = [lane for lane in range(slot.wiring, MAX_LANES) if lane_rates[lane]]
        if beyond and len(set(lane_rates)) > 1:  # one rate for all lanes is a rate for those that are wired
            problem = f"lane {beyond[0]} is not wired; use 0 to {slot.wiring - 1}"
            raise _AcrossKeys(f"{at}.bit_error_rate.{direction}", problem)
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
    for end, partner in (("near", slot.near), (far, slot.far)):
        for width in partner.widths or ():
            if width > partner.max_width:
                problem = f"x{width} is wider than max_width; use widths up to {partner.max_width}"
                raise _AcrossKeys(f"{at}.{end}.widths", problem)
    if slot.idle_speed is not None and slot.idle_speed > min(slot.near.max_speed, slot.far.max_speed):
        raise _AcrossKeys(f"{at}.idle_speed", "is above what both partners can do; use at most the smaller max_speed")
    if slot.idle_after < SHORTEST_IDLE_S:
        problem = f"a link counts as idle from {SHORTEST_IDLE_S * 1e3:g} ms on; use that or longer"
        raise _AcrossKeys(f"{at}.idle_after", problem)


def _check_port(link: Link, at: str, *, root: bool) -> None:
    """What a port says of its buffer for writes, and a `root` port of the host's memory."""
    near, payload = link.near, min(link.near.max_payload, link.far.max_payload)
    if near.posted_buffer is not None and near.posted_buffer < payload:
        problem = f"{near.posted_buffer} bytes are less than one write of {payload} B; make it that or larger"
        raise _AcrossKeys(f"{at}.near.posted_buffer", problem)
    if not 0 < near.read_latency <= LONGEST_READ_LATENCY_S:
        problem = f"is no time that a host's memory takes; use up to {LONGEST_READ_LATENCY_S * 1e6:g} us"
        raise _AcrossKeys(f"{at}.near.read_latency", problem)
    for key in () if root else ("completion", "read_latency"):
        if getattr(near, key) != getattr(attrs.fields(Port), key).default:
            raise _AcrossKeys(f"{at}.near.{key}", "is the root port's to say; write it in near of the switch")


def _check_surroundings(scenario: Scenario, slot: Slot, at: str) -> None:
    """What a slot says of its power and temperature, and of faults that depend on them."""
    if slot.eye is not None:
        if min(slot.near.max_speed, slot.card.max_speed) < SLOWEST_MARGINED_GTPS:
            problem = f"lane margining exists from {SLOWEST_MARGINED_GTPS:g} GT/s on; leave it out, or raise max_speed"
            raise _AcrossKeys(f"{at}.eye", problem)
        for key, shares in (("to_card", slot.eye.to_card), ("from_card", slot.eye.from_card)):
            beyond = [lane for lane in range(slot.wiring, MAX_LANES) if shares[lane] < 1]
            if beyond:
                problem = f"lane {beyond[0]} is not wired; use 0 to {slot.wiring - 1}"
                raise _AcrossKeys(f"{at}.eye.{key}", problem)
    if scenario.supply is not None and slot.power is None and not slot.absent:
        raise _AcrossKeys(f"{at}.power", "is missing, and [supply] has a limit; say what this slot's card draws")
    for number, (one, two) in enumerate(pairwise(slot.temperature), 1):
        if two.at <= one.at:
            raise _AcrossKeys(f"{at}.temperature[{number}].at", "is not after the point before it; order them by time")
    for place, fault in enumerate(slot.faults):
        when = getattr(fault, "when", None)
        if when is not None and when.temperature_above is not None and not slot.temperature:
            problem = "the slot says nothing of its temperature; give it temperature = [{ at = …, card = … }]"
            raise _AcrossKeys(f"{at}.fault[{place}].when.temperature_above", problem)
        if isinstance(fault, Degrading | BadTraining) and fault.lane >= slot.wiring:
            problem = f"lane {fault.lane} is not wired; use 0 to {slot.wiring - 1}"
            raise _AcrossKeys(f"{at}.fault[{place}].lane", problem)
