"""What of a survey's reads goes into a recording: what the survey needs of each file, and no serial numbers.

How a recording is kept is `recorded_tree`'s.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from laneproof.errors import BadInput
from laneproof.pcie import decode, registers
from laneproof_drivers.kernel_settings import CMDLINE, CPUINFO, relevant
from laneproof_drivers.recorded_tree import Entry
from laneproof_drivers.sysfs import ALL_ONES, PUBLIC_BYTES

_BOOT_ID = PurePosixPath("/proc/sys/kernel/random/boot_id")
_VPD_DATA = 4
"""Where the four bytes read last stand in the Vital Product Data capability (linux/pci_regs.h, PCI_VPD_DATA)."""


def as_recorded(noted: dict[PurePosixPath, Entry], *, with_serials: bool) -> dict[PurePosixPath, Entry]:
    """The same without what identifies this one computer or its cards, unless serial numbers are asked for."""
    kept = dict(noted)
    kept.pop(_BOOT_ID, None)
    for path, entry in noted.items():
        if not isinstance(entry, bytes):
            continue
        if path == CMDLINE:
            kept[path] = " ".join(relevant(entry.decode("ascii", "replace"))).encode() + b"\n"
        elif path == CPUINFO:
            hypervisor = re.search(rb"^flags\s*:.*\bhypervisor\b", entry, re.MULTILINE) is not None
            kept[path] = b"flags : hypervisor\n" if hypervisor else b"flags :\n"
        elif path.name == "config" and not with_serials:
            kept[path] = without_serials(entry)
    return kept


def without_serials(image: bytes) -> bytes:
    """A configuration image without the Device Serial Number's value and what the vital product data window holds.

    An image whose capabilities cannot be told keeps its header alone, since its serial number cannot be found.
    """
    if image[:4] == ALL_ONES:
        return image
    try:
        capabilities = decode(image).capabilities
    except BadInput:
        return image[:PUBLIC_BYTES]
    blank = bytearray(image)
    for entry in capabilities:
        if entry.extended and entry.id == registers.PCI_EXT_CAP_ID_DSN:
            _zero(blank, entry.offset + 4, 8)
        elif not entry.extended and entry.id == registers.PCI_CAP_ID_VPD:
            _zero(blank, entry.offset + _VPD_DATA, 4)
    return bytes(blank)


def _zero(image: bytearray, at: int, nbytes: int) -> None:
    end = min(at + nbytes, len(image))
    image[at:end] = bytes(max(0, end - at))
