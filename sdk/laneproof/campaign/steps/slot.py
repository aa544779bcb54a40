"""A slot as a step sees it: the open card, what is expected of it, and where progress and events go."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from attrs import Factory, field, frozen

from laneproof.campaign.carried import Carried
from laneproof.campaign.events import Counted, Event, Expecting, Noted, Progress
from laneproof.campaign.expectation import Expectation
from laneproof.campaign.link_errors import plain_errors
from laneproof.campaign.steps.observation import Observation
from laneproof.channel import Transfer
from laneproof.endpoint import Endpoint
from laneproof.errors import BadInput, Interrupted
from laneproof.integrity import Comparison, Pattern, pattern
from laneproof.moving.blocks import largest_piece
from laneproof.readings import ErrorReading

PROGRESS_EVERY_S = 0.1
SEGMENT_SEQUENCES = 1_844_121_981_805
"""How far apart the sequence numbers of a run's segments begin, so that what an earlier one left in a card never
passes.

Patterns come round after a prime number of stretches, 2^31 - 1 for PRBS31; the round number 2^40 would be 512 of them
on. This one was sought (60,000 random candidates) to part the first 64 segments along PRBS31, PRBS29 and the counter
by a third of an even spread at least; tests/sdk/campaign/test_campaign_resumed.py holds that."""


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
    segment: int = 0
    """Which process of the run this is: 0, and one more each time that it was resumed."""
    carried: Carried | None = None
    """What earlier segments left on record of this step, where it goes on."""
    origin_s: float
    """What the card's clock showed when the card was opened; times on record count from there."""
    observation: Observation = field(init=False, default=Factory(lambda slot: _observation(slot), takes_self=True))
    """Link and conditions as they are read during this step."""

    def elapsed_s(self) -> float:
        """Seconds of the card's clock since the card was opened."""
        return self.endpoint.clock.now_s() - self.origin_s

    def pattern(self, name: str) -> Pattern:
        """A pattern whose stretches belong to this run, slot and segment, from its own sequence number on."""
        return pattern(name, seed=self.seed, slot=self.number, sequence=self.segment * SEGMENT_SEQUENCES)

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
        more_follows: bool = False,
    ) -> Comparison:
        """`Endpoint.check`, with progress, announced to whoever watches for a slot that hangs.

        `done` bytes of the step's `total` (None: open-ended) were verified before.

        The link is read while the data move: as the first block comes back, and now and then or at each from there.
        So are the conditions, between two blocks, unless the time that the check takes is `timed`.
        """
        limit_s = self._limit(nbytes, timeout_s)
        beside = self.observation
        looked = more_follows and done > 0  # within a steady load the link is looked at now and then, not each time

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
            self.progress(done + verified, total)

        limits = self.endpoint.limits
        with beside.load((depth or limits.queue_depth) * (block or self.endpoint.channels[0].default_block)):
            return self.endpoint.check(
                self.pattern(name),
                nbytes,
                block=block,
                depth=depth,
                digest=digest,
                more_follows=more_follows,
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
            self.emit(Progress(self.name, self.step, done, total, self.elapsed_s()))

    def note(self, kind: str, text: str, clock_s: float | None = None) -> None:
        """Put an event on record: at this moment of the card's clock, or one as `elapsed_s` gave it."""
        self.emit(Noted(self.name, self.step, self.elapsed_s() if clock_s is None else clock_s, kind, text))

    def count(self, added: ErrorReading) -> None:
        """Tell displays which errors either end has counted since the step began."""
        self.emit(Counted(self.name, self.step, plain_errors(added)))

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
    return Observation(slot.endpoint, slot.elapsed_s, slot.note, slot.count)
