"""CRC-32 against zlib, known vectors, and its definition bit by bit."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import crc32, crc32_combine, crc_backend
from laneproof.integrity.crc import zero_bytes

# Check values of CRC-32, computed with zlib.
VECTORS = [
    (b"123456789", 0xCBF43926),
    (bytes(32), 0x190A55AD),
    (b"\xff" * 32, 0xFF6CAB0B),
    (bytes(range(32)), 0x91267E8A),
    (b"", 0),
]
NOISE = np.random.default_rng(1).integers(0, 256, 70_063, np.uint8)


def bitwise(data: bytes) -> int:
    """CRC-32 as a division of polynomials, the highest power first, as ITU-T V.42 has it (from memory)."""
    polynomial, register = 0x104C11DB7, 0xFFFFFFFF
    for byte in data:
        for bit in range(8):  # in the order in which they are sent
            register = register << 1 ^ (byte >> bit & 1) << 32
            if register >> 32:
                register ^= polynomial
    return int(f"{register ^ 0xFFFFFFFF:032b}"[::-1], 2)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_the_crc_is_the_remainder_of_a_division(data):
    assert crc32(data) == bitwise(data)


# From around the size at which zlib-ng goes over to folding, at every alignment.
@settings(max_examples=60, deadline=None)
@given(st.integers(0, 70_000), st.integers(0, 63), st.integers(0, 2**32 - 1))
def test_every_length_and_alignment_agrees_with_zlib(length, offset, value):
    data = NOISE[offset : offset + length]
    assert crc32(data, value) == zlib.crc32(data, value)


def test_zlib_ng_is_used_where_it_is_installed():
    assert crc_backend() == ("zlib-ng" if importlib.util.find_spec("zlib_ng") else "zlib")


def test_without_zlib_ng_zlib_gives_the_same():
    program = (
        "import sys; sys.modules['zlib_ng'] = None\n"
        "from laneproof.integrity import crc32, crc_backend\n"
        "print(crc_backend(), hex(crc32(b'6789', crc32(b'12345'))))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["zlib", "0xcbf43926"]


@pytest.mark.parametrize(("data", "crc"), VECTORS)
def test_known_data_have_their_known_crc(data, crc):
    assert crc32(data) == crc


def test_a_crc_goes_on_from_the_one_before():
    assert crc32(b"6789", crc32(b"12345")) == 0xCBF43926


def test_any_contiguous_buffer_has_a_crc():
    words = np.arange(32, dtype=np.uint8).view(np.uint32).reshape(2, 4)
    assert crc32(words) == 0x91267E8A


def test_the_crc_of_two_pieces_is_that_of_the_whole():
    assert crc32_combine(crc32(b"12345"), crc32(b"6789"), 4) == 0xCBF43926


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=3000), st.binary(max_size=3000))
def test_combining_agrees_with_zlib(first, second):
    assert crc32_combine(zlib.crc32(first), zlib.crc32(second), len(second)) == zlib.crc32(first + second)


def test_combining_agrees_with_zlib_over_a_long_second_piece():
    second = bytes(5_000_011)
    assert crc32_combine(0xCBF43926, zlib.crc32(second), len(second)) == zlib.crc32(second, 0xCBF43926)


def test_lengths_beyond_the_order_of_the_polynomial_still_hold():
    """2^32 - 1 zero bytes change nothing: squaring one byte's map 32 times gives it back."""
    assert all(zero_bytes(32)(1 << bit) == zero_bytes(0)(1 << bit) for bit in range(32))
    assert crc32_combine(5, 7, 2**32 - 1 + 4) == crc32_combine(5, 7, 4)
    assert crc32_combine(5, 7, 2**5000) == crc32_combine(5, 7, pow(2, 5000, 2**32 - 1))


@pytest.mark.parametrize(
    ("first", "second", "length"),
    [(0, 0, -1), (-1, 0, 0), (2**32, 0, 0), (0, 2**32, 1), (0, 0, 1.5), (0, 0, None), ("0", 0, 1), (0, 0.0, 1)],
)
def test_a_length_or_crc_out_of_bounds_is_refused(first, second, length):
    with pytest.raises(BadInput, match="give"):
        crc32_combine(first, second, length)


@pytest.mark.parametrize("value", [2**32, -1, 0.0, "0", None])
def test_a_start_value_that_is_no_crc_is_refused(value):
    with pytest.raises(BadInput, match=r"value is .*; give a whole number from 0 to 4294967295"):
        crc32(b"", value)
