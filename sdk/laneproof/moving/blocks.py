"""The blocks of a check: which stretch of pattern each carries, the memory they use, and the growing result."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from attrs import define, evolve, field, frozen

from laneproof.contract import Limits
from laneproof.integrity import Comparison, Pattern


@frozen(kw_only=True)
class CheckJob:
    """`nbytes` in blocks of `block`; block number i carries `stretch(i)`. `progress` is told the bytes verified.

    `digest`: blocks are verified by `Pattern.verify_digest`, not by `Pattern.verify`.
    """

    nbytes: int
    block: int
    depth: int
    stretch: Callable[[int], tuple[Pattern, int]]
    """Block number to the pattern and the position in it at which the block starts."""
    progress: Callable[[int], Any] | None = None
    digest: bool = False

    @property
    def blocks(self) -> int:
        return -(-self.nbytes // self.block)

    def size(self, number: int) -> int:
        """Bytes of that block; the last may be short."""
        return min(self.block, self.nbytes - number * self.block)

    def fill(self, number: int, into: memoryview) -> None:
        pattern, at = self.stretch(number)
        pattern.fill(into, at)

    def prefill(self, number: int, into: memoryview) -> None:
        """Write what the block must not hold afterwards, at every position."""
        pattern, at = self.stretch(number)
        pattern.fill_unlike(into, at)

    def verify(self, number: int, received: memoryview) -> Comparison:
        """Compare what arrived; positions count from the start of the check."""
        pattern, at = self.stretch(number)
        found = pattern.verify_digest(received, at) if self.digest else pattern.verify(received, at)
        return found.shifted(number * self.block)


@define
class Tally:
    """What a check has found so far. Not safe for two threads."""

    job: CheckJob
    _result: Comparison | None = field(default=None, init=False)
    _received: int = field(default=0, init=False)
    _surplus: int = field(default=0, init=False)
    _stalled: bool = field(default=False, init=False)

    def block(self, number: int, received: memoryview) -> None:
        """Take in a block that came back, whole or not."""
        part = self.job.verify(number, received)
        self._result = part if self._result is None else self._result.combined(part)
        self._received += len(received)
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
        base = self._result
        if base is None:
            base = self.job.verify(0, memoryview(b""))
        return evolve(
            base,
            bytes_expected=self.job.nbytes,
            bytes_received=self._received + self._surplus,
            surplus_bytes=self._surplus,
            stalled=self._stalled,
        )


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
