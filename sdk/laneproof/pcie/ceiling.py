"""How many payload bytes per second a link can carry at best, and which terms make up that number.

Rates after line coding come from `rates`. Only the link is counted: not the tags that a card has, nor the round trip
to memory, so a card may well be slower without the slot being at fault.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import attrs
from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie.rates import line_code_share, link_bytes_per_s

Direction = Literal["to_card", "from_card", "both"]
Header = Literal["3dw", "4dw"]

_SIZES = (128, 256, 512, 1024, 2048, 4096)
_HEADER_NBYTES = {"3dw": 12, "4dw": 16}

# Sequence number, LCRC and framing of one packet: 2 + 4 + 2 with 8b/10b, 4 (token with sequence) + 4 with 128b/130b.
_LINK_NBYTES = 8
_ECRC_NBYTES = 4
_DLLP_NBYTES = 8
_FLIT_SHARE = 236 / 256
_ACK_PACKET_NBYTES = 28

# The base specification's AckFactor by width: how many packets of the largest payload, each with 28 bytes of its own,
# may arrive before an acknowledgement is due. Its Ack latency tables, quoted in public IP manuals, follow from it; the
# factors for payloads from 256 bytes on are from memory of these tables.
_ACK_FACTOR_SMALL = {1: 1.4, 2: 1.4, 4: 1.4, 8: 2.5, 12: 3.0, 16: 3.0, 32: 3.0}
_ACK_FACTOR_LARGE = {1: 1.0, 2: 1.0, 4: 1.0, 8: 1.0, 12: 2.0, 16: 2.0, 32: 2.0}


@frozen
class Term:
    """One reason why the ceiling is where it is: either a rate or a factor, the other one None.

    `assumed` marks what rests on an assumption or on memory rather than on the public source named.
    """

    name: str
    source: str
    assumed: bool = False
    factor: float | None = None
    bytes_per_second: float | None = None


@frozen(kw_only=True)
class Ceiling:
    """The most payload per second, in bytes, and the terms whose product it is.

    `bound_by` is the direction that the terms describe: the one asked for, and with "both" the slower of the two,
    each of which then carries `bytes_per_second`. `split_bytes_per_second` is the same ceiling if the host cuts every
    completion at the completion boundary, as it may; None where no completions flow. A rate between the two proves
    nothing against a slot.
    """

    bytes_per_second: float
    bound_by: Literal["to_card", "from_card"]
    terms: tuple[Term, ...]
    split_bytes_per_second: float | None

    def __float__(self) -> float:
        return self.bytes_per_second

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts, lists, numbers, strings and None, ready for JSON."""
        return {**attrs.asdict(self), "terms": [attrs.asdict(term) for term in self.terms]}


@frozen(kw_only=True)
class _Traffic:
    """Sizes in bytes. `header` is that of the card's own requests; a completion's is 3 DW."""

    payload: int
    completion: int
    read_request: int
    header: int
    per_packet: int
    """What each packet costs beside header and payload."""
    per_answer: int
    """What one Ack and one UpdateFC cost the direction that is free to send them."""
    answer_interval: float
    """Bytes of time on the wire after which the packets that came meanwhile have to be answered."""


def ceiling(
    speed_gtps: float,
    width: int,
    max_payload: int,
    *,
    direction: Direction = "both",
    flit: bool | None = None,
    header: Header | None = None,
    ecrc: bool = False,
    read_request: int = 512,
    completion_boundary: int = 64,
) -> Ceiling:
    """Payload bytes per second at best, of a card that moves data by DMA, per direction.

    "to_card": the card reads the host's memory, and completions carry the payload. "from_card": it writes there.
    "both": both at once at the same rate, each direction also carrying the other's read requests and acknowledgements.
    `header` is that of the card's requests, 4 DW unless given, as addresses above 4 GiB need. `flit` None means FLIT
    mode at 64 GT/s only; there it cannot be left out. `read_request` is in bytes; `completion_boundary`, 64 or 128,
    is the host's read completion boundary. Raises BadInput for a value that the standard does not have.
    """
    _check(direction, max_payload, header, read_request, completion_boundary)
    line_bytes_per_s = link_bytes_per_s(speed_gtps, width)
    flit_mode = speed_gtps == 64.0 if flit is None else bool(flit)
    if speed_gtps == 64.0 and not flit_mode:
        raise BadInput("64 GT/s runs in FLIT mode only; leave flit out or set it")
    factors = _ACK_FACTOR_SMALL if max_payload <= 256 else _ACK_FACTOR_LARGE
    traffic = _Traffic(
        payload=max_payload,
        completion=min(max_payload, read_request),
        read_request=read_request,
        header=_HEADER_NBYTES[header or "4dw"],
        per_packet=(0 if flit_mode else _LINK_NBYTES) + (_ECRC_NBYTES if ecrc else 0),
        per_answer=0 if flit_mode else 2 * _DLLP_NBYTES,
        answer_interval=factors[width] * (max_payload + _ACK_PACKET_NBYTES),
    )
    link_terms = _link_terms(speed_gtps, line_bytes_per_s, flit_mode)

    def bound(seen: _Traffic) -> tuple[float, Literal["to_card", "from_card"], tuple[Term, ...]]:
        ways: list[tuple[float, Literal["to_card", "from_card"], tuple[Term, ...]]] = []
        if direction != "from_card":
            terms = link_terms + _to_card(seen, flit_mode, writes=direction == "both")
            ways.append((_product(terms), "to_card", terms))
        if direction != "to_card":
            terms = link_terms + _from_card(seen, flit_mode, reads=direction == "both")
            ways.append((_product(terms), "from_card", terms))
        return min(ways, key=lambda way: way[0])

    rate, bound_by, terms = bound(traffic)
    split = None if direction == "from_card" else bound(attrs.evolve(traffic, completion=completion_boundary))[0]
    return Ceiling(bytes_per_second=rate, bound_by=bound_by, terms=terms, split_bytes_per_second=split)


def _check(direction: str, max_payload: int, header: str | None, read_request: int, completion_boundary: int) -> None:
    if direction not in ("to_card", "from_card", "both"):
        raise BadInput(f'"{direction}" is no direction; use to_card, from_card or both')
    for what, nbytes in (("payload", max_payload), ("read request", read_request)):
        if nbytes not in _SIZES:
            raise BadInput(f"{nbytes} bytes is no {what} size; use one of {', '.join(map(str, _SIZES))}")
    if header not in (None, *_HEADER_NBYTES):
        raise BadInput(f'"{header}" is no packet header; use 3dw or 4dw')
    if completion_boundary not in (64, 128):
        raise BadInput(f"{completion_boundary} bytes is no read completion boundary; use 64 or 128")


def _link_terms(speed_gtps: float, line_bytes_per_s: float, flit_mode: bool) -> tuple[Term, ...]:
    """What the link carries before any packet is on it."""
    share = line_code_share(speed_gtps)
    if speed_gtps <= 5.0:
        # The longest interval of 1180 to 1538 symbols: a ceiling counts the least that must be sent.
        skip = Term("SKP ordered sets", "4 symbols in 1538, from public IP manuals", factor=1 - 4 / 1538)
    elif speed_gtps <= 32.0:
        skip = Term("SKP ordered sets", "one block in 375, from public IP manuals", factor=1 - 1 / 375)
    else:
        skip = Term("SKP ordered sets", "taken as at 32 GT/s, from memory", assumed=True, factor=1 - 1 / 375)
    terms = (
        Term("transfers", "speed times width, 8 bits a byte", bytes_per_second=line_bytes_per_s / share),
        Term("line code", "Linux drivers/pci/pci.h, PCIE_SPEED2MBS_ENC", factor=share),
        skip,
    )
    if not flit_mode:
        return terms
    source = "236 of 256 bytes carry packets; acknowledgement and flow control are in the rest, from memory"
    return (*terms, Term("flits", source, assumed=True, factor=_FLIT_SHARE))


def _to_card(traffic: _Traffic, flit_mode: bool, *, writes: bool) -> tuple[Term, ...]:
    """Completions; beside them what answers the card's read requests and, with "both", its writes."""
    packet = traffic.completion + _HEADER_NBYTES["3dw"] + traffic.per_packet
    arriving = 1 / traffic.read_request + (1 / traffic.payload if writes else 0.0)
    packets = _packet_term(traffic.completion, packet, flit_mode)
    return packets, *_answer_terms(traffic, packet / traffic.completion, arriving)


def _from_card(traffic: _Traffic, flit_mode: bool, *, reads: bool) -> tuple[Term, ...]:
    """Posted writes; with "both", read requests and what answers the completions too."""
    packet = traffic.payload + traffic.header + traffic.per_packet
    packets, wire = _packet_term(traffic.payload, packet, flit_mode), packet / traffic.payload
    if not reads:
        return packets, *_answer_terms(traffic, wire, 0.0)
    with_requests = wire + (traffic.header + traffic.per_packet) / traffic.read_request
    source = f"one request for each {traffic.read_request} bytes read"
    requests = Term("read requests", source, factor=wire / with_requests)
    return packets, requests, *_answer_terms(traffic, with_requests, 1 / traffic.completion)


def _packet_term(payload: int, packet: int, flit_mode: bool) -> Term:
    source = f"{payload} of {packet} bytes are payload: P/(P+O), Intel AN 456"
    if flit_mode:
        source = f"{payload} of {packet} bytes are payload, header sizes as outside FLIT mode, from memory"
    return Term("packets", source, assumed=flit_mode, factor=payload / packet)


def _answer_terms(traffic: _Traffic, wire: float, arriving: float) -> tuple[Term, ...]:
    """What link packets leave; `wire` bytes of packets out and `arriving` packets in for each byte of payload."""
    if not traffic.per_answer:
        return ()
    answers = traffic.per_answer * min(arriving, wire / traffic.answer_interval)
    source = "one Ack and one UpdateFC, 8 bytes each, as seldom as the base specification's AckFactor allows"
    return (Term("acknowledgement and flow control", source, assumed=True, factor=wire / (wire + answers)),)


def _product(terms: tuple[Term, ...]) -> float:
    return math.prod(term.bytes_per_second or term.factor or 1.0 for term in terms)
