"""Moves a pattern on a link through virtual time: where wrong bits are rare by arithmetic, elsewhere block by block.

A wrong bit that has no other near it costs what `loaded_link` says, for all such bits at once. From the first of
several that come close together on, the lines carry the pattern by their own rules until they have been quiet for a
block. Which is done when follows from where the bits fall and from nothing else, so that it makes no difference how
often one looks. Time is counted in whole ticks, which add up alike in whatever order.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

import numpy as np

from laneproof_sim.kernel import End
from laneproof_sim.line import ErrorSites
from laneproof_sim.loaded_link import NOTHING, RX_ERR, SEEN, TICKS, TIMEOUT, LoadedLink, Met, Sites, joined, part
from laneproof_sim.pattern_stream import PatternStream

TOLD_ONE_BY_ONE = 200
"""So many of the last errors are told each with its time each time one looks; of those before, how many there were."""
_DRAWN_AT_ONCE = 1 << 16
"""About as many wrong bits are looked at in one go."""


class Observer(Protocol):
    """Takes what the ends of the link see."""

    def note(self, at_s: float, end: End, name: str) -> None:
        """An error of that short name."""

    def count(self, end: End, name: str, n: int) -> None:
        """So many errors, whose times do not matter any more."""

    def mark(self, at_s: float, end: End, lane: int, *, parity: bool) -> None:
        """An error that a receiver lays to a lane."""


class SitesAhead:
    """The wrong bits of both directions as they will come: those in `sites` are drawn and not looked at yet.

    They are looked at here and met elsewhere, so they come from a second copy of what the lines have.
    """

    def __init__(self, onward: ErrorSites, back: ErrorSites) -> None:
        self.sites = Sites()
        self._sources = [(source, which) for source, which in ((onward, True), (back, False)) if source]
        self._drawn = 0
        self._stride = 1 << 20

    def drop_before(self, bit: int) -> None:
        """Pass over the bits before that one."""
        self.sites = part(self.sites, slice(int(np.searchsorted(self.sites.bits, bit)), None))
        if bit > self._drawn:
            for source, _ in self._sources:
                source.skip_to(bit)
            self._drawn = bit

    def look(self, horizon: int) -> bool:
        """Have some of those before `horizon` in `sites`; False where there are none."""
        while not self.sites.bits.size and self._drawn < horizon:
            self._drawn = min(horizon, self._drawn + self._stride)
            drawn = [self.sites]
            for source, which in self._sources:
                bits, lanes = source.take_before(self._drawn)
                drawn.append(Sites(bits, np.full(bits.size, which), lanes))
            sites = joined(*drawn)
            self.sites = part(sites, np.argsort(sites.bits, kind="stable"))
            if sites.bits.size < _DRAWN_AT_ONCE // 2:
                self._stride *= 2
            elif sites.bits.size > _DRAWN_AT_ONCE:
                self._stride = max(1, self._stride // 2)
        return bool(self.sites.bits.size)

    @property
    def beyond(self) -> int:
        """The first bit that is still to be drawn."""
        return min((source.peek() for source, _ in self._sources), default=1 << 62)

    @property
    def first(self) -> int:
        """The first bit of all."""
        return int(self.sites.bits[0]) if self.sites.bits.size else self.beyond


class FastForward:
    """One pattern on its way, from `start_s` on; what the ends see goes to `observer`.

    With `always_slow` nothing is passed over, which is for tests.
    """

    def __init__(
        self,
        link: LoadedLink,
        stream: PatternStream,
        ahead: SitesAhead,
        start_s: float,
        observer: Observer,
        *,
        always_slow: bool = False,
    ) -> None:
        self._link = link
        self._stream = stream
        self._ahead = ahead
        self._observer = observer
        self._bits_per_s = link.block.timing.line_bits_per_s
        self._start = stream.bit_at(start_s)
        self._ticks = link.block_ticks
        self._alone = math.inf if always_slow else link.alone_bits
        self._lost = 0
        """Ticks by which errors have held the pattern up."""
        self._untold: list[Met] = []
        """What came of the last errors that were passed over, in one piece or none."""
        self._slow_from: int | None = None
        """The tick from which on the lines carry the pattern; None while time is passed over."""
        self._carried = 0
        """Blocks that they have carried since."""
        self._arrived_s = start_s
        """When the last of those arrives."""
        ahead.drop_before(self._start)
        if always_slow:
            self._slow_down(self._start)

    @property
    def lost_s(self) -> float:
        """Seconds by which errors have held the pattern up, those not counted during which the lines carry it."""
        return self._lost / (TICKS * self._bits_per_s)

    def run_until(self, now_s: float, check: Callable[[], object]) -> None:
        """Meet everything up to `now_s`, which must not lie before an earlier one. Raises LinkFailed.

        `check` is called now and then and may raise, which leaves the rest for another time.
        """
        try:
            while self._carry_until(now_s, check) and not self._pass_over(now_s, check):
                pass
        finally:
            for met in self._untold:
                self._tell(met)
            self._untold.clear()

    def blocks(self, now_s: float) -> int:
        """Whole blocks that have arrived by `now_s`, up to which it has run."""
        if self._slow_from is not None:
            late = self._arrived_s > now_s
            return self._whole(self._slow_from) + self._carried - late
        # What the first bit ahead does is not known yet.
        return max(0, self._whole(min(self._stream.bit_at(now_s), self._ahead.first) * TICKS))

    def _whole(self, tick: int) -> int:
        return (tick - self._start * TICKS - self._lost) // self._ticks

    def _carry_until(self, now_s: float, check: Callable[[], object]) -> bool:
        """Where the lines are at work, let them; False once they have done all that begins before `now_s`."""
        stream = self._stream
        while self._slow_from is not None:
            check()
            at_s = stream.next_s
            if at_s >= now_s:
                return False
            if self._carried and stream.quiet_until(at_s + self._alone / self._bits_per_s):
                at = stream.bit_at(at_s)
                self._lost += max(0, at * TICKS - self._slow_from - self._carried * self._ticks)
                self._slow_from = None
                self._ahead.drop_before(at)
            else:
                self._arrived_s = stream.carry()
                self._carried += 1
        return True

    def _pass_over(self, now_s: float, check: Callable[[], object]) -> bool:
        """Pass over all errors that stand alone and are over by `now_s`; False where others have to be carried."""
        ahead, horizon = self._ahead, self._stream.bit_at(now_s) - int(self._alone)
        crowded = False
        while not crowded and ahead.look(horizon):
            check()
            close = np.flatnonzero(np.diff(ahead.sites.bits, append=ahead.beyond) <= self._alone)
            crowded = bool(close.size)
            alone = int(close[0]) if crowded else None
            met = self._link.meet(part(ahead.sites, slice(alone)), self._start)
            ahead.sites = part(ahead.sites, slice(alone, None) if crowded else slice(0))
            self._lost += int(met.lost.sum())
            self._mark(met)
            last = joined(*self._untold, met)
            early = max(0, last.bits.size - TOLD_ONE_BY_ONE)
            self._count(part(last, slice(early)))
            self._untold = [part(last, slice(early, None))]
        if crowded:
            self._slow_down(ahead.first)
        return not crowded

    def _slow_down(self, bit: int) -> None:
        """Let the lines carry the pattern from the beginning of the block that is under way at `bit`."""
        into = (bit - self._start) * TICKS - self._lost
        self._slow_from = bit * TICKS - into % self._ticks
        self._carried = 0
        self._stream.begin(self._stream.time_of(self._slow_from / TICKS))

    def _count(self, met: Met) -> None:
        for onward in (True, False):
            for seen in (met.first, met.second):
                kinds = seen[(seen != NOTHING) & (met.onward == onward)]
                for kind, n in enumerate(np.bincount(kinds, minlength=len(SEEN)).tolist()):
                    if n:
                        self._observer.count(self._end(onward, kind), SEEN[kind], n)

    def _tell(self, met: Met) -> None:
        whole = (met.bits, met.onward, met.first, met.second, met.later_s)
        for bit, onward, first, second, later_s in zip(*(array.tolist() for array in whole), strict=True):
            at_s = self._stream.time_of(bit)
            self._observer.note(at_s, self._end(onward, first), SEEN[first])
            if second != NOTHING:
                self._observer.note(at_s + later_s, self._end(onward, second), SEEN[second])

    def _mark(self, met: Met) -> None:
        """Each lane once, which leaves the same behind as each time."""
        for parity, marked in ((False, met.broken), (True, met.odd)):
            for onward in (True, False):
                here = part(met, marked & (met.onward == onward))
                for lane, at in zip(*np.unique(here.lanes, return_index=True), strict=True):
                    at_s = self._stream.time_of(int(here.bits[at]))
                    self._observer.mark(at_s, self._end(onward, RX_ERR), int(lane), parity=parity)

    def _end(self, onward: bool, kind: int) -> End:
        """The end that sees it: where that direction arrives or, of a timeout, whence it comes."""
        block = self._link.block
        return block.receiver if onward != (kind == TIMEOUT) else block.sender
