"""Which functions stand at the ends of a bench's links: what each can do, its bus number, and one payload for them all.

Firmware numbers the buses and sets the payload before anybody looks: the largest that every function below a root port
can take, since a port has one setting for all that it leads to. Slots directly below a root port are each alone there.
"""

from __future__ import annotations

from laneproof_sim.config_space import Function
from laneproof_sim.scenario import Scenario, Slot, Switch
from laneproof_sim.supply import GRANTED

_ROOT_PORT = 0x0008
"""Bus 0, device 1, function 0; on the link below it comes bus 1."""
_BEHIND_THE_SWITCH = 2
"""The bus inside a switch, on which its downstream ports are devices."""


def of_slot(slot: Slot, bench: Scenario | None = None) -> tuple[Function, Function]:
    """Port and card of a slot. Where it is below a switch, `bench` says what else is."""
    switch = None if bench is None else bench.switch_above(slot)
    if bench is None or switch is None:
        payload, number, bus = min(slot.near.max_payload, slot.card.max_payload), 0, 1
    else:
        beside = bench.slots_below(switch)
        payload, number = _payload(switch, beside), beside.index(slot)
        bus = _BEHIND_THE_SWITCH + 1 + number
    granted_w = GRANTED if slot.power is None else slot.power.from_slot
    near = Function(
        kind="root port" if switch is None else "downstream port",
        max_speed_gtps=slot.near.max_speed,
        max_width=slot.near.max_width,
        max_payload=slot.near.max_payload,
        payload=payload,
        requester_id=_ROOT_PORT if switch is None else _BEHIND_THE_SWITCH << 8 | number << 3,
        secondary_bus=bus,
        slot_number=number + 1,
        slot_power_w=granted_w,
        ecrc=slot.ecrc and switch is None,
        margining=slot.eye is not None,
    )
    card = Function(
        kind="endpoint",
        max_speed_gtps=slot.card.max_speed,
        max_width=slot.card.max_width,
        max_payload=slot.card.max_payload,
        payload=payload,
        read_request=slot.card.read_request,
        requester_id=bus << 8,
        slot_power_w=granted_w,
        ecrc=slot.ecrc,
        margining=slot.eye is not None,
    )
    return near, card


def of_switch(switch: Switch, bench: Scenario) -> tuple[Function, Function]:
    """Root port and upstream port of the link above a switch."""
    beside = bench.slots_below(switch)
    payload, last_bus = _payload(switch, beside), _BEHIND_THE_SWITCH + len(beside)
    root_port = Function(
        kind="root port",
        max_speed_gtps=switch.near.max_speed,
        max_width=switch.near.max_width,
        max_payload=switch.near.max_payload,
        payload=payload,
        requester_id=_ROOT_PORT,
        secondary_bus=1,
        subordinate_bus=last_bus,
        ecrc=any(slot.ecrc for slot in beside),
    )
    upstream = Function(
        kind="upstream port",
        max_speed_gtps=switch.upstream.max_speed,
        max_width=switch.upstream.max_width,
        max_payload=switch.upstream.max_payload,
        payload=payload,
        requester_id=1 << 8,
        secondary_bus=_BEHIND_THE_SWITCH,
        subordinate_bus=last_bus,
    )
    return root_port, upstream


def _payload(switch: Switch, beside: tuple[Slot, ...]) -> int:
    ports = [switch.near, switch.upstream, *(end for slot in beside for end in (slot.near, slot.card))]
    return min(port.max_payload for port in ports)
