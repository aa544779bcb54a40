"""Exact verification: received bytes against the pattern, made again tile by tile. Memory is bounded by a tile."""

from __future__ import annotations

import ctypes
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.buffers import Bytes
from laneproof.integrity.comparison import MAX_REGIONS, Comparison, WrongRegion

# The C library's own: it is several times faster than comparing arrays, which writes an answer a byte, and other
# threads run meanwhile.
_memcmp = ctypes.CDLL(None).memcmp
_memcmp.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
_memcmp.restype = ctypes.c_int
_LITTLE = 1 << 14


def compare(received: Bytes, expected: Iterable[Bytes], *, inverted: bool, caution: str) -> Comparison:
    """Compare `received` with `expected`, tiles that together are as long; their complement where `inverted`."""
    findings = _Findings()
    complement = np.empty(0, np.uint8)
    position = 0
    for raw in expected:
        tile = raw
        if inverted:
            if complement.size < raw.size:
                complement = np.empty(raw.size, np.uint8)
            tile = np.invert(raw, out=complement[: raw.size])
        piece = received[position : position + tile.size]
        if _differ(piece, tile):
            findings.add(position, piece, tile)
        position += tile.size
    if position != received.size:
        raise AssertionError(f"{position} bytes were expected to be made for {received.size}")
    return findings.comparison(received.size, caution)


def _differ(one: Bytes, two: Bytes) -> bool:
    # Copying a little costs less than asking numpy for two addresses.
    if one.size <= _LITTLE:
        return one.tobytes() != two.tobytes()
    return _memcmp(one.ctypes.data, two.ctypes.data, one.size) != 0


class _Findings:
    """What is wrong, gathered over tiles in ascending order."""

    def __init__(self) -> None:
        self._wrong_bytes = 0
        self._wrong_bits = 0
        self._starts: list[int] = []
        self._stops: list[int] = []
        self._cut = False

    def add(self, position: int, received: Bytes, expected: Bytes) -> None:
        # Whole words, so that bits are counted eight bytes at a time; what pads the last one is no difference.
        words = np.empty(-(-received.size // 8), np.uint64)
        words[-1] = 0
        difference = words.view(np.uint8)[: received.size]
        np.bitwise_xor(received, expected, out=difference)
        self._wrong_bytes += int(np.count_nonzero(difference))
        self._wrong_bits += _count_ones(words)
        if not self._cut:
            self._add_regions(position, difference)

    def _add_regions(self, position: int, difference: Bytes) -> None:
        wrong = np.zeros(difference.size + 2, np.bool_)
        np.not_equal(difference, 0, out=wrong[1:-1])
        edges = (np.flatnonzero(wrong[1:] != wrong[:-1]) + position).tolist()
        starts, stops = edges[0::2], edges[1::2]
        if self._stops and starts[0] == self._stops[-1]:
            self._stops[-1] = stops[0]
            del starts[0], stops[0]
        self._starts += starts
        self._stops += stops
        if len(self._starts) > MAX_REGIONS:
            del self._starts[MAX_REGIONS:], self._stops[MAX_REGIONS:]
            self._cut = True

    def comparison(self, bytes_checked: int, caution: str) -> Comparison:
        return Comparison(
            bytes_checked=bytes_checked,
            mismatched_bytes=self._wrong_bytes,
            mismatched_bits=self._wrong_bits,
            first=self._starts[0] if self._starts else None,
            regions=tuple(map(WrongRegion, self._starts, self._stops)),
            regions_cut=self._cut,
            caution=caution,
        )


if hasattr(np, "bitwise_count"):

    def _count_ones(words: NDArray[np.uint64]) -> int:
        return int(np.bitwise_count(words).sum(dtype=np.uint64))

else:  # numpy 1.26
    _ONES = np.array([byte.bit_count() for byte in range(256)], np.uint8)

    def _count_ones(words: NDArray[np.uint64]) -> int:
        return int(_ONES[words.view(np.uint8)].sum(dtype=np.uint64))
