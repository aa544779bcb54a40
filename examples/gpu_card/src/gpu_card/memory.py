"""Host memory that the GPU reaches without a copy: regions, and which buffers lie in one.

The memory is the process's own and only page-locked for the GPU, so that a view of it outlives the card safely.
"""

from __future__ import annotations

import mmap
from collections.abc import Callable

import numpy as np

from gpu_card.library import Library
from laneproof.clock import Deadline
from laneproof.contract import Region, RegionSource
from laneproof.errors import EndpointBusy


class LockedRegion(Region):
    """Page-locked bytes. `close` is refused while a transfer uses them."""

    def __init__(self, library: Library, nbytes: int, close: Callable[[LockedRegion], None]) -> None:
        memory = mmap.mmap(-1, nbytes)
        memory.madvise(mmap.MADV_HUGEPAGE)
        self.view = memoryview(memory)
        self.start = np.frombuffer(self.view, np.uint8).ctypes.data
        self.stop = self.start + nbytes
        self.closed = False
        self._close = close
        library.lock_pages(self.start, nbytes)

    def close(self) -> None:
        if not self.closed:
            self._close(self)


class LockedMemory(RegionSource):
    """All regions of one open card. `in_flight` says whether a transfer uses the bytes from start to stop - 1."""

    def __init__(self, library: Library, enter: Callable[[], None], in_flight: Callable[[int, int], bool]) -> None:
        self._library = library
        self._enter = enter
        self._in_flight = in_flight
        self._regions: list[LockedRegion] = []

    def allocate(self, nbytes: int, deadline: Deadline | None = None) -> LockedRegion:
        self._enter()
        region = LockedRegion(self._library, nbytes, self._close_one)
        self._regions = [*self._regions, region]
        return region

    def holds(self, start: int, nbytes: int) -> bool:
        """Whether that whole stretch lies in one region."""
        return any(region.start <= start and start + nbytes <= region.stop for region in self._regions)

    def close(self) -> None:
        """Unlock all; what is in them stays readable."""
        for region in self._regions:
            region.closed = True
            self._library.unlock_pages(region.start)
        self._regions = []

    def _close_one(self, region: LockedRegion) -> None:
        if self._in_flight(region.start, region.stop):
            raise EndpointBusy("a transfer still uses this region; reap or stop it before the region is closed")
        self._enter()
        self._regions = [other for other in self._regions if other is not region]
        region.closed = True
        self._library.unlock_pages(region.start)
