"""This computer's PCI Express links as Linux shows them, without privilege: each port and what is plugged into it.

Puts readings side by side and says what is missing and what stands out. How Linux's files are read is in `sysfs`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from laneproof.clock import Deadline
from laneproof.contract import Host
from laneproof.readings import (
    ErrorReading,
    HostLink,
    HostSurvey,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Unavailable,
    known,
)
from laneproof_drivers.sysfs import NO_PORT, LinkSeen, PciFunction, functions

_SYS = Path("/sys")
_EMPTY = Unavailable("nothing is plugged in, or it is powered off")

_CLASSES = {
    0x01: "storage controller",
    0x02: "network controller",
    0x03: "display controller",
    0x04: "multimedia controller",
    0x05: "memory controller",
    0x06: "bridge",
    0x07: "communication controller",
    0x0B: "processor",
    0x0C: "serial bus controller",
    0x0D: "wireless controller",
    0x11: "signal processing controller",
    0x12: "processing accelerator",
}
"""Base classes in words: PCI Code and ID Assignment, as in Linux include/linux/pci_ids.h."""


class LinuxHost(Host):
    """Reads below `root`, /sys unless a recorded tree is read."""

    def __init__(self, root: Path = _SYS) -> None:
        self._root = root

    def survey(self, deadline: Deadline) -> HostSurvey:
        """Every link, by the near port's address. Never fails over what Linux does or does not show."""
        found = functions(self._root)
        if isinstance(found, Unavailable):
            return HostSurvey(host=self._name(), links=(), remarks=(found.why,))
        links: list[HostLink] = []
        linkless: list[str] = []
        remarks: list[str] = []
        for position, function in enumerate(found):
            deadline.check()
            if deadline.expired:
                remarks.append(f"stopped at the deadline: {len(found) - position} of {len(found)} functions not read")
                break
            if function.faces_down():
                links.append(_link(function))
            elif function.port is None and isinstance(function.link().partner, PartnerLink):
                links.append(_half_hidden(function))
            elif function.port is None:
                linkless.append(function.address)
        if linkless:
            remarks.append(
                f"no link to show for {_listed(linkless)}: part of the processor or chipset, or, in a virtual machine, "
                "the link above these functions is the hypervisor's and not shown"
            )
        return HostSurvey(host=self._name(), links=tuple(links), remarks=tuple(remarks))

    def _name(self) -> str:
        if self._root != _SYS:
            return f"recorded in {self._root}"
        system = os.uname()
        return f"{system.nodename}, Linux {system.release}"


def _link(port: PciFunction) -> HostLink:
    below = port.below()
    far = below[0] if below else None
    near_seen = port.link()
    far_seen = LinkSeen(_EMPTY, ()) if far is None else far.link()
    near_errors = port.errors()
    far_errors = _EMPTY if far is None else far.errors()
    ends = (near_seen.partner, far_seen.partner, near_errors, far_errors)
    remarks = [
        *near_seen.gaps,
        *far_seen.gaps,
        *(end.why for end in ends if isinstance(end, Unavailable) and end is not _EMPTY),
        *_raised(near_errors, far_errors),
        *_totals(port),
        *_compared(known(near_seen.partner), known(far_seen.partner)),
    ]
    return HostLink(
        near_address=port.address,
        far_address=None if far is None else far.address,
        description=_description(port) if far is None else _description(far, others=len(below) - 1),
        link=LinkReading(near=near_seen.partner, far=far_seen.partner),
        errors=ErrorReading(near=near_errors, far=far_errors),
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _half_hidden(far: PciFunction) -> HostLink:
    """The link of a function whose port is not shown, as in a virtual machine: half of it, and not to be judged."""
    seen, errors = far.link(), far.errors()
    hidden = Unavailable(NO_PORT)
    own = (errors.why,) if isinstance(errors, Unavailable) else tuple(_raised(errors))
    return HostLink(
        near_address=None,
        far_address=far.address,
        description=_description(far),
        link=LinkReading(near=hidden, far=seen.partner),
        errors=ErrorReading(near=hidden, far=errors),
        remarks=(*seen.gaps, *own, "only one partner is shown, so what the link should train to is not known"),
    )


def _description(function: PciFunction, others: int = 0) -> str:
    code = function.class_code()
    words = "function" if code is None else _CLASSES.get(code >> 8, f"function of class {code:04x}")
    vendor, device = function.number("vendor"), function.number("device")
    if vendor is not None and device is not None:
        words += f" {vendor:04x}:{device:04x}"
    driver = function.driver()
    return words + (f", driver {driver}" if driver else "") + (f", and {others} more functions" if others else "")


def _raised(*ends: PartnerErrors | Unavailable) -> Iterable[str]:
    """What has been counted already, before anything was tested."""
    for end in ends:
        if isinstance(end, Unavailable):
            continue
        for severity in ("correctable", "nonfatal", "fatal"):
            counts = getattr(end, severity)
            seen = [
                f"{name} {count.n}" for name, count in counts.items() if not isinstance(count, Unavailable) and count.n
            ]
            if seen:
                yield f"{end.name} has counted {severity} errors since it was found: {', '.join(seen)}"
            missing = {count.why for count in counts.values() if isinstance(count, Unavailable)}
            yield from sorted(missing)


def _totals(port: PciFunction) -> Iterable[str]:
    totals = port.root_port_totals()
    seen = [f"{name} {n.n}" for name, n in totals.items() if not isinstance(n, Unavailable) and n.n]
    if seen:
        yield f"{port.address} has received error messages from itself and everything below it: {', '.join(seen)}"


def _compared(near: PartnerLink | None, far: PartnerLink | None) -> Iterable[str]:
    """What the two ends together show to be less than it could be."""
    if near is None or far is None:
        return
    idle = "an idle link may be shifted down by power management, so read it again under load"
    speed_gtps = far.speed_gtps or near.speed_gtps
    if speed_gtps and near.max_speed_gtps and far.max_speed_gtps:
        best_gtps = min(near.max_speed_gtps, far.max_speed_gtps)
        if speed_gtps < best_gtps:
            yield f"trained below what both ends can: {speed_gtps:g} of {best_gtps:g} GT/s; {idle}"
    width = far.width or near.width
    if width and near.max_width and far.max_width:
        widest = min(near.max_width, far.max_width)
        if width < widest:
            yield f"trained below what both ends can: x{width} of x{widest}; {idle}, or look at the slot's wiring"
    if near.max_payload and far.max_payload and near.max_payload != far.max_payload:
        yield f"payload settings differ: {near.max_payload} bytes at {near.name}, {far.max_payload} at {far.name}"


def _listed(addresses: list[str]) -> str:
    shown = ", ".join(addresses[:4])
    return shown if len(addresses) <= 4 else f"{shown} and {len(addresses) - 4} more"


host = LinuxHost()
