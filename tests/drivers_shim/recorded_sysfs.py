"""The recorded PCI functions of `fixtures/sysfs` as a tree below /sys, whole or to be changed file by file."""

from __future__ import annotations

import shutil
from pathlib import Path

from attrs import frozen

from laneproof_drivers.host_tree import FolderTree
from laneproof_drivers.sysfs import PciFunction, find

RECORDED = Path(__file__).parents[1] / "fixtures" / "sysfs"
PLACES = {
    "0000:00:04.0": "rootport_16gts_x16_edu",
    "0000:00:04.0/0000:01:00.0": "edu",
    "0000:00:05.0": "rootport_8gts_x8_nvme",
    "0000:00:05.0/0000:02:00.0": "nvme",
    "0000:00:06.0": "rootport_16gts_x4_e1000e",
    "0000:00:06.0/0000:03:00.0": "e1000e_aer",
    "0000:00:07.0": "rootport_5gts_x2_switch",
    "0000:00:07.0/0000:04:00.0": "switch_upstream_x3130",
    "0000:00:07.0/0000:04:00.0/0000:05:00.0": "switch_downstream0_xio3130",
    "0000:00:07.0/0000:04:00.0/0000:05:00.0/0000:06:00.0": "virtio_rng_aer",
    "0000:00:07.0/0000:04:00.0/0000:05:01.0": "switch_downstream1_xio3130",
    "0000:00:07.0/0000:04:00.0/0000:05:01.0/0000:07:00.0": "ivshmem",
    "0000:00:08.0": "rootport_16gts_x1_empty",
}
"""Where each recorded function stood below its root bus, parents first."""
READ = ("class", "vendor", "device", "current_link", "max_link", "aer_")
"""How the names of the files begin that the drivers read."""


@frozen
class Tree:
    """The recorded guest's /sys, to be changed file by file."""

    root: Path

    def folder(self, address: str) -> Path:
        return (self.root / "bus/pci/devices" / address).resolve(strict=True)

    def write(self, address: str, **files: str) -> None:
        for name, text in files.items():
            replace(self.folder(address) / name, text.encode() + b"\n")

    def config(self, address: str) -> bytes:
        return (self.folder(address) / "config").read_bytes()

    def write_config(self, address: str, image: bytes) -> None:
        replace(self.folder(address) / "config", image)

    def patch_config(self, address: str, at: int, data: bytes) -> None:
        image = self.config(address)
        self.write_config(address, image[:at] + data + image[at + len(data) :])

    @property
    def files(self) -> FolderTree:
        return FolderTree.at(self.root)

    def function(self, address: str) -> PciFunction:
        found = find(self.files, address)
        assert found is not None
        return found

    def whole_function(self, address: str) -> PciFunction:
        """The same below a root that holds proc beside sys."""
        found = find(FolderTree.at(self.root.parent), address)
        assert found is not None
        return found

    def proc(self, **files: str) -> None:
        """Files of /proc, beside this /sys."""
        folder = self.root.parent / "proc"
        folder.mkdir(exist_ok=True)
        for name, text in files.items():
            (folder / name).write_text(text + "\n")

    def express(self, address: str) -> int:
        """The PCI Express capability's place, walked here by linux/pci_regs.h: list at 0x34, id 0x10, next at 1."""
        image = self.config(address)
        at = image[0x34]
        while image[at] != 0x10:
            at = image[at + 1]
            assert at
        return at

    def add_function(self, address: str, like: str) -> str:
        """Another function on the same bus, with the same files."""
        folder = self.folder(like).parent / address
        shutil.copytree(self.folder(like), folder, symlinks=True)
        (self.root / "bus/pci/devices" / address).symlink_to(folder)
        return address

    def renumber(self, address: str, new: str) -> None:
        """As found again under another bus number: the same place, other names."""
        folder = self.folder(address)
        (self.root / "bus/pci/devices" / address).unlink()
        folder.rename(folder.with_name(new))
        (self.root / "bus/pci/devices" / new).symlink_to(folder.with_name(new))

    def unplug(self, address: str) -> None:
        """As after a surprise removal: neither folder nor link."""
        folder = self.folder(address)
        (self.root / "bus/pci/devices" / address).unlink()
        folder.rename(self.root / f"removed-{address}")

    def replug(self, address: str, parent: str) -> None:
        """As found again: the same files in a new folder."""
        folder = self.folder(parent) / address
        folder.mkdir()
        for file in (self.root / f"removed-{address}").iterdir():
            file.rename(folder / file.name)
        (self.root / "bus/pci/devices" / address).symlink_to(folder)

    def without_privilege(self) -> None:
        """Linux lets others than root read 64 bytes of configuration space (drivers/pci/pci-sysfs.c)."""
        for link in (self.root / "bus/pci/devices").iterdir():
            self.write_config(link.name, self.config(link.name)[:64])


def replace(path: Path, data: bytes) -> None:
    """A new file in the place of one that other trees share."""
    path.unlink(missing_ok=True)
    path.write_bytes(data)


def sections(name: str) -> dict[str, str]:
    """The files of one recorded function."""
    parts = (RECORDED / f"{name}.sysfs.txt").read_text().split("== ")[1:]
    return dict(part.split("\n", 1) for part in parts)
