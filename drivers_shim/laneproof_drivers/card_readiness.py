"""Whether a card that a run will use can be had, and its link seen: looked up as far as that shows without opening it.

Each scheme's own words for what stands in the way are the driver's, which would say them later. What holds for the
whole computer is `host_readiness`'s. Files of USB devices: Linux Documentation/ABI/stable/sysfs-bus-usb.
"""

from __future__ import annotations

import errno
import grp
import os
import pwd
import re
import stat
from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path, PurePosixPath
from typing import Literal

from attrs import frozen

from laneproof.clock import Deadline
from laneproof.contract import ErrorObserver, LinkObserver
from laneproof.documents import structure_text
from laneproof.errors import CannotOpen, LaneproofError
from laneproof.readings import Check, PartnerErrors, PartnerLink, Unavailable, Use
from laneproof_drivers.device_node import cannot_open, kind_of
from laneproof_drivers.error_counters import keeper
from laneproof_drivers.holders import holders, in_use
from laneproof_drivers.host_tree import HostTree
from laneproof_drivers.pci_claims import IOMEM, Bar, Function, bar_at, function_at
from laneproof_drivers.pci_observer import PciObservers
from laneproof_drivers.sysfs import DEVICES, PUBLIC_BYTES, PciFunction, bus_address, find
from laneproof_drivers.usb_bulk import UsbOptions, library, not_opened
from laneproof_drivers.vfio import VfioOptions
from laneproof_drivers.vfio_access import Access, require_bound

_USB = PurePosixPath("/sys/bus/usb/devices")
_USB_DEVICE = re.compile(r"[0-9]{1,3}-[0-9.]{1,40}")
_USB_INTERFACE = re.compile(r"[0-9]{1,3}-[0-9.]{1,40}:[0-9]{1,3}\.([0-9]{1,3})")
_USB_ADDRESS = re.compile(r"([0-9a-fA-F]{1,4}):([0-9a-fA-F]{1,4})(?::(.+))?")


@frozen
class Computer:
    """`tree`: what Linux shows of it; the others: where devices, their nodes, and the claims on memory lie."""

    tree: HostTree
    sys: Path = Path("/sys")
    dev: Path = Path("/dev")
    iomem: Path = IOMEM

    def function(self, address: str) -> Function:
        """Raises BadInput, CannotOpen."""
        return function_at(bus_address(address), self.sys / DEVICES.relative_to("/sys"))


def card_checks(computer: Computer, uses: Sequence[Use], deadline: Deadline) -> Iterator[Check]:
    """Those of each card, and of each function at which a link is observed. Never fails over what it finds."""
    for use in uses:
        deadline.check()
        look = _LOOKS.get(use.scheme)
        yield from _told(use, "card", lambda use=use, look=look: look(computer, use)) if look is not None else ()
        yield from _told(use, "link", lambda use=use: _link_checks(computer, use, deadline))


def is_mapped(use: Use) -> bool:
    """Whether it needs the memory of a PCI function to be mapped."""
    return use.scheme == "window" and _bar(use) is not None


def pinned_bytes(use: Use) -> int:
    """How much memory of the process the kernel keeps in place for its DMA, at most: the driver's own and the run's."""
    if use.scheme != "vfio":
        return 0
    try:
        return 2 * structure_text(dict(use.options), VfioOptions, "options").buffer_size + use.in_flight_bytes
    except LaneproofError:  # told by the card's own check
        return use.in_flight_bytes


def _told(use: Use, name: str, look: Callable[[], Iterator[Check]]) -> Iterator[Check]:
    """What `look` finds; what it raises is missing, and the driver would raise it as well."""
    try:
        yield from look()
    except (LaneproofError, OSError, ValueError) as error:  # the last of a path with a zero byte in it
        said = str(cannot_open(use.address, error) if isinstance(error, OSError) else error)
        found, _, remedy = said.partition("; ")
        yield Check(name=name, outcome="missing", found=found, remedy=remedy or "correct the URI", uri=use.uri)


# --- by scheme


def _chardev(_: Computer, use: Use) -> Iterator[Check]:
    paths = use.address.split(",")
    asked = (os.R_OK | os.W_OK,) if len(paths) == 1 else (os.W_OK, os.R_OK)
    for path, access in zip(paths, asked, strict=False):
        kind = kind_of(path)
        _require_access(path, access)
        yield _node(use, path, kind)
        if kind == "character device":
            yield from _others(use, path, "ends it; of two users of one device each takes bytes of the other's")


def _serial(_: Computer, use: Use) -> Iterator[Check]:
    if find_spec("serial") is None:
        raise CannotOpen("the scheme serial needs pyserial; install it: pip install pyserial")
    if "://" in use.address:
        yield Check(name="card", outcome="ok", found=f"{use.address} is no node here: tried when opened", uri=use.uri)
        return
    kind = kind_of(use.address)
    if kind != "character device":
        raise CannotOpen(f"{use.address} is a {kind} and no serial port; what echoes bytes is opened as chardev:PATH")
    _require_access(use.address, os.R_OK | os.W_OK)
    if holders(use.address):
        raise CannotOpen(in_use(use.address))
    yield _node(use, use.address, "serial port")


def _usb(computer: Computer, use: Use) -> Iterator[Check]:
    library()
    yield Check(name="card", outcome="ok", found="libusb 1.0 and pyusb are there", uri=use.uri)
    match = _USB_ADDRESS.fullmatch(use.address)
    if match is None:
        raise CannotOpen(f"{use.address} is not VENDOR:PRODUCT[:SERIAL]; write for example usb:fffe:0001")
    found = _usb_devices(computer.tree, int(match[1], 16), int(match[2], 16), match[3])
    if not found:
        raise CannotOpen(f"no USB device {use.address} is there; `lsusb` lists those that are")
    for folder in found:
        numbers = [computer.tree.text(folder / name) for name in ("busnum", "devnum")]
        if not all(isinstance(number, str) and re.fullmatch(r"[0-9]{1,3}", number) for number in numbers):
            raise CannotOpen(f"Linux does not say where {use.address} is; see that it is plugged in")
        node = str(computer.dev / "bus/usb" / "/".join(str(number).zfill(3) for number in numbers))
        if not os.access(node, os.R_OK | os.W_OK):
            number = errno.EACCES if os.path.exists(node) else errno.ENOENT
            raise not_opened(use.address, OSError(number, os.strerror(number)))
        yield _node(use, node, f"{folder.name},")
        yield from _usb_drivers(computer.tree, use, folder)


def _usb_devices(tree: HostTree, vendor: int, product: int, serial: str | None) -> list[PurePosixPath]:
    found: list[PurePosixPath] = []
    for name in tree.names(_USB, _USB_DEVICE) if tree.exists(_USB) else ():
        ids = [tree.text(_USB / name / file) for file in ("idVendor", "idProduct")]
        if [str(one).lower() for one in ids] != [f"{vendor:04x}", f"{product:04x}"]:
            continue
        if serial is None or tree.text(_USB / name / "serial") == serial:
            found.append(_USB / name)
    return found


def _usb_drivers(tree: HostTree, use: Use, folder: PurePosixPath) -> Iterator[Check]:
    """Interfaces that a kernel driver has: missing where the URI names that one, else perhaps another is taken."""
    wanted = structure_text(dict(use.options), UsbOptions, "options").interface
    for name in tree.names(folder, _USB_INTERFACE):
        match, driver = _USB_INTERFACE.fullmatch(name), tree.target(folder / name / "driver")
        number = -1 if match is None else int(match[1])
        if driver is None or driver == "usbfs" or wanted not in (-1, number):
            continue
        yield Check(
            name="kernel driver",
            outcome="warning" if wanted == -1 else "missing",
            found=f"interface {number} of {use.address} is bound to {driver}",
            remedy=f"if the card echoes there: echo {name} | sudo tee /sys/bus/usb/drivers/{driver}/unbind",
            uri=use.uri,
        )


def _window(computer: Computer, use: Use) -> Iterator[Check]:
    for path in filter(None, (use.address, use.options.get("registers_file", ""))):
        status = os.stat(path)
        _require_access(path, os.R_OK | os.W_OK)
        bar = bar_at(path)
        if bar is not None:
            bar.range()
            bar.function.require_memory_on()
            bar.require_free(computer.iomem)
            driver = bar.function.driver() or "no driver"
            yield _node(use, path, f"memory of {bar.function.address}, {driver} bound,")
        else:
            yield _node(use, path, "character device" if stat.S_ISCHR(status.st_mode) else "file")
            yield from _others(use, path, "ends it; two users of one window spoil each other's data")


def _vfio(computer: Computer, use: Use) -> Iterator[Check]:
    options = structure_text(dict(use.options), VfioOptions, "options")
    function = computer.function(use.address)
    access = Access(computer.sys, computer.dev)
    nodes = access.nodes(function)
    require_bound(function)
    access.require_alone(function)
    interface = nodes.offered() if options.interface == "auto" else options.interface
    paths = (nodes.container, nodes.group) if interface == "group" else (nodes.iommufd, nodes.device or "")
    for path in paths:
        _require_access(path, os.R_OK | os.W_OK)
    own = [path for path in (nodes.group, nodes.device) if path]
    if any(holders(path) for path in own):
        raise CannotOpen(in_use(own[0], *own[1:]))
    yield _node(use, paths[1], f"{function.address} bound to vfio-pci, alone in its group,")


_LOOKS: dict[str, Callable[[Computer, Use], Iterator[Check]]] = {
    "chardev": _chardev,
    "serial": _serial,
    "usb": _usb,
    "window": _window,
    "vfio": _vfio,
}


# --- nodes


def _require_access(path: str, access: int) -> None:
    """Raise CannotOpen, in the words of `device_node`, with who may."""
    if os.access(path, access):
        return
    try:
        status = os.stat(path)
    except OSError as error:
        raise cannot_open(path, error) from error
    words = str(cannot_open(path, PermissionError(errno.EACCES, os.strerror(errno.EACCES))))
    found, _, remedy = words.partition("; ")
    raise CannotOpen(f"{found} ({_owner(status)}); {remedy}")


def _owner(status: os.stat_result) -> str:
    """ "root:dialout, mode 660"."""
    names: list[str] = []
    for look, number in ((_user, status.st_uid), (_group, status.st_gid)):
        try:
            names.append(look(number))
        except KeyError:
            names.append(str(number))
    return f"{':'.join(names)}, mode {stat.S_IMODE(status.st_mode):o}"


def _user(number: int) -> str:
    return pwd.getpwuid(number).pw_name


def _group(number: int) -> str:
    return grp.getgrgid(number).gr_name


def _node(use: Use, path: str, what: str) -> Check:
    return Check(name="card", outcome="ok", found=f"{path}: {what} open to this user", uri=use.uri)


def _others(use: Use, path: str, remedy: str) -> Iterator[Check]:
    """Other processes that have a node open, which does not keep it from being opened."""
    found = holders(path)
    if found:
        who = ", ".join(f"process {one.pid} ({one.name})" for one in found[:5])
        yield Check(
            name="other users",
            outcome="warning",
            found=f"{path} is open in {who}",
            remedy=f"`kill {' '.join(str(one.pid) for one in found[:5])}` {remedy}",
            uri=use.uri,
        )


# --- links


def _link_checks(computer: Computer, use: Use, deadline: Deadline) -> Iterator[Check]:
    """What an observer of the card's function can read now."""
    address = _observed(use)
    if address is None:
        return
    (observer,) = PciObservers(computer.tree).attach(address, deadline)
    function = find(computer.tree, bus_address(address))
    assert function is not None
    assert isinstance(observer, LinkObserver)
    assert isinstance(observer, ErrorObserver)
    link, errors = observer.read_link(deadline), observer.read_errors(deadline)
    yield _ends(
        use,
        "link partners",
        (link.near, link.far),
        "run on the computer itself, with the card below a port; without, a step on its link is inconclusive",
    )
    yield _ends(use, "link errors", (errors.near, errors.far), _errors_remedy(function))
    image = function.image()
    if not isinstance(image, Unavailable) and len(image) == PUBLIC_BYTES:
        yield Check(
            name="registers",
            outcome="warning",
            found=f"this user may read 64 bytes of the configuration of {function.address}: no error flags, no lanes",
            remedy="run as root (CAP_SYS_ADMIN), where the report is to tell of lanes and registers",
            uri=use.uri,
        )


def _observed(use: Use) -> str | None:
    """The address of the function whose link is seen: as the plan says, else the card's own."""
    if use.observe is not None:
        scheme, _, address = use.observe.partition(":")
        return address if scheme == "pci" else None
    if use.scheme == "vfio":
        return use.address
    bar = _bar(use) if use.scheme == "window" else None
    return None if bar is None else bar.function.address


def _bar(use: Use) -> Bar | None:
    return None if "\0" in use.address else bar_at(use.address)


def _ends(use: Use, name: str, ends: tuple[PartnerLink | PartnerErrors | Unavailable, ...], remedy: str) -> Check:
    whys = dict.fromkeys(end.why for end in ends if isinstance(end, Unavailable))
    outcome: Literal["ok", "not known"] = "not known" if whys else "ok"
    shown = (
        "; ".join(whys)
        if whys
        else "both ends are shown: "
        + ", ".join(
            end.name if isinstance(end, PartnerErrors) else _speed(end)
            for end in ends
            if not isinstance(end, Unavailable)
        )
    )
    return Check(name=name, outcome=outcome, found=shown, remedy=remedy if whys else "", uri=use.uri)


def _speed(end: PartnerLink) -> str:
    speed = "no speed" if end.speed_gtps is None else f"{end.speed_gtps:g} GT/s"
    return f"{end.name} {speed} x{end.width or '?'}"


def _errors_remedy(function: PciFunction) -> str:
    if keeper(function).who == "nobody":
        return (
            "start without pci=noaer and pcie_ports=compat; let firmware leave AER to the kernel, or pcie_ports=native"
        )
    return "use a slot whose port and card count errors; without, a limit on link errors is inconclusive"
