"""The blocks of a check: which stretch of pattern each carries, the memory they use, and the growing result."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from attrs import define, evolve, field, frozen

from laneproof.contract import Limits
from laneproof.integrity import Comparison, Pattern
from laneproof.integrity.buffers import Bytes

Stretch = tuple[Pattern, int]
"""A pattern, and the position in it at which a block starts."""


@frozen(kw_only=True)
class CheckJob:
    """`nbytes` in blocks of `block`; block number i carries `stretch(i)`. `progress` is told the bytes verified.

    `digest`: blocks are verified by `Pattern.verify_digest`, not by `Pattern.verify`. So many `threads` may verify and
    fill blocks, each one at a time. `in_place`: large blocks need not be filled for each transfer (`lanes`).
    `more_follows`: nobody waits to see whether more comes than was sent.
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

    @property
    def blocks(self) -> int:
        return -(-self.nbytes // self.block)

    def size(self, number: int) -> int:
        """Bytes of that block; the last may be short."""
        return min(self.block, self.nbytes - number * self.block)

    def verify(self, stretch: Stretch, received: Bytes) -> Comparison:
        """Compare what arrived; positions count from the start of the block."""
        pattern, at = stretch
        return pattern.verify_digest(received, at) if self.digest else pattern.verify(received, at)


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

    def block(self, number: int, stretch: Stretch, received: Bytes) -> None:
        """Verify a block that came back, whole or not, and take it in."""
        self.add(number, self.job.verify(stretch, received))

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
    def in_step(self) -> bool:
        """Whether everything sent has come back and nothing more."""
        return self._received == self.job.nbytes and not self._surplus and not self._stalled

    def result(self) -> Comparison:
        """The comparison so far."""
        base = self._wrong
        if self._clean is not None:
            clean = evolve(self._clean, bytes_checked=self._clean_bytes)
            base = clean if base is None else base.combined(clean)
        if base is None:
            base = self.job.verify(self.job.stretch(0), np.empty(0, np.uint8))
        return evolve(
            base,
            bytes_expected=self.job.nbytes,
            bytes_received=self._received + self._surplus,
            surplus_bytes=self._surplus,
            stalled=self._stalled,
        )


def _alike(one: Comparison, two: Comparison) -> bool:
    return one.method == two.method and one.caution == two.caution and one.kernels == two.kernels


def aligned(nbytes: int, alignment: int) -> memoryview:
    """Fresh memory of `nbytes` whose address is a multiple of `alignment`."""
    raw = np.empty(nbytes + alignment - 1, dtype=np.uint8)
    skip = -raw.ctypes.data % alignment
    return raw[skip : skip + nbytes].data


def largest_piece(limits: Limits) -> int:
    """The largest transfer, in bytes, that the card's granularity permits."""
    return max(limits.granularity, limits.max_transfer - limits.max_transfer % limits.granularity)


def spare(limits: Limits) -> int:
    """Bytes that a receive buffer has beyond its block, so that surplus shows: on a message channel only."""
    return limits.granularity if limits.boundary == "message" else 0
