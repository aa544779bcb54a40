"""A check in one direction, in which the card's own engine compares: started, waited for, read, and put into words.

What the card counted is all that is known: how many bits it compared and how many were wrong, never where. Whether its
checker counts at all is shown by an error that is injected afterwards.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from contextlib import contextmanager, suppress
from typing import Any, Literal

from attrs import frozen

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import ErrorInjector, PatternCount, PatternEngine
from laneproof.errors import BadInput, LaneproofError
from laneproof.integrity import Comparison
from laneproof.moving.mover import in_driver

Direction = Literal["to_card", "from_card"]

STOP_TIMEOUT_S = 10.0
"""An engine is stopped however a check ends, its deadline being over or not."""
DEMONSTRATION_S = 1.0
"""How long an injected error may take to be counted, by the card's clock."""
_BETWEEN_READINGS_S = 1.0
_SHORTEST_WAIT_S = 1e-5
_NEVER_LOCKED = "The card's checker never locked onto the pattern: nothing was compared."
_BLIND = "The card's checker did not count an error that was injected: what it says is no evidence."
_NOT_SEEN = "so its checker was not seen to count an injected error, and is not demonstrated."


@frozen(eq=False)
class CardEngine:
    """The engine of one card, its injector if it has one, and what a call of either holds."""

    engine: PatternEngine
    injector: ErrorInjector | None
    lock: threading.Lock | threading.RLock

    @contextmanager
    def call(self) -> Generator[PatternEngine]:
        """Around one call: parts are called one at a time."""
        with self.lock, in_driver():
            yield self.engine


@frozen(kw_only=True)
class CardCheck:
    """`nbytes` of the engine's `pattern` over that channel, at about `bits_per_s`; fewer once `enough` is set."""

    channel: str
    direction: Direction
    pattern: str
    nbytes: int
    bits_per_s: float
    progress: Callable[[int], Any] | None = None
    enough: threading.Event | None = None

    def run(self, card: CardEngine, deadline: Deadline) -> Comparison:
        """Raises BadInput for a pattern that the engine does not have, and what the driver raises.

        An error that ends it early carries what had been compared in `so_far`.
        """
        if self.pattern not in card.engine.patterns:
            known = ", ".join(card.engine.patterns)
            raise BadInput(f"the card's PatternEngine has no pattern {self.pattern!r}; use one of {known}")
        with card.call() as engine:
            engine.start(self.channel, self.direction, self.pattern, deadline)
        seen: list[PatternCount] = []
        try:
            count = self._wait(card, deadline, seen)
            counted, why = _demonstrate(card, count, deadline)
        except BaseException as error:
            if isinstance(error, LaneproofError) and seen:
                error.so_far = self._result(seen[-1], None, "It was ended early", early=True)
            with suppress(LaneproofError):  # what went wrong first is what counts
                _stop(card, deadline)
            raise
        _stop(card, deadline)
        return self._result(count, counted, why)

    def _wait(self, card: CardEngine, deadline: Deadline, seen: list[PatternCount]) -> PatternCount:
        """The count once all has been compared, or at the deadline; `seen` has the last one meanwhile."""
        clock = deadline.clock
        began_s, bits_per_s = clock.now_s(), self.bits_per_s
        while True:
            count = _read(card, deadline)
            seen[:] = [count]
            if self.progress is not None:
                self.progress(count.bits // 8)
            left = 8 * self.nbytes - count.bits
            if left <= 0 or deadline.expired or self._has_enough:
                return count
            if count.bits:
                bits_per_s = count.bits / max(_SHORTEST_WAIT_S, clock.now_s() - began_s)
            _let_pass(deadline, _SHORTEST_WAIT_S + left / bits_per_s)

    @property
    def _has_enough(self) -> bool:
        return self.enough is not None and self.enough.is_set()

    def _result(self, count: PatternCount, counted: bool | None, why: str, *, early: bool = False) -> Comparison:
        """`early`: an error has ended it, so that what is missing accuses nobody of a stall."""
        nbytes = count.bits // 8
        expected = nbytes if early or self._has_enough else max(self.nbytes, nbytes)
        cautions = ["Compared by the card's own checker: how many bits were wrong is known, not which."]
        if not nbytes:
            cautions.append(_NEVER_LOCKED)
        elif counted is None:
            cautions.append(f"{why}, {_NOT_SEEN}")
        elif not counted:
            cautions.append(_BLIND)
        if count.lock_losses:
            cautions.append(f"It lost its lock {count.lock_losses} times; what passed meanwhile was not compared.")
        if count.saturated:
            cautions.append("Its counter is at its end: at least so many bits were wrong.")
        return Comparison(
            bytes_checked=0 if counted is False else nbytes,
            mismatched_bytes=-(-count.errors // 8),
            mismatched_bits=count.errors,
            bytes_expected=expected,
            bytes_received=nbytes,
            stalled=0 < nbytes < expected,
            method="card",
            caution=" ".join(cautions),
            lock_losses=count.lock_losses,
            saturated=count.saturated,
            demonstrated=bool(nbytes) and counted is True,
            kernels="card",
        )


def _demonstrate(card: CardEngine, count: PatternCount, deadline: Deadline) -> tuple[bool | None, str]:
    """Whether the checker counts an error that is injected; None, and why, where that cannot be tried."""
    injector = card.injector
    if injector is None:
        return None, "The card has no ErrorInjector"
    if not count.locked or count.saturated:
        return None, "The checker had no lock or no room to count"
    with deadline.split(DEMONSTRATION_S) as within:
        if within.expired:
            return None, "No time was left to inject an error"
        with card.lock, in_driver():
            injector.inject(1, within)
        while True:
            if _read(card, within).errors > count.errors:
                return True, ""
            if within.expired:
                return False, ""
            within.pause()


def _read(card: CardEngine, deadline: Deadline) -> PatternCount:
    deadline.check()
    with card.call() as engine:
        return engine.read(deadline)


def _stop(card: CardEngine, deadline: Deadline) -> None:
    with Deadline(STOP_TIMEOUT_S, deadline.clock) as soon, card.call() as engine:
        engine.stop(soon)


def _let_pass(deadline: Deadline, seconds: float) -> None:
    """Wait so long, or until it is time to look again; a virtual clock has nothing to look at before."""
    clock = deadline.clock
    if clock.virtual:
        clock.sleep(min(seconds, deadline.left_s()))
        deadline.check()
        return
    until_s = clock.now_s() + min(seconds, _BETWEEN_READINGS_S)
    while not deadline.expired and (left_s := until_s - clock.now_s()) > 0:
        deadline.pause(min(left_s, SLICE_S))
