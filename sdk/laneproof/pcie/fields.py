"""Fields of configuration registers: little-endian values, named flags, lanes, function numbers.

What a register means is said by the module of its capability. Flags are called by the tails of their names in
Linux's header (PCI_COMMAND_SERR is "SERR").
"""

from __future__ import annotations

from collections.abc import Mapping

from laneproof.pcie import registers as regs
from laneproof.pcie.rates import SPEEDS_GTPS, WIDTHS


def word(image: bytes, at: int) -> int:
    """16 bits at byte `at`."""
    return int.from_bytes(image[at : at + 2], "little")


def dword(image: bytes, at: int) -> int:
    """32 bits at byte `at`."""
    return int.from_bytes(image[at : at + 4], "little")


def dwords(image: bytes, at: int, count: int) -> tuple[int, ...]:
    """`count` times 32 bits from byte `at` on."""
    return tuple(dword(image, at + 4 * index) for index in range(count))


def field(value: int, mask: int) -> int:
    """The field under `mask`, shifted down to bit 0."""
    return (value & mask) >> (mask & -mask).bit_length() - 1


def flags(prefix: str, *names: str) -> dict[str, int]:
    """The masks of the constants `prefix` + name in `registers`, by name."""
    return {name: vars(regs)[prefix + name] for name in names}


def set_of(value: int, masks: Mapping[str, int]) -> tuple[str, ...]:
    """The names whose bits are set in `value`."""
    return tuple(name for name, mask in masks.items() if value & mask)


def bits(value: int) -> tuple[int, ...]:
    """The numbers of the bits set in a register of 32 bits, lanes for instance, rising."""
    return tuple(bit for bit in range(32) if value >> bit & 1)


def speeds(vector: int) -> tuple[float, ...]:
    """The speeds in GT/s of a Supported Link Speeds Vector whose bit 0 is 2.5 GT/s."""
    return tuple(speed for bit, speed in enumerate(SPEEDS_GTPS) if vector >> bit & 1)


def width(code: int) -> int | None:
    """The lanes of a width field, None for a code that names no width."""
    return code if code in WIDTHS else None


def function(requester_id: int) -> str:
    """Bus, device and function as Linux writes them."""
    return f"{requester_id >> 8:02x}:{requester_id >> 3 & 0x1F:02x}.{requester_id & 7}"
