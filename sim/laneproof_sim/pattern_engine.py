"""The card's own pattern engine: what its checker has counted of a pattern on its link, and the part that drives it.

To the card, the host's memory holds the pattern and the card compares what it reads. From the card, the card generates
it, and it is compared where its writes arrive in the host. The checker takes its lock from one block, which it does
not count, and from then on counts whole blocks. How the pattern fares on the link is in `fast_forward`, which of its
bits the card's memory spoils in `pattern_errors`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from laneproof.clock import Deadline
from laneproof.contract import ErrorInjector, PatternCount, PatternEngine
from laneproof.errors import BadInput, EndpointBusy, Interrupted
from laneproof_sim.fast_forward import FastForward
from laneproof_sim.pattern_errors import COUNTED_AT_MOST, PatternErrors
from laneproof_sim.pattern_stream import BLOCK_NBYTES, Block, Direction

if TYPE_CHECKING:
    from laneproof_sim.slot import OpenSlot

PATTERNS = ("prbs9", "prbs11", "prbs15", "prbs20", "prbs23", "prbs29", "prbs31")
"""Those of ITU-T O.150 that laneproof knows by the same names."""
OUT_OF_LOCK_SHARE = 0.2
"""A checker has no lock while so many of the bits of a second are wrong (ITU-T O.151, from memory)."""


def _nothing() -> None: ...


class PatternRun:
    """One pattern, from start to stop: what its checker has seen. Times are virtual seconds and never go back."""

    def __init__(self, direction: Direction, way: FastForward, errors: PatternErrors, bits_per_s: float) -> None:
        self.direction: Direction = direction
        self.way = way
        """How it fares on the link as that is now."""
        self.check: Callable[[], object] = _nothing
        """Called now and then while the pattern is brought up to date, which can take long; may raise."""
        self._errors = errors
        self._bits_per_s = bits_per_s
        self._earlier = 0
        """Blocks that arrived before the link changed its speed or width."""
        self._injected = 0
        self._compared, self._locking_from = 0, 0
        """Blocks compared under earlier locks, and the block from which the present lock is taken."""
        self._lock_losses = 0

    def run_until(self, now_s: float) -> None:
        """Let the link carry the pattern. Raises LinkFailed."""
        self.way.run_until(now_s, self.check)

    def pause(self, at_s: float) -> None:
        """At `at_s` the link changes, after which it needs another way; a block half-way is begun anew."""
        self.run_until(at_s)
        self._earlier += self.way.blocks(at_s)

    def inject(self, bits: int, now_s: float) -> None:
        """Spoil so many bits of what passes now. Without a lock nobody counts them."""
        if not self.count(now_s).locked:
            return
        self._injected = min(COUNTED_AT_MOST, self._injected + bits)
        if bits >= OUT_OF_LOCK_SHARE * self._bits_per_s:
            blocks = self._blocks(now_s)
            self._compared += blocks - self._locking_from - 1
            self._locking_from = blocks
            self._lock_losses += 1

    def count(self, now_s: float) -> PatternCount:
        """What the checker has counted by `now_s`, up to which it has run."""
        since = self._blocks(now_s) - self._locking_from
        locked = since > 0 and self._errors.share < OUT_OF_LOCK_SHARE
        nbytes = BLOCK_NBYTES * (self._compared + since - 1) if locked else BLOCK_NBYTES * self._compared
        errors = min(COUNTED_AT_MOST, self._errors.up_to(nbytes) + self._injected)
        return PatternCount(
            bits=8 * nbytes,
            errors=errors,
            locked=locked,
            lock_losses=self._lock_losses,
            saturated=errors == COUNTED_AT_MOST,
        )

    def _blocks(self, now_s: float) -> int:
        return self._earlier + self.way.blocks(now_s)


class CardPatternEngine(PatternEngine, ErrorInjector):
    """The part of a card that has one. Only one pattern runs at a time, and no transfer beside it."""

    patterns = PATTERNS

    def __init__(self, opened: OpenSlot) -> None:
        self._opened = opened
        self._started = 0
        self._interrupted = False
        """Whether the pattern has not been brought up to date, as that took too long for somebody."""

    def start(self, channel: str, direction: Direction, pattern: str, deadline: Deadline) -> None:
        """Raises BadInput, EndpointBusy beside another pattern or a transfer, DeviceLost."""
        opened = self._opened
        for what, given, known in (
            ("channel", channel, tuple(one.name for one in opened.channels)),
            ("direction", direction, ("to_card", "from_card")),
            ("pattern", pattern, PATTERNS),
        ):
            if given not in known:
                raise BadInput(f'the engine has no {what} "{given}"; use one of {", ".join(known)}')
        with opened.changed:
            opened.require_card()
            opened.require_no_pattern()
            if any(one.engine.tickets for one in opened.channels):
                raise EndpointBusy(f"slot {opened.slot.name}: transfers are out; let them end before a pattern starts")
            self._started += 1
            self._interrupted = False
            start_s = max(opened.wake(), *(line.free_s for line in opened.link.lines))
            errors = PatternErrors(opened.slot.faults, opened.seed, opened.slot.name, "pattern", self._started)
            bits_per_s = 8 * BLOCK_NBYTES / Block.of(opened.link.timing, direction).duration_s
            opened.link.pattern = PatternRun(direction, opened.link.stream(direction, start_s), errors, bits_per_s)

    def read(self, deadline: Deadline) -> PatternCount:
        """Raises BadInput where no pattern runs, DeviceLost."""
        with self._opened.changed:
            return self._running(deadline).count(self._opened.clock.now_s())

    def stop(self, deadline: Deadline) -> None:
        """Where no pattern runs, nothing is to be done. What a reading was interrupted in is not caught up."""
        link = self._opened.link
        with self._opened.changed:
            if link.pattern is not None and not self._interrupted:
                self._running(deadline)
            if link.pattern is not None:
                link.stop_pattern(self._opened.clock.now_s())

    def inject(self, bits: int, deadline: Deadline) -> None:
        """Raises BadInput where no pattern runs or `bits` is not at least 1, DeviceLost."""
        if bits < 1:
            raise BadInput(f"{bits} wrong bits cannot be injected; give at least 1")
        with self._opened.changed:
            self._running(deadline).inject(bits, self._opened.clock.now_s())

    def _running(self, deadline: Deadline) -> PatternRun:
        """The pattern that runs, brought up to this moment."""
        run = self._opened.link.pattern
        if run is None:
            self._opened.require_card()
            raise BadInput("no pattern runs; start one first")
        run.check = deadline.check
        try:
            self._opened.require_card()
        except Interrupted:
            self._interrupted = True
            raise
        finally:
            run.check = _nothing
        return run
