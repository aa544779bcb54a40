"""Exact verification: received bytes against the pattern, by numpy or by compiled kernels, in one thread or several.

numpy makes the pattern again tile by tile and compares; the kernels read clean data once and make nothing. Either way
every byte is compared with what the pattern has there, and memory is bounded by some tiles for each thread.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes, in_pieces
from laneproof.integrity.comparison import MAX_REGIONS, Comparison, WrongRegion
from laneproof.integrity.prbs import LongPrbs
from laneproof.integrity.sources import Source

# The C library's own: it is several times faster than comparing arrays, which writes an answer a byte, and other
# threads run meanwhile.
_memcmp = ctypes.CDLL(None).memcmp
_memcmp.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
_memcmp.restype = ctypes.c_int
_LITTLE = 1 << 14
# A tile that differs is looked at in parts of this size, which hold little damage or much.
_PART_BYTES = 1 << 18


def compare(received: Bytes, source: Source, position: int, *, caution: str, threads: int = 1) -> Comparison:
    """Compare `received` with the bytes of `source` from `position` on."""
    compiled = kernels.for_bytes(received.size) if isinstance(source, LongPrbs) else None

    def compare_piece(start: int, piece: Bytes) -> Comparison:
        at = (position + start) % source.period_bytes
        if compiled is not None and isinstance(source, LongPrbs):
            return _compare_compiled(compiled, source, piece, at, start, caution)
        findings = _Findings(start)
        _compare_tiles(source, piece, at, findings)
        return findings.comparison(piece.size, caution, "numpy")

    if threads == 1:
        return compare_piece(0, received)
    whole, *others = in_pieces(compare_piece, received, threads, most=kernels.most_threads(compiled))
    for other in others:
        whole = whole.combined(other)
    return whole


def _compare_compiled(
    compiled: kernels.Compiled, source: LongPrbs, received: Bytes, position: int, start: int, caution: str
) -> Comparison:
    # One more than are listed, to see that there are more.
    runs = np.empty(2 * (MAX_REGIONS + 1), np.int64)
    polynomial, flip = source.polynomial, -1 if source.inverted else 0
    wrong_bytes, wrong_bits, found = compiled.verify(
        received, source.before(position), polynomial.n, polynomial.k, flip, runs
    )
    if not wrong_bytes:
        return _clean(received.size, caution, "numba")
    findings = _Findings(start)
    findings.add(0, wrong_bytes, wrong_bits, runs[0 : 2 * found : 2].tolist(), runs[1 : 2 * found : 2].tolist())
    return findings.comparison(received.size, caution, "numba")


def _compare_tiles(source: Source, received: Bytes, position: int, findings: _Findings) -> None:
    done = 0
    for tile in _expected(source, position, received.size):
        piece = received[done : done + tile.size]
        if _differ(piece, tile):
            for start in range(0, tile.size, _PART_BYTES):
                got, made = piece[start : start + _PART_BYTES], tile[start : start + _PART_BYTES]
                if _differ(got, made):
                    findings.add(done + start, *_differences(got, made, wanted=not findings.cut))
        done += tile.size
    if done != received.size:
        raise AssertionError(f"{done} bytes were expected to be made for {received.size}")


def _expected(source: Source, position: int, nbytes: int) -> Iterator[Bytes]:
    if isinstance(source, LongPrbs):
        return source.expected(position, nbytes)
    tiles = source.tiles(position, nbytes)
    return map(np.invert, tiles) if source.inverted else tiles


def _differ(one: Bytes, two: Bytes) -> bool:
    # Copying a little costs less than asking numpy for two addresses.
    if one.size <= _LITTLE:
        return one.tobytes() != two.tobytes()
    return _memcmp(one.ctypes.data, two.ctypes.data, one.size) != 0


def _differences(received: Bytes, expected: Bytes, *, wanted: bool) -> tuple[int, int, list[int], list[int]]:
    """How many bytes and how many bits are wrong, and where runs of wrong bytes start and stop, where `wanted`."""
    # Whole words, so that bits are counted eight bytes at a time; what pads the last one is no difference.
    words = np.empty(-(-received.size // 8), np.uint64)
    words[-1] = 0
    difference = words.view(np.uint8)[: received.size]
    np.bitwise_xor(received, expected, out=difference)
    wrong = words != 0
    if np.count_nonzero(wrong) < words.size // 8:
        at = np.flatnonzero(wrong)
        words = words[at]
        inside = np.flatnonzero(words.view(np.uint8))
        wrong_bytes, wrong_bits = inside.size, _count_ones(words)
        if not wanted:
            return wrong_bytes, wrong_bits, [], []
        places = at[inside >> 3] * 8 + (inside & 7)
        gap = np.ones(places.size + 1, np.bool_)
        np.not_equal(places[1:], places[:-1] + 1, out=gap[1:-1])
        return wrong_bytes, wrong_bits, places[gap[:-1]].tolist(), (places[gap[1:]] + 1).tolist()
    if not wanted:
        return int(np.count_nonzero(difference)), _count_ones(words), [], []
    wrong = np.zeros(difference.size + 2, np.bool_)
    np.not_equal(difference, 0, out=wrong[1:-1])
    # One more than are listed, to see that there are more.
    edges = np.flatnonzero(wrong[1:] != wrong[:-1])[: 2 * (MAX_REGIONS + 1)].tolist()
    return int(np.count_nonzero(wrong)), _count_ones(words), edges[0::2], edges[1::2]


@lru_cache(maxsize=64)
def nothing_wrong(bytes_checked: int, caution: str) -> Comparison:
    """What compiled kernels say of so many bytes that were right."""
    return _clean(bytes_checked, caution, "numba")


def _clean(bytes_checked: int, caution: str, name: kernels.Name) -> Comparison:
    """Made once for blocks of one size: making it takes as long as verifying 64 KiB."""
    return Comparison(bytes_checked=bytes_checked, caution=caution, kernels=name)


class _Findings:
    """What is wrong in a piece that starts at `start`, gathered in ascending order."""

    def __init__(self, start: int) -> None:
        self._start = start
        self.cut = False
        self._wrong_bytes = 0
        self._wrong_bits = 0
        self._starts: list[int] = []
        self._stops: list[int] = []

    def add(self, offset: int, wrong_bytes: int, wrong_bits: int, starts: list[int], stops: list[int]) -> None:
        """Runs count from `offset` in the piece; of more than the list can hold, the first are enough."""
        self._wrong_bytes += wrong_bytes
        self._wrong_bits += wrong_bits
        if self.cut or not starts:
            return
        offset += self._start
        starts, stops = [start + offset for start in starts], [stop + offset for stop in stops]
        if self._stops and starts[0] == self._stops[-1]:
            self._stops[-1] = stops[0]
            del starts[0], stops[0]
        self._starts += starts
        self._stops += stops
        if len(self._starts) > MAX_REGIONS:
            del self._starts[MAX_REGIONS:], self._stops[MAX_REGIONS:]
            self.cut = True

    def comparison(self, bytes_checked: int, caution: str, name: kernels.Name) -> Comparison:
        if not self._wrong_bytes:
            return _clean(bytes_checked, caution, name)
        return Comparison(
            bytes_checked=bytes_checked,
            mismatched_bytes=self._wrong_bytes,
            mismatched_bits=self._wrong_bits,
            first=self._starts[0] if self._starts else None,
            regions=tuple(map(WrongRegion, self._starts, self._stops)),
            regions_cut=self.cut,
            caution=caution,
            kernels=name,
        )


if hasattr(np, "bitwise_count"):

    def _count_ones(words: NDArray[np.uint64]) -> int:
        return int(np.bitwise_count(words).sum(dtype=np.uint32))

else:  # numpy 1.26
    _ONES = np.array([byte.bit_count() for byte in range(256)], np.uint8)

    def _count_ones(words: NDArray[np.uint64]) -> int:
        return int(_ONES[words.view(np.uint8)].sum(dtype=np.uint32))
