"""What the tests of drivers share: echo processes, killed after the test, and a recorded tree of PCI functions."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from attrs import frozen

ECHO_PROCESS = Path(__file__).with_name("echo_process.py")


@frozen
class Echo:
    """A running echo process: what to open, and how to end it at once."""

    address: str
    process: subprocess.Popen[str]

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def start_echo() -> Iterator[Callable[..., Echo]]:
    """Starts `echo_process.py` with the given arguments; returns once its device is there."""
    running: list[subprocess.Popen[str]] = []

    def start(*arguments: object) -> Echo:
        command = [sys.executable, "-I", str(ECHO_PROCESS), *map(str, arguments)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        running.append(process)
        assert process.stdout is not None
        return Echo(process.stdout.readline().rstrip("\n"), process)

    yield start
    for process in running:
        process.kill()
        process.communicate()


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


@frozen
class Tree:
    """The recorded guest's /sys, to be changed file by file."""

    root: Path

    def folder(self, address: str) -> Path:
        return (self.root / "bus/pci/devices" / address).resolve(strict=True)

    def write(self, address: str, **files: str) -> None:
        for name, text in files.items():
            (self.folder(address) / name).write_text(text + "\n")

    def remove(self, address: str, *files: str) -> None:
        for name in files:
            (self.folder(address) / name).unlink()

    def patch_config(self, address: str, at: int, data: bytes) -> None:
        path = self.folder(address) / "config"
        image = path.read_bytes()
        path.write_bytes(image[:at] + data + image[at + len(data) :])

    def unplug(self, address: str) -> None:
        """As after a surprise removal: neither folder nor link."""
        folder = self.folder(address)
        (self.root / "bus/pci/devices" / address).unlink()
        folder.rename(self.root / f"removed-{address}")

    def replug(self, address: str, parent: str) -> None:
        folder = self.folder(parent) / address
        folder.mkdir()
        for file in (self.root / f"removed-{address}").iterdir():
            file.rename(folder / file.name)
        (self.root / "bus/pci/devices" / address).symlink_to(folder)

    def without_privilege(self) -> None:
        """Linux lets others than root read 64 bytes of configuration space (drivers/pci/pci-sysfs.c)."""
        for link in (self.root / "bus/pci/devices").iterdir():
            config = link / "config"
            config.write_bytes(config.read_bytes()[:64])


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """The recorded guest, as its /sys stood."""
    links = tmp_path / "sys/bus/pci/devices"
    links.mkdir(parents=True)
    for place, name in PLACES.items():
        folder = tmp_path / "sys/devices/pci0000:00" / place
        folder.mkdir(parents=True)
        (folder / "config").write_bytes((RECORDED / f"{name}.bin").read_bytes())
        for file, text in sections(name).items():
            if file == "driver":
                (folder / file).symlink_to(f"/bus/pci/drivers/{text.strip()}")
            else:
                (folder / file).write_text(text)
        (links / folder.name).symlink_to(os.path.relpath(folder, links))
    return Tree(tmp_path / "sys")


def sections(name: str) -> dict[str, str]:
    """The files of one recorded function."""
    parts = (RECORDED / f"{name}.sysfs.txt").read_text().split("== ")[1:]
    return dict(part.split("\n", 1) for part in parts)


@pytest.fixture
def failing_open(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Makes opening any file of the given names fail with an error number."""
    really_open = io.open

    def fail(number: int, *names: str) -> None:
        def opened(file: object, *arguments: object, **more: object) -> object:
            if os.path.basename(str(file)) in names:
                raise OSError(number, os.strerror(number), str(file))
            return really_open(file, *arguments, **more)

        monkeypatch.setattr(io, "open", opened)

    return fail
