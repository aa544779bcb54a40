"""The guest's /sys as a tar file, for tests outside: taken by the kernel's files alone, without laneproof."""

from __future__ import annotations

import io
import os
import re
import tarfile
from collections.abc import Iterator
from pathlib import Path

DEVICES = Path("/sys/bus/pci/devices")
NOBODY = 65534
_RECORDED = re.compile(
    r"class|vendor|device|revision|subsystem_\w+|config|(current|max)_link_\w+|aer_\w+|\w+_bus_number|numa_node"
    r"|local_cpulist|ari_enabled|enable|power_state|reset_method|driver|iommu_group"
)


def recorded() -> bytes:
    """The guest's PCI functions as a tar file of a tree that can stand for /sys, as far as this user may read."""
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode="w", format=tarfile.GNU_FORMAT) as archive:
        for path in sorted(_shown()):
            entry = tarfile.TarInfo(str(path.relative_to("/sys")))
            if path.is_symlink():
                entry.type, entry.linkname = tarfile.SYMTYPE, os.readlink(path)
                archive.addfile(entry)
            elif path.is_dir():
                entry.type, entry.mode = tarfile.DIRTYPE, 0o755
                archive.addfile(entry)
            else:
                entry.mode = path.stat().st_mode & 0o444
                try:
                    content = path.read_bytes()
                except PermissionError:
                    entry.mode, content = 0, b""
                except OSError:  # a file that answers to no one now
                    continue
                entry.size = len(content)
                archive.addfile(entry, io.BytesIO(content))
    return data.getvalue()


def recorded_without_privilege() -> bytes:
    """The same, read as a user who may not read the error counters."""
    for counters in Path("/sys/devices").glob("pci*/**/aer_*"):
        counters.chmod(0o400)
    incoming, outgoing = os.pipe()
    if (child := os.fork()) == 0:
        os.setuid(NOBODY)
        with os.fdopen(outgoing, "wb") as out:
            out.write(recorded())
        os._exit(0)
    os.close(outgoing)
    with os.fdopen(incoming, "rb") as data:
        tree = data.read()
    os.waitpid(child, 0)
    return tree


def _shown() -> Iterator[Path]:
    yield from DEVICES.iterdir()
    yield from Path("/sys/bus/pci/slots").glob("*/address")
    yield from Path("/sys/bus/pci_express/drivers").iterdir()
    yield from Path("/sys/bus/pci_express/drivers").glob("*/*:pcie*")
    yield Path("/sys/module/pcie_aspm/parameters/policy")
    yield Path("/sys/devices/system/edac/mc")
    yield from Path("/sys/class").glob("iommu/*")
    yield from Path("/sys/kernel/iommu_groups").glob("*/devices/*")
    yield from Path("/sys/kernel/iommu_groups").glob("*/type")
    for sensor in Path("/sys/class/hwmon").iterdir():
        yield sensor
        yield from (path for path in sensor.resolve().iterdir() if path.is_file() and path.name != "uevent")
    for function in {path.resolve() for path in DEVICES.iterdir()}:
        yield from (path for path in function.iterdir() if _RECORDED.fullmatch(path.name))
        yield from (function / "link").glob("*")
        yield from (function / "power" / name for name in ("control", "runtime_status"))
