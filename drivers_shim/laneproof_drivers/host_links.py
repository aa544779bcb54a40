"""One link of the computer put together: both ends, what holds them, how it is powered, and what stands out.

What a single file says is read elsewhere; sentences on a link's numbers are in `link_remarks`.
"""

from __future__ import annotations

import attrs

from laneproof.pcie import ConfigSpace
from laneproof.readings import ErrorReading, HostFunction, HostLink, LinkReading, Unavailable, known
from laneproof_drivers import link_remarks
from laneproof_drivers.error_counters import keeper, read_counters, read_device_counters, root_messages
from laneproof_drivers.link_files import LinkSeen, aspm_enabled, read_end
from laneproof_drivers.pci_path import PathLink, path_to, slowest
from laneproof_drivers.slot_files import Slots
from laneproof_drivers.sysfs import NO_PORT, PciFunction

_HALF = "only one partner is shown, so what the link should train to is not known"

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


def link_below(port: PciFunction, slots: Slots) -> HostLink:
    """The link of a root port or downstream port, with the device at its far end or without one."""
    below = tuple(function for function in port.below() if not function.is_virtual())
    far = below[0] if below else None
    near_seen = read_end(port) if below else _without_partner(read_end(port))
    gone = _why_nothing(port)
    far_seen = LinkSeen(gone, ()) if far is None else read_end(far)
    near_errors = read_counters(port)
    far_errors = gone if far is None else read_device_counters(far)
    path = (*path_to(port), PathLink(port, port if far is None else far))
    limit = None if far is None else slowest(path)
    reading = LinkReading(
        near=near_seen.partner,
        far=far_seen.partner,
        wiring=slots.lanes_of(port, far),
        slot_power_w=near_seen.slot_power_w,
    )
    aspm = None if far is None else aspm_enabled(far)
    functions = tuple(_described(function) for function in below)
    messages = root_messages(port)
    remarks = [
        *near_seen.gaps,
        *far_seen.gaps,
        *link_remarks.counted((near_errors, far_errors), aspm),
        *link_remarks.counted_apart(below),
        *link_remarks.flagged((port, *below)),
        *link_remarks.silent((port, *below[:1])),
        *link_remarks.received(port, messages),
        *link_remarks.short_of(reading),
        *link_remarks.limited(path, limit),
        *link_remarks.payload(path, far),
        *link_remarks.noted(port, near_seen.partner),
        *link_remarks.asleep(functions),
    ]
    space = port.config()
    registers = space if isinstance(space, ConfigSpace) else None
    return HostLink(
        near_address=port.address,
        far_address=None if far is None else far.address,
        description=_words(port) if far is None else _words(far, others=len(below) - 1),
        link=reading,
        errors=ErrorReading(near=near_errors, far=far_errors),
        remarks=tuple(dict.fromkeys(remarks)),
        functions=functions,
        slot=slots.name_of(port, far),
        path=tuple(link.port.address for link in path),
        bottleneck=None if limit is None else limit.link.port.address,
        root_messages=messages,
        errors_kept_by=keeper(port).who,
        aspm=aspm,
        slot_power_w=None if registers is None or registers.slot is None else registers.slot.power_limit_w,
    )


def _without_partner(near: LinkSeen) -> LinkSeen:
    """A port with nothing below it, whose registers may hold a speed and width that no link has."""
    partner = near.partner
    if isinstance(partner, Unavailable) or partner.active is not None:
        return near
    return attrs.evolve(near, partner=attrs.evolve(partner, speed_gtps=None, width=None))


def _why_nothing(port: PciFunction) -> Unavailable:
    """Why Linux may show no function below this port, as far as the port's registers tell."""
    space = port.config()
    link, slot = (None, None) if isinstance(space, Unavailable) else (space.link, space.slot)
    if link is not None and link.dl_active:
        return Unavailable(
            "the link is up, and Linux shows no function behind it: the card does not answer, or was removed from "
            "Linux's list and not looked for again"
        )
    if slot is None:
        return Unavailable("Linux shows no function there: nothing plugged in, no power, or a link that does not train")
    if not slot.card_present:
        return Unavailable("nothing is plugged in, or it is powered off")
    if slot.powered is False:
        return Unavailable("a card is in the slot, whose power the port has switched off")
    return Unavailable("a card is in the slot and shows no function: no power, held in reset, or it does not train")


def half_hidden_link(far: PciFunction) -> HostLink:
    """The link of a function whose port is not shown, as in a virtual machine: half of it, and not to be judged."""
    seen, errors = read_end(far), read_counters(far)
    hidden = Unavailable(NO_PORT)
    functions = (_described(far),)
    return HostLink(
        near_address=None,
        far_address=far.address,
        description=_words(far),
        link=LinkReading(near=hidden, far=seen.partner),
        errors=ErrorReading(near=hidden, far=errors),
        remarks=(*seen.gaps, *link_remarks.counted((errors,), None), *link_remarks.asleep(functions), _HALF),
        functions=functions,
        errors_kept_by=keeper(far).who,
        aspm=aspm_enabled(far),
    )


def _words(function: PciFunction, others: int = 0) -> str:
    code = function.class_code()
    words = "function" if code is None else _CLASSES.get(code >> 8, f"function of class {code:04x}")
    vendor, device = function.number("vendor"), function.number("device")
    if vendor is not None and device is not None:
        words += f" {vendor:04x}:{device:04x}"
    return words + (f", and {others} more function{'s' * (others != 1)}" if others > 0 else "")


def _described(function: PciFunction) -> HostFunction:
    group = function.tree.target(function.folder / "iommu_group")
    node = function.number("numa_node", 10)
    status, control = (known(function.text(f"power/{name}")) for name in ("runtime_status", "control"))
    return HostFunction(
        address=function.address,
        description=_words(function),
        driver=function.driver(),
        numa_node=node if node is not None and node >= 0 else None,
        iommu_group=group,
        runtime_status=status,
        runtime_control=control,
    )
