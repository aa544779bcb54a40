"""What a platform says of its slots: their names, and how many lanes they have wired.

Names: /sys/bus/pci/slots (Linux Documentation/ABI/testing/sysfs-bus-pci). Lanes: the firmware's slot records, SMBIOS
type 9, from memory of DSP0134; Linux shows their bytes to root only (sysfs-firmware-dmi-entries).
"""

from __future__ import annotations

import errno
import re
from pathlib import PurePosixPath

from attrs import frozen

from laneproof.pcie import ConfigSpace
from laneproof_drivers.host_tree import HostTree
from laneproof_drivers.sysfs import PciFunction

_SLOTS = PurePosixPath("/sys/bus/pci/slots")
_RECORDS = PurePosixPath("/sys/firmware/dmi/entries")
_SLOT_NAME = re.compile(r"[^/\n]{1,60}")
_SYSTEM_SLOT = re.compile(r"9-[0-9]{1,4}")
_DATA_WIDTH, _SEGMENT, _BUS, _DEVICE = 0x06, 0x0D, 0x0F, 0x10
_LANES = {0x08: 1, 0x09: 2, 0x0A: 4, 0x0B: 8, 0x0C: 12, 0x0D: 16, 0x0E: 32}


@frozen
class Slots:
    """Names and wired lanes by place ("0000:03:00"): domain, bus and device, as the platform gives them."""

    names: dict[str, str]
    lanes: dict[str, int]
    refused: bool
    """The firmware's records are there, and this user may not read them."""

    def name_of(self, port: PciFunction, far: PciFunction | None) -> str | None:
        """The name of the slot below `port`, with `far` in it or nothing."""
        return next((self.names[place] for place in _places(port, far) if place in self.names), None)

    def lanes_of(self, port: PciFunction, far: PciFunction | None) -> int | None:
        """The lanes that this slot has wired."""
        return next((self.lanes[place] for place in _places(port, far) if place in self.lanes), None)


def read_slots(tree: HostTree) -> Slots:
    names: dict[str, str] = {}
    for name in _listed(tree, _SLOTS, _SLOT_NAME):
        place = tree.text(_SLOTS / name / "address")
        if isinstance(place, str):
            names[place] = name
    lanes: dict[str, int] = {}
    refused = False
    for name in _listed(tree, _RECORDS, _SYSTEM_SLOT):
        try:
            record = tree.read(_RECORDS / name / "raw")
        except OSError as error:
            refused = refused or error.errno in (errno.EACCES, errno.EPERM)
            continue
        if len(record) > _DEVICE and record[1] > _DEVICE and record[_DATA_WIDTH] in _LANES:
            segment = int.from_bytes(record[_SEGMENT : _SEGMENT + 2], "little")
            place = f"{segment:04x}:{record[_BUS]:02x}:{record[_DEVICE] >> 3:02x}"
            lanes[place] = _LANES[record[_DATA_WIDTH]]
    return Slots(names, lanes, refused)


def _places(port: PciFunction, far: PciFunction | None) -> tuple[str, ...]:
    """Where a platform may say that a slot is: its device's place, or the first one behind its port."""
    port_place = port.address.rpartition(".")[0]
    if far is not None:
        return (far.address.rpartition(".")[0], port_place)
    space = port.config()
    bridge = space.bridge if isinstance(space, ConfigSpace) else None
    behind = () if bridge is None else (f"{port.address.partition(':')[0]}:{bridge.secondary_bus:02x}:00",)
    return (*behind, port_place)


def _listed(tree: HostTree, folder: PurePosixPath, like: re.Pattern[str]) -> tuple[str, ...]:
    try:
        return tree.names(folder, like)
    except OSError:
        return ()
