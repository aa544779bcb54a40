"""One end of a link as Linux shows it: speed and width from its own files, the rest from configuration space.

Spellings: Linux Documentation/ABI/testing/sysfs-bus-pci, drivers/pci/pci.c, drivers/pci/pcie/aspm.c.
"""

from __future__ import annotations

import re

from attrs import frozen

from laneproof.pcie import WIDTHS, Link
from laneproof.readings import PartnerLink, Unavailable
from laneproof_drivers.sysfs import ALL_ONES, NO_ANSWER, WHOLE, PciFunction

_SPEED = re.compile(r"([0-9]{1,3}(?:\.[0-9]{1,3})?) GT/s(?: PCIe)?")
CONVENTIONAL = 256
"""Bytes of configuration space in which a link stands: all that is read of one while data move."""
_ASPM_FILES = {"L0s": "l0s_aspm", "L1": "l1_aspm", "L1.1": "l1_1_aspm", "L1.2": "l1_2_aspm"}


@frozen
class LinkSeen:
    """One partner's link, why what is missing is missing, and the slot power limit of a port that has set one."""

    partner: PartnerLink | Unavailable
    gaps: tuple[str, ...]
    slot_power_w: float | None = None


def read_end(function: PciFunction, nbytes: int = WHOLE) -> LinkSeen:
    """This function's end of its link. Current speed and width are not taken from a link that is down.

    The link stands within `CONVENTIONAL` bytes of configuration space; the rest only has oddities to be told of.
    """
    function = function.link_owner
    if not function.shows_link():
        return LinkSeen(Unavailable(f"{function.address} has no PCI Express link that Linux shows"), ())
    image = function.image(nbytes)
    if not isinstance(image, Unavailable) and image[:4] == ALL_ONES:  # Linux takes the ones of its registers for speeds
        return LinkSeen(Unavailable(f"{function.address} {NO_ANSWER}"), ())
    gaps: list[str] = []
    max_speed_gtps, max_width = _speed(function, "max_link_speed", gaps), _width(function, "max_link_width", gaps)
    space = function.decoded(image)
    link: Link | None = None
    slot_power_w: float | None = None
    max_payload: int | None = None
    read_request: int | None = None
    if isinstance(space, Unavailable):
        gaps.append(space.why)
    else:
        gaps += [f"{function.address}: {oddity}" for oddity in space.oddities]
        link = space.link
        slot_power_w = None if space.slot is None else space.slot.power_limit_w or None
        max_payload = None if space.payload is None else space.payload.set
        read_request = None if space.payload is None else space.payload.read_request
    active = None if link is None else link.dl_active
    speed_gtps: float | None = None
    width: int | None = None
    if active is False:
        # Both fields are undefined while the link is not up (from memory of the base specification).
        gaps.append(f"{function.address}: its data link is down, so it has no speed and width")
    else:
        speed_gtps = _speed(function, "current_link_speed", gaps)
        width = _width(function, "current_link_width", gaps)
    shown = (speed_gtps, width, max_speed_gtps, max_width, active)
    if all(value is None for value in shown):
        return LinkSeen(Unavailable("; ".join(gaps)), ())
    partner = PartnerLink(
        name=function.address,
        speed_gtps=speed_gtps,
        width=width,
        max_speed_gtps=max_speed_gtps,
        max_width=max_width,
        max_payload=max_payload,
        read_request=read_request,
        active=active,
        bandwidth_management=None if link is None else link.bandwidth_management,
        autonomous_bandwidth=None if link is None else link.autonomous_bandwidth,
    )
    return LinkSeen(partner, tuple(gaps), slot_power_w)


def aspm_enabled(far: PciFunction) -> tuple[str, ...] | None:
    """Link power states that are switched on, as Linux shows them at a link's lower end, or that end's registers do.

    None where neither shows it. The files are there for everybody, for links on which Linux manages these states.
    """
    texts = {state: far.text(f"link/{file}") for state, file in _ASPM_FILES.items()}
    if any(isinstance(text, str) for text in texts.values()):
        return tuple(state for state, text in texts.items() if text == "1")
    space = far.config()
    if isinstance(space, Unavailable) or space.link is None:
        return None
    return space.link.aspm_enabled


def _speed(function: PciFunction, name: str, gaps: list[str]) -> float | None:
    text = function.text(name)
    if isinstance(text, Unavailable):
        gaps.append(text.why)
        return None
    match = _SPEED.fullmatch(text)
    if match is None or float(match[1]) == 0:
        gaps.append(f"{function.address}/{name} is {text[:40]!r}, which is no speed")
        return None
    return float(match[1])


def _width(function: PciFunction, name: str, gaps: list[str]) -> int | None:
    text = function.text(name)
    if isinstance(text, Unavailable):
        gaps.append(text.why)
        return None
    width = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else None
    if width in WIDTHS:
        return width
    reason = {0: "so no lanes are known", 63: "all ones: the function does not answer"}.get(
        -1 if width is None else width, "which is no width"
    )
    gaps.append(f"{function.address}/{name} is {text[:40]!r}, {reason}")
    return None
