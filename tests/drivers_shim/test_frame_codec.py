"""Bytes into frames and back: against published examples, against zlib, and against whatever may come over a line."""

from __future__ import annotations

import re
import struct
import tracemalloc
import zlib
from importlib.resources import files
from itertools import pairwise

import pytest
from framed_firmware import stuff, unstuff
from hypothesis import given
from hypothesis import strategies as st

from laneproof_drivers.framing import messages
from laneproof_drivers.framing.cobs import longest_stuffed, stuffed, unstuffed
from laneproof_drivers.framing.frame import Frame, FrameDecoder, FrameError, encoded
from laneproof_drivers.framing.messages import Kind, Why

UP_TO_FE = bytes(range(1, 0xFF))
# The first is the figure of Cheshire and Baker 1999, from memory; the others are the table of examples of the article
# "Consistent Overhead Byte Stuffing" of Wikipedia, without the delimiter that it adds.
PUBLISHED = [
    (bytes.fromhex("4500002C4C79000040064F37"), bytes.fromhex("024501042C4C79010540064F37")),
    (bytes.fromhex("00"), bytes.fromhex("0101")),
    (bytes.fromhex("0000"), bytes.fromhex("010101")),
    (bytes.fromhex("001100"), bytes.fromhex("01021101")),
    (bytes.fromhex("11220033"), bytes.fromhex("0311220233")),
    (bytes.fromhex("11223344"), bytes.fromhex("0511223344")),
    (bytes.fromhex("11000000"), bytes.fromhex("0211010101")),
    (UP_TO_FE, b"\xff" + UP_TO_FE),
    (b"\0" + UP_TO_FE, b"\1\xff" + UP_TO_FE),
    (UP_TO_FE + b"\xff", b"\xff" + UP_TO_FE + b"\2\xff"),
    (UP_TO_FE[1:] + b"\xff\0", b"\xff" + UP_TO_FE[1:] + b"\xff\1\1"),
    (UP_TO_FE[2:] + b"\xff\0\1", b"\xfe" + UP_TO_FE[2:] + b"\xff\2\1"),
]


@pytest.mark.parametrize(("data", "expected"), PUBLISHED, ids=range(len(PUBLISHED)))
def test_published_examples_are_stuffed_as_published(data: bytes, expected: bytes) -> None:
    assert stuffed(data) == expected
    assert unstuffed(expected) == data


RUNS = st.lists(
    st.one_of(
        st.binary(max_size=20),
        st.builds(bytes, st.integers(0, 700)),
        st.builds(lambda n: b"\xa5" * n, st.sampled_from((253, 254, 255, 508, 509))),
    ),
    max_size=8,
).map(b"".join)
"""Bytes with long stretches of zeros, and of none, of lengths around the block of 254."""


@given(RUNS)
def test_stuffing_is_what_the_specification_gives_byte_by_byte(data: bytes) -> None:
    made = stuffed(data)
    assert made == stuff(data)
    assert 0 not in made
    assert len(made) <= longest_stuffed(len(data))
    assert unstuffed(made) == data == unstuff(made)


FRAMES = st.builds(
    Frame, st.integers(0, 255), st.integers(0, 255), st.integers(0, 2**32 - 1), st.one_of(RUNS, st.binary(max_size=300))
)


def in_pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[start:end] for start, end in pairwise(places)]


@given(st.lists(FRAMES, max_size=5), st.lists(st.integers(0, 10**6), max_size=10))
def test_frames_come_out_whatever_the_chunking(frames: list[Frame], cuts: list[int]) -> None:
    decoder = FrameDecoder()
    line = b"\0".join(map(encoded, frames))
    assert [found for piece in in_pieces(line, cuts) for found in decoder.feed(piece)] == frames


@given(FRAMES)
def test_a_frame_is_laid_out_as_specified_and_its_crc_is_zlibs(frame: Frame) -> None:
    line = encoded(frame)
    assert line[-1] == 0
    body = unstuff(line[:-1])
    head = struct.pack("<BBBBI", 1, frame.kind, frame.channel, 0, frame.sequence)
    assert body[:-4] == head + frame.payload
    assert body[-4:] == zlib.crc32(head + frame.payload).to_bytes(4, "little")


def test_the_crc_is_the_one_that_the_specification_names() -> None:
    assert zlib.crc32(b"123456789") == 0xCBF43926  # the check value of CRC-32/ISO-HDLC


@given(FRAMES, FRAMES, st.data())
def test_a_bit_flipped_on_the_line_never_gives_another_frame(frame: Frame, after: Frame, data: st.DataObject) -> None:
    """Any one bit: CRC-32 finds all of them, and what byte stuffing makes of them is longer or shorter."""
    line = bytearray(encoded(frame))
    line[data.draw(st.integers(0, len(line) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    # A flip may make the delimiter itself vanish, and so take the frame behind along; no more than that.
    found = FrameDecoder().feed(bytes(line) + encoded(after) + encoded(after))
    assert [one for one in found if isinstance(one, Frame)] in ([after], [after, after])
    assert any(isinstance(one, FrameError) for one in found)


@given(st.lists(st.binary(max_size=400), max_size=6), FRAMES)
def test_hostile_bytes_are_errors_and_the_next_frame_arrives(pieces: list[bytes], frame: Frame) -> None:
    decoder = FrameDecoder()
    before = [one for piece in pieces for one in decoder.feed(piece)]
    assert all(isinstance(one, FrameError | Frame) for one in before)
    assert decoder.feed(b"\0" + encoded(frame))[-1] == frame


def body(payload: bytes = b"", version: int = 1) -> bytes:
    made = struct.pack("<BBBBI", version, 0x11, 0, 0, 7) + payload
    return made + zlib.crc32(made).to_bytes(4, "little")


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (b"\x05ab", "truncated"),
        (stuff(body())[:-1], "truncated"),
        (stuff(body()[:11]), "truncated"),
        (stuff(body(b"x" * 300)), "oversized"),
        (stuff(body()[:-1] + b"\0"), "crc"),
        (stuff(body(version=2)), "version"),
    ],
)
def test_what_is_wrong_with_a_frame_is_named(line: bytes, what: str) -> None:
    decoder = FrameDecoder(most_payload=200)
    assert decoder.feed(line + b"\0") == [FrameError(what, len(line))]
    assert decoder.feed(encoded(Frame(1, 2, 3))) == [Frame(1, 2, 3)]


def test_a_frame_without_end_is_reported_once_and_takes_no_memory() -> None:
    decoder = FrameDecoder()
    piece = b"\x55" * 65536
    tracemalloc.start()
    found = [one for _ in range(200) for one in decoder.feed(piece)]
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert [one.what for one in found if isinstance(one, FrameError)] == ["oversized"]
    assert peak < 2**20
    assert decoder.feed(b"\0" + encoded(Frame(1, 2, 3))) == [Frame(1, 2, 3)]


@given(st.integers(0, 400), st.sampled_from((0, 0x55)))
def test_a_payload_up_to_the_limit_is_taken_and_none_beyond(nbytes: int, byte: int) -> None:
    frame = Frame(1, 2, 3, bytes((byte,)) * nbytes)
    (found,) = FrameDecoder(most_payload=300).feed(encoded(frame))
    assert found == frame if nbytes <= 300 else isinstance(found, FrameError) and found.what == "oversized"


def test_the_page_that_firmware_is_written_from_gives_every_number_as_it_is() -> None:
    page = (files("laneproof.guide") / "frames.md").read_text("utf-8")
    shown = {name: int(number, 16) for number, name in re.findall(r"^\| ([0-9A-F]{2}) \| ([A-Z]+)", page, re.MULTILINE)}
    assert shown == {kind.name: kind.value for kind in Kind}
    codes = " ".join(page.split("Codes:")[1].split("\n|")[0].split())
    assert [int(code) for code in re.findall(r"\b(\d) [a-z]", codes)] == [code.value for code in Why]
    assert f"payloads of {messages.LEAST_PAYLOAD} bytes or more" in " ".join(page.split())
    assert f"a host of {messages.LEAST_OF_HOST} or more" in " ".join(page.split())
    assert f"at most {messages.MOST_TOKEN} bytes" in " ".join(page.split())
    assert [line for line in page.splitlines() if len(line) > 80] == []
