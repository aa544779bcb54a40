"""The blocks of a check: which stretch of pattern each carries, the memory they use, and the growing result."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from attrs import Factory, define, evolve, field, frozen

from laneproof.contract import Limits
from laneproof.integrity import Comparison, Pattern
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.damage import WrongPiece

Stretch = tuple[Pattern, int]
"""A pattern, and the position in it at which a block starts."""
_PAGE_BYTES = 4096


@frozen(kw_only=True)
class CheckJob:
    """`nbytes` in blocks of `block`; block number i carries `stretch(i)`. `progress` is told the bytes verified.

    `digest`: blocks are verified by `Pattern.verify_digest`, not by `Pattern.verify`. So many `threads` may verify and
    fill blocks, each one at a time. `in_place`: large blocks need not be filled for each transfer (`lanes`).
    `more_follows`: nobody waits to see whether more comes than was sent. Once `enough` is set no other block goes out.
    `wrong` is told of what came back wrong, while it is still there, from whichever thread verifies.
    """

    nbytes: int
    block: int
    depth: int
    stretch: Callable[[int], Stretch]
    """Block number to what it carries. Looked up once a block: making a pattern takes longer than filling a page."""
    progress: Callable[[int], Any] | None = None
    digest: bool = False
    threads: int = 1
    in_place: bool = False
    more_follows: bool = False
    enough: threading.Event | None = None
    wrong: Callable[[WrongPiece], Any] | None = None

    @property
    def blocks(self) -> int:
        return -(-self.nbytes // self.block)

    def size(self, number: int) -> int:
        """Bytes of that block; the last may be short."""
        return min(self.block, self.nbytes - number * self.block)

    def verify(self, number: int, stretch: Stretch, received: Bytes) -> Comparison:
        """Compare what arrived of that block; positions count from its start."""
        pattern, at = stretch
        found = pattern.verify_digest(received, at) if self.digest else pattern.verify(received, at)
        if found.mismatched_bytes:
            self.tell_of(number, stretch, 0, received, found)
        return found

    def tell_of(self, number: int, stretch: Stretch, start: int, received: Bytes, found: Comparison) -> None:
        """Tell of what is wrong in a piece of that block that begins at byte `start` of it."""
        if self.wrong is not None:
            pattern, at = stretch
            piece = WrongPiece(
                number=number, start=start, pattern=pattern, at=at + start, received=received, comparison=found
            )
            self.wrong(piece)


@define
class Tally:
    """What a check has found so far. Not safe for two threads."""

    job: CheckJob
    _wrong: Comparison | None = field(default=None, init=False)
    _clean: Comparison | None = field(default=None, init=False)
    """A block without an error, which stands for all that were like it: `_clean_bytes` in all."""
    _clean_bytes: int = field(default=0, init=False)
    _received: int = field(default=0, init=False)
    _surplus: int = field(default=0, init=False)
    _stalled: bool = field(default=False, init=False)
    _expected: int = field(default=Factory(lambda self: self.job.nbytes, takes_self=True), init=False)
    """Bytes: all, or what has gone out by the time that there was `enough`."""

    def outgoing(self) -> Iterator[int]:
        """The blocks to send, one by one, until there is `enough`. For one thread, which may be another one."""
        enough = self.job.enough
        for number in range(self.job.blocks):
            if enough is not None and enough.is_set():
                self._expected = number * self.job.block
                return
            yield number

    def block(self, number: int, stretch: Stretch, received: Bytes) -> None:
        """Verify a block that came back, whole or not, and take it in."""
        self.add(number, self.job.verify(number, stretch, received))

    def add(self, number: int, part: Comparison) -> None:
        """Take in what was found in that block; positions count from its start."""
        like = self._clean
        # Joining two comparisons takes as long as verifying 64 KiB, so clean ones are only counted.
        if part is like or (not part.mismatched_bytes and (like is None or _alike(part, like))):
            self._clean = part
            self._clean_bytes += part.bytes_checked
        else:
            part = part.shifted(number * self.job.block)
            self._wrong = part if self._wrong is None else self._wrong.combined(part)
        self._received += part.bytes_checked
        if self.job.progress is not None:
            self.job.progress(self._received)

    def surplus(self, nbytes: int) -> None:
        self._surplus += nbytes

    def stall(self) -> None:
        self._stalled = True

    @property
    def stalled(self) -> bool:
        return self._stalled

    @property
    def more_follows(self) -> bool:
        """As of the job, unless that was ended early."""
        return self.job.more_follows and self._expected == self.job.nbytes

    @property
    def in_step(self) -> bool:
        """Whether everything sent has come back and nothing more."""
        return self._received == self._expected and not self._surplus and not self._stalled

    def result(self) -> Comparison:
        """The comparison so far."""
        base = self._wrong
        if self._clean is not None:
            clean = evolve(self._clean, bytes_checked=self._clean_bytes)
            base = clean if base is None else base.combined(clean)
        if base is None:
            base = self.job.verify(0, self.job.stretch(0), np.empty(0, np.uint8))
        return evolve(
            base,
            bytes_expected=self._expected,
            bytes_received=self._received + self._surplus,
            surplus_bytes=self._surplus,
            stalled=self._stalled,
        )


def _alike(one: Comparison, two: Comparison) -> bool:
    return one.method == two.method and one.caution == two.caution and one.kernels == two.kernels


def aligned(nbytes: int, alignment: int) -> memoryview:
    """Fresh memory of `nbytes` whose address is a multiple of `alignment`, and of a page.

    Of a page, so that what depends on where a buffer begins does not depend on what the heap held before.
    """
    alignment = math.lcm(alignment, _PAGE_BYTES)
    raw = np.empty(nbytes + alignment - 1, dtype=np.uint8)
    skip = -raw.ctypes.data % alignment
    return raw[skip : skip + nbytes].data


def largest_piece(limits: Limits) -> int:
    """The largest transfer, in bytes, that the card's granularity permits."""
    return max(limits.granularity, limits.max_transfer - limits.max_transfer % limits.granularity)


def spare(limits: Limits) -> int:
    """Bytes that a receive buffer has beyond its block, so that surplus shows: on a message channel only."""
    return limits.granularity if limits.boundary == "message" else 0
