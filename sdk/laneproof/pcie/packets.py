"""What the standard says of packets beside their contents: sizes allowed, and how soon one is acknowledged or replayed.

One table of AckFactor for all who count packets. Rates of links are in `rates`, what all of it leaves in `ceiling`.
"""

from __future__ import annotations

from laneproof.errors import BadInput
from laneproof.pcie.rates import check_speed, check_width

PACKET_SIZES = (128, 256, 512, 1024, 2048, 4096)
"""Bytes that a largest payload or read request may be set to."""

DLLP_NBYTES = 8
"""Framing, four bytes and CRC-16 of a data link layer packet: Ack, Nak, UpdateFC."""

LINK_OVERHEAD_NBYTES = 8
"""Framing, sequence number and LCRC around a packet: 2 + 2 + 4 with 8b/10b, and 4 (token with sequence number) + 4 with
128b/130b, which ends packets by their length."""

LONG_REPLAY_TIMER_SYMBOLS = (24_000, 31_000)
"""Symbol times, least and most, that a part which supports 16 GT/s or more waits before a replay, at every speed;
80,000 to 100,000 with Extended Synch. Base specification from 4.0 on, from memory."""

# Packets of the largest payload, each with 28 bytes around it, that may arrive before an Ack is due, by width. The
# base specification's tables of Ack latency limits, quoted in public IP manuals, give the factors beside the limits;
# those for payloads from 256 bytes on are from memory.
_ACK_FACTOR_TO_256 = {1: 1.4, 2: 1.4, 4: 1.4, 8: 2.5, 12: 3.0, 16: 3.0, 32: 3.0}
_ACK_FACTOR_ABOVE = {1: 1.0, 2: 1.0, 4: 1.0, 8: 1.0, 12: 2.0, 16: 2.0, 32: 2.0}
_ACK_PACKET_NBYTES = 28


def ack_factor(width: int, max_payload: int) -> float:
    """The base specification's AckFactor: packets received to one Ack at the least. Raises BadInput as below."""
    check_width(width)
    check_packet_size("payload", max_payload)
    return (_ACK_FACTOR_TO_256 if max_payload <= 256 else _ACK_FACTOR_ABOVE)[width]


def ack_limit_symbols(speed_gtps: float, width: int, max_payload: int) -> int:
    """Ack latency limit outside FLIT mode, in symbol times: 237 at 2.5 GT/s, x1 and 128 bytes.

    From the end of a packet to the start of its Ack; a receiver may answer sooner. AckFactor packets, and 19, 70 or
    115 symbol times inside the receiver at 2.5, 5 and from 8 GT/s on. Raises BadInput for a speed, width or payload
    that the standard does not have.
    """
    check_speed(speed_gtps)
    internal = 19 if speed_gtps == 2.5 else 70 if speed_gtps == 5.0 else 115
    return int(ack_factor(width, max_payload) * (max_payload + _ACK_PACKET_NBYTES) / width + internal)


def replay_timer_symbols(speed_gtps: float, width: int, max_payload: int) -> int:
    """Symbol times without an Ack after which a sender replays: three Ack latency limits, as to version 3.1.

    Parts that support 16 GT/s or more wait for LONG_REPLAY_TIMER_SYMBOLS instead. Raises BadInput as above.
    """
    return 3 * ack_limit_symbols(speed_gtps, width, max_payload)


def check_packet_size(what: str, nbytes: int) -> None:
    """Raises BadInput unless `nbytes` is a size that `what`, payload or read request, may be set to."""
    if nbytes not in PACKET_SIZES:
        raise BadInput(f"{nbytes} bytes is no {what} size; use one of {', '.join(map(str, PACKET_SIZES))}")
