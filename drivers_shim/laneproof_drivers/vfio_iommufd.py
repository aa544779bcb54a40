"""The kernel's iommufd interface: an address space without groups and containers, and the device's own file, which is
bound to it; their calls by number and layout.

Numbers and layouts: linux/iommufd.h and linux/vfio.h as Linux has them since 6.6, which the tests compare them with.
How the calls go together: Linux Documentation/userspace-api/iommufd.rst and, of the device's file,
Documentation/driver-api/vfio.rst. What is done with an open device is `vfio_kernel`'s.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct

import numpy as np

from laneproof.errors import CannotOpen, DriverFault
from laneproof_drivers.device_node import cannot_open
from laneproof_drivers.vfio_kernel import AddressSpace, Device, Space, not_shown


def _call(number: int) -> int:
    """_IO(IOMMUFD_TYPE, number), on every architecture but alpha, mips, powerpc and sparc."""
    return ord(";") << 8 | number


DEVICE_BIND_IOMMUFD = _call(100 + 18)
DEVICE_ATTACH_IOMMUFD_PT = _call(100 + 19)
IOAS_ALLOC = _call(0x81)
IOAS_IOVA_RANGES = _call(0x84)
IOAS_MAP = _call(0x85)
IOAS_UNMAP = _call(0x86)

MAP_FIXED_IOVA, MAP_WRITEABLE, MAP_READABLE = 1, 2, 4

_BIND = struct.Struct("=IIiI")
_ATTACH = struct.Struct("=III")
_ALLOC = struct.Struct("=III")
_RANGES = struct.Struct("=IIIIQQ")
_MAP = struct.Struct("=IIIIQQQ")
_UNMAP = struct.Struct("=IIQQ")
_MOST_RANGES = 4096


class Iommufd(AddressSpace):
    """One address space (IOAS) of an iommufd. Raises CannotOpen."""

    def __init__(self, path: str) -> None:
        super().__init__(
            _opened(path, 'KERNEL=="iommu"', "the kernel has no iommufd; `modprobe iommufd` as root loads it")
        )
        allocated = bytearray(_ALLOC.pack(_ALLOC.size, 0, 0))
        try:
            fcntl.ioctl(self.fd, IOAS_ALLOC, allocated)
        except OSError as error:
            self.close()
            raise CannotOpen(f"{path} makes no address space: {error.strerror}; see the kernel log") from error
        self.ioas: int = _ALLOC.unpack(allocated)[2]

    def space(self) -> Space:
        """As the devices that are attached narrow it."""
        most = 16
        while True:
            ranges = np.zeros((most, 2), np.uint64)
            asked = bytearray(_RANGES.pack(_RANGES.size, self.ioas, most, 0, ranges.ctypes.data, 0))
            try:
                fcntl.ioctl(self.fd, IOAS_IOVA_RANGES, asked)
            except OSError as error:
                if error.errno != errno.EMSGSIZE or most >= _MOST_RANGES:
                    raise CannotOpen(
                        f"the IOMMU does not say what it maps: {error.strerror}; see the kernel log"
                    ) from error
                most *= 4
                continue
            _, _, count, _, _, alignment = _RANGES.unpack(asked)
            found = ((int(first), int(last)) for first, last in ranges[:count])
            return Space(tuple(found), max(os.sysconf("SC_PAGESIZE"), alignment))

    def map(self, address: int, iova: int, nbytes: int) -> None:
        flags = MAP_FIXED_IOVA | MAP_WRITEABLE | MAP_READABLE
        try:
            fcntl.ioctl(self.fd, IOAS_MAP, bytearray(_MAP.pack(_MAP.size, flags, self.ioas, 0, address, nbytes, iova)))
        except OSError as error:
            raise DriverFault(not_shown(error, nbytes)) from error

    def unmap(self, iova: int, nbytes: int) -> None:
        fcntl.ioctl(self.fd, IOAS_UNMAP, bytearray(_UNMAP.pack(_UNMAP.size, self.ioas, iova, nbytes)))


class DeviceFile:
    """A function's own file, below /dev/vfio/devices. Raises CannotOpen."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._fd = _opened(path, 'SUBSYSTEM=="vfio-dev"', "check that the function is still bound to vfio-pci")

    def bind(self, iommufd: Iommufd) -> None:
        """Raises OSError; EINVAL where it is bound already, EBUSY where its group is in other hands."""
        fcntl.ioctl(self._fd, DEVICE_BIND_IOMMUFD, bytearray(_BIND.pack(_BIND.size, 0, iommufd.fd, 0)))

    def attach(self, iommufd: Iommufd) -> None:
        """After it was bound: its DMA goes through that address space. Raises OSError."""
        fcntl.ioctl(self._fd, DEVICE_ATTACH_IOMMUFD_PT, bytearray(_ATTACH.pack(_ATTACH.size, 0, iommufd.ioas)))

    def device(self, name: str) -> Device:
        """After it was bound. The device closes the file."""
        try:
            device = Device(self._fd, name)
        except OSError as error:
            raise CannotOpen(f"{name} cannot be opened: {error.strerror}; see the kernel log") from error
        self._fd = -1
        return device

    def close(self) -> None:
        """Which unbinds it. Idempotent."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


def _opened(path: str, rule: str, absent: str) -> int:
    """`rule` is how udev knows the file, `absent` what it means that there is none. Raises CannotOpen."""
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ENODEV):
            raise CannotOpen(f"{path} does not exist: {absent}") from error
        if error.errno in (errno.EACCES, errno.EPERM):
            raise CannotOpen(
                f'{path} is not permitted to this user; the udev rule {rule}, MODE="0660", GROUP="NAME" grants it to '
                "a group of theirs"
            ) from error
        raise cannot_open(path, error) from error
