"""PCI functions as Linux shows them below /sys: where each stands, what it is, its configuration bytes.

Reads only, and takes every file for something that may vanish, be empty or fail at any moment. Decoding configuration
bytes is `laneproof.pcie`'s; links are read in `link_files`, error counts in `error_counters`.
Files: Linux Documentation/ABI/testing/sysfs-bus-pci.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import PurePosixPath

from attrs import field, frozen

from laneproof.errors import BadInput
from laneproof.pcie import ConfigSpace, decode
from laneproof.readings import Unavailable
from laneproof_drivers.host_tree import HostTree, reason

ALL_ONES = b"\xff\xff\xff\xff"
"""Vendor and device of a function that does not answer."""
NO_ANSWER = "answers with all ones: it is gone, off or hung"
NO_PORT = (
    "Linux shows no port above it: it is part of the processor or chipset, or, in a virtual machine, "
    "the link above this function is the hypervisor's and not shown"
)
PUBLIC_BYTES = 64
"""How far Linux lets everybody read configuration space (drivers/pci/pci-sysfs.c, pci_read_config)."""
DEVICES = PurePosixPath("/sys/bus/pci/devices")

_ADDRESS = re.compile(r"(?:([0-9a-f]{4,8}):)?([0-9a-f]{2}:[01][0-9a-f]\.[0-7])", re.IGNORECASE)
_BRIDGE = 0x0604
WHOLE = 4096 + 1
_decoded = lru_cache(maxsize=256)(decode)


def bus_address(text: str) -> str:
    """An address as Linux writes it, "0000:65:00.0", of one with or without its domain. Raises BadInput."""
    match = _ADDRESS.fullmatch(text.strip())
    if match is None:
        raise BadInput(f'"{text}" is no PCI address; write domain:bus:device.function, for example 0000:65:00.0')
    return f"{match[1] or '0000'}:{match[2]}".lower()


def find(tree: HostTree, address: str) -> PciFunction | None:
    """The function at `address`, or None where Linux shows none there."""
    try:
        return PciFunction(address, tree.resolved(DEVICES / address), tree)
    except OSError:
        return None


@frozen
class Functions:
    """Every function that Linux shows, by address, and what is wrong with those that it only names."""

    found: tuple[PciFunction, ...]
    remarks: tuple[str, ...]


def functions(tree: HostTree) -> Functions | Unavailable:
    """Every function of the tree, by address."""
    try:
        names = tree.names(DEVICES, _ADDRESS)
    except OSError as error:
        return Unavailable(f"{DEVICES} cannot be listed: {error.strerror or error}")
    found: list[PciFunction] = []
    remarks: list[str] = []
    for name in names:
        try:
            found.append(PciFunction(name, tree.resolved(DEVICES / name), tree))
        except OSError as error:
            remarks.append(f"{name} is listed and cannot be looked at: {error.strerror or error}")
    return Functions(tuple(found), tuple(remarks))


@frozen
class Route:
    """The way from a root bus down to a function, which stays when Linux numbers the buses anew.

    `steps` are devices and functions ("07.0"): the root port's, each bridge's, the function's own.
    """

    root_bus: PurePosixPath
    steps: tuple[str, ...]

    def follow(self, tree: HostTree) -> PciFunction | None:
        """What stands at the end of this way now, whatever its bus number; None where nothing does."""
        folder = self.root_bus
        for step in self.steps:
            try:
                names = [name for name in tree.names(folder, _ADDRESS) if name.endswith(f":{step}")]
            except OSError:
                return None
            if len(names) != 1:
                return None
            folder /= names[0]
        return PciFunction(folder.name, folder, tree) if self.steps else None


@frozen
class PciFunction:
    """One function: its address, and its folder with every symbolic link resolved, whose parents are its bridges."""

    address: str
    folder: PurePosixPath
    tree: HostTree = field(eq=False, repr=False)

    @property
    def bridge(self) -> PciFunction | None:
        """The bridge or port above, or None on a root bus."""
        parent = self.folder.parent
        return PciFunction(parent.name, parent, self.tree) if _ADDRESS.fullmatch(parent.name) else None

    @property
    def port(self) -> PciFunction | None:
        """The near end of this function's link: the bridge above, if that is a root port or a downstream port."""
        bridge = self.bridge
        return bridge if bridge is not None and bridge.faces_down() else None

    @property
    def root_port(self) -> PciFunction:
        """The topmost bridge above this function, or the function itself on a root bus."""
        top = self
        while (bridge := top.bridge) is not None:
            top = bridge
        return top

    @property
    def route(self) -> Route:
        steps: list[str] = []
        function: PciFunction | None = self
        top = self
        while function is not None:
            steps.insert(0, function.address.rpartition(":")[2])
            top, function = function, function.bridge
        return Route(top.folder.parent, tuple(steps))

    def below(self) -> tuple[PciFunction, ...]:
        """The functions on the bus behind this bridge, by address."""
        try:
            names = self.tree.names(self.folder, _ADDRESS)
        except OSError:
            return ()
        return tuple(PciFunction(name, self.folder / name, self.tree) for name in names)

    def siblings(self) -> tuple[PciFunction, ...]:
        """The other functions of the same device below the same port, virtual functions left out."""
        port = self.port
        others = () if port is None else port.below()
        return tuple(other for other in others if other.address != self.address and not other.is_virtual())

    def is_virtual(self) -> bool:
        """Whether this is a virtual function of another one; such a function has no link of its own to show."""
        return self.link_owner is not self

    @property
    def link_owner(self) -> PciFunction:
        """The function whose registers tell of the link: a virtual function's physical one, else this one."""
        try:
            folder = self.tree.resolved(self.folder / "physfn")
        except OSError:
            return self
        return PciFunction(folder.name, folder, self.tree)

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
        return any(self.tree.exists(self.folder / name) for name in ("current_link_speed", "max_link_speed"))

    def text(self, name: str) -> str | Unavailable:
        """One file's text without the space around it; an empty file is unavailable."""
        try:
            text = self.tree.read(self.folder / name).decode("ascii", "replace").strip()
        except OSError as error:
            return Unavailable(f"{self.address}/{name} cannot be read: {reason(error)}")
        return text if text else Unavailable(f"{self.address}/{name} is empty")

    def number(self, name: str, base: int = 16) -> int | None:
        """One file's number ("0x1234"), or None where it is not to be had."""
        text = self.text(name)
        try:
            return None if isinstance(text, Unavailable) else int(text[:20], base)
        except ValueError:
            return None

    def class_code(self) -> int | None:
        """Base class and subclass, 16 bits."""
        code = self.number("class")
        return None if code is None else code >> 8

    def driver(self) -> str | None:
        """The kernel driver that is bound to this function."""
        return self.tree.target(self.folder / "driver")

    def image(self, nbytes: int = WHOLE) -> bytes | Unavailable:
        """Configuration bytes as the function answers now, as far as this user may read: 64, 256 or 4096.

        At most `nbytes`: reading takes time, in a virtual machine tens of milliseconds for the whole.
        """
        try:
            return self.tree.read(self.folder / "config", nbytes)
        except OSError as error:
            return Unavailable(f"{self.address}/config cannot be read: {reason(error)}")

    def config(self) -> ConfigSpace | Unavailable:
        """Configuration space decoded; unavailable where the function answers with all ones."""
        return self.decoded(self.image())

    def decoded(self, image: bytes | Unavailable) -> ConfigSpace | Unavailable:
        """What such bytes of this function say."""
        if isinstance(image, Unavailable):
            return image
        if image[:4] == ALL_ONES:
            return Unavailable(f"{self.address} {NO_ANSWER}")
        try:
            return _decoded(image)
        except BadInput as error:
            return Unavailable(f"{self.address}/config cannot be decoded: {error}")
