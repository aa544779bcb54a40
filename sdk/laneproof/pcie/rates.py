"""Speeds, widths and what a link of them carries after line coding. What packets cost is in `ceiling`.

Rates are those of Linux's `PCIE_SPEED2MBS_ENC` (drivers/pci/pci.h): 8b/10b to 5 GT/s, 128b/130b to 32 GT/s,
and at 64 GT/s no line coding, since FLIT mode's error correction is counted with the flits.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from laneproof.errors import BadInput

SPEEDS_GTPS = (2.5, 5.0, 8.0, 16.0, 32.0, 64.0)
"""Transfers per second and lane, in GT/s; the speed with code n stands at n - 1."""

WIDTHS = (1, 2, 4, 8, 12, 16, 32)
"""Lanes that a width field may hold. x12 and x32 are legacy: the base specification dropped them with 6.0."""

FLIT_SHARE = 236 / 256
"""The part of each flit that carries packets, from memory of the base specification. PCI-SIG's FAQ gives 242 of 256
bytes, with the 6 for acknowledgement and flow control in them, beside 8 of CRC and 6 of error correction."""

Encoding = Literal["8b/10b", "128b/130b", "flit"]


def speed_code(gtps: float) -> int:
    """The code of a speed in link registers, 1 to 6. Raises BadInput for another speed."""
    check_speed(gtps)
    return SPEEDS_GTPS.index(gtps) + 1


def speed_from_code(code: int) -> float | None:
    """The speed in GT/s of a register's code, or None for a code that names no speed."""
    return SPEEDS_GTPS[code - 1] if 1 <= code <= len(SPEEDS_GTPS) else None


def line_code_share(speed_gtps: float) -> float:
    """The share of a lane's transfers that line coding leaves: 8/10, 128/130, or 1 at 64 GT/s."""
    check_speed(speed_gtps)
    if speed_gtps <= 5.0:
        return 8 / 10
    return 128 / 130 if speed_gtps <= 32.0 else 1.0


def lane_bits_per_s(speed_gtps: float) -> float:
    """Bits per second and lane after line coding. Raises BadInput for an unknown speed."""
    return speed_gtps * 1e9 * line_code_share(speed_gtps)


def link_bytes_per_s(speed_gtps: float, width: int) -> float:
    """Bytes per second and direction after line coding, packets' own overhead included in them.

    Raises BadInput for an unknown speed or width.
    """
    check_width(width)
    return lane_bits_per_s(speed_gtps) * width / 8


def bottleneck(links: Sequence[tuple[float, int]]) -> int:
    """The index of the link that limits a path: the one that carries least, the first of equals.

    `links` holds each link's speed in GT/s and its width. Bandwidth decides, not the generation: 16 GT/s x1 limits a
    path whose other link is 2.5 GT/s x16 (Linux commit af125b754e2f). Compared is what line coding leaves, and at
    64 GT/s what flits leave of it, so that 64 GT/s x8 carries less than 32 GT/s x16. Raises BadInput for an unknown
    speed or width, and for no links at all.
    """
    if not links:
        raise BadInput("a path of no links has no bottleneck; give speed and width of one at least")
    rates = [
        link_bytes_per_s(speed_gtps, width) * (FLIT_SHARE if speed_gtps == 64.0 else 1.0) for speed_gtps, width in links
    ]
    return rates.index(min(rates))


def encoding(speed_gtps: float, flit: bool = False) -> Encoding:
    """What a receiver checks on the wire: in FLIT mode "flit" at every speed, and at 64 GT/s nothing else.

    Raises BadInput for an unknown speed.
    """
    check_speed(speed_gtps)
    if flit or speed_gtps == 64.0:
        return "flit"
    return "8b/10b" if speed_gtps <= 5.0 else "128b/130b"


def check_speed(gtps: float) -> None:
    """Raises BadInput for a speed that the standard does not have."""
    if gtps not in SPEEDS_GTPS:
        known = ", ".join(f"{speed:g}" for speed in SPEEDS_GTPS)
        raise BadInput(f"{gtps} GT/s is no link speed; use one of {known}")


def check_width(width: int) -> None:
    """Raises BadInput for a width that the standard does not have."""
    if width not in WIDTHS:
        raise BadInput(f"x{width} is no link width; use one of {', '.join(f'x{known}' for known in WIDTHS)}")
