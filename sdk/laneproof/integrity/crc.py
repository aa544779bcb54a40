"""CRC-32 (zlib's, which is that of PCI Express's LCRC) of buffers, and of pieces put together; the maps behind it.

The CRCs of PCI Express's packets are in `pcie_crc`; predicting a pattern's CRC is in `digest`.
"""

from __future__ import annotations

import operator
import zlib
from collections.abc import Callable
from functools import cache
from typing import Literal, SupportsIndex, cast

from laneproof.errors import BadInput
from laneproof.integrity.allocation import checked_index
from laneproof.integrity.buffers import byte_view
from laneproof.integrity.gf2 import LinearMap

# Several times faster where it is installed; on a processor with carry-less multiplication, as fast as reading.
try:
    from zlib_ng import zlib_ng as _library  # pyright: ignore[reportMissingImports]
except ImportError:
    _library = zlib

# The stubs of zlib-ng leave the data's type open.
crc32_of_bytes = cast("Callable[[memoryview, int], int]", _library.crc32)  # pyright: ignore
"""CRC-32 of memory, continued from another, by the faster library."""

REFLECTED_POLYNOMIAL = 0xEDB88320  # ITU-T V.42's 04C11DB7, least significant bit first
# The polynomial is primitive: running 2^32 - 1 zero bits, hence as many zero bytes, through it changes nothing.
_ORDER = 2**32 - 1


def crc_backend() -> Literal["zlib-ng", "zlib"]:
    """Which library works CRC-32 out: zlib-ng where it is installed, zlib otherwise. The results are the same."""
    return "zlib" if _library is zlib else "zlib-ng"


def crc32(data: object, value: SupportsIndex = 0) -> int:
    """CRC-32 of a C-contiguous buffer, continued from `value`, the CRC of what came before.

    Raises BadInput for something that is no such buffer, and for a value outside 32 bits.
    """
    return crc32_of_bytes(byte_view(data).data, _checked(value, "value"))


def crc32_combine(first: SupportsIndex, second: SupportsIndex, second_length: SupportsIndex) -> int:
    """CRC-32 of two pieces in a row, from the CRC of each and the second's length in bytes.

    Raises BadInput for a negative length or a CRC outside 32 bits.
    """
    crc = _checked(first, "first")
    length = _length(second_length) % _ORDER
    power = 0
    while length:
        if length & 1:
            crc = zero_bytes(power)(crc)
        length >>= 1
        power += 1
    return crc ^ _checked(second, "second")


@cache
def zero_bytes(power: int) -> LinearMap:
    """What 2^power zero bytes do to the register of CRC-32."""
    return zero_bytes(power - 1).squared() if power else one_zero_byte(REFLECTED_POLYNOMIAL, 32)


@cache
def one_zero_byte(reflected_polynomial: int, width: int) -> LinearMap:
    """What one zero byte does to the register, of `width` bits, of a CRC that takes bits least significant first.

    With another byte: what a zero byte does after the byte was XORed into the register.
    """
    one_bit = LinearMap([reflected_polynomial, *(1 << bit for bit in range(width - 1))])
    return one_bit.squared().squared().squared()


def _length(nbytes: SupportsIndex) -> int:
    try:
        number = operator.index(nbytes)
    except TypeError:
        number = -1
    if number < 0:
        raise BadInput(f"second_length is {nbytes!r}; give the bytes of the second piece, a whole number from 0 on")
    return number


def _checked(crc: SupportsIndex, what: str) -> int:
    return checked_index(what, crc, 2**32)
