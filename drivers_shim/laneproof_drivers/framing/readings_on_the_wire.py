"""Link and error readings as payloads: the answers to READ. Nothing here takes a reading."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping

from laneproof.readings import AtLeast, Count, ErrorReading, Exact, LinkReading, PartnerErrors, PartnerLink, Unavailable
from laneproof_drivers.framing.messages import Malformed, Reader, text

_FLAGS = ("active", "bandwidth_management", "autonomous_bandwidth")
"""Bit 0, 1 and 2 of the two bytes that say what is shown, and what it is."""
_LINK = "HBHBHHBB"
_SEVERITIES = ("correctable", "nonfatal", "fatal")
_EXACT, _AT_LEAST, _BLIND, _UNAVAILABLE = range(4)
_MOST = (1 << 32) - 1


def packed_link(reading: LinkReading) -> bytes:
    partners = b"".join(
        _unavailable(partner) if isinstance(partner, Unavailable) else b"\1" + _packed_partner(partner)
        for partner in (reading.near, reading.far)
    )
    return partners + bytes((min(reading.wiring or 0, 255),))


def read_link(payload: bytes) -> LinkReading:
    reader = Reader(payload)
    near, far = (_read_partner(reader) if reader.number("B") else Unavailable(reader.text()) for _ in range(2))
    wiring = reader.number("B")
    reader.end()
    return LinkReading(near=near, far=far, wiring=wiring or None)


def _unavailable(partner: Unavailable) -> bytes:
    return b"\0" + text(partner.why)


def _packed_partner(partner: PartnerLink) -> bytes:
    flags = [getattr(partner, name) for name in _FLAGS]
    numbers = (
        round((partner.speed_gtps or 0) * 10),
        partner.width or 0,
        round((partner.max_speed_gtps or 0) * 10),
        partner.max_width or 0,
        partner.max_payload or 0,
        partner.read_request or 0,
        sum((flag is not None) << bit for bit, flag in enumerate(flags)),
        sum(bool(flag) << bit for bit, flag in enumerate(flags)),
    )
    return text(partner.name) + struct.pack("<" + _LINK, *numbers)


def _read_partner(reader: Reader) -> PartnerLink:
    name = reader.text()
    speed, width, max_speed, max_width, max_payload, read_request, shown, flags = reader.numbers(_LINK)
    return PartnerLink(
        name=name,
        speed_gtps=speed / 10 or None,
        width=width or None,
        max_speed_gtps=max_speed / 10 or None,
        max_width=max_width or None,
        max_payload=max_payload or None,
        read_request=read_request or None,
        **{flag: bool(flags >> bit & 1) if shown >> bit & 1 else None for bit, flag in enumerate(_FLAGS)},
    )


def packed_errors(reading: ErrorReading) -> bytes:
    return b"".join(
        _unavailable(partner) if isinstance(partner, Unavailable) else b"\1" + _packed_errors(partner)
        for partner in (reading.near, reading.far)
    )


def read_errors(payload: bytes) -> ErrorReading:
    reader = Reader(payload)
    near, far = (_read_errors(reader) if reader.number("B") else Unavailable(reader.text()) for _ in range(2))
    reader.end()
    return ErrorReading(near=near, far=far)


def _packed_errors(partner: PartnerErrors) -> bytes:
    counts = [
        bytes((number,)) + text(name) + _packed_count(count)
        for number, severity in enumerate(_SEVERITIES)
        for name, count in _items(getattr(partner, severity))
    ]
    return text(partner.name) + text(partner.epoch) + struct.pack("<H", len(counts)) + b"".join(counts)


def _items(counts: Mapping[str, Count]) -> Iterable[tuple[str, Count]]:
    return counts.items()


def _packed_count(count: Count) -> bytes:
    if isinstance(count, Unavailable):
        return bytes((_UNAVAILABLE,)) + text(count.why)
    if isinstance(count, AtLeast):
        kind, n, why = _BLIND if count.blind else _AT_LEAST, count.n, text(count.why)
    else:
        kind, n, why = _EXACT, count.n, b""
    if n > _MOST:
        kind, n, why = _AT_LEAST, _MOST, text("more than four bytes can say")
    return bytes((kind,)) + struct.pack("<I", n) + why


def _read_errors(reader: Reader) -> PartnerErrors:
    name, epoch = reader.text(), reader.text()
    counts: dict[str, dict[str, Count]] = {severity: {} for severity in _SEVERITIES}
    for _ in range(reader.number("H")):
        severity = reader.number("B")
        if severity >= len(_SEVERITIES):
            raise Malformed(f"it has no severity {severity}")
        error = reader.text()
        counts[_SEVERITIES[severity]][error] = _read_count(reader)
    return PartnerErrors(name=name, epoch=epoch, **counts)


def _read_count(reader: Reader) -> Count:
    kind = reader.number("B")
    if kind == _UNAVAILABLE:
        return Unavailable(reader.text())
    if kind > _UNAVAILABLE:
        raise Malformed(f"it has no kind of count {kind}")
    n = reader.number("I")
    return Exact(n) if kind == _EXACT else AtLeast(n, reader.text(), blind=kind == _BLIND)
