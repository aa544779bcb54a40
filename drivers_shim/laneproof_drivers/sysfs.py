"""PCI functions as Linux shows them under /sys, or in a recorded copy: where each stands, its link, its error counts.

Reads only, and takes every file for something that may vanish, be empty or fail at any moment. Decoding configuration
bytes is `laneproof.pcie`'s; which links a computer has is `linux_host`'s.
Files and spellings: Linux Documentation/ABI/testing/sysfs-bus-pci, sysfs-bus-pci-devices-aer_stats, drivers/pci/pci.c.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import CORRECTABLE, UNCORRECTABLE, WIDTHS, AdvancedErrors, ConfigSpace, canonical_name, decode
from laneproof.readings import AtLeast, Count, PartnerErrors, PartnerLink, Unavailable

ALL_ONES = b"\xff\xff\xff\xff"
"""Vendor and device of a function that does not answer."""
NO_ANSWER = "answers with all ones: it is gone, off or hung"
COALESCED = "the kernel adds one per bit and handled interrupt"
PRIVILEGED = (
    "payload settings, link activity and error flags need root (CAP_SYS_ADMIN): unprivileged reads stop at byte 64"
)
NO_PORT = (
    "Linux shows no port above it: it is part of the processor or chipset, or, in a virtual machine, "
    "the link above this function is the hypervisor's and not shown"
)
STICKY = "its status flag is set and not cleared, so further events of its kind do not show"

_ADDRESS = re.compile(r"(?:([0-9a-f]{4,8}):)?([0-9a-f]{2}:[01][0-9a-f]\.[0-7])", re.IGNORECASE)
_SPEED = re.compile(r"([0-9]+(?:\.[0-9]+)?) GT/s(?: PCIe)?")
_BRIDGE = 0x0604
_PUBLIC_BYTES = 64
"""How far Linux lets everybody read configuration space (drivers/pci/pci-sysfs.c, pci_read_config)."""
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def bus_address(text: str) -> str:
    """An address as Linux writes it, "0000:65:00.0", of one with or without its domain. Raises BadInput."""
    match = _ADDRESS.fullmatch(text.strip())
    if match is None:
        raise BadInput(f'"{text}" is no PCI address; write domain:bus:device.function, for example 0000:65:00.0')
    return f"{match[1] or '0000'}:{match[2]}".lower()


def find(root: Path, address: str) -> PciFunction | None:
    """The function at `address`, or None where Linux shows none there."""
    try:
        return PciFunction(address, (root / "bus/pci/devices" / address).resolve(strict=True))
    except (OSError, RuntimeError):  # RuntimeError: links that go in circles
        return None


def functions(root: Path) -> tuple[PciFunction, ...] | Unavailable:
    """Every function that Linux shows, by address."""
    folder = root / "bus/pci/devices"
    try:
        names = sorted(entry.name for entry in folder.iterdir())
    except OSError as error:
        return Unavailable(f"{folder} cannot be listed: {error.strerror}")
    found = (find(root, name) for name in names if _ADDRESS.fullmatch(name))
    return tuple(function for function in found if function is not None)


@frozen
class LinkSeen:
    """One partner's link, and why what is missing is missing."""

    partner: PartnerLink | Unavailable
    gaps: tuple[str, ...]


@frozen
class PciFunction:
    """One function: its address, and its folder with every symbolic link resolved, whose parents are its bridges."""

    address: str
    folder: Path

    @property
    def bridge(self) -> PciFunction | None:
        """The bridge or port above, or None on a root bus."""
        parent = self.folder.parent
        return PciFunction(parent.name, parent) if _ADDRESS.fullmatch(parent.name) else None

    @property
    def port(self) -> PciFunction | None:
        """The near end of this function's link: the bridge above, if that is a root port or a downstream port."""
        bridge = self.bridge
        return bridge if bridge is not None and bridge.faces_down() else None

    def below(self) -> tuple[PciFunction, ...]:
        """The functions on the bus behind this bridge, by address."""
        try:
            folders = sorted(entry for entry in self.folder.iterdir() if _ADDRESS.fullmatch(entry.name))
        except OSError:
            return ()
        return tuple(PciFunction(folder.name, folder) for folder in folders)

    def faces_down(self) -> bool:
        """Whether this is a port with a link below it.

        Without privilege the port's type cannot be read. It follows from the place: what stands on a root bus is a root
        port, the bridge below a link is a switch's upstream port, and the bridges behind that are downstream ports.
        """
        if not self.shows_link() or self.class_code() != _BRIDGE:
            return False
        space = self.config()
        if isinstance(space, ConfigSpace) and space.port_type is not None:
            return space.port_type in ("root port", "downstream port")
        return self.port is None

    def shows_link(self) -> bool:
        """Whether Linux has link files for this function; it has them for those with a PCI Express capability."""
        return any(os.path.exists(self.folder / name) for name in ("current_link_speed", "max_link_speed"))

    def text(self, name: str) -> str | Unavailable:
        """One file's text without the space around it; an empty file is unavailable."""
        path = self.folder / name
        try:
            text = path.read_bytes().decode("ascii", "replace").strip()
        except OSError as error:
            return Unavailable(f"{self.address}/{name} cannot be read: {error.strerror or error}")
        return text if text else Unavailable(f"{self.address}/{name} is empty")

    def number(self, name: str) -> int | None:
        """One file's hexadecimal number ("0x1234"), or None where it is not to be had."""
        text = self.text(name)
        try:
            return None if isinstance(text, Unavailable) else int(text, 16)
        except ValueError:
            return None

    def class_code(self) -> int | None:
        """Base class and subclass, 16 bits."""
        code = self.number("class")
        return None if code is None else code >> 8

    def driver(self) -> str | None:
        """The kernel driver that is bound to this function."""
        try:
            return (self.folder / "driver").readlink().name
        except OSError:
            return None

    def image(self) -> bytes | Unavailable:
        """Configuration bytes as the function answers now, as far as this user may read: 64, 256 or 4096."""
        try:
            return (self.folder / "config").read_bytes()
        except OSError as error:
            return Unavailable(f"{self.address}/config cannot be read: {error.strerror or error}")

    def config(self) -> ConfigSpace | Unavailable:
        """Configuration space decoded; unavailable where the function answers with all ones."""
        image = self.image()
        if isinstance(image, Unavailable):
            return image
        if image[:4] == ALL_ONES:
            return Unavailable(f"{self.address} {NO_ANSWER}")
        try:
            return decode(image)
        except BadInput as error:
            return Unavailable(f"{self.address}/config cannot be decoded: {error}")

    def link(self) -> LinkSeen:
        """This function's end of its link. Current speed and width are not taken from a link that is down."""
        if not self.shows_link():
            return LinkSeen(Unavailable(f"{self.address} has no PCI Express link that Linux shows"), ())
        gaps: list[str] = []
        max_speed_gtps, max_width = self._speed("max_link_speed", gaps), self._width("max_link_width", gaps)
        space = self.config()
        active: bool | None = None
        max_payload: int | None = None
        read_request: int | None = None
        if isinstance(space, Unavailable):
            gaps.append(space.why)
        elif space.size <= _PUBLIC_BYTES:
            gaps.append(f"{self.address}: {PRIVILEGED}")
        else:
            active = None if space.link is None else space.link.dl_active
            max_payload = None if space.payload is None else space.payload.set
            read_request = None if space.payload is None else space.payload.read_request
        speed_gtps: float | None = None
        width: int | None = None
        if active is False:
            # Both fields are undefined while the link is not up (from memory of the base specification).
            gaps.append(f"{self.address}: its data link is down, so it has no speed and width")
        else:
            speed_gtps, width = self._speed("current_link_speed", gaps), self._width("current_link_width", gaps)
        shown = (speed_gtps, width, max_speed_gtps, max_width, active)
        if all(value is None for value in shown):
            return LinkSeen(Unavailable("; ".join(gaps)), ())
        partner = PartnerLink(
            name=self.address,
            speed_gtps=speed_gtps,
            width=width,
            max_speed_gtps=max_speed_gtps,
            max_width=max_width,
            max_payload=max_payload,
            read_request=read_request,
            active=active,
        )
        return LinkSeen(partner, tuple(gaps))

    def errors(self) -> PartnerErrors | Unavailable:
        """Error counts by the catalogue's short names, all of them lower bounds. Linux's own totals are left out."""
        texts = {name: self.text(f"aer_dev_{name}") for name in ("correctable", "nonfatal", "fatal")}
        if all(isinstance(text, Unavailable) for text in texts.values()):
            if not any(os.path.exists(self.folder / f"aer_dev_{name}") for name in texts):
                return Unavailable(
                    f"{self.address} has no error counters that Linux shows: no AER capability, or a kernel without AER"
                )
            return Unavailable(next(text.why for text in texts.values() if isinstance(text, Unavailable)))
        unhandled = self._unhandled()
        if unhandled:
            return Unavailable(unhandled)
        space = self.config()
        flags = _flags(None if isinstance(space, Unavailable) else space.aer)
        correctable, uncorrectable = ([error.name for error in group] for group in (CORRECTABLE, UNCORRECTABLE))
        return PartnerErrors(
            name=self.address,
            epoch=self._epoch(),
            correctable=_table(texts["correctable"], correctable, flags["correctable"]),
            nonfatal=_table(texts["nonfatal"], uncorrectable, flags["nonfatal"]),
            fatal=_table(texts["fatal"], uncorrectable, flags["fatal"]),
        )

    def _unhandled(self) -> str:
        """Why nobody counts this function's errors, as far as Linux shows; empty if it does not show that.

        The counters are there, and stand still, also where firmware handles the errors or AER is switched off. Who
        handles them shows in the driver of the root port's AER service, a device named "PORT:pcieNNN": seen with Linux
        6.1, by default and with pci=noaer, which takes the driver away and leaves the counters.
        """
        root_port = self
        while (bridge := root_port.bridge) is not None:
            root_port = bridge
        top = next((parent.parent for parent in self.folder.parents if parent.name == "devices"), None)
        if top is None or not (top / "bus/pci_express").is_dir():
            return ""
        try:
            services = os.listdir(top / "bus/pci_express/drivers/aer")
        except OSError:
            services = []
        if any(name.startswith(f"{root_port.address}:") for name in services):
            return ""
        return (
            f"the kernel does not handle the errors reported to {root_port.address}: firmware owns them, or AER is "
            "switched off (pci=noaer); the counters of what is below it stand still"
        )

    def root_port_totals(self) -> dict[str, Count]:
        """Error messages that a root port has received, by severity; empty where this is none."""
        totals: dict[str, Count] = {}
        for severity, suffix in (("correctable", "cor"), ("nonfatal", "nonfatal"), ("fatal", "fatal")):
            text = self.text(f"aer_rootport_total_err_{suffix}")
            if isinstance(text, str):
                totals[severity] = _count(text)
        return totals

    def _speed(self, name: str, gaps: list[str]) -> float | None:
        text = self.text(name)
        if isinstance(text, Unavailable):
            gaps.append(text.why)
            return None
        match = _SPEED.fullmatch(text)
        if match is None or float(match[1]) == 0:
            gaps.append(f"{self.address}/{name} is {text[:40]!r}, which is no speed")
            return None
        return float(match[1])

    def _width(self, name: str, gaps: list[str]) -> int | None:
        text = self.text(name)
        if isinstance(text, Unavailable):
            gaps.append(text.why)
            return None
        width = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else None
        if width in WIDTHS:
            return width
        reason = {0: "so no lanes are known", 63: "all ones: the function does not answer"}.get(
            -1 if width is None else width, "which is no width"
        )
        gaps.append(f"{self.address}/{name} is {text[:40]!r}, {reason}")
        return None

    def _epoch(self) -> str:
        """Changes when the kernel's counters start anew: at a boot, or when Linux has lost the function and found it.

        The folder's inode number stands for the latter: sysfs gives a new folder a new one (Linux fs/kernfs/dir.c). Its
        times would not do: they are those of the first look at it. A reset keeps the kernel's counters, so the epoch.
        """
        try:
            boot = _BOOT_ID.read_text().strip()
            return f"boot {boot} folder {self.folder.stat().st_ino}"
        except OSError:
            return "unknown"


def _table(text: str | Unavailable, names: Iterable[str], flagged: Iterable[str]) -> dict[str, Count]:
    """Counts of one aer_dev_* file: rows of a label, which may hold spaces, and a number."""
    if isinstance(text, Unavailable):
        return dict.fromkeys(names, text)
    counts: dict[str, Count] = {}
    for row in text.splitlines():
        label, number = (*row.rsplit(maxsplit=1), "", "")[:2]
        if label and not label.startswith("TOTAL_ERR_"):
            counts[canonical_name(label.strip())] = _count(number)
    for name in flagged:
        known = counts.get(name)
        counts[name] = AtLeast(max(1, known.n) if isinstance(known, AtLeast) else 1, STICKY, blind=True)
    return counts


def _flags(aer: AdvancedErrors | None) -> dict[str, tuple[str, ...]]:
    """Status flags that are set, by severity."""
    if aer is None:
        return {"correctable": (), "nonfatal": (), "fatal": ()}
    raised, fatal = aer.uncorrectable.status, aer.uncorrectable.severity
    return {
        "correctable": aer.correctable.status,
        "nonfatal": tuple(name for name in raised if name not in fatal),
        "fatal": tuple(name for name in raised if name in fatal),
    }


def _count(number: str) -> Count:
    if number.isascii() and number.isdigit() and len(number) <= 20:  # 64 bits
        return AtLeast(int(number), COALESCED)
    return Unavailable(f"the kernel's row holds {number[:40]!r}, which is no count")
