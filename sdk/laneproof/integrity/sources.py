"""Where a pattern's bytes come from: a repeated period, a counter. The long PRBS are in `prbs`.

A source knows nothing of buffers: it yields the pattern in pieces that fit a cache, from any position on.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.buffers import Bytes

TILE_BYTES = 1 << 18
"""About the size of the pieces: they stay in a core's own cache between being made and being used."""


class Source(Protocol):
    """An endless, periodic sequence of bytes. Immutable and safe to share between threads."""

    @property
    def period_bytes(self) -> int: ...

    @property
    def inverted(self) -> bool:
        """Whether the tiles hold the complement of the sequence.

        Complementing is left to the user of a tile, who can often do it on the way.
        """
        ...

    def tiles(self, position: int, nbytes: int) -> Iterator[Bytes]:
        """The `nbytes` bytes from `position` on (0 to the period), in order, in pieces of any size but 0.

        A tile is read-only and holds until the next is asked for.
        """
        ...


class RepeatedPeriod:
    """A sequence short enough to be kept: its tiles are slices of a table, nothing is made."""

    inverted = False

    def __init__(self, period: Bytes) -> None:
        self.period_bytes = period.size
        # Longer by one tile than the period, so that a whole tile lies in one piece wherever it starts.
        self._table: Bytes = np.resize(period, period.size + TILE_BYTES)
        self._table.flags.writeable = False

    def tiles(self, position: int, nbytes: int) -> Iterator[Bytes]:
        while nbytes:
            size = min(nbytes, TILE_BYTES)
            yield self._table[position : position + size]
            position = (position + size) % self.period_bytes
            nbytes -= size


class Counter:
    """Words of 32 bits, least significant byte first, each one more than the one before; the first is 0."""

    inverted = False
    period_bytes = 4 << 32

    def __init__(self) -> None:
        self._words: NDArray[np.uint32] = np.arange(TILE_BYTES // 4 + 1, dtype="<u4")

    def tiles(self, position: int, nbytes: int) -> Iterator[Bytes]:
        scratch = np.empty(min(nbytes // 4 + 2, self._words.size), "<u4")
        while nbytes:
            word, skipped = divmod(position, 4)
            size = min(nbytes, TILE_BYTES)
            words = -(-(skipped + size) // 4)
            np.add(self._words[:words], np.uint32(word), out=scratch[:words])
            yield scratch.view(np.uint8)[skipped : skipped + size]
            position = (position + size) % self.period_bytes
            nbytes -= size


def walking_one() -> Bytes:
    """One period: 32 words of 32 bits, least significant byte first, with the one bit at 0, 1, … 31."""
    return (np.uint32(1) << np.arange(32, dtype=np.uint32)).astype("<u4").view(np.uint8)


def fixed(word: int) -> Bytes:
    """One period: the 32-bit word, least significant byte first."""
    return np.frombuffer(word.to_bytes(4, "little"), np.uint8)
