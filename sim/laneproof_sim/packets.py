"""Sizes and times of packets on a link: what one transfer puts on each direction, and how long things take.

Sources: overheads and SKP intervals as in the public IP manuals that the project's check values name; AckFactor from
the base specification, by way of its Ack latency tables. Assumed, and the same at both ends: one Ack, and for requests
one UpdateFC, for each AckFactor packets received (less a tenth, since a limit is not aimed at); the card's requests
have 4-DW headers, completions 3-DW; the host answers a read in completions of the largest size allowed; no ECRC.
"""

from __future__ import annotations

from typing import Literal

from attrs import frozen

from laneproof.pcie import packets, rates
from laneproof_sim.scenario import Slot
from laneproof_sim.training import Trained

DLLP_NBYTES = packets.DLLP_NBYTES
WRITE_OVERHEAD_NBYTES = 24
"""Framing with sequence number, 4-DW header and LCRC of a memory request."""
COMPLETION_OVERHEAD_NBYTES = 20
"""The same with the 3-DW header of a completion."""

_ANSWER_EARLY = 0.9
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
    answer_every: float
    """Packets received to one Ack and, if they use up credits, one UpdateFC."""
    bytes_per_s: float
    """After line coding and SKP ordered sets."""
    nak_round_trip_s: float
    """From the end of a refused packet to the start of its replay: both ends take one Ack latency limit."""
    replay_timer_s: float

    @property
    def line_bits_per_s(self) -> float:
        """Bits on each lane, line coding included."""
        return self.speed_gtps * 1e9

    def requests(self, nbytes: int) -> Load:
        """Memory reads with which the card asks for `nbytes`."""
        count = _ceil(nbytes, self.read_request)
        return Load(kind="tlp", count=count, nbytes=count * WRITE_OVERHEAD_NBYTES)

    def completions(self, nbytes: int) -> Load:
        """Completions that carry `nbytes` towards the card."""
        count = _ceil(nbytes, self.completion)
        return Load(kind="tlp", count=count, nbytes=nbytes + count * COMPLETION_OVERHEAD_NBYTES)

    def writes(self, nbytes: int) -> Load:
        """Posted writes that carry `nbytes` from the card."""
        count = _ceil(nbytes, self.max_payload)
        return Load(kind="tlp", count=count, nbytes=nbytes + count * WRITE_OVERHEAD_NBYTES)

    def answers(self, requests: int) -> Load:
        """Acks and flow-control updates for so many requests, sent the other way; the count may be a fraction."""
        return self._link_packets(2 * requests)

    def acks(self, completions: int) -> Load:
        """Acks for so many completions, for which an endpoint has room without end and sends no updates."""
        return self._link_packets(completions)

    def _link_packets(self, due: int) -> Load:
        many = due / self.answer_every
        return Load(kind="dllp", count=max(1, round(many)), nbytes=many * DLLP_NBYTES)

    def echo_bytes_per_s(self) -> float:
        """Payload per second, out and back at once, of transfers so long that nothing else counts."""
        unit = self.read_request * 64
        to_card = self.completions(unit).nbytes + self.answers(self.writes(unit).count).nbytes
        to_card += self.answers(self.requests(unit).count).nbytes
        from_card = self.writes(unit).nbytes + self.requests(unit).nbytes
        from_card += self.acks(self.completions(unit).count).nbytes
        return unit * self.bytes_per_s / max(to_card, from_card)


def link_timing(slot: Slot, trained: Trained) -> LinkTiming:
    """The timing of a link that has trained."""
    speed, width = trained.speed_gtps, trained.width
    payload = min(slot.near.max_payload, slot.card.max_payload)
    if speed <= 5:
        skip_share, symbol_s = 4 / 1359, 10 / (speed * 1e9)  # one set each 1180 to 1538 symbols
    else:
        skip_share, symbol_s = 1 / 372.5, 8 / (speed * 1e9)  # one block in 370 to 375
    ack_limit_s = packets.ack_limit_symbols(speed, width, payload) * symbol_s
    long_timer = max(slot.near.max_speed, slot.card.max_speed) >= 16
    return LinkTiming(
        speed_gtps=speed,
        width=width,
        max_payload=payload,
        completion=min(payload, slot.card.read_request),
        read_request=slot.card.read_request,
        answer_every=_ANSWER_EARLY * packets.ack_factor(width, payload),
        bytes_per_s=rates.link_bytes_per_s(speed, width) * (1 - skip_share),
        nak_round_trip_s=2 * ack_limit_s,
        replay_timer_s=_LONG_REPLAY_TIMER_SYMBOLS * symbol_s if long_timer else 3 * ack_limit_s,
    )


def _ceil(nbytes: int, size: int) -> int:
    return -(-nbytes // size)
