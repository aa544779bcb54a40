"""A computer with one function that can be given to the driver `vfio`, as far as folders and files show it."""

from __future__ import annotations

from pathlib import Path

from dma_card import OPTIONS

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, ObserverSource, Part
from laneproof.registry import read_options
from laneproof_drivers.vfio import VfioDriver

LONG_S = 10.0
ADDRESS = "0000:65:00.0"


class _Unobserved(ObserverSource):
    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        return ()


class Computer:
    """Folders as Linux has them below /sys and /dev, with one function."""

    def __init__(self, folder: Path) -> None:
        self.sys, self.dev = folder / "sys", folder / "dev"
        self.function = self.sys / "bus/pci/devices" / ADDRESS
        self.function.mkdir(parents=True)
        (self.dev / "vfio/devices").mkdir(parents=True)

    def group(self, number: str, *others: str) -> None:
        devices = self.sys / "kernel/iommu_groups" / number / "devices"
        devices.mkdir(parents=True)
        (self.function / "iommu_group").symlink_to(devices.parent)
        for name in (ADDRESS, *others):
            (devices / name).symlink_to(self.sys / "bus/pci/devices" / name)

    def bind(self, driver: str, address: str = ADDRESS) -> None:
        folder = self.sys / "bus/pci/drivers" / driver
        folder.mkdir(parents=True, exist_ok=True)
        function = self.sys / "bus/pci/devices" / address
        function.mkdir(exist_ok=True)
        (function / "driver").symlink_to(folder)
        (folder / address).symlink_to(function)

    def give_group(self, number: str) -> None:
        """The files of the group interface."""
        for name in ("vfio", number):
            (self.dev / "vfio" / name).touch()

    def give_file(self, name: str = "vfio0") -> Path:
        """The function's own file, and iommufd's."""
        shown = self.function / "vfio-dev" / name
        shown.mkdir(parents=True)
        (shown / "dev").write_text("511:0\n")
        (self.dev / "iommu").touch()
        file = self.dev / "vfio/devices" / name
        file.touch()
        return file

    def open(self, **changes: str) -> Card:
        driver = VfioDriver(self.sys, self.dev, _Unobserved())
        with Deadline(LONG_S) as deadline:
            return driver.connect(Address(ADDRESS), read_options(driver, OPTIONS | changes), deadline)
