"""Lanes of a check over a queue: the memory of one transfer each, verified and filled anew by whichever thread.

What is out on the queue, and in which order, is `queue`'s.

A large block is not filled for each transfer, where its pattern has room to move: `out` holds a little more than a
block, and each transfer takes a block of it from another place on. What came back and was right stays where it is, for
there it is wrong for what comes next, in every 31 bits in a row. So a byte crosses the host's memory three times, to
the card, from the card and to be compared, where filling and overwriting would make it five.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

from laneproof.clock import Deadline
from laneproof.contract import Limits, Region
from laneproof.integrity import Comparison
from laneproof.integrity.allocation import PRBS31_GRAIN
from laneproof.integrity.buffers import byte_view
from laneproof.moving.blocks import CheckJob, Stretch, aligned, spare
from laneproof.moving.mover import in_driver

Allocate = Callable[[int, Deadline], Region]
"""Makes a Region of so many bytes in memory that the card reaches by itself."""

_MOVING_NBYTES = 1 << 20
"""From this size of a block on: smaller ones stay in the processor's caches, where filling costs little."""
_STRIDE = 577
"""Places are taken so many grains apart: odd, so that a power of two of them is gone through whole, and so that no
transfer's neighbours are those of the transfer before, moved by the size of a packet or a page."""


class Lane:
    """Memory of one transfer, the card's own where it has some, and the block that it carries."""

    __slots__ = (
        "_filled",
        "_grain",
        "_known",
        "_places",
        "_regions",
        "_spare",
        "_taken",
        "_whole",
        "block",
        "into",
        "number",
        "out",
        "received",
        "sent",
        "size",
        "stretch",
    )

    def __init__(self, job: CheckJob, limits: Limits, allocate: Allocate | None, deadline: Deadline) -> None:
        self.block = job.block
        """The largest block that it can carry."""
        self._spare = spare(limits)
        self._grain = math.lcm(PRBS31_GRAIN, limits.alignment)
        self._places = _places(job, self._grain)
        sizes = (job.block + (self._places - 1) * self._grain, job.block + self._spare)
        if allocate is None:
            self._regions: tuple[Region, ...] = ()
            self._whole = tuple(aligned(nbytes, limits.alignment) for nbytes in sizes)
        else:
            with in_driver():
                self._regions = tuple(allocate(nbytes, deadline) for nbytes in sizes)
            self._whole = tuple(region.view[:nbytes] for region, nbytes in zip(self._regions, sizes, strict=True))
        self.number = -1
        """The block that it carries, or that came back."""
        self.stretch: Stretch = job.stretch(0)
        self._filled: Stretch | None = None
        """What `out` holds from its first byte on."""
        self._taken = 0
        """How many of its places transfers have had."""
        self._known = 0
        """So many bytes of `into` hold what is wrong for the next place of what `out` holds."""
        self._resize(job.block, 0)

    def fits(self, job: CheckJob) -> bool:
        return self.block == job.block and self._places == _places(job, self._grain)

    def turn_over(self, job: CheckJob, came: int, number: int | None) -> Comparison | None:
        """Verify the first `came` bytes of what came back, then make ready for block `number`, if there is one.

        Returns what was found, None where nothing came.
        """
        received = self.received[: min(self.size, came)]
        if self._places > 1:
            found = job.verify(self.number, self.stretch, received) if received.size else None
            if found is not None:
                self._known = 0 if found.mismatched_bytes else received.size
            if number is not None:
                self._move_on(job, number)
            return found
        follows, found, done = None if number is None else job.stretch(number), None, 0
        if received.size and follows is not None and not job.digest:
            pattern, at = self.stretch
            tell = partial(job.tell_of, self.number, self.stretch)
            found = pattern.verify_and_overwrite(received, at, *follows, wrong=tell)
            done = received.size
        elif received.size:
            found = job.verify(self.number, self.stretch, received)
        if follows is not None and number is not None:
            self._carry(job, number, follows, done)
        return found

    def close(self) -> None:
        """Give memory back that the card reaches; the rest goes by itself."""
        with in_driver():
            for region in self._regions:
                region.close()

    def _carry(self, job: CheckJob, number: int, stretch: Stretch, done: int) -> None:
        """Fill with that block, and, from `done` on, with what must not come back."""
        if job.size(number) != self.size:  # the last block, or the first after it
            self._resize(job.size(number), 0)
        self.number, self.stretch = number, stretch
        pattern, at = stretch
        pattern.fill(self.sent, at)
        pattern.fill_unlike(self.received[done:], at + done)

    def _move_on(self, job: CheckJob, number: int) -> None:
        """Carry that block from the next place on, or fill anew where all places are taken."""
        pattern, at = job.stretch(number)
        filled = self._filled
        if filled is None or self._taken == self._places or filled[0].for_sequence(0) != pattern.for_sequence(0):
            pattern.fill(byte_view(self._whole[0]), at)
            self._filled, self._taken, self._known = (pattern, at), 0, 0
        else:
            pattern, at = filled
        skip = self._taken * _STRIDE % self._places * self._grain
        self._taken += 1
        self._resize(job.size(number), skip)
        self.number, self.stretch = number, (pattern, at + skip)
        pattern.fill_unlike(self.received[self._known :], at + skip + self._known)

    def _resize(self, size: int, skip: int) -> None:
        self.size = size
        self.out, self.into = self._whole[0][skip : skip + size], self._whole[1][: size + self._spare]
        # The same memory, as the pattern takes it fastest.
        self.sent, self.received = byte_view(self.out), byte_view(self.into)


def _places(job: CheckJob, grain: int) -> int:
    """From how many places on `out` gives a block: a power of two."""
    room = job.stretch(0)[0].room_bytes if job.in_place and job.block >= _MOVING_NBYTES else 0
    return 1 << max(1, room // grain).bit_length() - 1
