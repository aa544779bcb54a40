"""Link training: which speed and width two partners reach over the lanes that work, and how they got there.

Follows the base specification as the project's check values have it: every link first reaches L0 at 2.5 GT/s and
changes speed from there; width falls back to one that both partners support and whose lanes include lane 0, or, with
lanes reversed, the top lane. A speed that some lane of the link does not hold is left for the one before, and the
next lower one tried. A lane that fails in use sends the link back: here is where it ends up, in `degradation` what
fails and when. What else happens to the link after its training is in `link`.

From memory of the base specification: the ways out of Detect, Polling and Recovery, equalisation at 8 GT/s before 16
and at 16 before 32, one try at each speed. Times are of the right order, not measured: 12 ms of detection, and the
same again where some lanes have no receiver; time limits of 24 ms; 1024 training sets at 2.5 GT/s; some milliseconds
for an equalisation.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import attrs
from attrs import frozen

from laneproof_sim.degradation import BadTraining, Degrading, FailingLane, FailingSpeed
from laneproof_sim.quantities import SPEEDS_GTPS
from laneproof_sim.scenario import EchoCard, Link, Port

State = Literal[
    "Detect",
    "Polling",
    "Configuration",
    "Recovery",
    "L0",
    "L0s",
    "L1",
    "L2",
    "Hot Reset",
    "Loopback",
    "Disabled",
]
"""The eleven states of the link training and status state machine."""

NO_RECEIVER = "no receiver is detected on any lane"
RATE_CHANGE_S = 100e-6
"""A change of speed where no equalisation is due."""
_DETECT_S = 0.012
_POLLING_S = 70e-6
_CONFIGURATION_S = 30e-6
_EQUALISATION_S = 6e-3
_TIME_LIMIT_S = 0.024


@frozen(kw_only=True)
class Change:
    """The state entered at `at_s`, in virtual seconds; speed and width count once a link has them."""

    at_s: float
    state: State
    speed_gtps: float = 2.5
    width: int = 0


@frozen(kw_only=True)
class Trained:
    """The outcome: an empty `problem` is a link in L0. `lanes` are the physical lanes in use, logical lane 0 first.

    `equalised` are the speeds whose equalisation succeeded, `fell_back` says that a speed which both partners can do
    did not hold.
    """

    speed_gtps: float
    lanes: tuple[int, ...]
    history: tuple[Change, ...]
    equalised: tuple[float, ...] = ()
    fell_back: bool = False
    problem: str = ""

    @property
    def width(self) -> int:
        return len(self.lanes)

    @property
    def ready_s(self) -> float:
        """When the last state was entered."""
        return self.history[-1].at_s


def train(slot: Link, start_s: float = 0.0) -> Trained:
    """Bring up the link of `slot`, from power-on at virtual time zero or from Detect at `start_s`."""
    history = [Change(at_s=start_s, state="Detect")]
    connected = min(slot.near.max_width, slot.far.max_width, slot.wiring)
    detected = set(range(connected)) - set(slot.no_receiver)
    if not detected or slot.absent:
        return _failed(history, NO_RECEIVER)
    now_s = start_s + _DETECT_S * (1 if len(detected) == connected else 2)
    history.append(Change(at_s=now_s, state="Polling"))
    silent = detected & set(slot.dead_lanes)
    if silent == detected:  # no lane ever leaves electrical idle: the port stays in Polling, sending its test pattern
        return _failed(history, f"receivers are detected, and lane {_listed(silent)} is silent, which leaves none")
    now_s += _TIME_LIMIT_S if silent else _POLLING_S
    history.append(Change(at_s=now_s, state="Configuration"))
    lanes = choose_lanes(slot)
    if not lanes:
        history.append(Change(at_s=now_s + _TIME_LIMIT_S, state="Detect"))
        missing = f"receivers are detected, and lane {_listed(silent)} is silent" if silent else ""
        if unseen := set(range(connected)) - detected:
            missing += f"{', and' if missing else ''} no receiver is detected on lane {_listed(unseen)}".lstrip(" ")
        return _failed(history, f"{missing}: without lane 0 the link does not train")
    now_s += _CONFIGURATION_S
    history.append(Change(at_s=now_s, state="L0", width=len(lanes)))
    return _speed_up(slot, lanes, history)


def degraded(slot: Link, failures: Iterable[Degrading | BadTraining]) -> Link:
    """`slot` as it is once these have set in, or in the training that they hit."""
    dead, speeds = set(slot.dead_lanes), list(slot.marginal_lanes)
    for failure in failures:
        holds = failure.holds if isinstance(failure, FailingSpeed | BadTraining) else None
        if holds is not None:
            speeds[failure.lane] = min(speeds[failure.lane], holds)
        elif isinstance(failure, FailingLane | BadTraining):
            dead.add(failure.lane)
    return attrs.evolve(slot, dead_lanes=tuple(sorted(dead)), marginal_lanes=tuple(speeds))


def fall_back(slot: Link, before: Trained, at_s: float) -> Trained:
    """Where a link that was up as `before` ends, from `at_s` on, on the lanes of `slot` as they are now.

    Training sets that do not get through let Recovery run into its time limit. With a lane silent the link is then
    configured anew without it, or, where that leaves none, is down; with a speed that does not hold it goes to
    2.5 GT/s and up again from there. `before` itself, if none of its lanes is concerned.
    """
    speed, width = before.speed_gtps, before.width
    silent = bool(set(before.lanes) & set(slot.dead_lanes))
    if not silent and all(slot.marginal_lanes[lane] >= speed for lane in before.lanes):
        return before
    history = [Change(at_s=at_s, state="Recovery", speed_gtps=speed, width=width)]
    now_s = at_s + _TIME_LIMIT_S
    lanes = choose_lanes(slot)
    if silent:
        history.append(Change(at_s=now_s, state="Configuration", speed_gtps=speed, width=width))
        if not lanes:
            history.append(Change(at_s=now_s + _TIME_LIMIT_S, state="Detect"))
            return _failed(history, "no lane is left on which the link could be configured")
        now_s += _CONFIGURATION_S
    if all(slot.marginal_lanes[lane] >= speed for lane in lanes):
        history.append(Change(at_s=now_s, state="L0", speed_gtps=speed, width=len(lanes)))
        return attrs.evolve(before, lanes=lanes, history=tuple(history), fell_back=True)
    history.append(Change(at_s=now_s + RATE_CHANGE_S, state="L0", width=len(lanes)))
    return _speed_up(slot, lanes, history)


def retrain(slot: Link, before: Trained, at_s: float, recovery_s: float) -> Trained:
    """Where a link that is up as `before` ends when software has it go through Recovery, for `recovery_s`, at `at_s`.

    It goes up again to the highest speed that its lanes hold now. Lanes that it has lost come back with a link reset
    alone: widening a link in Configuration is optional, and not modelled (base specification, from memory).
    """
    fallen = fall_back(slot, before, at_s)
    if fallen is not before:
        return fallen
    speed, width = before.speed_gtps, before.width
    history = [
        Change(at_s=at_s, state="Recovery", speed_gtps=speed, width=width),
        Change(at_s=at_s + recovery_s, state="L0", speed_gtps=speed, width=width),
    ]
    return _speed_up(slot, before.lanes, history, before.equalised)


def _speed_up(
    slot: Link, lanes: tuple[int, ...], history: list[Change], equalised_before: tuple[float, ...] = ()
) -> Trained:
    """From L0 at the speed that it has to the highest that both partners can do and all lanes hold."""
    limit = highest = min(slot.near.max_speed, slot.far.max_speed)
    speed, equalised = history[-1].speed_gtps, list(equalised_before)
    while (tried := _next_speed(speed, limit)) > speed:
        now_s = history[-1].at_s
        history.append(Change(at_s=now_s, state="Recovery", speed_gtps=speed, width=len(lanes)))
        now_s += RATE_CHANGE_S
        if all(slot.marginal_lanes[lane] >= tried for lane in lanes):
            speed = tried
            if speed >= 8:
                equalised.append(speed)
                now_s += _EQUALISATION_S
        else:
            limit = max(known for known in SPEEDS_GTPS if known < tried)
            now_s += _TIME_LIMIT_S + RATE_CHANGE_S  # and back to the speed before
        history.append(Change(at_s=now_s, state="L0", speed_gtps=speed, width=len(lanes)))
    return Trained(
        speed_gtps=speed,
        lanes=lanes,
        history=tuple(history),
        equalised=tuple(equalised),
        fell_back=speed < highest,
    )


def _next_speed(speed: float, limit: float) -> float:
    """The next speed on the way up to `limit`: 5 GT/s is passed over, the equalised ones are taken one by one."""
    if speed < 8:
        return max(speed, min(limit, 8.0))
    return min([higher for higher in SPEEDS_GTPS if speed < higher <= limit], default=speed)


def choose_lanes(slot: Link) -> tuple[int, ...]:
    """Physical lanes of the widest link that can form, logical lane 0 first; empty where none can.

    Reversed numbering is tried where a partner offers it and all lanes of both are wired, so that the top lane is one
    and the same at both.
    """
    connected = min(slot.near.max_width, slot.far.max_width, slot.wiring)
    unusable = {*slot.dead_lanes, *slot.no_receiver}
    widths = sorted(_widths(slot.near) & _widths(slot.far), reverse=True)

    def widest(order: tuple[int, ...]) -> tuple[int, ...]:
        fitting = (order[:width] for width in widths if width <= len(order))
        return next((lanes for lanes in fitting if not unusable & set(lanes)), ())

    straight = widest(tuple(range(connected)))
    offered = slot.near.lane_reversal or slot.far.lane_reversal
    if not (offered and slot.near.max_width == slot.far.max_width == slot.wiring):
        return straight
    return max(straight, widest(tuple(reversed(range(connected)))), key=len)


def _widths(partner: Port | EchoCard) -> set[int]:
    """What a partner supports; x1 and the full width are mandatory."""
    below = (1, 2, 4, 8, 16) if partner.widths is None else partner.widths
    return {1, partner.max_width, *(width for width in below if width < partner.max_width)}


def _failed(history: list[Change], problem: str) -> Trained:
    return Trained(speed_gtps=2.5, lanes=(), history=tuple(history), problem=problem)


def _listed(lanes: set[int]) -> str:
    return ", ".join(map(str, sorted(lanes)))
