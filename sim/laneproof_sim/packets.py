"""Sizes and times of packets on a link: what one transfer puts on each direction, and how long things take.

Sources: overheads and SKP intervals as in the public IP manuals that the project's check values name; Ack latency
limits from the base specification's tables, and as much for UpdateFC, for which it recommends the same. Assumed, and
the same at both ends: while packets come, one Ack and for each kind of request one UpdateFC in each such limit (less a
twentieth, since a limit is not aimed at); the card's requests have 4-DW headers, completions 3-DW; the host answers a
read in completions of the largest size allowed.
"""

from __future__ import annotations

from typing import Literal

import attrs
from attrs import frozen

from laneproof.pcie import packets, rates
from laneproof_sim.scenario import Link, Slot
from laneproof_sim.training import Trained

DLLP_NBYTES = packets.DLLP_NBYTES
WRITE_OVERHEAD_NBYTES = 24
"""Framing with sequence number, 4-DW header and LCRC of a memory request."""
COMPLETION_OVERHEAD_NBYTES = 20
"""The same with the 3-DW header of a completion."""
ECRC_NBYTES = 4
"""What an end-to-end CRC adds to a packet."""

_ANSWER_SHARE = 0.95
_LONG_REPLAY_TIMER_SYMBOLS = sum(packets.LONG_REPLAY_TIMER_SYMBOLS) / 2

Kind = Literal["tlp", "dllp"]


@frozen(kw_only=True)
class Load:
    """`count` packets of one kind, `nbytes` in all on the wire, sent back to back."""

    kind: Kind
    count: int
    nbytes: float


@frozen(kw_only=True)
class LinkTiming:
    """What speed, width and payload settle for one link. Times in seconds, rates in bytes per second and direction."""

    speed_gtps: float
    width: int
    max_payload: int
    completion: int
    read_request: int
    answer_interval_s: float
    """From one Ack, and for each kind of request one UpdateFC, to the next while packets come without end."""
    bytes_per_s: float
    """After line coding and SKP ordered sets."""
    nak_round_trip_s: float
    """From the end of a refused packet to the start of its replay: both ends take one Ack latency limit."""
    replay_timer_s: float
    digest_nbytes: int = 0
    """What each packet carries for an end-to-end CRC."""

    def asked_for(self, read_request: int, completion: int, digest_nbytes: int) -> LinkTiming:
        """The same link for a card with such requests, completions and packets."""
        return attrs.evolve(self, read_request=read_request, completion=completion, digest_nbytes=digest_nbytes)

    @property
    def line_bits_per_s(self) -> float:
        """Bits on each lane, line coding included."""
        return self.speed_gtps * 1e9

    def requests(self, nbytes: int) -> Load:
        """Memory reads with which the card asks for `nbytes`."""
        count = _ceil(nbytes, self.read_request)
        return Load(kind="tlp", count=count, nbytes=count * (WRITE_OVERHEAD_NBYTES + self.digest_nbytes))

    def completions(self, nbytes: int) -> Load:
        """Completions that carry `nbytes` towards the card."""
        count = _ceil(nbytes, self.completion)
        return Load(kind="tlp", count=count, nbytes=nbytes + count * (COMPLETION_OVERHEAD_NBYTES + self.digest_nbytes))

    def writes(self, nbytes: int) -> Load:
        """Posted writes that carry `nbytes` from the card."""
        count = _ceil(nbytes, self.max_payload)
        return Load(kind="tlp", count=count, nbytes=nbytes + count * (WRITE_OVERHEAD_NBYTES + self.digest_nbytes))

    def echo_bytes_per_s(self) -> float:
        """Payload per second, out and back at once, of transfers so long that nothing else counts."""
        unit = packets.PACKET_SIZES[-1]
        requests, completions, writes = self.requests(unit), self.completions(unit), self.writes(unit)
        span_s = max(completions.nbytes, requests.nbytes + writes.nbytes) / self.bytes_per_s
        answers = Answers(self)
        to_card = completions.nbytes
        to_card += answers.to_requests(requests.count, 0.0, span_s).nbytes
        to_card += answers.to_writes(writes.count, 0.0, span_s).nbytes
        from_card = requests.nbytes + writes.nbytes + answers.to_completions(completions.count, 0.0, span_s).nbytes
        return unit * self.bytes_per_s / max(to_card, from_card)


class _Stream:
    """Packets of one kind. Stretches that follow each other closely are one stream, in which they come evenly."""

    def __init__(self) -> None:
        self.start_s = self.end_s = 0.0
        """Of the stream so far."""

    def span_s(self, start_s: float, end_s: float) -> float:
        """How long the stretch is over which the packets come that are on the line from `start_s` to `end_s`."""
        last_s = self.end_s
        if not 0 <= start_s - last_s <= end_s - start_s:
            self.start_s = last_s = start_s
        self.end_s = end_s
        return end_s - last_s


class Answers:
    """Acks and flow-control updates for what comes over one link. One Ack is for all that came since the one before.

    Requests are asked while the completions of those before them come, so their stretch is that of their completions.
    """

    def __init__(self, timing: LinkTiming) -> None:
        self._timing = timing
        self._requests, self._writes, self._completions = _Stream(), _Stream(), _Stream()
        self._acks_per_s = 0.0
        """For requests."""

    def to_requests(self, requests: int, start_s: float, end_s: float) -> Load:
        """An Ack and an UpdateFC for read requests that come from `start_s` to `end_s`."""
        return self._load(self.due_to_requests(requests, start_s, end_s))

    def to_writes(self, writes: int, start_s: float, end_s: float) -> Load:
        """An UpdateFC for posted writes, and an Ack unless one is due for a request anyway."""
        return self._load(self.due_to_writes(writes, start_s, end_s))

    def to_completions(self, completions: int, start_s: float, end_s: float) -> Load:
        """Acks for completions, for which an endpoint has room without end and sends no updates."""
        return self._load(self.due_to_completions(completions, start_s, end_s))

    # The same as numbers of packets, which may be fractions.

    def due_to_requests(self, requests: int, start_s: float, end_s: float) -> float:
        span_s = self._requests.span_s(start_s, end_s)
        many = self._due(requests, span_s)
        self._acks_per_s = many / span_s
        return 2 * many

    def due_to_writes(self, writes: int, start_s: float, end_s: float) -> float:
        span_s = self._writes.span_s(start_s, end_s)
        shared_s = min(end_s, self._requests.end_s) - max(end_s - span_s, self._requests.start_s)
        share = max(0.0, shared_s) / span_s
        alone = self._due(writes, span_s)
        beside = min(writes, max(0.0, span_s / self._timing.answer_interval_s - span_s * self._acks_per_s))
        return alone + share * beside + (1 - share) * alone

    def due_to_completions(self, completions: int, start_s: float, end_s: float) -> float:
        return self._due(completions, self._completions.span_s(start_s, end_s))

    def _due(self, packets: int, span_s: float) -> float:
        """One for each interval, and one for each packet at the most."""
        return min(packets, span_s / self._timing.answer_interval_s)

    @staticmethod
    def _load(many: float) -> Load:
        return Load(kind="dllp", count=max(1, round(many)), nbytes=many * DLLP_NBYTES)


def link_timing(link: Link, trained: Trained, payload: int | None = None) -> LinkTiming:
    """The timing of a link that has trained; `payload` is the largest allowed where other links limit it too."""
    speed, width = trained.speed_gtps, trained.width
    if payload is None:
        payload = min(link.near.max_payload, link.far.max_payload)
    read_request = link.card.read_request if isinstance(link, Slot) else packets.PACKET_SIZES[-1]
    if speed <= 5:
        skip_share, symbol_s = 4 / 1359, 10 / (speed * 1e9)  # one set each 1180 to 1538 symbols
    else:
        skip_share, symbol_s = 1 / 372.5, 8 / (speed * 1e9)  # one block in 370 to 375
    ack_limit_s = packets.ack_limit_symbols(speed, width, payload) * symbol_s
    long_timer = max(link.near.max_speed, link.far.max_speed) >= 16
    return LinkTiming(
        speed_gtps=speed,
        width=width,
        max_payload=payload,
        completion=min(payload, read_request, link.near.completion or payload),
        read_request=read_request,
        answer_interval_s=_ANSWER_SHARE * ack_limit_s,
        bytes_per_s=rates.link_bytes_per_s(speed, width) * (1 - skip_share),
        nak_round_trip_s=2 * ack_limit_s,
        replay_timer_s=_LONG_REPLAY_TIMER_SYMBOLS * symbol_s if long_timer else 3 * ack_limit_s,
    )


def _ceil(nbytes: int, size: int) -> int:
    return -(-nbytes // size)
