"""Retrains a link through the registers of the port above it: the only module of the scheme `pci` that writes.

It is used on an explicit request alone. What it does is what Linux does (drivers/pci/pci.c, pcie_retrain_link): wait
until no training is under way, set Retrain Link in Link Control, look at Link Status until the link is back. Linux
writes configuration space for a process that may write the file `config` of /sys, root as a rule, and for nobody where
the kernel is locked down.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import PurePosixPath

from laneproof.clock import Deadline
from laneproof.contract import LinkTrainer
from laneproof.errors import DriverFault
from laneproof.pcie import registers as regs
from laneproof.readings import Retraining, Unavailable
from laneproof_drivers.host_tree import HostTree, reason
from laneproof_drivers.sysfs import ALL_ONES, NO_ANSWER, PciFunction, Route

LOOK_EVERY_S = 0.0005
"""Seconds between two looks at Link Status; what a look takes comes on top."""
NOTICE_S = 0.1
"""Seconds after which a port that has shown nothing of a training is taken to have ignored the request; assumed."""

Write = Callable[[PurePosixPath, int, bytes], None]
"""Writes bytes to a file of /sys, at an offset. Raises OSError."""


def write_config(path: PurePosixPath, at: int, data: bytes) -> None:
    """Write configuration space through its file."""
    fd = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
    try:
        if os.pwrite(fd, data, at) != len(data):
            raise OSError(errno.EIO, "the kernel wrote a part of it only")
    finally:
        os.close(fd)


class PciLinkTrainer(LinkTrainer):
    """Retrains the link below the port at the end of `route`.

    A training may be over before the first look. Then the sticky flag LBMS shows that there was one, so it is cleared
    beforehand; Linux may clear it too (drivers/pci/pcie/bwctrl.c), and a port may ignore the request. Where nothing
    shows a training, `seen` is False.
    """

    def __init__(self, tree: HostTree, route: Route, write: Write = write_config) -> None:
        self._tree = tree
        self._route = route
        self._write = write

    def retrain(self, deadline: Deadline) -> Retraining:
        """Raises DriverFault for a port that does not answer or may not be written."""
        port = self._route.follow(self._tree)
        if port is None:
            raise DriverFault("Linux no longer shows the port above the card; see the kernel log")
        at = _express(port)
        while self._status(port, at) & regs.PCI_EXP_LNKSTA_LT:
            if deadline.expired:
                raise DriverFault(f"{port.address} goes on training its link; nothing was written")
            deadline.pause(LOOK_EVERY_S)
        wrote = f"Retrain Link, in Link Control of {port.address}"
        if self._status(port, at) & regs.PCI_EXP_LNKSTA_LBMS:
            self._put(port, at + regs.PCI_EXP_LNKSTA, regs.PCI_EXP_LNKSTA_LBMS)
            wrote += ", and LBMS, to clear it, in Link Status"
        control = int.from_bytes(self._image(port, at)[at + regs.PCI_EXP_LNKCTL :][:2], "little")
        reports_active = self._reports_active(port, at)
        begun_s = looked_s = deadline.left_s()
        self._put(port, at + regs.PCI_EXP_LNKCTL, control | regs.PCI_EXP_LNKCTL_RL)
        seen = False
        while True:
            before_s, status = looked_s, self._status(port, at)
            looked_s = deadline.left_s()
            down = reports_active and not status & regs.PCI_EXP_LNKSTA_DLLLA
            busy = down or bool(status & regs.PCI_EXP_LNKSTA_LT)
            seen |= busy or bool(status & regs.PCI_EXP_LNKSTA_LBMS)
            if not busy and (seen or begun_s - looked_s >= NOTICE_S or deadline.expired):
                seconds = max(0.0, begun_s - looked_s) if seen else None
                return Retraining(seconds=seconds, resolution_s=max(0.0, before_s - looked_s), seen=seen, wrote=wrote)
            if deadline.expired:
                return Retraining(seconds=None, resolution_s=max(0.0, before_s - looked_s), seen=True, wrote=wrote)
            deadline.pause(LOOK_EVERY_S)

    def _reports_active(self, port: PciFunction, at: int) -> bool:
        capabilities = int.from_bytes(self._image(port, at)[at + regs.PCI_EXP_LNKCAP :][:4], "little")
        return bool(capabilities & regs.PCI_EXP_LNKCAP_DLLLARC)

    def _status(self, port: PciFunction, at: int) -> int:
        return int.from_bytes(self._image(port, at)[at + regs.PCI_EXP_LNKSTA :][:2], "little")

    def _image(self, port: PciFunction, at: int) -> bytes:
        """Configuration bytes up to the link's registers, no further: each word read is an access to the port."""
        end = at + regs.PCI_EXP_LNKSTA + 2
        try:
            image = self._tree.read(port.folder / "config", end)
        except OSError as error:
            raise DriverFault(f"{port.address}/config cannot be read: {reason(error)}") from error
        if image[:4] == ALL_ONES:
            raise DriverFault(f"{port.address} {NO_ANSWER}")
        if len(image) < end:
            raise DriverFault(f"{port.address}/config ends after {len(image)} bytes; root may read all of it")
        return image

    def _put(self, port: PciFunction, at: int, value: int) -> None:
        try:
            self._write(port.folder / "config", at, value.to_bytes(2, "little"))
        except OSError as error:
            raise DriverFault(
                f"{port.address}/config cannot be written: {error.strerror or error}; root may, unless the kernel is "
                "locked down"
            ) from error


def _express(port: PciFunction) -> int:
    """Where the PCI Express capability begins."""
    space = port.config()
    if isinstance(space, Unavailable):
        raise DriverFault(space.why)
    for capability in space.capabilities:
        if capability.id == regs.PCI_CAP_ID_EXP and not capability.extended:
            return capability.offset
    raise DriverFault(f"{port.address} shows no PCI Express capability; root may read all of configuration space")
