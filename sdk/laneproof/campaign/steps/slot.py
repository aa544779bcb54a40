"""A slot as a step sees it: the open card, what is expected of it, and where progress and events go."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from attrs import Factory, field, frozen

from laneproof.campaign.events import Event, Expecting, Noted, Progress
from laneproof.campaign.expectation import Expectation
from laneproof.campaign.steps.observation import Observation
from laneproof.channel import Transfer
from laneproof.endpoint import Endpoint
from laneproof.errors import BadInput, Interrupted
from laneproof.integrity import Comparison, Pattern, pattern
from laneproof.moving.blocks import largest_piece

PROGRESS_EVERY_S = 0.1


@frozen(kw_only=True)
class Slot:
    """One open card within a run."""

    name: str
    number: int
    """Its place in the plan; with the run's seed it decides which stretch of pattern each buffer gets."""
    endpoint: Endpoint
    expectation: Expectation
    seed: int
    step: int
    emit: Callable[[Event], None]
    stop: threading.Event
    _told_s: list[float] = field(factory=lambda: [0.0], init=False)
    origin_s: float
    """What the card's clock showed when the card was opened; times on record count from there."""
    observation: Observation = field(init=False, default=Factory(lambda slot: _observation(slot), takes_self=True))
    """Link and conditions as they are read during this step."""

    def elapsed_s(self) -> float:
        """Seconds of the card's clock since the card was opened."""
        return self.endpoint.clock.now_s() - self.origin_s

    def pattern(self, name: str) -> Pattern:
        """A pattern whose stretches belong to this run and slot."""
        return pattern(name, seed=self.seed, slot=self.number)

    def check(
        self,
        name: str,
        nbytes: int,
        *,
        block: int | None = None,
        depth: int | None = None,
        digest: bool = False,
        timeout_s: float | None = None,
        done: int = 0,
        total: int | None = None,
        look_at_each_block: bool = False,
        timed: bool = False,
    ) -> Comparison:
        """`Endpoint.check`, with progress, announced to whoever watches for a slot that hangs.

        The link is read while the data move: as the first block comes back, and now and then or at each from there.
        So are the conditions, between two blocks, unless the time that the check takes is `timed`.
        """
        limit_s = self._limit(nbytes, timeout_s)
        beside = self.observation
        looked = False

        def progress(verified: int) -> None:
            nonlocal looked
            if not looked or look_at_each_block:
                looked = True
                beside.look()
            elif verified < nbytes:
                beside.look_if_due()
            if not timed:
                beside.sample_if_due()
            if verified < nbytes:
                beside.moved()
            else:
                beside.rest()
            self.progress(done + verified, total if total is not None else done + nbytes)

        limits = self.endpoint.limits
        with beside.load((depth or limits.queue_depth) * (block or self.endpoint.channels[0].default_block)):
            return self.endpoint.check(
                self.pattern(name),
                nbytes,
                block=block,
                depth=depth,
                digest=digest,
                timeout=limit_s,
                progress=progress,
            )

    def loopback(self, data: Any, buffer: Any, nbytes: int) -> Transfer:
        """`Endpoint.loopback`, announced likewise; the link is read under way and as soon as the data are back."""
        limit_s = self._limit(nbytes, None)
        with self.observation.load(0):
            transfer = self.endpoint.loopback(data, buffer, timeout=limit_s)
        self.observation.look()
        self.observation.sample_if_due()
        return transfer

    def progress(self, done: int, total: int | None) -> None:
        """Tell displays how many bytes of the step have been verified, of how many (None: open-ended).

        At most ten times a second, so that a slow display does not slow what is measured.
        """
        now_s = time.monotonic()
        if done == total or now_s - self._told_s[0] >= PROGRESS_EVERY_S:
            self._told_s[0] = now_s
            self.emit(Progress(self.name, self.step, done, total))

    def note(self, kind: str, text: str, clock_s: float | None = None) -> None:
        """Put an event on record: at this moment of the card's clock, or one as `elapsed_s` gave it."""
        self.emit(Noted(self.name, self.step, self.elapsed_s() if clock_s is None else clock_s, kind, text))

    def nominal_bytes(self, at_most: int, seconds: float) -> int:
        """What the card moves in that time at its nominal rate, at least a granule and at most `at_most` bytes."""
        limits = self.endpoint.limits
        return self.whole(max(1, min(at_most, int(limits.nominal_bytes_per_s * seconds))))

    def largest_transfer(self) -> int:
        """The largest transfer, in bytes, that the card's granularity permits."""
        return largest_piece(self.endpoint.limits)

    def whole(self, nbytes: int) -> int:
        """`nbytes` rounded up to the card's granularity."""
        grain = self.endpoint.limits.granularity
        return -(-nbytes // grain) * grain

    def _limit(self, nbytes: int, timeout_s: float | None) -> float:
        if self.stop.is_set():
            raise Interrupted("stopped before it was finished")
        limit_s = self.endpoint.channels[0].default_timeout_s(nbytes) if timeout_s is None else timeout_s
        if limit_s <= 0:
            raise BadInput("a timeout must be longer than 0 s")
        if not self.endpoint.clock.virtual:
            self.emit(Expecting(self.name, limit_s))
        return limit_s


def _observation(slot: Slot) -> Observation:
    return Observation(slot.endpoint, slot.elapsed_s, slot.note)
