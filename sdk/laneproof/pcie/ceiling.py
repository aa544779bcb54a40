"""How many payload bytes per second a link can carry at best, and which terms make up that number.

Rates after line coding come from `rates`, acknowledgement from `packets`. The card and the host count only where what
limits them is given: the reads that the card may have open at once, and how long one takes.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import attrs
from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie.packets import DLLP_NBYTES, LINK_OVERHEAD_NBYTES, ack_limit_symbols, check_packet_size
from laneproof.pcie.rates import FLIT_SHARE, line_code_share, link_bytes_per_s

Direction = Literal["to_card", "from_card", "both"]
Way = Literal["to_card", "from_card"]
Header = Literal["3dw", "4dw"]

MOST_TAGS = 15_360
"""Requests that 14-bit tags tell apart, from memory of the base specification; 32, 256, 768 with 5, 8, 10 bits."""

_HEADER_NBYTES = {"3dw": 12, "4dw": 16}
_ECRC_NBYTES = 4


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
    """The most payload per second, in bytes, and the terms behind it.

    The product of `terms` is `link_bytes_per_second`, what the link allows in the direction `bound_by`: the one asked
    for, and with "both" the slower of the two, each of which then carries that much. `tag_limit` is what reads allow,
    None where no tags were given or nothing is read; `bytes_per_second` is the lower of the two, and `limited_by` says
    which. `split_bytes_per_second` is the same ceiling if the host cuts every completion at the completion boundary, as
    it may; None where no completions flow. A rate between the two proves nothing against a slot. `not_counted` says in
    sentences what may hold the rate lower still.
    """

    bytes_per_second: float
    bound_by: Way
    limited_by: Literal["link", "tags"]
    terms: tuple[Term, ...]
    link_bytes_per_second: float
    tag_limit: Term | None
    split_bytes_per_second: float | None
    not_counted: tuple[str, ...]

    def __float__(self) -> float:
        return self.bytes_per_second

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts, lists, numbers, strings and None, ready for JSON."""
        return {
            **attrs.asdict(self),
            "terms": [attrs.asdict(term) for term in self.terms],
            "not_counted": list(self.not_counted),
        }


@frozen(kw_only=True)
class _Traffic:
    """Sizes in bytes. `header` is that of the card's own requests; a completion's is 3 DW."""

    payload: int
    completion: int
    read_request: int
    header: int
    ecrc: int
    framing: int
    link_packets: bool
    """Whether Ack and UpdateFC are packets between the others, as outside FLIT mode."""
    answer_interval: float
    """Bytes on the wire, all lanes together, before what came meanwhile has to be answered."""


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
    sris: bool = False,
    tags: int | None = None,
    round_trip_s: float | None = None,
) -> Ceiling:
    """Payload bytes per second at best, of a card that moves data by DMA, per direction.

    "to_card": the card reads the host's memory, and completions carry the payload. "from_card": it writes there.
    "both": both at once at the same rate, each direction also carrying the other's read requests and acknowledgements.
    `header` is that of the card's requests, 4 DW unless given, as addresses above 4 GiB need. `flit` None means FLIT
    mode at 64 GT/s only; there it cannot be left out. `read_request` is in bytes; `completion_boundary`, 64 or 128,
    is the host's read completion boundary. `sris`: separate reference clocks with spread spectrum, which need more SKP
    ordered sets. `tags` reads open at once, each answered after `round_trip_s`, limit reads to tags × read request ÷
    round trip; both are given or neither. Raises BadInput for a value that the standard does not have.
    """
    _check(direction, header, completion_boundary)
    check_packet_size("payload", max_payload)
    check_packet_size("read request", read_request)
    tag_limit = _tag_limit(tags, read_request, round_trip_s)
    line_bytes_per_s = link_bytes_per_s(speed_gtps, width)
    flit_mode = speed_gtps == 64.0 if flit is None else bool(flit)
    if speed_gtps == 64.0 and not flit_mode:
        raise BadInput("64 GT/s runs in FLIT mode only; leave flit out or set it")
    traffic = _Traffic(
        payload=max_payload,
        completion=min(max_payload, read_request),
        read_request=read_request,
        header=_HEADER_NBYTES[header or "4dw"],
        ecrc=_ECRC_NBYTES if ecrc else 0,
        framing=0 if flit_mode else LINK_OVERHEAD_NBYTES,
        link_packets=not flit_mode,
        answer_interval=ack_limit_symbols(speed_gtps, width, max_payload) * width,
    )
    link_terms = _link_terms(speed_gtps, line_bytes_per_s, flit_mode, sris)

    def bound(seen: _Traffic) -> tuple[float, Way, tuple[Term, ...]]:
        ways: list[tuple[float, Way, tuple[Term, ...]]] = []
        if direction != "from_card":
            terms = link_terms + _to_card(seen, writes=direction == "both")
            ways.append((_product(terms), "to_card", terms))
        if direction != "to_card":
            terms = link_terms + _from_card(seen, reads=direction == "both")
            ways.append((_product(terms), "from_card", terms))
        return min(ways, key=lambda way: way[0])

    link_rate, bound_by, terms = bound(traffic)
    split = bound(attrs.evolve(traffic, completion=completion_boundary))[0]
    not_counted = ["What the card and the host take for themselves, such as descriptors and interrupts."]
    if direction == "from_card":
        tag_limit = None
    elif tag_limit is None:
        not_counted.append(
            "Reads that the card may have open at once, and their round trip: neither was given, and a card with too "
            "few tags is slower without any fault of the slot."
        )
    reads = math.inf if tag_limit is None or tag_limit.bytes_per_second is None else tag_limit.bytes_per_second
    return Ceiling(
        bytes_per_second=min(link_rate, reads),
        bound_by=bound_by,
        limited_by="tags" if reads < link_rate else "link",
        terms=terms,
        link_bytes_per_second=link_rate,
        tag_limit=tag_limit,
        split_bytes_per_second=None if direction == "from_card" else min(split, reads),
        not_counted=tuple(not_counted),
    )


def _check(direction: str, header: str | None, completion_boundary: int) -> None:
    if direction not in ("to_card", "from_card", "both"):
        raise BadInput(f'"{direction}" is no direction; use to_card, from_card or both')
    if header not in (None, *_HEADER_NBYTES):
        raise BadInput(f'"{header}" is no packet header; use 3dw or 4dw')
    if completion_boundary not in (64, 128):
        raise BadInput(f"{completion_boundary} bytes is no read completion boundary; use 64 or 128")


def _tag_limit(tags: int | None, read_request: int, round_trip_s: float | None) -> Term | None:
    if tags is None and round_trip_s is None:
        return None
    if tags is None or round_trip_s is None:
        raise BadInput("tags limit reads by their round trip; give both tags and round trip, or neither")
    if not 1 <= tags <= MOST_TAGS:
        raise BadInput(f"{tags} is no number of tags; use 1 to {MOST_TAGS}, for instance 32, 256 or 768")
    if not (0 < round_trip_s < math.inf):
        raise BadInput(f"{round_trip_s:g} s is no round trip; use a time above zero, for instance 1e-6")
    rate = tags * read_request / round_trip_s
    if not math.isfinite(rate):
        raise BadInput(f"{round_trip_s:g} s is too short for a round trip; use for instance 1e-6")
    source = f"{tags} read requests of {read_request} bytes in each round trip, as given"
    return Term("tags", source, assumed=True, bytes_per_second=rate)


def _link_terms(speed_gtps: float, line_bytes_per_s: float, flit_mode: bool, sris: bool) -> tuple[Term, ...]:
    """What the link carries before any packet is on it."""
    share = line_code_share(speed_gtps)
    terms = (
        Term("transfers", "speed times width, 8 bits a byte", bytes_per_second=line_bytes_per_s / share),
        Term("line code", "Linux drivers/pci/pci.h, PCIE_SPEED2MBS_ENC", factor=share),
        _skip_term(speed_gtps, flit_mode, sris),
    )
    if not flit_mode:
        return terms
    source = "236 of 256 bytes carry packets; acknowledgement and flow control are in the rest, from memory"
    return (*terms, Term("flits", source, assumed=True, factor=FLIT_SHARE))


def _skip_term(speed_gtps: float, flit_mode: bool, sris: bool) -> Term:
    """The longest interval allowed, of 1180 to 1538 symbols say: a ceiling counts the least that must be sent."""
    if speed_gtps <= 5.0:
        factor, source = (1 - 4 / 154, "4 symbols in 154") if sris else (1 - 4 / 1538, "4 symbols in 1538")
    else:
        factor, source = (1 - 1 / 38, "one block in 38") if sris else (1 - 1 / 375, "one block in 375")
    if sris:
        source += " with separate clocks"
    if flit_mode:
        source += ", taken as outside FLIT mode"
    assumed = sris or flit_mode
    source += f", from {'memory' if assumed else 'public IP manuals'}"
    return Term("SKP ordered sets", source, assumed=assumed, factor=factor)


def _to_card(traffic: _Traffic, *, writes: bool) -> tuple[Term, ...]:
    """Completions; beside them what answers the card's read requests and, with "both", its writes.

    Credits for reads and for writes are granted by an UpdateFC of their own each.
    """
    wire, packet_terms = _packet_terms(traffic, traffic.completion, _HEADER_NBYTES["3dw"])
    arriving = [1 / traffic.read_request, *([1 / traffic.payload] if writes else [])]
    return *_answer_terms(traffic, wire, sum(arriving), arriving), *packet_terms


def _from_card(traffic: _Traffic, *, reads: bool) -> tuple[Term, ...]:
    """Posted writes; with "both", read requests and what answers the completions too: an Ack, and no UpdateFC.

    An endpoint grants completions unlimited room once and for all, since it asks only for what it can take in.
    """
    wire, packet_terms = _packet_terms(traffic, traffic.payload, traffic.header)
    if not reads:
        return packet_terms
    with_requests = wire + (traffic.header + traffic.ecrc + traffic.framing) / traffic.read_request
    source = f"one request for each {traffic.read_request} bytes read"
    requests = Term("read requests", source, factor=wire / with_requests)
    return *_answer_terms(traffic, with_requests, 1 / traffic.completion, []), requests, *packet_terms


def _packet_terms(traffic: _Traffic, payload: int, header: int) -> tuple[float, tuple[Term, ...]]:
    """Bytes on the wire for each byte of payload, and what makes them more than one."""
    terms: list[Term] = []
    packet = payload + header + traffic.ecrc
    if traffic.framing:
        whole = packet + traffic.framing
        source = f"{packet} of {whole} bytes: framing, sequence number, LCRC; P/(P+O), Intel AN 456"
        terms.append(Term("framing", source, factor=packet / whole))
    if traffic.ecrc:
        source = f"{payload + header} of {packet} bytes: 4 bytes a packet"
        terms.append(Term("ECRC", source, factor=(payload + header) / packet))
    source = f"{payload} of {payload + header} bytes: {header // 4} DW; P/(P+O), Intel AN 456"
    if not traffic.framing:
        source = f"{payload} of {payload + header} bytes: {header // 4} DW as outside FLIT mode, from memory"
    terms.append(Term("header", source, assumed=not traffic.framing, factor=payload / (payload + header)))
    return (packet + traffic.framing) / payload, tuple(terms)


def _answer_terms(traffic: _Traffic, wire: float, acked: float, credited: list[float]) -> tuple[Term, ...]:
    """What link packets leave. All are numbers for each byte of payload: `wire` bytes of packets out, `acked` packets
    in, and for each kind of finite credits the packets in that use them up."""
    if not traffic.link_packets:
        return ()
    most = wire / traffic.answer_interval
    updates = DLLP_NBYTES * sum(min(kind, most) for kind in credited)
    acks = DLLP_NBYTES * min(acked, most)
    terms = [
        Term(
            "acknowledgement",
            "one Ack of 8 bytes in each Ack latency limit of the base specification",
            assumed=True,
            factor=(wire + updates) / (wire + updates + acks),
        )
    ]
    if credited:
        source = "UpdateFC of 8 bytes for reads and for writes, as often as an Ack; none for completions"
        terms.append(Term("flow control", source, assumed=True, factor=wire / (wire + updates)))
    return tuple(terms)


def _product(terms: tuple[Term, ...]) -> float:
    return math.prod(term.bytes_per_second or term.factor or 1.0 for term in terms)
