"""The kernel's iommufd and a device's own file, played at the system call: layouts are taken from the kernel's headers
here, and not from the driver. The real ones are seen in tests/kernel."""

from __future__ import annotations

import ctypes
import errno
import os
import struct
from pathlib import Path

BIND, ATTACH = 15222, 15223
ALLOC, RANGES, MAP, UNMAP = 15233, 15236, 15237, 15238
INFO, REGION_INFO = 15211, 15212
_CALLS = (INFO, REGION_INFO, BIND, ATTACH, ALLOC, RANGES, MAP, UNMAP)
READ_WRITE_FIXED = 7
IOAS, DEVICE_ID = 5, 9
BAR_NBYTES = 0x1000
CONFIG = 7


class PlayedIommufd:
    """Takes the place of `fcntl.ioctl`. `file` is the device's: its BAR, and then its configuration space."""

    def __init__(self, file: Path) -> None:
        file.write_bytes(bytes(BAR_NBYTES + 256))
        self.ranges = [(0, 0xFEDFFFFF), (0xFEF00000, 2**64 - 1)]
        self.alignment = 4096
        self.calls: list[int] = []
        self.failing: dict[int, int] = {}
        """Number of an error for each call that is to fail."""
        self.bound_to: str | None = None
        self.attached = False
        self.mapped: dict[int, tuple[int, int]] = {}
        """IOVA to (address, bytes)."""

    def ioctl(self, fd: int, call: int, argument: bytearray | None = None, _mutate: bool = True) -> int:
        self.calls.append(call)
        failure = self.failing.get(call, 0 if call in _CALLS else errno.ENOTTY)
        if failure:
            raise OSError(failure, os.strerror(failure))
        assert argument is not None
        (size,) = struct.unpack_from("=I", argument)
        assert size == len(argument)
        self._answer(fd, call, argument)
        return 0

    def _answer(self, fd: int, call: int, argument: bytearray) -> None:
        if call == ALLOC:
            struct.pack_into("=I", argument, 8, IOAS)
        elif call == BIND:
            flags, iommufd = struct.unpack_from("=Ii", argument, 4)
            assert not flags
            self.bound_to = os.readlink(f"/proc/self/fd/{iommufd}")
            struct.pack_into("=I", argument, 12, DEVICE_ID)
        elif call == ATTACH:
            assert self.bound_to
            assert struct.unpack_from("=II", argument, 4) == (0, IOAS)
            self.attached = True
        elif call == RANGES:
            self._tell_ranges(argument)
        elif call == MAP:
            flags, ioas, zero, address, length, iova = struct.unpack_from("=IIIQQQ", argument, 4)
            assert (flags, ioas, zero) == (READ_WRITE_FIXED, IOAS, 0)
            assert not (address | length | iova) % self.alignment
            assert any(first <= iova and iova + length - 1 <= last for first, last in self.ranges)
            self.mapped[iova] = address, length
        elif call == UNMAP:
            ioas, iova, length = struct.unpack_from("=IQQ", argument, 4)
            assert ioas == IOAS
            assert self.mapped.pop(iova)[1] == length
        elif call == INFO:
            struct.pack_into("=III", argument, 4, 3, 9, 5)  # can be reset; PCI; regions and interrupts
        elif call == REGION_INFO:
            (index,) = struct.unpack_from("=I", argument, 8)
            place = (BAR_NBYTES, 256) if index == CONFIG else (0, BAR_NBYTES)
            struct.pack_into("=I", argument, 4, 3)
            struct.pack_into("=QQ", argument, 16, place[1], place[0])

    def _tell_ranges(self, argument: bytearray) -> None:
        assert self.attached, "before it is attached, the ranges are not those of the device"
        ioas, most, zero, place = struct.unpack_from("=IIIQ", argument, 4)
        assert (ioas, zero) == (IOAS, 0)
        if most < len(self.ranges):
            raise OSError(errno.EMSGSIZE, os.strerror(errno.EMSGSIZE))
        told = b"".join(struct.pack("=QQ", *one) for one in self.ranges)
        ctypes.memmove(place, told, len(told))
        struct.pack_into("=I", argument, 8, len(self.ranges))
        struct.pack_into("=Q", argument, 24, self.alignment)
