"""The ceiling that a rate is held against, from the link as it was read. How a ceiling is computed is in `pcie`."""

from __future__ import annotations

from laneproof.pcie import Ceiling, bottleneck, ceiling
from laneproof.pcie.ceiling import Direction
from laneproof.readings import LinkReading, PartnerLink, known

ASSUMED_PAYLOAD = 128
"""The smallest payload setting there is, taken where neither partner shows its own; bytes."""
ASSUMED_READ_REQUEST = 512
"""The setting after a reset, taken where the card does not show its own; bytes."""


def link_ceiling(reading: LinkReading, direction: Direction = "both") -> tuple[Ceiling | None, str]:
    """The ceiling of the way to the card, as read: that of its link, or of one above that carries less.

    With it, what is to be said of it: which link it is, if not the card's own, and what had to be assumed.
    """
    seen = [partner for partner in (known(reading.near), known(reading.far)) if partner is not None]
    own = next((partner for partner in seen if partner.speed_gtps and partner.width), None)
    if own is None:
        return None, ""
    way = [(link.speed_gtps, link.width, link.name) for link in (own, *reading.above)]
    rates = [(speed, width, name) for speed, width, name in way if speed and width]
    speed, width, name = rates[bottleneck([(speed, width) for speed, width, _ in rates])]
    payloads, request = _packet_sizes(reading)
    assumptions = [] if payloads else [f"payload {ASSUMED_PAYLOAD} B"]
    assumptions += [] if request else [f"read request {ASSUMED_READ_REQUEST} B"]
    said = "" if name == own.name else f", that of the link below {name}, which carries less than the card's own"
    said += f" (assuming {' and '.join(assumptions)}, which cannot be read)" if assumptions else ""
    return _ceiling(speed, width, reading, direction), said


def ceiling_above(link: PartnerLink, reading: LinkReading, direction: Direction = "both") -> float | None:
    """What one link above the card's carries of packets such as this card's; None where its rate is not shown."""
    if not link.speed_gtps or not link.width:
        return None
    return _ceiling(link.speed_gtps, link.width, reading, direction).bytes_per_second


def _ceiling(speed_gtps: float, width: int, reading: LinkReading, direction: Direction) -> Ceiling:
    payloads, request = _packet_sizes(reading)
    return ceiling(
        speed_gtps,
        width,
        min(payloads, default=ASSUMED_PAYLOAD),
        direction=direction,
        read_request=request or ASSUMED_READ_REQUEST,
    )


def _packet_sizes(reading: LinkReading) -> tuple[list[int], int | None]:
    """Payload settings along the way, and the card's own read request: it is the card that reads."""
    seen = (known(reading.near), known(reading.far), *reading.above)
    payloads = [partner.max_payload for partner in seen if partner is not None and partner.max_payload]
    far = known(reading.far)
    return payloads, None if far is None else far.read_request
