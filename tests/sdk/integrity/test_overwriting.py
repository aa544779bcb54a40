"""`verify_and_overwrite` is `verify` followed by `fill_unlike`, whatever does the work, and on whatever data."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import kernels, pattern
from laneproof.integrity.overwriting import _PIECE_BYTES

TILE = 1 << 13  # what the kernels compare and overwrite in turns
SIZES = st.integers(1, 6 * TILE) | st.sampled_from([TILE - 1, TILE, TILE + 1, 2 * TILE, 5 * TILE])
NAMES = ("prbs31", "prbs29", "prbs23", "prbs20", "prbs9", "tagged", "counter")


@pytest.fixture(autouse=True)
def the_environment_chooses_afterwards() -> Iterator[None]:
    yield
    kernels.choose(None)


def in_memory(nbytes: int, off: int) -> np.ndarray:
    """Bytes that begin `off` behind a boundary of 64."""
    room = np.zeros(nbytes + 128, np.uint8)
    start = (off - room.ctypes.data) % 64
    return room[start : start + nbytes]


@pytest.mark.parametrize("backend", ["numpy", "numba"])
@settings(max_examples=150, deadline=None)
@given(
    name=st.sampled_from(NAMES),
    nbytes=SIZES,
    at=st.integers(0, 1 << 40),
    other_at=st.integers(0, 1 << 40),
    off=st.sampled_from([0, 0, 0, 1, 32]),
    damage=st.lists(st.tuples(st.integers(0, 6 * TILE), st.integers(1, 40)), max_size=3),
)
@example(name="prbs31", nbytes=4 * TILE, at=0, other_at=1, off=0, damage=[])
@example(name="prbs31", nbytes=4 * TILE, at=0, other_at=1, off=0, damage=[(2 * TILE - 1, 1)])
@example(name="prbs31", nbytes=4 * TILE, at=0, other_at=1, off=0, damage=[(2 * TILE, 1)])
@example(name="prbs31", nbytes=4 * TILE, at=0, other_at=1, off=0, damage=[(TILE - 1, 2)])
@example(name="prbs31", nbytes=4 * TILE, at=0, other_at=1, off=0, damage=[(0, 1), (4 * TILE - 1, 1)])
def test_it_finds_what_verify_finds_and_leaves_what_fill_unlike_leaves(
    backend: str, name: str, nbytes: int, at: int, other_at: int, off: int, damage: list[tuple[int, int]]
) -> None:
    kernels.choose("numba" if backend == "numba" else "numpy")
    kernels.ready()
    sent, following = pattern(name, sequence=3), pattern(name, sequence=4)
    buffer = in_memory(nbytes, off)
    sent.fill(buffer, at)
    for place, length in damage:
        buffer[place : place + length] ^= np.uint8(0x11)
    wanted, left = sent.verify(buffer, at), np.empty(nbytes, np.uint8)
    following.fill_unlike(left, other_at)
    assert sent.verify_and_overwrite(buffer, at, following, other_at) == wanted
    assert np.array_equal(buffer, left)


def test_patterns_of_two_kinds_may_follow_each_other() -> None:
    buffer, left = np.empty(3 * TILE, np.uint8), np.empty(3 * TILE, np.uint8)
    pattern("prbs31").fill(buffer)
    assert pattern("prbs31").verify_and_overwrite(buffer, 0, pattern("prbs23"), 5).ok
    pattern("prbs23").fill_unlike(left, 5)
    assert np.array_equal(buffer, left)


def test_damage_behind_the_first_piece_keeps_its_position() -> None:
    buffer = np.empty(_PIECE_BYTES + 100, np.uint8)
    pattern("tagged").fill(buffer)
    buffer[_PIECE_BYTES + 7] ^= 1
    found = pattern("tagged").verify_and_overwrite(buffer, 0, pattern("tagged", sequence=1))
    assert (found.first, found.mismatched_bits) == (_PIECE_BYTES + 7, 1)


def test_nothing_is_compared_in_an_empty_buffer() -> None:
    assert pattern("prbs31").verify_and_overwrite(bytearray(), 0, pattern("prbs31")).empty


def test_a_buffer_that_cannot_be_written_is_refused() -> None:
    with pytest.raises(BadInput):
        pattern("prbs31").verify_and_overwrite(bytes(8), 0, pattern("prbs31"))
