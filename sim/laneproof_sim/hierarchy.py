"""What hangs below one root port is served in order of virtual time, whichever threads its users come from.

The channels of a card, and those of other cards below the same switch, meet on a shared link. A step of one may be
taken only when no other can come before it any more (a conservative simulation of discrete events). So a channel's
user who comes back from waiting is waited for, in real time: what the user does next costs no virtual time and may come
first. Nobody waits for a user who cannot act, who stands aside, or who takes longer than `GRACE_S`; such a channel's
clock goes along with the others', as there is one clock on the wall, and it counts again from its next call on.

A card with one channel directly below a root port is a hierarchy of one, and waits for nobody.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Collection
from typing import Any

from laneproof_sim.engine import Engine
from laneproof_sim.virtual_clock import VirtualClock

GRACE_S = 2.0
"""So long a user is waited for, in real seconds."""
_SLICE_S = 0.005


class Participant:
    """One channel, and what is known of its user."""

    def __init__(self, name: str, engine: Engine, clock: VirtualClock) -> None:
        self.name = name
        """Decides between two that are alike in all else, whichever was opened first."""
        self.engine = engine
        self.clock = clock
        self.start_s = clock.now_s()
        self.until_s: float | None = None
        """Until when its user waits, in virtual time; None while the user does something else."""
        self.user: threading.Thread | None = None
        """Who used it last."""
        self.detached = False
        self.turns = [0, 0]
        """Which step was its last request, and which its last write: of those that could come next at the same time,
        the one that has waited longest goes first."""

    def returns_s(self) -> float:
        """When its user may act next."""
        if self.until_s is None:
            return self.clock.now_s()
        return min(self.until_s, self.engine.next_completion_s, self.engine.state.lost_s)


class Hierarchy:
    """The channels below one root port. `changed` is held during all that happens there, notified when it matters."""

    def __init__(self) -> None:
        self.changed = threading.Condition(threading.RLock())
        self._participants: list[Participant] = []
        self._inside: list[tuple[threading.Thread, Collection[Participant]]] = []
        """Threads that are inside a call, and the participants that it is for."""
        self._reached_s = 0.0
        """When the last step was taken."""
        self._steps = 0

    def join(self, participant: Participant) -> None:
        """Take part from now on."""
        self._participants.append(participant)
        self._participants.sort(key=lambda one: one.name)

    def leave(self, participant: Participant) -> None:
        """Take part no more."""
        self._participants.remove(participant)
        self.changed.notify_all()

    @property
    def shared(self) -> bool:
        """Whether there is anybody to wait for."""
        return len(self._participants) > 1

    @property
    def now_s(self) -> float:
        """How far the hierarchy has come; zero where nothing has moved yet."""
        clocks = ((one.clock.now_s(), one.start_s) for one in self._participants)
        return max([self._reached_s, *(now_s for now_s, start_s in clocks if now_s > start_s)])

    def used(self, participants: list[Participant], *, to_transfer: bool) -> None:
        """A call on these channels' card begins: to transfer data on them, or anything else.

        Readings count only where they are the first use, which is then that of the first channel; somebody who watches
        a card is not waited for. All this goes for a slot that is still alone, too: others may be opened later.
        """
        thread = threading.current_thread()
        for one in participants if to_transfer else participants[:1]:
            if to_transfer or one.user is None:
                if not self._counts(one):
                    one.clock.advance_to(self._reached_s)
                one.user, one.detached = thread, False

    def wait_for(self, participant: Participant, until_s: float, check: Callable[[], Any]) -> None:
        """Take all steps up to the participant's next completion, loss, or `until_s`, whichever comes first.

        `check` is called now and then while waiting for others, and may raise.
        """
        if not self.shared:
            participant.engine.work(until_s, to_completion=True)
            return
        participant.until_s = until_s
        try:
            self._bring(participant.returns_s, [participant], check)
        finally:
            participant.until_s = None
            self.changed.notify_all()

    def catch_up(self, participants: list[Participant], now_s: float, check: Callable[[], Any] = lambda: None) -> None:
        """Take all steps before `now_s`, which is what these participants' clock shows."""
        if not self.shared:
            for one in participants:
                one.engine.work(now_s)
            return
        self._bring(lambda: now_s, participants, check)

    # --- inside, with more than one; `changed` is held

    def _bring(self, goal_s: Callable[[], float], mine: list[Participant], check: Callable[[], Any]) -> None:
        """Take all steps before `goal_s`, which may come nearer meanwhile, together with the others' users."""
        thread = threading.current_thread()
        stays: dict[Participant, tuple[float, float]] = {}
        """Of those who are behind: where in virtual time, and since when in real time."""
        self._inside.append((thread, mine))
        try:
            while True:
                self._work(goal_s)
                behind = [one for one in self._taking_part() if one.returns_s() < goal_s()]
                if not behind:
                    break
                self.changed.notify_all()
                self.changed.wait(_SLICE_S)
                check()
                for one in behind:
                    at_s, now_s = one.returns_s(), time.monotonic()
                    since_at_s, since_s = stays.setdefault(one, (at_s, now_s))
                    if at_s != since_at_s:
                        del stays[one]
                    elif one.until_s is None and now_s - since_s > GRACE_S:
                        one.detached = True
            for one in self._participants:
                if not self._counts(one):
                    one.clock.advance_to(goal_s())
        finally:
            self._inside.remove((thread, mine))

    def _work(self, goal_s: Callable[[], float]) -> None:
        """Take steps in order of time, as far as nobody can come in between."""
        while True:
            first, first_key = None, (math.inf, False, 0)
            for one in self._participants:
                ready_s, writing = one.engine.next_step()
                key = (ready_s, writing, one.turns[writing])
                if key < first_key:
                    first, first_key = one, key
            ready_s, writing, _ = first_key
            if first is None or ready_s >= min([goal_s(), *(one.returns_s() for one in self._taking_part())]):
                return
            first.engine.step(ready_s, writing)
            self._reached_s = ready_s
            self._steps += 1
            first.turns[writing] = self._steps

    def _taking_part(self) -> list[Participant]:
        return [one for one in self._participants if self._counts(one)]

    def _counts(self, one: Participant) -> bool:
        """Whether its user waits, or may act before the others go on."""
        if one.until_s is not None:
            return True
        user = one.user
        if user is None or one.detached or one.clock.aside or not user.is_alive():
            return False
        return not any(thread is user and one not in participants for thread, participants in self._inside)
