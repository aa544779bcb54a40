"""Stretches: no two buffers that live at one time start at the same place, or near it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from laneproof.errors import BadInput
from laneproof.integrity import CHANNELS, SLOTS, pattern
from laneproof.integrity.allocation import COUNTER, PRBS, PRBS31_GRAIN, PRBS31_ROOM, WALKING

ALLOCATIONS = {**{f"prbs{degree}": allocation for degree, allocation in PRBS.items()}, "counter": COUNTER}
buffers = st.tuples(st.integers(0, SLOTS - 1), st.integers(0, CHANNELS - 1), st.integers(0, 2**64 - 1))


def nearest(name: str, slots: int, channels: int, sequences: int) -> int:
    """The least distance between starts of two buffers less than that far apart in each number."""
    return int(distances(name, slots, channels, sequences).min())


def distances(name: str, slots: int, channels: int, sequences: int) -> NDArray[np.int64]:
    """The distances between starts of any two buffers less than that far apart in each number."""
    allocation = ALLOCATIONS[name]
    sequence, slot, channel = np.meshgrid(
        np.arange(sequences), np.arange(1 - slots, slots), np.arange(1 - channels, channels)
    )
    apart = ((sequence * SLOTS + slot) * CHANNELS + channel).ravel()
    distance = apart[apart != 0] * allocation.stride % allocation.starts
    return np.minimum(distance, allocation.starts - distance)


@pytest.mark.parametrize("allocation", [*PRBS.values(), WALKING, COUNTER])
def test_a_start_is_taken_twice_only_when_all_are_taken(allocation):
    """Strides share no factor with the number of starts."""
    assert np.gcd(allocation.stride, allocation.starts) == 1
    assert np.gcd(allocation.seed_stride, allocation.starts) == 1


def test_all_slots_and_channels_start_apart_over_many_sequences():
    for degree in (29, 31):
        starts = {
            PRBS[degree].start(3, slot, channel, sequence)
            for slot in range(SLOTS)
            for channel in range(CHANNELS)
            for sequence in (0, 1, 2, 100, 32_000)
        }
        assert len(starts) == SLOTS * CHANNELS * 5


@settings(max_examples=200)
@given(buffers, buffers)
def test_two_buffers_never_share_a_start_along_prbs31(one, two):
    far = abs(one[2] - two[2])
    same_lane = one[:2] == two[:2] and far % (2**31 - 1)
    starts = [PRBS[31].start(7, *buffer) for buffer in (one, two)]
    assert (starts[0] != starts[1]) or not (same_lane or (one != two and far < 131_071))


@pytest.mark.parametrize(
    ("name", "close", "wide"),
    [("prbs31", 4 << 20, 104 << 10), ("prbs29", 832 << 10, 28 << 10), ("counter", 6 << 20, 208 << 10)],
)
def test_buffers_that_live_together_start_far_apart(name, close, wide):
    assert nearest(name, 4, 4, 16) >= close
    assert nearest(name, 16, 8, 64) >= wide


@pytest.mark.parametrize(("slots", "channels", "sequences"), [(1, 1, 131_071), (16, 8, 823)])
def test_places_within_a_buffers_room_along_prbs31_are_those_of_no_other(slots, channels, sequences):
    distance = distances("prbs31", slots, channels, sequences)
    near = distance[distance < PRBS31_ROOM]
    assert near.size > 1
    assert np.count_nonzero(near % PRBS31_GRAIN == 0) == 0


@pytest.mark.parametrize("moved", [64, 64 * 577, PRBS31_ROOM - 64])
def test_prbs31_elsewhere_differs_in_every_31_bits_in_a_row(moved):
    """A maximal-length sequence XORed with itself moved is that sequence moved (S. W. Golomb, Shift Register
    Sequences, the shift-and-add property), and has no 31 zeros in a row."""
    stretch = pattern("prbs31", seed=5, sequence=77)
    assert moved < stretch.room_bytes
    here, there = np.empty(1 << 20, np.uint8), np.empty(1 << 20, np.uint8)
    stretch.fill(here)
    stretch.fill(there, at=moved)
    differs = np.flatnonzero(np.unpackbits(here ^ there))
    assert np.diff(differs, prepend=-1, append=8 * here.size).max() <= 31


@pytest.mark.parametrize("given", [{"name": "prbs29"}, {"name": "counter"}, {"name": "prbs31", "state": 1}])
def test_other_patterns_have_no_room(given):
    assert pattern(**given).room_bytes == 0


@pytest.mark.parametrize("name", ["prbs7", "prbs15", "prbs20", "prbs23", "prbs31", "counter", "walking-one"])
@pytest.mark.parametrize("other", [{"slot": 1}, {"channel": 1}, {"sequence": 1}, {"seed": 1}])
def test_another_buffer_has_other_data(name, other):
    here, there = bytearray(64), bytearray(64)
    pattern(name).fill(here)
    pattern(name, **other).fill(there)
    assert here != there


@pytest.mark.parametrize("name", ["prbs29", "prbs31"])
def test_data_of_another_buffer_do_not_pass(name):
    mine = pattern(name, seed=9, slot=2, channel=1, sequence=40)
    received = bytearray(65536)
    for other in (
        mine.for_sequence(39),
        pattern(name, seed=9, slot=3, channel=1, sequence=40),
        pattern(name, seed=9, slot=2, channel=0, sequence=40),
        pattern(name, seed=8, slot=2, channel=1, sequence=40),
    ):
        other.fill(received)
        assert mine.verify(received).mismatched_bytes > 65536 * 0.99


@pytest.mark.parametrize(
    "numbers",
    [{"slot": 256}, {"slot": -1}, {"channel": 64}, {"sequence": -1}, {"seed": 2**64}, {"seed": 1.5}, {"slot": "1"}],
)
def test_a_number_out_of_bounds_is_refused_by_name(numbers):
    with pytest.raises(BadInput, match=next(iter(numbers))):
        pattern("prbs31", **numbers)
