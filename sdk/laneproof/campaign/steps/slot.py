"""A slot as a step sees it: the open card, what is expected of it, and where progress and events go."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from typing import Any

from attrs import Factory, field, frozen

from laneproof.campaign.carried import Carried
from laneproof.campaign.events import Counted, Event, Expecting, Noted, Progress
from laneproof.campaign.expectation import Expectation
from laneproof.campaign.guard import Guard
from laneproof.campaign.link_errors import plain_errors
from laneproof.campaign.meeting import AtWork
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import in_step, judge_data, judge_missing, measures_of
from laneproof.campaign.steps.observation import Observation
from laneproof.channel import Transfer
from laneproof.documents import printable
from laneproof.endpoint import Endpoint
from laneproof.errors import BadInput, Interrupted
from laneproof.integrity import Comparison, DamageRecord, Pattern, pattern
from laneproof.moving.blocks import largest_piece
from laneproof.moving.card_check import Direction
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
    guard: Guard | None = None
    """What ends the slot when a sensor passes a limit; None where the plan sets none."""
    origin_s: float
    """What the card's clock showed when the card was opened; times on record count from there."""
    among_others: bool = False
    """Whether a step that meets others is judged by `judge_beside`, once it is known what they did meanwhile."""
    at_work: AtWork = field(factory=AtWork, init=False)
    damage: DamageRecord = field(factory=DamageRecord, init=False)
    """What came back wrong in this step, kept for when nothing is timed any more."""
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

        Once `stop` is set no other block is sent. What was sent is still waited for and verified: Interrupted carries
        it in `so_far`, unless it is not all there, which is a result like any other.
        """
        limit_s = self._limit(nbytes, timeout_s)
        beside = self.observation
        looked = more_follows and done > 0  # within a steady load the link is looked at now and then, not each time

        def progress(verified: int) -> None:
            nonlocal looked
            if not looked or look_at_each_block:
                looked = True
                beside.look()
            elif verified < nbytes or more_follows:  # a steady load may come in checks of one block each
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
            found = self.endpoint.check(
                self.pattern(name),
                nbytes,
                block=block,
                depth=depth,
                digest=digest,
                more_follows=more_follows,
                enough=self.stop,
                damage=self.damage,
                timeout=limit_s,
                progress=progress,
            )
        return self._unless_stopped(found, nbytes)

    def check_by_card(
        self, name: str, nbytes: int, direction: Direction, *, done: int, read: list[tuple[float, int]] | None = None
    ) -> Comparison:
        """`Endpoint.check` in one direction, by the card's own engine, announced likewise; `done` as for `check`.

        Link and conditions are read whenever the engine is. `read` takes what it had compared each time: seconds by
        the card's clock, and bytes.
        """
        limit_s = self._limit(nbytes, None)
        beside = self.observation

        def progress(compared: int) -> None:
            if read is not None:
                read.append((self.endpoint.clock.now_s(), compared))
            beside.look_if_due()
            beside.sample_if_due()
            self.progress(done + compared, None)

        with beside.load(0):
            found = self.endpoint.check(
                name, nbytes, direction=direction, enough=self.stop, timeout=limit_s, progress=progress
            )
        return self._unless_stopped(found, nbytes)

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
        done, total = int(done), None if total is None else int(total)  # a step of a user's own may count in anything
        now_s = time.monotonic()
        if done == total or now_s - self._told_s[0] >= PROGRESS_EVERY_S:
            self._told_s[0] = now_s
            self.emit(Progress(self.name, self.step, done, total, self.elapsed_s()))

    def note(self, kind: str, text: str, clock_s: float | None = None) -> None:
        """Put an event on record: at this moment of the card's clock, or one as `elapsed_s` gave it.

        Raises BadInput for a moment that is no finite number.
        """
        moment_s = self.elapsed_s() if clock_s is None else float(clock_s)
        if not math.isfinite(moment_s):
            raise BadInput(f"an event at {moment_s} s cannot be kept; give a moment as elapsed_s does")
        self.emit(Noted(self.name, self.step, moment_s, printable(str(kind)), str(text)))

    def expect(self, seconds: float) -> None:
        """Say that nothing may be heard of the step for so many seconds, by the computer's clock: a slot that is silent
        for longer counts as hung. `check` and `loopback` say it themselves.

        Raises Interrupted where the run was asked to stop, BadInput for no time.
        """
        self._limit(0, seconds)

    def judge(self, checked: dict[str, Comparison], findings: Findings) -> None:
        """Conclude from what `check` returned, by the name of its pattern: reasons, the numbers on record, the bytes.

        Once a step, with all of them.
        """
        findings.bytes_moved += sum(result.bytes_received for result in checked.values())
        findings.measures |= measures_of(checked)
        for name, result in checked.items():
            judge_data(name, result, findings)
            judge_missing(name, result, findings)

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

    def _unless_stopped(self, found: Comparison, nbytes: int) -> Comparison:
        """What a check found; raises Interrupted with it where it was ended early and nothing is missing."""
        if found.bytes_expected < nbytes and in_step(found):
            stopped = Interrupted("stopped before it was finished; all that had been sent came back")
            stopped.so_far = found
            raise stopped
        return found

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
    return Observation(slot.endpoint, slot.elapsed_s, slot.note, slot.count, slot.guard)
