"""Whether a PCI function is there, ready, switched on, and free: looked up before a driver of laneproof touches it.

Reads only. What would have to be done is named in the error, as the command to type, and never done.
"""

from __future__ import annotations

import os
import re
from pathlib import Path, PurePosixPath

from attrs import frozen

from laneproof.clock import Deadline
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost
from laneproof.pcie import registers as regs
from laneproof_drivers.holders import holders, in_use
from laneproof_drivers.host_tree import reason
from laneproof_drivers.sysfs import NO_ANSWER

IOMEM = Path("/proc/iomem")
_FUNCTION = re.compile(r"[0-9a-f]{4,8}:[0-9a-f]{2}:[01][0-9a-f]\.[0-7]")
_RESOURCE = re.compile(r"resource([0-5])(_wc)?")
_CLAIM = re.compile(r"( *)([0-9a-f]+)-([0-9a-f]+) : (.*)")
_NONE, _NOT_READY = 0xFFFF, 0x0001
"""Vendor IDs: of a function that does not answer, and of one that asks to be tried again (PCI Express Base
Specification, CRS Software Visibility)."""
_BRIDGES = 0x06
"""The base class of bridges, linux/pci_ids.h, PCI_BASE_CLASS_BRIDGE."""
_PASSIVE = ("pci-stub", "uio_pci_generic")
"""Drivers that keep others away and touch nothing themselves."""
_PORTS = 0x100
"""linux/ioport.h, IORESOURCE_IO."""


@frozen
class Function:
    """A function's folder below /sys, and its name, "0000:65:00.0"."""

    folder: Path

    @property
    def address(self) -> str:
        return self.folder.name

    def vendor(self) -> int | None:
        """Vendor ID as it answers now; None where Linux no longer has it."""
        try:
            answer = self._config(2)
        except OSError:
            return None
        return int.from_bytes(answer, "little") if len(answer) == 2 else None

    def driver(self) -> str | None:
        """The kernel driver that is bound to it."""
        try:
            return os.path.basename(os.readlink(self.folder / "driver"))
        except OSError:
            return None

    def is_bridge(self) -> bool:
        """Whether it is a bridge, whose driver moves no data of its own."""
        try:
            return int((self.folder / "class").read_text("ascii")[:20], 16) >> 16 == _BRIDGES
        except (OSError, ValueError):
            return False

    def require_answer(self) -> None:
        """Raise DeviceLost where it is gone, which is more than one failed access."""
        vendor = self.vendor()
        if vendor is None:
            raise DeviceLost(f"Linux no longer shows {self.address}")
        if vendor == _NONE:
            raise DeviceLost(f"{self.address} {NO_ANSWER}")

    def require_ready(self, deadline: Deadline) -> None:
        """Wait until it answers as a function that is ready does. Raises CannotOpen."""
        while (vendor := self.vendor()) == _NOT_READY and not deadline.expired:
            deadline.pause()
        if vendor is None:
            raise CannotOpen(f"{self.folder}/config cannot be read; check that the card is there, and who may read it")
        if vendor == _NONE:
            raise CannotOpen(f"{self.address} {NO_ANSWER}; see to its power and its slot, then open it again")
        if vendor == _NOT_READY:
            raise CannotOpen(f"{self.address} is not ready: it asks to be tried again (vendor 0001); open it later")

    def require_memory_on(self) -> None:
        """Raise CannotOpen where the function does not answer at the addresses of its memory."""
        command = int.from_bytes(self._config(regs.PCI_COMMAND + 2)[regs.PCI_COMMAND :], "little")
        if not command & regs.PCI_COMMAND_MEMORY:
            raise CannotOpen(
                f"{self.address} has memory decoding off; `setpci -s {self.address} COMMAND=2:2` as root switches it on"
            )

    def unbind(self) -> str:
        """The command that takes the function from its driver."""
        return f"echo {self.address} > /sys/bus/pci/devices/{self.address}/driver/unbind"

    def _config(self, nbytes: int) -> bytes:
        with open(self.folder / "config", "rb", buffering=0) as file:
            return file.read(nbytes)


@frozen
class Bar:
    """One memory of a function, as a file that can be mapped."""

    function: Function
    number: int

    def require_free(self, iomem: Path) -> None:
        """Raise CardInUse where a driver is bound, or has claimed this memory, or another process has it open.

        A driver uses memory that it has not claimed, such as the table of its interrupts (MSI-X).
        """
        address, driver = self.function.address, self.function.driver()
        if driver is not None and driver not in _PASSIVE:
            raise CardInUse(
                f"{address} is in use: {driver} drives it, and it is not taken away; "
                f"`{self.function.unbind()}` as root would release it"
            )
        claimant = _claimant(iomem, *self.range())
        if claimant:
            raise CardInUse(f"this memory of {address} is in use: /proc/iomem says that {claimant} has claimed it")
        for name in (f"resource{self.number}", f"resource{self.number}_wc"):
            path = str(self.function.folder / name)
            if os.path.exists(path) and holders(path):
                raise CardInUse(in_use(path))

    def range(self) -> tuple[int, int]:
        """First and last address. Raises CannotOpen for one that is not memory."""
        try:
            line = (self.function.folder / "resource").read_text("ascii").splitlines()[self.number]
            first, last, flags = (int(part, 16) for part in line.split())
        except (OSError, ValueError, IndexError) as error:
            why = reason(error) if isinstance(error, OSError) else "it is not laid out as Linux does"
            raise CannotOpen(f"{self.function.folder}/resource cannot be read: {why}") from error
        if flags & _PORTS:
            raise CannotOpen(f"resource{self.number} of {self.function.address} is a range of ports, and no memory")
        return first, last


def bar_at(path: str) -> Bar | None:
    """The BAR behind a file, where it is `resourceN` or `resourceN_wc` of a function below /sys; None elsewhere."""
    place = PurePosixPath(os.path.realpath(path))
    match = _RESOURCE.fullmatch(place.name)
    if match is None or not _FUNCTION.fullmatch(place.parent.name):
        return None
    return Bar(Function(Path(place.parent)), int(match[1]))


def function_at(address: str, devices: Path) -> Function:
    """The function at an address that Linux writes so. Raises CannotOpen where there is none."""
    folder = devices / address
    if not _FUNCTION.fullmatch(address):
        raise BadInput(f'"{address}" is no PCI address; write for example 0000:65:00.0')
    if not folder.exists():
        raise CannotOpen(f"Linux shows no PCI function at {address}; lspci -D lists those that it does")
    return Function(Path(os.path.realpath(folder)))


def _claimant(iomem: Path, first: int, last: int) -> str:
    """Who has claimed a part of a function's memory; nobody, as far as this user may see.

    Below the line of the function itself stand the claims of others (Linux kernel/resource.c).
    """
    try:
        lines = iomem.read_text("utf-8", "replace").splitlines()
    except OSError:
        return ""
    own: int | None = None
    for line in lines:
        match = _CLAIM.fullmatch(line)
        if match is None:
            continue
        depth, start, end, name = len(match[1]), int(match[2], 16), int(match[3], 16), match[4]
        if own is None:
            own = depth if (start, end) == (first, last) else None
        elif depth > own:
            return name
        else:
            break
    return ""
