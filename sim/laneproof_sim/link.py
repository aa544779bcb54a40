"""The link of a powered slot after its first training: its states over time, and what both partners' registers show.

A link retrains after some errors, goes to a lower speed when idle and up again, falls back where one of its lanes
fails, goes through a hot reset, or down. What happens is told in any order of time and takes effect up to the moment
that is asked for. How a link trains is in `training`, when packets pass in `line`.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import deque

from attrs import frozen

from laneproof_sim.line import RETRAIN_S
from laneproof_sim.registers import LinkPartner
from laneproof_sim.scenario import Link
from laneproof_sim.training import RATE_CHANGE_S, Change, State, Trained

MAX_CHANGES = 10_000
"""So many changes after the first training are kept, the last ones."""
HOT_RESET_S = 2e-3
"""Software holds the reset for so long (Linux, pci_reset_secondary_bus, from memory)."""


@frozen
class _Fall:
    """One state of a fall-back that is to come. The first begins it, with the lanes that fail; the last has its end.

    From the first to the last the link meets no other Recovery.
    """

    change: Change
    begins: bool = False
    lanes: tuple[int, ...] = ()
    trained: Trained | None = None


class OpenLink:
    """Keeps the history and the link registers of both partners. `low` says that the idle link has gone down."""

    def __init__(self, slot: Link, trained: Trained, near: LinkPartner, far: LinkPartner) -> None:
        self._first = self._trained = trained
        self._near = near
        self._far = far
        saves = slot.idle_speed is not None and slot.idle_speed < trained.speed_gtps
        self._idle_speed = slot.idle_speed if saves else None
        self._idle_after_s = slot.idle_after
        self._later: deque[Change] = deque(maxlen=MAX_CHANGES)
        self._coming: list[tuple[float, int, float | None]] = []
        """Recoveries: when, in what order told, and the speed to change to."""
        self._falling: deque[_Fall] = deque()
        self._order = itertools.count()
        self._speed_gtps = self._target_gtps = trained.speed_gtps
        self._recovered_s = math.inf
        """When the Recovery under way ends."""
        self._up_s = trained.ready_s
        """Since when the link can carry load; infinite once it is down."""
        self.low = False

    @property
    def history(self) -> tuple[Change, ...]:
        """States in order of time: the first training, and the last `MAX_CHANGES` changes after it."""
        return (*self._first.history, *self._later)

    @property
    def settled_s(self) -> float:
        """When the link is in L0 after its first training; at its lower speed, where it has one."""
        trained_s = self._first.ready_s
        return trained_s if self._idle_speed is None else trained_s + self._idle_after_s + RATE_CHANGE_S

    def note_error(self, at_s: float, name: str) -> None:
        """An error that one end will see: with 128b/130b a Receiver Error, and any Rollover, leads to Recovery."""
        if name == "Rollover" or (name == "RxErr" and self._trained.speed_gtps >= 8):
            self._recover(at_s, None)

    def run_until(self, now_s: float, quiet_s: float) -> None:
        """Bring states and registers up to `now_s`; the last load had passed at `quiet_s`."""
        if self._up_s == math.inf:
            return
        idle_s = max(quiet_s, self._up_s) + self._idle_after_s
        if self._idle_speed is not None and not self.low and now_s >= idle_s:
            self.low = True
            self._up_s = idle_s + RATE_CHANGE_S
            self._recover(idle_s, self._idle_speed)
        while self._falling and self._falling[0].change.at_s <= now_s:
            fall = self._falling.popleft()
            if fall.begins:
                self._recover_until(fall.change.at_s)
            self._fall(fall)
        if not self._falling or self._falling[0].begins:
            self._recover_until(now_s)

    def fall_back(self, trained: Trained, lanes: tuple[int, ...]) -> None:
        """These lanes will fail, and the link go through the states of `trained`; that it is down is told by `down`."""
        first, *states, last = trained.history
        self._falling.append(_Fall(first, begins=True, lanes=lanes))
        self._falling.extend(_Fall(state) for state in states)
        if not trained.problem:
            self._falling.append(_Fall(last, trained=trained))

    def _fall(self, fall: _Fall) -> None:
        change, trained = fall.change, fall.trained
        self._coming = [one for one in self._coming if one[0] > change.at_s]
        heapq.heapify(self._coming)
        self._recovered_s = math.inf
        self._later.append(change)
        self._near.show_training(change.state != "L0")
        self._speed_gtps = self._target_gtps = change.speed_gtps
        for partner in (self._near, self._far):
            for lane in fall.lanes:
                partner.mark_lane(lane, parity=False)
            partner.change_speed(change.speed_gtps, by_itself=False)
            if trained is not None:
                partner.link_up(trained)
        if trained is not None:
            self._trained, self._up_s, self.low = trained, trained.ready_s, False

    def _recover_until(self, now_s: float) -> None:
        """Go through the recoveries that begin by `now_s`."""
        while self._coming and self._coming[0][0] <= now_s:
            at_s, _, speed_gtps = heapq.heappop(self._coming)
            self._end_recovery(at_s)
            if self._recovered_s == math.inf:
                self._enter("Recovery", at_s)
                self._recovered_s = at_s
            self._recovered_s = max(self._recovered_s, at_s + (RATE_CHANGE_S if speed_gtps else RETRAIN_S))
            self._target_gtps = speed_gtps or self._target_gtps
        self._end_recovery(now_s)

    def wake(self, now_s: float) -> float:
        """Load has come, the link being up to date; return when it can be carried, at full speed."""
        if self.low:
            self.low = False
            start_s = max(now_s, self._up_s)
            self._up_s = start_s + RATE_CHANGE_S
            self._recover(start_s, self._trained.speed_gtps)
        return max(now_s, self._up_s)

    def reset_from(self, at_s: float) -> float:
        """A hot reset begins; return when the card is in Detect again. A link that is down is there already."""
        self._clear()
        if self._up_s < math.inf:
            self._enter("Recovery", at_s)
            self._enter("Hot Reset", at_s + RETRAIN_S)
        self._near.link_down()
        return at_s + RETRAIN_S + HOT_RESET_S

    def retrained(self, trained: Trained) -> None:
        """The link has trained anew."""
        self._later.extend(trained.history)
        self._trained = trained
        self._speed_gtps = self._target_gtps = trained.speed_gtps
        self._up_s, self.low = trained.ready_s, False
        for partner in (self._near, self._far):
            partner.link_up(trained)

    def down(self, at_s: float) -> None:
        """The link goes down and stays down."""
        self._clear()
        self._later.append(Change(at_s=at_s, state="Detect"))
        self._up_s = math.inf
        self._near.link_down()

    def _recover(self, at_s: float, speed_gtps: float | None) -> None:
        heapq.heappush(self._coming, (at_s, next(self._order), speed_gtps))

    def _end_recovery(self, now_s: float) -> None:
        if self._recovered_s > now_s:
            return
        changed = self._target_gtps != self._speed_gtps
        self._speed_gtps = self._target_gtps
        self._enter("L0", self._recovered_s)
        self._recovered_s = math.inf
        if changed:
            self._near.change_speed(self._speed_gtps)
            self._far.change_speed(self._speed_gtps)

    def _enter(self, state: State, at_s: float) -> None:
        at_s = max(at_s, self._later[-1].at_s if self._later else self._trained.ready_s)
        width = self._trained.width
        self._later.append(Change(at_s=at_s, state=state, speed_gtps=self._speed_gtps, width=width))
        self._near.show_training(state == "Recovery")

    def _clear(self) -> None:
        self._coming.clear()
        self._falling.clear()
        self._recovered_s = math.inf
