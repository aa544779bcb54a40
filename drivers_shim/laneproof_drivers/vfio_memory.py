"""Memory that a card reaches by DMA: shown to it by the IOMMU, found again by address, and given back.

A Region that is part of a transfer stays shown and is not closed. What transfers there are is `vfio_queue`'s.
"""

from __future__ import annotations

import mmap
import threading
from contextlib import suppress

import numpy as np

from laneproof.clock import Deadline
from laneproof.contract import Region, RegionSource
from laneproof.errors import BadInput, DriverFault, EndpointBusy
from laneproof_drivers.iova import IovaSpace
from laneproof_drivers.vfio_kernel import AddressSpace


class DmaRegion(Region):
    """Whole pages of this process, shown to the card at `iova`."""

    def __init__(self, memory: DmaMemory, nbytes: int, iova: int, shown: int) -> None:
        self._map = mmap.mmap(-1, shown)  # shared: a page of it is not copied when the process forks
        self.view = memoryview(self._map)[:nbytes]
        self.address = address_of(memoryview(self._map))
        self.iova = iova
        self.shown = shown
        self.users = 0
        """Transfers that it is part of."""
        self._memory = memory

    def close(self) -> None:
        """Idempotent. Raises EndpointBusy while a transfer uses it."""
        self._memory.take_back(self)
        with suppress(BufferError):  # a caller's own slices keep the pages, which the card reaches no more
            self.view.release()
            self._map.close()


class DmaMemory(RegionSource):
    """Every Region of one card."""

    def __init__(self, address_space: AddressSpace, space: IovaSpace) -> None:
        self._address_space = address_space
        self._space = space
        self._lock = threading.Lock()
        self._regions: list[DmaRegion] = []

    def allocate(self, nbytes: int, deadline: Deadline) -> DmaRegion:
        """Pages that the card reads and writes. Raises BadInput, DriverFault."""
        if nbytes < 1:
            raise BadInput(f"a Region of {nbytes} bytes is none; ask for at least 1")
        with self._lock:
            if self._address_space.closed:
                raise DriverFault("the card is closed; open it again")
            iova, shown = self._space.take(nbytes)
            try:
                region = DmaRegion(self, nbytes, iova, shown)
                self._address_space.map(region.address, iova, shown)
            except BaseException:
                self._space.give(iova, shown)
                raise
            self._regions.append(region)
        return region

    def forget(self) -> None:
        """The card is closed: its Regions are plain memory now, and whoever still has one keeps it."""
        with self._lock:
            self._regions.clear()

    def region_of(self, view: memoryview) -> DmaRegion | None:
        """The Region that holds all of a buffer."""
        start = address_of(view)
        with self._lock:
            for region in self._regions:
                if region.address <= start and start + len(view) <= region.address + region.shown:
                    return region
        return None

    def enter(self, region: DmaRegion) -> None:
        """A transfer begins to use it."""
        with self._lock:
            region.users += 1

    def leave(self, region: DmaRegion) -> None:
        with self._lock:
            region.users -= 1

    def take_back(self, region: DmaRegion) -> None:
        """Raises EndpointBusy."""
        with self._lock:
            if region not in self._regions:
                return
            if region.users and not self._address_space.closed:
                raise EndpointBusy("the card may still use this Region; finish the transfer, or reset the card")
            self._regions.remove(region)
            if not self._address_space.closed:  # else the kernel has unmapped everything
                self._address_space.unmap(region.iova, region.shown)
                self._space.give(region.iova, region.shown)


def address_of(view: memoryview) -> int:
    """Where a buffer of at least a byte starts in this process."""
    return np.frombuffer(view, np.uint8).ctypes.data
