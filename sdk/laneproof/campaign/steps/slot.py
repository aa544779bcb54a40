"""A slot as a step sees it: the open card, what is expected of it, and where progress and events go."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from attrs import field, frozen

from laneproof.campaign.events import Event, Expecting, Noted, Progress
from laneproof.campaign.expectation import Expectation
from laneproof.channel import Transfer
from laneproof.endpoint import Endpoint
from laneproof.errors import BadInput, Interrupted
from laneproof.integrity import Comparison, Pattern, pattern
from laneproof.moving.blocks import largest_piece
from laneproof.readings import LinkReading

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
    under_load: list[LinkReading] = field(factory=list[LinkReading], init=False)
    """The link as it was read during this step, while data moved."""
    _told_s: list[float] = field(factory=lambda: [0.0], init=False)
    origin_s: float
    """What the card's clock showed when the card was opened; times on record count from there."""

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
        timeout_s: float | None = None,
        done: int = 0,
        total: int | None = None,
        look_at_each_block: bool = False,
    ) -> Comparison:
        """`Endpoint.check`, with progress, announced to whoever watches for a slot that hangs.

        The link is read while the data move, into `under_load`: as the first block comes back, or each.
        """
        limit_s = self._limit(nbytes, timeout_s)
        looked = False

        def progress(verified: int) -> None:
            nonlocal looked
            if not looked or look_at_each_block:
                looked = True
                self.look()
            self.progress(done + verified, total if total is not None else done + nbytes)

        return self.endpoint.check(
            self.pattern(name),
            nbytes,
            block=block,
            depth=depth,
            timeout=limit_s,
            progress=progress,
        )

    def loopback(self, data: Any, buffer: Any, nbytes: int) -> Transfer:
        """`Endpoint.loopback`, announced likewise; the link is read as soon as the data are back."""
        transfer = self.endpoint.loopback(data, buffer, timeout=self._limit(nbytes, None))
        self.look()
        return transfer

    def look(self) -> None:
        """Read the link into `under_load`."""
        self.under_load.append(self.endpoint.read_link())

    def progress(self, done: int, total: int | None) -> None:
        """Tell displays how many bytes of the step have been verified, of how many (None: open-ended).

        At most ten times a second, so that a slow display does not slow what is measured.
        """
        now_s = time.monotonic()
        if done == total or now_s - self._told_s[0] >= PROGRESS_EVERY_S:
            self._told_s[0] = now_s
            self.emit(Progress(self.name, self.step, done, total))

    def note(self, kind: str, text: str) -> None:
        """Put an event on record, at this moment of the card's clock."""
        self.emit(Noted(self.name, self.step, self.elapsed_s(), kind, text))

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
