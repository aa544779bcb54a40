"""The CRCs of PCI Express's packets, against vectors and a division of polynomials written here."""

from __future__ import annotations

import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import dllp_crc16, ecrc, lcrc

tlps = st.integers(3, 40).flatmap(lambda words: st.binary(min_size=4 * words, max_size=4 * words))


def divided(data: bytes, polynomial: int, width: int) -> bytes:
    """The CRC as it is sent: remainder of a division, complemented, each byte's first bit on the wire its lowest.

    Base specification, LCRC and DLLP CRC: from memory.
    """
    register = (1 << width) - 1
    for byte in data:
        for bit in range(8):
            register = register << 1 ^ (byte >> bit & 1) << width
            if register >> width:
                register ^= 1 << width | polynomial
    bits = f"{register ^ (1 << width) - 1:0{width}b}"  # in the order in which they are sent
    return bytes(int(bits[at : at + 8][::-1], 2) for at in range(0, width, 8))


def test_the_lcrc_of_zeros_is_the_published_one():
    """warp-pipe, tests/test_crc.cc: sequence number 0 and a memory read of zeros."""
    assert lcrc(bytes(14)) == 0xD1BB79C7


def test_the_crc_of_a_dllp_of_zeros_is_the_published_one():
    """warp-pipe, tests/test_crc.cc: an Ack of sequence number 0."""
    assert dllp_crc16(bytes(4)) == 0x62B3


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 4095), tlps)
def test_the_lcrc_is_a_remainder_sent_lowest_byte_first(number, tlp):
    packet = number.to_bytes(2, "big") + tlp
    assert lcrc(packet).to_bytes(4, "little") == divided(packet, 0x04C11DB7, 32)


@settings(max_examples=40, deadline=None)
@given(st.binary(min_size=4, max_size=4))
def test_the_crc_of_a_dllp_is_a_remainder_sent_lowest_byte_first(dllp):
    assert dllp_crc16(dllp).to_bytes(2, "little") == divided(dllp, 0x100B, 16)


def ecrc_ready(tlp: bytes) -> bytearray:
    """With TD set, and no prefix in front."""
    packet = bytearray(tlp)
    packet[0] &= 0x7F
    packet[2] |= 0x80
    return packet


@settings(max_examples=40, deadline=None)
@given(tlps)
def test_the_ecrc_takes_the_variant_bits_as_ones(tlp):
    """Type[0] and EP; base specification, from memory."""
    packet = ecrc_ready(tlp)
    as_ones = bytearray(packet)
    as_ones[0] |= 0x01
    as_ones[2] |= 0x40
    assert ecrc(packet).to_bytes(4, "little") == divided(as_ones, 0x04C11DB7, 32)


@settings(max_examples=40, deadline=None)
@given(tlps, st.data())
def test_only_the_variant_bits_leave_the_ecrc_as_it_is(tlp, data):
    packet = ecrc_ready(tlp)
    before = ecrc(packet)
    assert before == ecrc(bytes(packet))
    byte = data.draw(st.integers(0, len(packet) - 1))
    bit = data.draw(st.integers(0, 7).filter(lambda bit: (byte, bit) not in [(0, 7), (2, 7)]))
    packet[byte] ^= 1 << bit
    assert (ecrc(packet) == before) is ((byte, bit) in [(0, 0), (2, 6)])


def test_an_ecrc_leaves_the_packet_as_it_was():
    packet = ecrc_ready(bytes(12))
    ecrc(packet)
    assert packet == ecrc_ready(bytes(12))


def test_a_packet_with_its_lcrc_has_the_residue_of_crc_32():
    """2144DF1C, computed with zlib."""
    packet = bytes(range(18))
    assert zlib.crc32(packet + lcrc(packet).to_bytes(4, "little")) == 0x2144DF1C


@pytest.mark.parametrize("nbytes", [0, 2, 10, 13, 15, 16, 17])
def test_what_is_no_sequence_number_and_tlp_is_refused(nbytes):
    with pytest.raises(BadInput, match=f"lcrc: {nbytes} bytes are no sequence number and TLP; give"):
        lcrc(bytes(nbytes))


@pytest.mark.parametrize("nbytes", [0, 8, 13, 14, 4116])
def test_what_is_no_tlp_is_refused(nbytes):
    with pytest.raises(BadInput, match=f"ecrc: {nbytes} bytes are no TLP; give"):
        ecrc(bytes(nbytes))


def test_the_longest_tlp_has_an_ecrc():
    assert ecrc(ecrc_ready(bytes(4112))) == ecrc(ecrc_ready(b"\x01" + bytes(4111)))


def test_a_packet_that_starts_with_a_prefix_is_refused():
    with pytest.raises(BadInput, match="prefix, 0x90"):
        ecrc(b"\x90\x00\x80" + bytes(13))


def test_a_packet_without_td_has_no_ecrc():
    with pytest.raises(BadInput, match="TD is 0"):
        ecrc(bytes(12))


@pytest.mark.parametrize("nbytes", [0, 3, 5, 6, 8])
def test_what_is_no_dllp_is_refused(nbytes):
    with pytest.raises(BadInput, match=f"these are {nbytes}; give"):
        dllp_crc16(bytes(nbytes))


@pytest.mark.parametrize("crc", [lcrc, ecrc, dllp_crc16])
def test_what_is_no_buffer_is_refused(crc):
    with pytest.raises(BadInput, match="is not a buffer"):
        crc("text")
