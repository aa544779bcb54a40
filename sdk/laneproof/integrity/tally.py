"""Counts of wrong bits, bytes, dwords and larger units in received data, tile by tile. What they are put together to,
and said by, is in `localisation`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.pattern import Pattern

TILE_BYTES = 1 << 18
"""Damage is worked through in pieces of this size: what is worked out from one stays well below 16 MiB."""

KEPT_MASKS = 1 << 12
"""Masks remembered while counting. Garbage has a new one in each word, and none of them means anything."""

_LINE_BYTES = 64
_KEYS = 1 << 16
# Once masks were forgotten, no more new ones than these are looked at in a tile: a part stands for all.
_SAMPLED_DWORDS = 1 << 12
# Bits are counted in all words at once, in fields of 2, then 4, then 8 bits: how many are added before one is full.
_FIELDS = ((1, 0x5555555555555555, 3), (2, 0x3333333333333333, 5), (4, 0x0F0F0F0F0F0F0F0F, 17))
_FULL = 255


class Tally:
    """Counts gathered over tiles in ascending order, which begin at multiples of `TILE_BYTES` or at `start`.

    `bits` are wrong bits by their place in a dword, `lanes` wrong bytes by position modulo 64; `head` and `tail` the
    masks of the first and the last dword. `masks` of dwords are ascending; where `forgotten`, their counts are least.
    """

    def __init__(self, start: int, stop: int, units: tuple[Units, ...]) -> None:
        self._start, self._stop, self._units = start, stop, units
        tile_bytes = min(TILE_BYTES, (stop - start) // _LINE_BYTES * _LINE_BYTES + 2 * _LINE_BYTES)
        self._difference, self._expected = np.empty((2, tile_bytes), np.uint8)
        self._compiled = kernels.tally_for_bytes(stop - start)
        self.dwords = 0
        self.zero_to_one = 0
        self.bits = np.zeros(32, np.int64)
        self.lanes = np.zeros(_LINE_BYTES, np.int64)
        self.masks = np.empty(0, np.uint32)
        self.mask_counts = np.empty(0, np.int64)
        self.forgotten = False
        self.head = self.tail = 0
        # Which mask each key stands for, 0 for none, and where it is in the list.
        self._holders = np.zeros(_KEYS, np.uint32)
        self._index_of = np.zeros(_KEYS, np.int64)

    def add(self, pattern: Pattern, position: int, received: Bytes) -> None:
        # Padded to whole lines of 64 bytes; what pads is no difference.
        skipped = position % _LINE_BYTES
        behind = skipped + received.size
        size = -(-behind // _LINE_BYTES) * _LINE_BYTES
        padded, risen = self._difference[:size], self._expected[:size]
        difference, expected = padded[skipped:behind], risen[skipped:behind]
        pattern.fill(expected, position)
        for row in (padded, risen):
            row[:skipped] = row[behind:] = 0
        np.bitwise_xor(received, expected, out=difference)
        lines = np.flatnonzero((padded.view(np.uint64) != 0).view(np.uint64))
        if not lines.size:
            return
        for units in self._units:
            units.add(padded, lines, position - skipped)
        np.bitwise_and(difference, received, out=expected)
        self._count(padded, risen, lines)
        dwords = padded.view("<u4")
        if position == self._start:
            self.head = int(dwords[skipped // 4])
        if position + received.size == self._stop:
            self.tail = int(dwords[(behind - 1) // 4])

    def _count(self, difference: Bytes, risen: Bytes, lines: NDArray[np.intp]) -> None:
        if self._compiled is not None:
            new, counts = np.empty(difference.size // 4, np.uint32), np.zeros(self.masks.size + 1, np.int64)
            dwords, ones, unknown = self._compiled.tally(
                difference.view(np.uint64), risen.view(np.uint64), self._holders, self._index_of,
                self.bits, self.lanes, counts, new,
            )  # fmt: skip
            self.zero_to_one += ones
            self.mask_counts += counts[:-1]
            self.dwords += dwords
            self._add_new(new[:unknown])
            return
        # Only lines in which something is wrong; all zeros where the last of them are not there.
        wrong = np.zeros((-(-lines.size // _FULL) * _FULL, _LINE_BYTES), np.uint8)
        words = wrong.view(np.uint64).reshape(-1)
        np.take(risen.reshape(-1, _LINE_BYTES), lines, axis=0, out=wrong[: lines.size], mode="clip")
        self.zero_to_one += int(_ones_by_bit(words).sum())
        np.take(difference.reshape(-1, _LINE_BYTES), lines, axis=0, out=wrong[: lines.size], mode="clip")
        self.bits += _ones_by_bit(words)
        truths = np.add.reduce((wrong != 0).view(np.uint64).reshape(_FULL, -1), axis=0)
        self.lanes += truths.view(np.uint8).reshape(-1, _LINE_BYTES).sum(axis=0, dtype=np.int64)
        dwords = wrong.view("<u4").reshape(-1)
        dwords = dwords[dwords != 0]
        self.dwords += dwords.size
        if self.masks.size:
            keys = _keys(dwords)
            known = self._holders[keys] == dwords
            self.mask_counts += np.bincount(self._index_of[keys[known]], minlength=self.masks.size)
            dwords = dwords[~known]
        self._add_new(dwords)

    def _add_new(self, dwords: NDArray[np.uint32]) -> None:
        """Count masks that are not known, or whose key is another's."""
        if self.forgotten:
            dwords = dwords[:: 1 + dwords.size // _SAMPLED_DWORDS]
        ascending = np.sort(dwords)
        first = np.flatnonzero(np.append(True, ascending[1:] != ascending[:-1])[: ascending.size])
        masks, counts = ascending[first], np.diff(np.append(first, ascending.size))
        if self.forgotten:
            # There is no room for what comes but once.
            masks, counts = masks[counts > 1], counts[counts > 1]
        if not masks.size:
            return
        masks = np.concatenate((self.masks, masks))
        order = np.argsort(masks, kind="stable")
        masks, counts = masks[order], np.concatenate((self.mask_counts, counts))[order]
        first = np.flatnonzero(np.append(True, masks[1:] != masks[:-1]))
        masks, counts = masks[first], np.add.reduceat(counts, first)
        ranked = np.argsort(-counts, kind="stable")
        if masks.size > KEPT_MASKS:
            kept = np.sort(ranked[:KEPT_MASKS])
            masks, counts = masks[kept], counts[kept]
            ranked = np.argsort(-counts, kind="stable")
            self.forgotten = True
        self.masks, self.mask_counts = masks, counts
        # Of those with the same key the most frequent is written last.
        keys = _keys(masks[ranked[::-1]])
        self._holders[:] = 0
        self._holders[keys], self._index_of[keys] = masks[ranked[::-1]], ranked[::-1]


class Units:
    """How many units of one size hold a wrong byte; the wrong bytes come in ascending order."""

    def __init__(self, unit_bytes: int) -> None:
        self._unit_bytes = unit_bytes
        self._first = self._last = -1
        self.count = 0

    def add(self, difference: Bytes, lines: NDArray[np.intp], position: int) -> None:
        """`difference` starts with a line of 64 bytes, at `position`; something is wrong in those `lines`."""
        whole = self._unit_bytes % _LINE_BYTES == 0
        wrong = lines * _LINE_BYTES if whole else np.flatnonzero(difference)
        # The position may be beyond 2^63, so it is kept out of the array.
        base, skipped = divmod(position, self._unit_bytes)
        units = (wrong + skipped) // self._unit_bytes
        first, last = base + int(units[0]), base + int(units[-1])
        self.count += 1 + int(np.count_nonzero(units[1:] != units[:-1])) - (first == self._last)
        if self._first < 0:
            self._first = first
        self._last = last

    def holds(self, position: int) -> bool:
        """Whether the unit of that position, the first or the last looked at, is wrong."""
        return position // self._unit_bytes in (self._first, self._last)


def _keys(masks: NDArray[np.uint32]) -> NDArray[np.uint16]:
    """16 bits of a mask's product with an odd number near the golden section of 2^32, which spreads any masks."""
    return (masks * np.uint32(0x9E3779B1) >> np.uint32(16)).astype(np.uint16)


def _ones_by_bit(words: NDArray[np.uint64]) -> NDArray[np.int64]:
    """How many ones the dwords have in each of their 32 bits; the number of words has to be a multiple of 255."""
    fields = [words]
    for width, mask, group in _FIELDS:
        low = np.uint64(mask)
        fields = [
            np.add.reduce((part & low).reshape(group, -1), axis=0)
            for field in fields
            for part in (field, field >> np.uint64(width))
        ]
    # A field's place among them has the lowest bit last: bit 1 of a byte is in the one that was shifted first.
    counts = np.array([field.view(np.uint8).reshape(-1, 4).sum(axis=0, dtype=np.int64) for field in fields])
    return counts[[0, 4, 2, 6, 1, 5, 3, 7]].T.reshape(-1)
