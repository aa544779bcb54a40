"""Error counts that Linux keeps for a PCI function and its root port, and who keeps them. All are lower bounds.

Files: Linux Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats, Documentation/PCI/pcieaer-howto.rst.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePosixPath

import attrs
from attrs import frozen

from laneproof.pcie import CATALOGUE, CORRECTABLE, UNCORRECTABLE, AdvancedErrors, canonical_name
from laneproof.readings import AtLeast, Count, PartnerErrors, Unavailable
from laneproof_drivers.kernel_settings import arguments
from laneproof_drivers.sysfs import PciFunction

COALESCED = "the kernel adds one per bit and handled interrupt"
STICKY = "its status flag is set and not cleared, so further events of its kind do not show"
SEVERITIES = ("correctable", "nonfatal", "fatal")
LINK_ERRORS = frozenset(error.name for error in CATALOGUE.values() if error.layer in ("physical", "data link"))
"""Errors that belong to no function of a device, so that each of its functions may show the same one."""

_BOOT_ID = PurePosixPath("/proc/sys/kernel/random/boot_id")
_SERVICES = PurePosixPath("/sys/bus/pci_express")
_FIRMWARE_SOURCES = PurePosixPath("/sys/firmware/acpi/tables/HEST")
_SERVICE = re.compile(r"[0-9a-f:.]+:pcie[0-9a-f]+")
_MOST_ROWS = 200
_NO_ERROR = "Undefined"
"""Linux has a row for bit 0 of the uncorrectable status, which no error has any more (drivers/pci/pcie/aer.c)."""


@frozen
class Keeper:
    """Who counts the errors of all that is below a root port: "kernel", "nobody", or None where it is not shown."""

    who: str | None
    why: str = ""


def keeper(function: PciFunction) -> Keeper:
    """Who handles the error messages that reach this function's root port.

    The counters are there, and stand still, also where firmware handles the errors or AER is switched off. It shows in
    the driver of the root port's AER service, a device named "PORT:pcieNNN": seen with Linux 6.1, by default and with
    pci=noaer, which takes the driver away and leaves the counters.
    """
    tree, top = function.tree, function.root_port
    if not tree.exists(_SERVICES):
        return Keeper(None)
    try:
        services = tree.names(_SERVICES / "drivers/aer", _SERVICE)
    except OSError:
        services = ()
    if any(name.startswith(f"{top.address}:") for name in services):
        return Keeper("kernel")
    if services and not top.shows_link():  # a root complex's own function, whose errors go to an event collector
        return Keeper(None)
    given = [argument for argument in arguments(tree) if argument in ("pci=noaer", "pcie_ports=compat")]
    if given:
        reason = f"AER is switched off by the kernel argument {given[0]}"
    elif tree.exists(_FIRMWARE_SOURCES):
        reason = "firmware owns them, as its table of error sources (ACPI HEST) lets expect"
    else:
        reason = "firmware owns them, or the port cannot report any"
    if not top.faces_down():
        return Keeper(
            "nobody",
            f"no port is shown that would take the error messages of {top.address}, so its counters stand still"
            + (f"; {reason}" if given else ""),
        )
    return Keeper(
        "nobody",
        f"the kernel does not handle the errors reported to {top.address}: {reason}; the counters of what is below it "
        "stand still",
    )


def read_counters(function: PciFunction) -> PartnerErrors | Unavailable:
    """Error counts by the catalogue's short names. Linux's own totals are left out."""
    texts = {name: function.text(f"aer_dev_{name}") for name in SEVERITIES}
    if all(isinstance(text, Unavailable) for text in texts.values()):
        if not any(function.tree.exists(function.folder / f"aer_dev_{name}") for name in texts):
            return Unavailable(
                f"{function.address} has no error counters that Linux shows: no AER capability, or a kernel without AER"
            )
        return Unavailable(next(text.why for text in texts.values() if isinstance(text, Unavailable)))
    kept = keeper(function)
    if kept.who == "nobody":
        return Unavailable(kept.why)
    space = function.config()
    flags = _flags(None if isinstance(space, Unavailable) else space.aer)
    correctable, uncorrectable = ([error.name for error in group] for group in (CORRECTABLE, UNCORRECTABLE))
    return PartnerErrors(
        name=function.address,
        epoch=_epoch(function),
        correctable=_table(texts["correctable"], correctable, flags["correctable"]),
        nonfatal=_table(texts["nonfatal"], uncorrectable, flags["nonfatal"]),
        fatal=_table(texts["fatal"], uncorrectable, flags["fatal"]),
    )


def read_device_counters(function: PciFunction) -> PartnerErrors | Unavailable:
    """This function's counts, with the link errors that its device shows in any of its functions counted once.

    A link error belongs to no function, so that every function of the device may show it: the largest count holds.
    """
    own = read_counters(function)
    others = [seen for other in function.siblings() if not isinstance(seen := read_counters(other), Unavailable)]
    if isinstance(own, Unavailable) or not others:
        return own
    return attrs.evolve(
        own,
        **{
            name: _with_link_errors(getattr(own, name), [getattr(other, name) for other in others])
            for name in SEVERITIES
        },
    )


def _with_link_errors(own: Mapping[str, Count], others: Sequence[Mapping[str, Count]]) -> dict[str, Count]:
    counts = dict(own)
    for other in others:
        for name in LINK_ERRORS & other.keys():
            counts[name] = _larger(counts.get(name), other[name])
    return counts


def _larger(one: Count | None, other: Count) -> Count:
    if one is None or isinstance(one, Unavailable):
        return other
    return other if not isinstance(other, Unavailable) and other.n > one.n else one


def root_messages(function: PciFunction) -> dict[str, Count] | Unavailable:
    """Error messages that this function's root port has received, by severity, from itself and all below it."""
    port = function.root_port
    if not port.faces_down():
        return Unavailable("no root port is shown above it")
    totals: dict[str, Count] = {}
    for severity, suffix in zip(SEVERITIES, ("cor", "nonfatal", "fatal"), strict=True):
        text = port.text(f"aer_rootport_total_err_{suffix}")
        if isinstance(text, str):
            totals[severity] = _count(text)
        elif port.tree.exists(port.folder / f"aer_rootport_total_err_{suffix}"):
            totals[severity] = text
    unread = [count for count in totals.values() if isinstance(count, Unavailable)]
    if not totals:
        return Unavailable(f"{port.address} shows no count of the error messages that it received")
    if len(unread) == len(totals):
        return unread[0]
    kept = keeper(port)
    return Unavailable(kept.why) if kept.who == "nobody" else totals


def _epoch(function: PciFunction) -> str:
    """Changes when the kernel's counters start anew: at a boot, or when Linux has lost the function and found it.

    The folder's inode number stands for the latter: sysfs gives a new folder a new one (Linux fs/kernfs/dir.c). Its
    times would not do: they are those of the first look at it. A reset keeps the kernel's counters, so the epoch.
    """
    boot = function.tree.text(_BOOT_ID) if not function.tree.name else "recorded"
    try:
        return (
            f"boot {boot} folder {function.tree.incarnation(function.folder)}" if isinstance(boot, str) else "unknown"
        )
    except OSError:
        return "unknown"


def _table(text: str | Unavailable, names: Iterable[str], flagged: Iterable[str]) -> dict[str, Count]:
    """Counts of one aer_dev_* file: rows of a label, which may hold spaces, and a number."""
    if isinstance(text, Unavailable):
        return dict.fromkeys(names, text)
    counts: dict[str, Count] = {}
    for row in text.splitlines()[:_MOST_ROWS]:
        label, number = (*row.rsplit(maxsplit=1), "", "")[:2]
        if label == _NO_ERROR and number == "0":
            continue
        if label and not label.startswith("TOTAL_ERR_"):
            counts[canonical_name(label.strip()[:80])] = _count(number)
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
