"""Getting hold of a function that is bound to vfio-pci: by its group and a container, or by its own file and iommufd;
and what is said where the one, the other, or both cannot be had.

Nothing is bound or unbound here. The calls are `vfio_kernel`'s and `vfio_iommufd`'s.
"""

from __future__ import annotations

import errno
import os
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Literal

from attrs import frozen

from laneproof.errors import CannotOpen, CardInUse
from laneproof_drivers.holders import in_use
from laneproof_drivers.pci_claims import Function
from laneproof_drivers.vfio_iommufd import DeviceFile, Iommufd
from laneproof_drivers.vfio_kernel import AddressSpace, Container, Device, Group, iommu_refused

DRIVER = "vfio-pci"
Interface = Literal["auto", "group", "iommufd"]


@frozen
class Nodes:
    """The files by which a function can be had."""

    container: str
    group: str
    iommufd: str
    device: str | None
    """None where the kernel gives functions no files of their own."""

    def offered(self) -> Interface:
        """`group` where its files are there, else `iommufd`; where this user may use but one, that one."""
        by_group, by_iommufd = (self.container, self.group), (self.iommufd, self.device or "")
        for asked in (os.R_OK | os.W_OK, os.F_OK):
            if all(os.access(path, asked) for path in by_group):
                return "group"
            if all(os.access(path, asked) for path in by_iommufd):
                return "iommufd"
        return "group" if self.device is None else "iommufd"


@frozen
class Access:
    """`sys` and `dev` are where the kernel shows devices."""

    sys: Path
    dev: Path

    def open(self, function: Function, interface: Interface, undo: ExitStack) -> tuple[Device, AddressSpace]:
        """The function, and what it reaches; `undo` gives both back. Raises CannotOpen, CardInUse."""
        number = group_number(function)
        require_bound(function)
        nodes = self.nodes(function)
        if interface == "auto":
            interface = nodes.offered()
        if interface == "group":
            return self._by_group(function, number, nodes, undo)
        return self._by_iommufd(function, number, nodes, undo)

    def nodes(self, function: Function) -> Nodes:
        """Raises CannotOpen."""
        return Nodes(
            container=str(self.dev / "vfio/vfio"),
            group=str(self.dev / "vfio" / group_number(function)),
            iommufd=str(self.dev / "iommu"),
            device=self._device_file(function),
        )

    def require_alone(self, function: Function) -> None:
        """Raise CannotOpen where others of its group are in use."""
        number = group_number(function)
        if self._others(function, number):
            raise CannotOpen(self._shared(function, number))

    def _device_file(self, function: Function) -> str | None:
        """Its own file. Older kernels, and those built without VFIO_DEVICE_CDEV, have the name and no file."""
        for shown in function.folder.glob("vfio-dev/vfio*/dev"):
            return str(self.dev / "vfio/devices" / shown.parent.name)
        return None

    def _by_group(self, function: Function, number: str, nodes: Nodes, undo: ExitStack) -> tuple[Device, AddressSpace]:
        container = Container(nodes.container)
        undo.callback(container.close)
        group = Group(nodes.group, *([nodes.device] if nodes.device else []))
        undo.callback(group.close)
        if not group.viable():
            raise CannotOpen(self._shared(function, number))
        try:
            group.join(container)
        except OSError as error:
            raise CannotOpen(f"{group.path} cannot be used: {error.strerror}; see the kernel log") from error
        container.use_iommu()
        device = group.device(function.address)
        undo.callback(device.close)
        return device, container

    def _by_iommufd(
        self, function: Function, number: str, nodes: Nodes, undo: ExitStack
    ) -> tuple[Device, AddressSpace]:
        if nodes.device is None:
            raise CannotOpen(
                f"{function.address} has no file below {self.dev}/vfio/devices, which Linux gives it since 6.6 where "
                "built with VFIO_DEVICE_CDEV; leave interface=iommufd out"
            )
        iommufd = Iommufd(nodes.iommufd)
        undo.callback(iommufd.close)
        file = DeviceFile(nodes.device)
        undo.callback(file.close)
        try:
            file.bind(iommufd)
        except OSError as error:
            if self._others(function, number):  # of which the kernel says EPERM, or EBUSY
                raise CannotOpen(self._shared(function, number)) from error
            if error.errno in (errno.EBUSY, errno.EINVAL):
                raise CardInUse(in_use(nodes.device, nodes.group)) from error
            raise iommu_refused(error) from error
        try:
            file.attach(iommufd)
        except OSError as error:
            raise iommu_refused(error) from error
        device = file.device(function.address)
        undo.callback(device.close)
        return device, iommufd

    def _shared(self, function: Function, number: str) -> str:
        listed = ", ".join(self._others(function, number)) or "others"
        return (
            f"group {number} of {function.address} is shared with devices in use, which no IOMMU tells apart: "
            f"{listed}; unbind those, or use another slot"
        )

    def _others(self, function: Function, number: str) -> list[str]:
        """What keeps a group from being used: its other devices, and who drives them."""
        folder = self.sys / "kernel/iommu_groups" / number / "devices"
        others: list[str] = []
        with suppress(OSError):
            for name in sorted(os.listdir(folder)):
                other = Function(Path(os.path.realpath(folder / name)))
                if other.driver() not in (None, DRIVER, "pci-stub") and not other.is_bridge():
                    others.append(f"{name} ({other.driver()})")
        return others


def group_number(function: Function) -> str:
    """The number of its IOMMU group. Raises CannotOpen."""
    try:
        return os.path.basename(os.readlink(function.folder / "iommu_group"))
    except OSError:
        raise CannotOpen(
            f"{function.address} is behind no IOMMU, so that its DMA could reach all memory; switch the IOMMU on "
            "in the firmware and, where the kernel leaves it off, with its option intel_iommu=on"
        ) from None


def require_bound(function: Function) -> None:
    """Raise CannotOpen, CardInUse where the function is not bound to vfio-pci."""
    bound = function.driver()
    if bound == DRIVER:
        return
    place = f"/sys/bus/pci/devices/{function.address}"
    bind = (
        f"modprobe {DRIVER} && echo {DRIVER} > {place}/driver_override && "
        f"echo {function.address} > /sys/bus/pci/drivers_probe"
    )
    if bound is None:
        raise CannotOpen(f"{function.address} is bound to no driver; `{bind}` as root binds it to {DRIVER}")
    raise CardInUse(
        f"{function.address} is in use: {bound} drives it, and it is not taken away; "
        f"`{function.unbind()} && {bind}` as root would bind it to {DRIVER}"
    )
