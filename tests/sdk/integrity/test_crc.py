"""CRC-32 against zlib and known vectors."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import crc32, crc32_combine
from laneproof.integrity.crc import _zero_bytes

# Check values of CRC-32, computed with zlib.
VECTORS = [
    (b"123456789", 0xCBF43926),
    (bytes(32), 0x190A55AD),
    (b"\xff" * 32, 0xFF6CAB0B),
    (bytes(range(32)), 0x91267E8A),
    (b"", 0),
]


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
    assert all(_zero_bytes(32)(1 << bit) == _zero_bytes(0)(1 << bit) for bit in range(32))
    assert crc32_combine(5, 7, 2**32 - 1 + 4) == crc32_combine(5, 7, 4)
    assert crc32_combine(5, 7, 2**5000) == crc32_combine(5, 7, pow(2, 5000, 2**32 - 1))


@pytest.mark.parametrize(("first", "second", "length"), [(0, 0, -1), (-1, 0, 0), (2**32, 0, 0), (0, 2**32, 1)])
def test_a_length_or_crc_out_of_bounds_is_refused(first, second, length):
    with pytest.raises(BadInput, match="give"):
        crc32_combine(first, second, length)


def test_a_start_value_out_of_bounds_is_refused():
    with pytest.raises(BadInput, match="value"):
        crc32(b"", 2**32)
