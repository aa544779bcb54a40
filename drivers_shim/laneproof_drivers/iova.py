"""Addresses as a device sees them behind an IOMMU: which are free, taken and given back in whole pages."""

from __future__ import annotations

from collections.abc import Iterable

from laneproof.errors import DriverFault

_UNUSED_PAGES = 1
"""The first page stays unmapped: an engine whose address register still holds 0 then reaches nothing."""


class IovaSpace:
    """The addresses of `ranges` (first, last) below 2 to the power of `bits`. Not safe for two threads."""

    def __init__(self, ranges: Iterable[tuple[int, int]], page: int, bits: int) -> None:
        self.page = page
        self._bits = bits
        self._free: list[tuple[int, int]] = []
        for first, last in sorted(ranges):
            start = -(-max(first, _UNUSED_PAGES * page) // page) * page
            end = (min(last, 2**bits - 1) + 1) // page * page
            if start < end:
                self._free.append((start, end))

    def take(self, nbytes: int) -> tuple[int, int]:
        """An address, and the whole pages at it that hold `nbytes`. Raises DriverFault where there is no room."""
        size = -(-nbytes // self.page) * self.page
        for index, (start, end) in enumerate(self._free):
            if end - start >= size:
                self._free[index : index + 1] = [(start + size, end)] if end - start > size else []
                return start, size
        raise DriverFault(
            f"no {size} addresses in a row are left of those that the card reaches with {self._bits} bits; "
            "close Regions, or give dma_bits as the card has them"
        )

    def give(self, start: int, size: int) -> None:
        """Back what `take` returned."""
        merged: list[tuple[int, int]] = []
        for low, high in sorted([*self._free, (start, start + size)]):
            if merged and merged[-1][1] == low:
                low = merged.pop()[0]
            merged.append((low, high))
        self._free = merged
