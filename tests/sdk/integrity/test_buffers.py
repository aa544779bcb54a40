"""Which buffers are taken, and that others are refused before anything is written."""

from __future__ import annotations

import array
import ctypes
import mmap

import numpy as np
import pytest
from numpy.lib.stride_tricks import as_strided

from laneproof.errors import BadInput
from laneproof.integrity import crc32, pattern
from laneproof.integrity.buffers import byte_view, in_pieces

PATTERN = pattern("prbs31", seed=1)
EXPECTED = bytearray(48)
PATTERN.fill(EXPECTED)
EVERY_CALL = (PATTERN.fill, PATTERN.fill_unlike, PATTERN.verify, PATTERN.verify_digest, crc32)


@pytest.mark.parametrize(
    "make",
    [
        lambda: bytearray(48),
        lambda: memoryview(bytearray(48)),
        lambda: memoryview(bytearray(48)).cast("I", (3, 4)),
        lambda: array.array("d", [0.0] * 6),
        lambda: (ctypes.c_uint16 * 24)(),
        lambda: mmap.mmap(-1, 48),
        lambda: np.zeros(48, np.uint8),
        lambda: np.zeros((2, 3), ">f8"),
        lambda: np.zeros((3, 2, 1), "datetime64[s]"),
        lambda: np.zeros(4, [("Offset", "<u4"), ("data", "<u8")]),
        lambda: memoryview(np.zeros(4, [("Offset", "<u4"), ("data", "<u8")])),
        lambda: np.zeros(49, np.uint8)[1:],
    ],
)
def test_any_contiguous_buffer_is_filled_and_verified(make):
    buffer = make()
    PATTERN.fill(buffer)
    assert (buffer if isinstance(buffer, np.ndarray) else memoryview(buffer)).tobytes() == EXPECTED
    assert PATTERN.verify(buffer).ok


def test_plain_bytes_are_taken_as_they_are():
    data = np.zeros(48, np.uint8)
    assert byte_view(data, writable=True) is data
    assert byte_view(data.view(np.recarray)).__class__ is np.ndarray


@pytest.mark.parametrize("threads", [1, 2, 3, 64])
@pytest.mark.parametrize("nbytes", [0, 1, (1 << 20) - 1, (2 << 20) + 1, (3 << 20) + 63])
def test_pieces_are_the_whole_in_order(threads, nbytes):
    data = np.arange(nbytes, dtype=np.uint64).astype(np.uint8)
    pieces = in_pieces(lambda start, piece: (start, piece), data, threads, most=3)
    assert len(pieces) == max(1, min(threads, 3, nbytes >> 20))
    assert np.array_equal(np.concatenate([piece for _, piece in pieces]), data)
    for start, piece in pieces:
        assert start % 64 == 0
        assert np.shares_memory(piece[:1], data[start : start + 1]) is bool(nbytes)


def test_read_only_buffers_are_verified():
    assert PATTERN.verify(bytes(EXPECTED)).ok
    assert PATTERN.verify(memoryview(EXPECTED).toreadonly()).ok


@pytest.mark.parametrize("empty", [bytearray(), np.zeros(0), np.zeros((3, 0, 2)), memoryview(bytearray())])
def test_an_empty_buffer_is_no_evidence(empty):
    PATTERN.fill(empty)
    found = PATTERN.verify(empty)
    assert found.empty
    assert not found.ok
    assert found.bytes_checked == found.mismatched_bytes == 0


def read_only_array() -> np.ndarray:
    array = np.zeros(48, np.uint8)
    array.flags.writeable = False
    return array


@pytest.mark.parametrize(
    "buffer",
    [
        bytes(48),
        memoryview(bytearray(48)).toreadonly(),
        read_only_array(),
        np.frombuffer(bytes(48), np.uint16),
        np.broadcast_to(np.zeros(48, np.uint8), (1, 48)),
        mmap.mmap(-1, 48, access=mmap.ACCESS_READ),
    ],
    ids=["bytes", "view", "array", "array of bytes", "broadcast", "mapping"],
)
@pytest.mark.parametrize("write", [PATTERN.fill, PATTERN.fill_unlike])
def test_a_read_only_buffer_is_not_written(buffer, write):
    with pytest.raises(BadInput, match="read-only"):
        write(buffer)
    assert bytes(buffer) == bytes(48)


@pytest.mark.parametrize(
    "buffer",
    [
        np.zeros(96, np.uint8)[::2],
        np.zeros((6, 8), np.uint8, order="F"),
        memoryview(bytearray(96))[::-2],
        as_strided(np.zeros(64, np.uint8), (4, 16), (8, 1)),
        as_strided(np.zeros(64, np.uint8), (4, 16), (0, 1)),
        memoryview(as_strided(np.zeros(64, np.uint8), (4, 16), (8, 1))),
        as_strided(np.zeros(1, np.uint8), (48,), (0,)),
    ],
    ids=[
        "gaps",
        "columns",
        "backwards",
        "rows overlap",
        "one row again",
        "view of rows that overlap",
        "one byte again",
    ],
)
def test_a_buffer_whose_bytes_do_not_lie_in_one_row_is_refused_untouched(buffer):
    for call in EVERY_CALL:
        with pytest.raises(BadInput, match="C-contiguous"):
            call(buffer)
    assert not np.any(np.asarray(buffer))


@pytest.mark.parametrize("thing", [None, 5, "text", [1, 2], object()])
def test_what_is_no_buffer_is_refused(thing):
    for call in EVERY_CALL:
        with pytest.raises(BadInput, match="is not a buffer"):
            call(thing)


def test_memory_that_holds_objects_is_refused():
    objects = np.array([None] * 6)
    records = np.zeros(3, [("number", "<u4"), ("thing", "O")])
    for buffer in (objects, memoryview(objects), (ctypes.py_object * 6)(), records):
        for call in EVERY_CALL:
            with pytest.raises(BadInput, match="objects"):
                call(buffer)


def test_memory_given_back_is_refused():
    released = memoryview(bytearray(8))
    released.release()
    closed = mmap.mmap(-1, 8)
    closed.close()
    for buffer in (released, closed):
        with pytest.raises(BadInput, match="cannot be used"):
            PATTERN.fill(buffer)
