"""Link training: which speed and width two partners reach over the lanes that work, and how they got there.

Follows the base specification as the project's check values have it: every link first reaches L0 at 2.5 GT/s and
changes speed from there; width falls back to one that both partners support and whose lanes include lane 0, or, with
lanes reversed, the top lane. Taken as given here: both partners support every power of two up to their full width
(only x1 and the full width are mandatory), and a speed that both support is reached. Times are of the right order,
not measured: detection 12 ms, 1024 training sets at 2.5 GT/s, a speed change with equalisation some milliseconds.
"""

from __future__ import annotations

from typing import Literal

from attrs import frozen

from laneproof_sim.faults import Absent
from laneproof_sim.scenario import Slot

State = Literal["Detect", "Polling", "Configuration", "L0", "Recovery"]
"""Those of the eleven states of the link training and status state machine that the model passes through."""

_DETECT_S = 0.012
_POLLING_S = 70e-6
_CONFIGURATION_S = 30e-6
_RATE_CHANGE_S = 100e-6
_EQUALISATION_S = 6e-3
_POLLING_TIMEOUT_S = 0.024


@frozen(kw_only=True)
class Change:
    """The state entered at `at_s`, in virtual seconds; speed and width count once a link has them."""

    at_s: float
    state: State
    speed_gtps: float = 2.5
    width: int = 0


@frozen(kw_only=True)
class Trained:
    """The outcome: an empty `problem` is a link in L0. `lanes` are the physical lanes in use, logical lane 0 first."""

    speed_gtps: float
    lanes: tuple[int, ...]
    history: tuple[Change, ...]
    problem: str = ""

    @property
    def width(self) -> int:
        return len(self.lanes)

    @property
    def ready_s(self) -> float:
        """When the last state was entered."""
        return self.history[-1].at_s


def train(slot: Slot) -> Trained:
    """Bring up the link of `slot`, from power-on at virtual time zero."""
    history = [Change(at_s=0.0, state="Detect")]
    if any(isinstance(fault, Absent) for fault in slot.faults):
        return Trained(speed_gtps=2.5, lanes=(), history=tuple(history), problem="no receiver is detected on any lane")
    now_s = _DETECT_S
    history.append(Change(at_s=now_s, state="Polling"))
    lanes = choose_lanes(slot)
    if not lanes:
        history.append(Change(at_s=now_s + _POLLING_TIMEOUT_S, state="Detect"))
        dead = ", ".join(map(str, sorted(set(slot.dead_lanes))))
        problem = f"receivers are detected, and lane {dead} is silent: without lane 0 the link does not train"
        return Trained(speed_gtps=2.5, lanes=(), history=tuple(history), problem=problem)
    width = len(lanes)
    now_s += _POLLING_S
    history.append(Change(at_s=now_s, state="Configuration"))
    now_s += _CONFIGURATION_S
    history.append(Change(at_s=now_s, state="L0", width=width))
    speed_gtps = min(slot.near.max_speed, slot.card.max_speed)
    if speed_gtps > 2.5:
        history.append(Change(at_s=now_s, state="Recovery", width=width))
        # From 8 GT/s on, each speed on the way up is equalised (base specification, from memory).
        now_s += _RATE_CHANGE_S + _EQUALISATION_S * sum(8 <= step <= speed_gtps for step in (8, 16, 32))
        history.append(Change(at_s=now_s, state="L0", speed_gtps=speed_gtps, width=width))
    return Trained(speed_gtps=speed_gtps, lanes=lanes, history=tuple(history))


def choose_lanes(slot: Slot) -> tuple[int, ...]:
    """Physical lanes of the widest link that can form, logical lane 0 first; empty where none can.

    Reversed numbering is tried where a partner offers it and all lanes of both are wired, so that the top lane is one
    and the same at both.
    """
    connected = min(slot.near.max_width, slot.card.max_width, slot.wiring)
    straight = _widest(tuple(range(connected)), slot.dead_lanes)
    offered = slot.near.lane_reversal or slot.card.lane_reversal
    if not (offered and slot.near.max_width == slot.card.max_width == slot.wiring):
        return straight
    return max(straight, _widest(tuple(reversed(range(connected))), slot.dead_lanes), key=len)


def _widest(order: tuple[int, ...], dead: tuple[int, ...]) -> tuple[int, ...]:
    for width in (16, 8, 4, 2, 1):
        lanes = order[:width]
        if width <= len(order) and not set(lanes) & set(dead):
            return lanes
    return ()
