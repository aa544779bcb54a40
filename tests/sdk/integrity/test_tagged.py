"""The tagged pattern: what its words say, and how they are read back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import CHANNELS, SLOTS, Tag, decode_tag, pattern

counts = st.integers(0, 2**64 - 1)
buffers = st.fixed_dictionaries(
    {
        "seed": counts,
        "slot": st.integers(0, SLOTS - 1),
        "channel": st.integers(0, CHANNELS - 1),
        "sequence": st.one_of(counts, st.integers(0, 5000)),
    }
)


def words(nbytes: int, at: int = 0, **buffer: int) -> list[int]:
    data = bytearray(nbytes)
    pattern("tagged", **buffer).fill(data, at)
    return np.frombuffer(data, "<u8").tolist()


def test_a_word_reads_as_mark_slot_channel_sequence_and_offset():
    buffer = {"seed": 0x11, "slot": 0xAB, "channel": 0x2C, "sequence": 0xDEF}
    first, second, *_ = words(16, at=8 * 0x1234560, **buffer)
    assert f"{first:016X}" == f"{0x11 ^ 0xA5:02X}AB2CDEF1234560"
    assert f"{second:016X}" == "A5AB2CDEF1234561"


def test_the_lowest_byte_comes_first():
    data = bytearray(8)
    pattern("tagged", slot=1, channel=2, sequence=3).fill(data, 8 * 4)
    assert data.hex(" ") == "04 00 00 30 00 02 01 a5"


def test_the_marks_spell_seed_and_sequence_number_out():
    found = words(128, seed=0x0123456789ABCDEF, sequence=0xFEDCBA9876543210)
    marks = bytes(word >> 56 ^ 0xA5 for word in found)
    assert marks == bytes.fromhex("efcdab8967452301 1032547698badcfe")


@settings(max_examples=60, deadline=None)
@given(buffers, st.integers(0, 2**33))
def test_a_tag_says_its_buffer_and_its_place(buffer, number):
    (word,) = words(8, at=8 * number, **buffer)
    spelled = buffer["seed"] | buffer["sequence"] << 64
    assert decode_tag(word) == Tag(
        slot=buffer["slot"],
        channel=buffer["channel"],
        sequence=buffer["sequence"] % 4096,
        offset=8 * number % 2**31,
        mark=spelled >> 8 * (number % 16) & 0xFF,
    )


def test_offsets_wrap_after_two_gibibytes_and_touch_no_other_field():
    last, first = words(16, at=2**31 - 8, slot=7, sequence=8)
    assert (decode_tag(last).offset, decode_tag(first).offset) == (2**31 - 8, 0)
    assert (decode_tag(last).slot, decode_tag(last).sequence) == (decode_tag(first).slot, decode_tag(first).sequence)
    assert pattern("tagged").period_bytes == 2**31


@settings(max_examples=100, deadline=None)
@given(buffers, buffers, st.integers(0, 2**32), st.sampled_from(["seed", "slot", "channel", "sequence", None]))
def test_no_other_buffer_has_the_same_128_bytes_at_the_same_position(one, two, at, alike_but_for):
    if alike_but_for:
        two = {**one, alike_but_for: two[alike_but_for]}
    here, there = bytearray(128), bytearray(128)
    pattern("tagged", **one).fill(here, at)
    pattern("tagged", **two).fill(there, at)
    assert (here == there) is (one == two)


@settings(max_examples=60, deadline=None)
@given(buffers, st.integers(0, 2**32), st.integers(1, 2**31 - 1))
def test_data_from_elsewhere_in_the_buffer_do_not_pass(buffer, at, shift):
    source = pattern("tagged", **buffer)
    received = bytearray(64)
    source.fill(received, at + shift)
    assert not source.verify(received, at).ok


@settings(max_examples=40, deadline=None)
@given(buffers, st.integers(2**18 - 70, 2**18 + 70), st.integers(0, 600_000))
def test_every_byte_is_that_of_its_word(buffer, at, nbytes):
    """Around the border between two tiles, against words put together here one by one."""
    data = np.empty(nbytes, np.uint8)
    pattern("tagged", **buffer).fill(data, at)
    numbers = np.arange(at // 8, (at + nbytes) // 8 + 1)
    spelled = np.frombuffer((buffer["seed"] | buffer["sequence"] << 64).to_bytes(16, "little"), np.uint8)
    expected = numbers.astype("<u8") | np.uint64(
        (buffer["slot"] * 256 + buffer["channel"]) * 2**40 + buffer["sequence"] % 4096 * 2**28
    )
    expected.view(np.uint8)[7::8] = spelled[numbers % 16] ^ 0xA5
    assert np.array_equal(data, expected.view(np.uint8)[at % 8 :][:nbytes])


def test_a_word_with_an_impossible_channel_is_no_tag():
    assert decode_tag(0x3F << 40) is not None
    assert decode_tag(0x40 << 40) is None
    assert decode_tag(2**64 - 1) is None


def test_words_of_an_array_are_read():
    assert decode_tag(np.uint64(5)) == decode_tag(5)


@pytest.mark.parametrize("word", [-1, 2**64, 1.5, "0", None])
def test_what_is_no_word_is_refused(word):
    with pytest.raises(BadInput, match="word is"):
        decode_tag(word)
