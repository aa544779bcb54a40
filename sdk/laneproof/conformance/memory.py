"""Buffers to lend to a driver: at a chosen address, between guards, with a known content; and seen to be given back."""

from __future__ import annotations

import gc

import numpy as np

from laneproof.conformance.finding import Broken, require
from laneproof.integrity import Pattern, pattern
from laneproof.integrity.buffers import byte_view

GUARD = 4096
"""Bytes before and after each buffer that nobody may touch: a page, so that a whole one too many shows."""
_GUARD_BYTE = 0xA7


class Lent:
    """`nbytes` of memory at an address that is `offset` beyond a multiple of a page.

    `view` may be sliced freely; a driver must get slices of its own, so that one that it keeps is found.
    """

    def __init__(self, nbytes: int, offset: int = 0) -> None:
        self._memory = bytearray([_GUARD_BYTE]) * (nbytes + 3 * GUARD)
        address = np.frombuffer(self._memory, np.uint8).ctypes.data
        self._start = GUARD + (offset - address) % GUARD
        self._nbytes = nbytes
        self.view = memoryview(self._memory)[self._start : self._start + nbytes]

    def __len__(self) -> int:
        return self._nbytes

    def fill(self, stretch: Pattern, at: int = 0) -> None:
        stretch.fill(self.view, at)

    def fill_unlike(self, stretch: Pattern, at: int = 0) -> None:
        """With what must not be there afterwards, at any byte."""
        stretch.fill_unlike(self.view, at)

    def require(self, stretch: Pattern, what: str, nbytes: int | None = None, at: int = 0) -> None:
        """Raise Broken unless the first `nbytes` (all) hold the pattern."""
        require_pattern(self.view[:nbytes], stretch, what, at)

    def require_guards(self) -> None:
        """Raise Broken where a byte outside of the buffer has changed."""
        memory = np.frombuffer(self._memory, np.uint8)
        end = self._start + self._nbytes
        before = np.flatnonzero(memory[: self._start] != _GUARD_BYTE)
        after = np.flatnonzero(memory[end:] != _GUARD_BYTE)
        if before.size:
            raise Broken(
                f"byte {self._start - int(before[-1])} before the start of a buffer of {self._nbytes} bytes was changed"
            )
        if after.size:
            raise Broken(f"byte {1 + int(after[0])} after the end of a buffer of {self._nbytes} bytes was changed")

    def require_returned(self, what: str) -> None:
        """Raise Broken while anybody but this object still exports the memory. The buffer is of no use afterwards."""
        self.view.release()
        if not self._can_be_resized():
            gc.collect()  # an exception's traceback, or a cycle, holds nothing on purpose
            require(self._can_be_resized(), f"{what} has returned and still holds a view of its buffer")

    def _can_be_resized(self) -> bool:
        """As a bytearray can once nobody exports it."""
        try:
            self._memory.append(0)
        except BufferError:
            return False
        return True


def stretch_of(number: int, name: str = "prbs31") -> Pattern:
    """Data that no other buffer of a rule has."""
    return pattern(name, seed=0x6C70, sequence=number)


def require_pattern(view: memoryview, stretch: Pattern, what: str, at: int = 0) -> None:
    """Raise Broken, saying where and how, unless `view` holds the pattern from `at` on."""
    received = byte_view(view)
    expected = np.empty(received.size, np.uint8)
    stretch.fill(expected, at)
    wrong = np.flatnonzero(received != expected)
    if not wrong.size:
        return
    first = int(wrong[0])
    unlike = bool(received[first] == expected[first] ^ 0xFF)
    require(
        False,
        f"{what}: {wrong.size} of {received.size} bytes are wrong, the first at byte {first}: "
        f"{int(received[first]):#04x} in place of {int(expected[first]):#04x}"
        + (", as it was before: never written" if unlike else ""),
    )
