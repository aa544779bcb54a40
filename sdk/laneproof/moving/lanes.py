"""Lanes of a check over a queue: the memory of one transfer each, verified and filled anew by whichever thread.

What is out on the queue, and in which order, is `queue`'s.
"""

from __future__ import annotations

from collections.abc import Callable

from laneproof.clock import Deadline
from laneproof.contract import Limits, Region
from laneproof.integrity import Comparison
from laneproof.integrity.buffers import byte_view
from laneproof.moving.blocks import CheckJob, Stretch, aligned, spare
from laneproof.moving.mover import in_driver

Allocate = Callable[[int, Deadline], Region]
"""Makes a Region of so many bytes in memory that the card reaches by itself."""


class Lane:
    """Memory of one transfer, the card's own where it has some, and the block that it carries."""

    __slots__ = ("_regions", "_spare", "_whole", "into", "number", "out", "received", "sent", "size", "stretch")

    def __init__(self, job: CheckJob, limits: Limits, allocate: Allocate | None, deadline: Deadline) -> None:
        self._spare = spare(limits)
        sizes = (job.block, job.block + self._spare)
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
        self._resize(job.block)

    @property
    def block(self) -> int:
        """The largest block that it can carry."""
        return len(self._whole[0])

    def turn_over(self, job: CheckJob, came: int, number: int | None) -> Comparison | None:
        """Verify the first `came` bytes of what came back, then make ready for block `number`, if there is one.

        Returns what was found, None where nothing came.
        """
        received, follows = self.received[: min(self.size, came)], None if number is None else job.stretch(number)
        (pattern, at), found, done = self.stretch, None, 0
        if received.size and follows is not None and not job.digest:
            found = pattern.verify_and_overwrite(received, at, *follows)
            done = received.size
        elif received.size:
            found = job.verify(self.stretch, received)
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
            self._resize(job.size(number))
        self.number, self.stretch = number, stretch
        pattern, at = stretch
        pattern.fill(self.sent, at)
        pattern.fill_unlike(self.received[done:], at + done)

    def _resize(self, size: int) -> None:
        self.size = size
        self.out, self.into = self._whole[0][:size], self._whole[1][: size + self._spare]
        # The same memory, as the pattern takes it fastest.
        self.sent, self.received = byte_view(self.out), byte_view(self.into)
