"""What stands out about one link, in sentences: errors counted, lanes or speed missing, a slower link above it.

Each function yields nothing where nothing stands out. A survey is no verdict: it reads an idle computer once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from laneproof.pcie import ConfigSpace
from laneproof.readings import Count, HostFunction, LinkReading, PartnerErrors, PartnerLink, Unavailable, known
from laneproof_drivers.error_counters import LINK_ERRORS, SEVERITIES, keeper, read_counters
from laneproof_drivers.pci_path import PathLink, Slowest, payload_remarks
from laneproof_drivers.sysfs import PciFunction

_IDLE = "an idle link may be shifted down by power management, so read it again under load"
_ERROR_FLAGS = {"CED": "correctable", "NFED": "nonfatal", "FED": "fatal", "URD": "unsupported request"}
"""Device Status, as in linux/pci_regs.h."""


def counted(ends: Iterable[PartnerErrors | Unavailable], aspm: tuple[str, ...] | None) -> Iterator[str]:
    """What the counts themselves do not show: counts that fail, flags that hide events, power states beside errors."""
    on_the_link = False
    for end in ends:
        if isinstance(end, Unavailable):
            continue
        for severity in SEVERITIES:
            counts = getattr(end, severity)
            on_the_link = on_the_link or any(name in LINK_ERRORS for name in _seen(counts))
            yield from sorted({count.why for count in counts.values() if isinstance(count, Unavailable)})
            blind = [name for name, count in counts.items() if getattr(count, "blind", False)]
            if blind:
                yield (
                    f"{end.name} is blind to further {severity} errors of these kinds, for their flags stay set: "
                    f"{', '.join(blind)}"
                )
    if on_the_link and aspm:
        yield (
            f"link errors were counted with link power states on ({', '.join(aspm)}): switch them off, and see whether "
            "the errors stop"
        )


def counted_apart(functions: Sequence[PciFunction]) -> Iterator[str]:
    """Errors of a device's further functions that are no link errors, and so their own."""
    for function in functions[1:]:
        errors = read_counters(function)
        if isinstance(errors, Unavailable):
            continue
        for severity in SEVERITIES:
            own = {name: n for name, n in _seen(getattr(errors, severity)).items() if name not in LINK_ERRORS}
            if own:
                yield f"{function.address} has counted {severity} errors of its own, these at least: {_listed(own)}"


def flagged(functions: Sequence[PciFunction]) -> Iterator[str]:
    """Error flags of functions whose counts are not known: something happened, once or often."""
    for function in functions:
        space = function.config()
        if isinstance(space, Unavailable) or not isinstance(read_counters(function), Unavailable):
            continue
        flags = [words for name, words in _ERROR_FLAGS.items() if name in (space.device_status or ())]
        if flags:
            yield (
                f"{function.address}: its error counts are not known, and its flags for these errors are set: "
                f"{', '.join(flags)}"
            )


def silent(functions: Sequence[PciFunction]) -> Iterator[str]:
    """Errors that an end does not report, so that Linux's counts of them stand still: switched off, or masked.

    Messages leave with the enables of Device Control, the uncorrectable ones also with SERR of Command; what is masked
    sends none (base specification, from memory).
    """
    for function in functions:
        space = function.config()
        if isinstance(space, Unavailable) or space.device is None or keeper(function).who != "kernel":
            continue
        switches = space.device.control
        off = [] if "CERE" in switches else ["correctable"]
        if "SERR" not in space.command:
            off += [words for name, words in (("NFERE", "nonfatal"), ("FERE", "fatal")) if name not in switches]
        if off:
            yield f"{function.address} is not set to report {', '.join(off)} errors: Linux counts none of them there"
        masked = [] if space.aer is None else [*space.aer.correctable.mask, *space.aer.uncorrectable.mask]
        hidden = [name for name in masked if name in LINK_ERRORS]
        if hidden:
            yield f"{function.address} masks these link errors, so that Linux counts none there: {', '.join(hidden)}"


def received(port: PciFunction, messages: Mapping[str, Count] | Unavailable) -> Iterator[str]:
    """Error messages at a root port, which stand for all that is below it; said once, at its own link."""
    if isinstance(messages, Unavailable) or port.bridge is not None:
        return
    seen = _seen(messages)
    if seen:
        yield (
            f"{port.address} has received error messages from itself and everything below it, these at least: "
            f"{_listed(seen)}"
        )


def short_of(reading: LinkReading) -> Iterator[str]:
    """Less speed or width than both ends, and the wiring where it is declared, could have."""
    near, far = known(reading.near), known(reading.far)
    if near is None or far is None:
        return
    for what, one, other in (("speed", near.speed_gtps, far.speed_gtps), ("width", near.width, far.width)):
        if one and other and one != other:
            yield f"the ends differ in {what}: {one:g} at {near.name}, {other:g} at {far.name}; read them again"
    speed_gtps = far.speed_gtps or near.speed_gtps
    if speed_gtps and near.max_speed_gtps and far.max_speed_gtps:
        best_gtps = min(near.max_speed_gtps, far.max_speed_gtps)
        if speed_gtps < best_gtps:
            yield f"trained below what both ends can: {speed_gtps:g} of {best_gtps:g} GT/s; {_IDLE}"
    width = far.width or near.width
    if width and near.max_width and far.max_width:
        widest = min(near.max_width, far.max_width)
        wired = reading.wiring if reading.wiring and reading.wiring < widest else None
        if wired and width > wired:
            yield f"the platform's slot record says x{wired} wired and is wrong: the link has x{width}"
            wired = None
        if width < (wired or widest):
            what = "the slot's wiring" if wired else "both ends"
            yield (
                f"trained below what {what} can: x{width} of x{wired or widest}; {_IDLE}, or look at the slot's "
                f"contacts{'' if reading.wiring else ' and wiring'}"
            )
        elif wired:
            yield f"both ends can x{widest}; the slot has x{wired} wired, and the link has it"


def limited(path: Sequence[PathLink], slowest: Slowest | None) -> Iterator[str]:
    """A link further up that carries less than this one."""
    if slowest is not None and slowest.limits(path[-1]):
        yield f"what this link carries is limited further up, by {slowest}"


def payload(path: Sequence[PathLink], far: PciFunction | None) -> Iterator[str]:
    if far is not None and not far.below():
        yield from payload_remarks(path)


def noted(port: PciFunction, near: PartnerLink | Unavailable) -> Iterator[str]:
    """Changes of bandwidth, told apart; and a link that containment has taken down."""
    seen = known(near)
    if seen is not None and seen.bandwidth_management:
        yield (
            f"{port.address} has noted a change of speed or width that was not the link's own choice (LBMS): it was "
            "not reliable, or software retrained it"
        )
    if seen is not None and seen.autonomous_bandwidth:
        yield f"{port.address} has noted a change of speed or width by the link's own choice (LABS): no sign of a fault"
    space = port.config()
    if isinstance(space, ConfigSpace) and space.dpc is not None and space.dpc.triggered:
        yield f"{port.address} has contained an error and keeps its link down: {space.dpc.reason or 'reason not shown'}"


def asleep(functions: Iterable[HostFunction]) -> Iterator[str]:
    for function in functions:
        if function.runtime_status in ("suspended", "suspending", "resuming"):
            yield (
                f"{function.address} was {function.runtime_status} by power management when it was looked at: its link "
                "may have been down or slow for that reason"
            )


def _seen(counts: Mapping[str, Count]) -> dict[str, int]:
    return {name: count.n for name, count in counts.items() if not isinstance(count, Unavailable) and count.n}


def _listed(seen: dict[str, int]) -> str:
    return ", ".join(f"{name} {n}" for name, n in seen.items())
