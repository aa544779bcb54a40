"""What one receiver lays to single lanes of its link: data parity that does not match, blocks that are broken.

With 128b/130b each lane carries its own parity over the data blocks, in SKP ordered sets: in every one at 8 GT/s, in
every second one, the Control SKP ordered set, from 16 GT/s on. An odd number of wrong bits between two of them shows as
a mismatch, an even number does not. It is no Receiver Error and the link stays up. After a Recovery the count begins
anew, so that wrong bits before it are never compared. A wrong bit in a sync header or in an ordered set marks its lane
too; that is optional for a receiver, and these do it. 8b/10b has none of this.

The rules: base specification, sections 4.2.3.2 and 4.2.8.2, as public quotations have them. Lanes are those that a port
counts by default, whatever width and order its link trained to. Which register takes a mark is in `registers`.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import Counter
from collections.abc import Callable
from typing import Protocol

from laneproof_sim.kernel import End

BLOCK_BITS = 130
SYNC_HEADER_BITS = 2
BLOCKS_TO_SKP = 372

Site = tuple[int, int]
"""A wrong bit: its number, counted alike on each lane, and its lane."""


class Mark(Protocol):
    """Takes what a receiver lays to a lane: virtual time, the end that sees it, the lane, whether by its parity."""

    def __call__(self, at_s: float, end: End, lane: int, *, parity: bool) -> None: ...


def breaks_block(bit: int) -> bool:
    """Whether that bit of a lane is in a sync header or an ordered set."""
    block, place = divmod(bit, BLOCK_BITS)
    return place < SYNC_HEADER_BITS or block % BLOCKS_TO_SKP == 0


class LaneStatus:
    """One receiver with 128b/130b. Wrong bits may be told ahead and in any order; `time_s` gives the time of a bit."""

    def __init__(self, speed_gtps: float, receiver: End, mark: Mark, time_s: Callable[[int], float]) -> None:
        self._compared_every = BLOCK_BITS * BLOCKS_TO_SKP * (1 if speed_gtps < 16 else 2)
        self._receiver: End = receiver
        self._mark = mark
        self._time_s = time_s
        self._wrong: list[Site] = []
        self._recoveries: list[int] = []
        """The bits at which they began, in order."""

    def meet(self, site: Site) -> None:
        """A wrong bit in a packet's body, in a sync header or in an ordered set."""
        if breaks_block(site[0]):
            self._mark(self._time_s(site[0]), self._receiver, site[1], parity=False)
        else:
            self._wrong.append(site)

    def recover(self, bit: int) -> None:
        """The link goes through Recovery from that bit on."""
        insort(self._recoveries, bit)

    def compare_before(self, bit: int) -> None:
        """Compare the parity of all lanes with what came in each ordered set before `bit`; all before it is known."""
        every = self._compared_every
        begun = bit - bit % every
        if self._wrong:
            due = [site for site in self._wrong if site[0] < begun]
            self._wrong = [site for site in self._wrong if site[0] >= begun]
            counted = Counter((wrong // every, lane) for wrong, lane in due if not self._lost_to_recovery(wrong))
            for (stretch, lane), count in counted.items():
                if count % 2:
                    self._mark(self._time_s((stretch + 1) * every), self._receiver, lane, parity=True)
        del self._recoveries[: bisect_left(self._recoveries, begun)]

    def _lost_to_recovery(self, bit: int) -> bool:
        """Whether the link went through Recovery between that bit and the next comparison."""
        after = bisect_left(self._recoveries, bit)
        compared = bit - bit % self._compared_every + self._compared_every
        return after < len(self._recoveries) and self._recoveries[after] < compared
