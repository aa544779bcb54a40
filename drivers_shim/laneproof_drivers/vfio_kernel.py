"""The kernel's VFIO interface: a container with an IOMMU, a group, a device; their calls by number and layout.

Numbers and layouts: linux/vfio.h, which the tests compare them with. The way without groups is `vfio_iommufd`'s. What
is transferred is `vfio_queue`'s, where in the device's address space memory appears is chosen by `iova`.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from abc import ABC, abstractmethod
from contextlib import suppress
from typing import Literal, NoReturn

from attrs import frozen

from laneproof.errors import CannotOpen, CardInUse, DriverFault
from laneproof.pcie import registers as regs
from laneproof_drivers.device_node import cannot_open
from laneproof_drivers.holders import in_use


def _call(number: int) -> int:
    """_IO(VFIO_TYPE, VFIO_BASE + number), on every architecture but alpha, mips, powerpc and sparc."""
    return ord(";") << 8 | 100 + number


GET_API_VERSION = _call(0)
CHECK_EXTENSION = _call(1)
SET_IOMMU = _call(2)
GROUP_GET_STATUS = _call(3)
GROUP_SET_CONTAINER = _call(4)
GROUP_GET_DEVICE_FD = _call(6)
DEVICE_GET_INFO = _call(7)
DEVICE_GET_REGION_INFO = _call(8)
DEVICE_GET_IRQ_INFO = _call(9)
DEVICE_SET_IRQS = _call(10)
DEVICE_RESET = _call(11)
IOMMU_GET_INFO = _call(12)
IOMMU_MAP_DMA = _call(13)
IOMMU_UNMAP_DMA = _call(14)

API_VERSION = 0
TYPE1V2_IOMMU = 3
GROUP_FLAGS_VIABLE = 1
DEVICE_FLAGS_RESET = 1
REGION_READ, REGION_WRITE = 1, 2
CONFIG_REGION = 7
IRQ_EVENTFD = 1
IRQ_SET = 4 | 32
"""VFIO_IRQ_SET_DATA_EVENTFD and VFIO_IRQ_SET_ACTION_TRIGGER."""
IRQ_INDEX = {"msi": 1, "msix": 2}
INFO_PGSIZES, INFO_CAPS = 1, 2
CAP_IOVA_RANGE = 1
MAP_READ, MAP_WRITE = 1, 2

_STATUS = struct.Struct("=II")
_DEVICE_INFO = struct.Struct("=IIIII4x")
_REGION_INFO = struct.Struct("=IIIIQQ")
_IRQ_INFO = struct.Struct("=IIII")
_IRQ_SET = struct.Struct("=IIIIIi")
_IOMMU_INFO = struct.Struct("=IIQI4x")
_CAPABILITY = struct.Struct("=HHI")
_MAP = struct.Struct("=IIQQQ")
_UNMAP = struct.Struct("=IIQQ")
Interrupt = Literal["none", "msi", "msix"]


@frozen
class Space:
    """What a device behind an IOMMU may be shown: ranges of addresses (first, last), in pages."""

    ranges: tuple[tuple[int, int], ...]
    page: int


class AddressSpace(ABC):
    """What of this process's memory a device reaches, and where. Closing it takes everything back."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        """-1 once closed."""

    @abstractmethod
    def space(self) -> Space:
        """Where memory can be shown to the device."""

    @abstractmethod
    def map(self, address: int, iova: int, nbytes: int) -> None:
        """Show `nbytes` at `address` of this process to the device at `iova`, all multiples of a page, to read and
        write. Raises DriverFault."""

    @abstractmethod
    def unmap(self, iova: int, nbytes: int) -> None:
        """Take it back; when this returns the device reaches it no more."""

    @property
    def closed(self) -> bool:
        return self.fd < 0

    def close(self) -> None:
        """Idempotent."""
        fd, self.fd = self.fd, -1
        if fd >= 0:
            os.close(fd)


class Container(AddressSpace):
    """That of a device of a group. Raises CannotOpen."""

    def __init__(self, path: str) -> None:
        try:
            super().__init__(os.open(path, os.O_RDWR | os.O_CLOEXEC))
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.ENODEV):
                raise CannotOpen(
                    f"{path} does not exist: the kernel has no VFIO containers; `modprobe vfio-pci` as root loads them"
                ) from error
            raise cannot_open(path, error) from error
        try:
            version = fcntl.ioctl(self.fd, GET_API_VERSION)
            fits = version == API_VERSION and fcntl.ioctl(self.fd, CHECK_EXTENSION, TYPE1V2_IOMMU)
        except OSError as error:
            self.close()
            raise CannotOpen(f"{path} is no VFIO container: {error.strerror}; see the kernel log") from error
        if not fits:
            self.close()
            raise CannotOpen(f"{path} offers version {version} and no IOMMU of type 1 version 2, which is needed here")

    def use_iommu(self) -> None:
        """After a group was added."""
        try:
            fcntl.ioctl(self.fd, SET_IOMMU, TYPE1V2_IOMMU)
        except OSError as error:
            raise iommu_refused(error) from error

    def space(self) -> Space:
        size = _IOMMU_INFO.size
        info = bytearray(_IOMMU_INFO.pack(size, 0, 0, 0))
        fcntl.ioctl(self.fd, IOMMU_GET_INFO, info)
        size = _IOMMU_INFO.unpack_from(info)[0]
        info = bytearray(_IOMMU_INFO.pack(size, 0, 0, 0).ljust(size, b"\0"))
        fcntl.ioctl(self.fd, IOMMU_GET_INFO, info)
        return parsed_space(bytes(info))

    def map(self, address: int, iova: int, nbytes: int) -> None:
        try:
            fcntl.ioctl(self.fd, IOMMU_MAP_DMA, _MAP.pack(_MAP.size, MAP_READ | MAP_WRITE, address, iova, nbytes))
        except OSError as error:
            raise DriverFault(not_shown(error, nbytes)) from error

    def unmap(self, iova: int, nbytes: int) -> None:
        fcntl.ioctl(self.fd, IOMMU_UNMAP_DMA, bytearray(_UNMAP.pack(_UNMAP.size, 0, iova, nbytes)))


class Group:
    """Devices that an IOMMU cannot tell apart. Raises CannotOpen, CardInUse."""

    def __init__(self, path: str, *files: str) -> None:
        """`files` are those of its devices, by which others may have it open."""
        self.path = path
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        except OSError as error:
            if error.errno == errno.EBUSY:
                raise CardInUse(in_use(path, *files)) from error
            raise cannot_open(path, error) from error

    def viable(self) -> bool:
        """Whether nothing of the group is in the hands of another driver."""
        status = bytearray(_STATUS.pack(_STATUS.size, 0))
        fcntl.ioctl(self._fd, GROUP_GET_STATUS, status)
        return bool(_STATUS.unpack(status)[1] & GROUP_FLAGS_VIABLE)

    def join(self, container: Container) -> None:
        fcntl.ioctl(self._fd, GROUP_SET_CONTAINER, bytearray(struct.pack("=i", container.fd)))

    def device(self, name: str) -> Device:
        try:
            return Device(fcntl.ioctl(self._fd, GROUP_GET_DEVICE_FD, bytearray(name.encode() + b"\0"), True), name)
        except OSError as error:
            raise CannotOpen(f"{name} cannot be opened: {error.strerror}; see the kernel log") from error

    def close(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


@frozen
class Place:
    """A region of a device in its descriptor."""

    offset: int
    size: int


class Device:
    """One PCI function. Reading and writing its regions goes through the kernel, whose accessors keep the order of
    memory and registers on every architecture, and answer with an error where a mapping would be a SIGBUS."""

    def __init__(self, fd: int, name: str) -> None:
        self._fd = fd
        self.name = name
        info = bytearray(_DEVICE_INFO.pack(_DEVICE_INFO.size, 0, 0, 0, 0))
        fcntl.ioctl(fd, DEVICE_GET_INFO, info)
        self.can_reset = bool(_DEVICE_INFO.unpack(info)[1] & DEVICE_FLAGS_RESET)
        self._config = self.region(CONFIG_REGION)

    def region(self, index: int) -> Place:
        """Raises CannotOpen for one that is not there, or that cannot be read and written."""
        info = bytearray(_REGION_INFO.pack(_REGION_INFO.size, 0, index, 0, 0, 0))
        fcntl.ioctl(self._fd, DEVICE_GET_REGION_INFO, info)
        _, flags, _, _, size, offset = _REGION_INFO.unpack(info)
        if not size or flags & (REGION_READ | REGION_WRITE) != REGION_READ | REGION_WRITE:
            raise CannotOpen(f"{self.name} has no BAR {index} that can be read and written; lspci -v lists its regions")
        return Place(offset, size)

    def read(self, place: Place, at: int, nbytes: int) -> int:
        """`nbytes` of a region, as a number. Raises OSError."""
        data = os.pread(self._fd, nbytes, place.offset + at)
        if len(data) < nbytes:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return int.from_bytes(data, "little")

    def write(self, place: Place, at: int, value: int, nbytes: int) -> None:
        """Raises OSError."""
        os.pwrite(self._fd, value.to_bytes(nbytes, "little"), place.offset + at)

    def set_bus_master(self, on: bool) -> None:
        """Let the function reach memory, or not; its own memory is on in either case. Read back, so that it is so."""
        command = self.read(self._config, regs.PCI_COMMAND, 2) & ~regs.PCI_COMMAND_MASTER
        command |= regs.PCI_COMMAND_MEMORY | (regs.PCI_COMMAND_MASTER if on else 0)
        self.write(self._config, regs.PCI_COMMAND, command, 2)
        self.read(self._config, regs.PCI_COMMAND, 2)

    def interrupt(self, kind: Interrupt, event_fd: int) -> None:
        """Have the function's first interrupt of that kind signal an eventfd. Raises CannotOpen where it has none."""
        info = bytearray(_IRQ_INFO.pack(_IRQ_INFO.size, 0, IRQ_INDEX[kind], 0))
        fcntl.ioctl(self._fd, DEVICE_GET_IRQ_INFO, info)
        _, flags, _, count = _IRQ_INFO.unpack(info)
        if not count or not flags & IRQ_EVENTFD:
            raise CannotOpen(f"{self.name} has no interrupt of the kind {kind}; leave interrupt= out, to poll")
        fcntl.ioctl(self._fd, DEVICE_SET_IRQS, _IRQ_SET.pack(_IRQ_SET.size, IRQ_SET, IRQ_INDEX[kind], 0, 1, event_fd))

    def reset(self) -> None:
        """Reset the function, by whatever way the kernel has. Raises OSError."""
        fcntl.ioctl(self._fd, DEVICE_RESET)

    def close(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            with suppress(OSError):
                os.close(fd)


def parsed_space(info: bytes) -> Space:
    """What IOMMU_GET_INFO answered: page sizes, and in its list of capabilities the ranges that can be used."""
    _, flags, sizes, at = _IOMMU_INFO.unpack_from(info)
    page = max(os.sysconf("SC_PAGESIZE"), sizes & -sizes if flags & INFO_PGSIZES else 0)
    ranges: list[tuple[int, int]] = []
    while flags & INFO_CAPS and at:
        kind, _, following = _CAPABILITY.unpack_from(info, at)
        if kind == CAP_IOVA_RANGE:
            (count,) = struct.unpack_from("=I", info, at + _CAPABILITY.size)
            ranges = [struct.unpack_from("=QQ", info, at + 16 + 16 * number) for number in range(count)]
        at = following if following > at else 0
    return Space(tuple(ranges), page)


def iommu_refused(error: OSError) -> CannotOpen:
    """What it means that a device and its IOMMU were not put together so, and what to do."""
    if error.errno == errno.EPERM:
        return CannotOpen(
            "the kernel refuses it, since the IOMMU remaps no interrupts and a card could forge them; switch "
            "interrupt remapping on in the firmware, and leave intremap=off out of the kernel's options"
        )
    return CannotOpen(f"the IOMMU cannot be used: {error.strerror}; see the kernel log")


def not_shown(error: OSError, nbytes: int) -> str:
    """What it means that memory was not mapped so, and what to do."""
    what = f"{nbytes} bytes cannot be shown to the card"
    if error.errno == errno.ENOMEM:
        return f"{what}: more than this process may keep in memory; raise its limit, `ulimit -l`"
    if error.errno == errno.ENOSPC:
        return f"{what}: the IOMMU takes no more mappings; vfio_iommu_type1's dma_entry_limit is their number"
    return f"{what}: {error.strerror}; see the kernel log"


def raise_failed(error: OSError, what: str) -> NoReturn:
    """A call on a device that was open. Raises DriverFault."""
    if error.errno == errno.EBADF:
        raise DriverFault(f"{what} failed: the card is closed; open it again") from error
    raise DriverFault(f"{what} failed: {error.strerror}; see the kernel log") from error
