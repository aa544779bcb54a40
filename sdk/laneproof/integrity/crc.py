"""CRC-32 (the one of zlib and of PCI Express's LCRC) of buffers, and of two pieces put together."""

from __future__ import annotations

import zlib
from functools import cache

from laneproof.errors import BadInput
from laneproof.integrity.buffers import byte_view
from laneproof.integrity.gf2 import LinearMap

_REFLECTED_POLYNOMIAL = 0xEDB88320  # ITU-T V.42's 04C11DB7, least significant bit first
# The polynomial is primitive: running 2^32 - 1 zero bits, hence as many zero bytes, through it changes nothing.
_ORDER = 2**32 - 1


def crc32(data: object, value: int = 0) -> int:
    """CRC-32 of a C-contiguous buffer, continued from `value`, the CRC of what came before.

    Raises BadInput for something that is no such buffer, and for a value outside 32 bits.
    """
    return zlib.crc32(byte_view(data).data, _checked(value, "value"))


def crc32_combine(first: int, second: int, second_length: int) -> int:
    """CRC-32 of two pieces in a row, from the CRC of each and the second's length in bytes.

    Raises BadInput for a negative length or a CRC outside 32 bits.
    """
    if second_length < 0:
        raise BadInput(f"crc32_combine: the second piece's length is {second_length}; give its bytes, 0 or more")
    crc = _checked(first, "first")
    length = second_length % _ORDER
    power = 0
    while length:
        if length & 1:
            crc = _zero_bytes(power)(crc)
        length >>= 1
        power += 1
    return crc ^ _checked(second, "second")


@cache
def _zero_bytes(power: int) -> LinearMap:
    """What 2^power zero bytes do to the register."""
    if power:
        return _zero_bytes(power - 1).squared()
    one_bit = LinearMap([_REFLECTED_POLYNOMIAL, *(1 << bit for bit in range(31))])
    return one_bit.squared().squared().squared()


def _checked(crc: int, what: str) -> int:
    if not 0 <= crc < 2**32:
        raise BadInput(f"{what} is {crc}, no CRC-32; give a number from 0 to 0xFFFFFFFF")
    return crc
