"""Patterns as functions of position."""

from __future__ import annotations

import pickle
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import FIXED_WORD, NAMES, pattern

names = st.sampled_from(NAMES)
# Around the sizes at which generation changes its way: first look-up, doubling, one tile, several.
sizes = st.one_of(st.integers(0, 70), st.integers(1900, 9000), st.integers(250_000, 1_300_000))


def stretch(name: str, nbytes: int, at: int = 0, **options: object) -> bytearray:
    buffer = bytearray(nbytes)
    pattern(name, **options).fill(buffer, at)
    return buffer


@settings(max_examples=80, deadline=None)
@given(names, sizes, st.integers(0, 2**34 + 99), st.lists(st.integers(0, 1_300_000), max_size=4), st.integers(0, 9))
def test_a_fill_writes_the_same_bytes_whatever_the_chunking(name, nbytes, at, cuts, misalignment):
    source = pattern(name, seed=5, slot=3, channel=2, sequence=77)
    whole = np.zeros(nbytes, np.uint8)
    source.fill(whole, at)
    pieces = np.zeros(nbytes + misalignment, np.uint8)[misalignment:]
    edges = [0, *sorted(cut % (nbytes + 1) for cut in cuts), nbytes]
    for start, stop in pairwise(edges):
        source.fill(pieces[start:stop], at + start)
    assert np.array_equal(whole, pieces)


@settings(max_examples=40, deadline=None)
@given(names, st.integers(0, 5000), st.integers(0, 2**40))
def test_a_pattern_repeats_after_its_period(name, nbytes, at):
    source = pattern(name)
    here, there = bytearray(nbytes), bytearray(nbytes)
    source.fill(here, at)
    source.fill(there, at + source.period_bytes)
    assert here == there


@settings(max_examples=40, deadline=None)
@given(names, sizes, st.integers(0, 2**34))
def test_the_prefill_is_wrong_in_every_bit(name, nbytes, at):
    source = pattern(name, slot=1)
    buffer = np.zeros(nbytes, np.uint8)
    source.fill_unlike(buffer, at)
    found = source.verify(buffer, at)
    assert (found.mismatched_bytes, found.mismatched_bits) == (nbytes, 8 * nbytes)


@pytest.mark.parametrize("name", NAMES)
def test_a_fill_touches_no_byte_outside_its_buffer(name):
    memory = bytearray(b"\x5a" * 3000)
    pattern(name).fill(memoryview(memory)[101:2897])
    assert memory[:101] == b"\x5a" * 101
    assert memory[2897:] == b"\x5a" * 103


def test_fixed_repeats_its_word_least_significant_byte_first():
    assert stretch("fixed", 10, word=0x11223344) == bytes.fromhex("44332211443322114433")
    assert stretch("fixed", 4) == FIXED_WORD.to_bytes(4, "little")
    assert stretch("fixed", 4, at=3, word=0x11223344) == bytes.fromhex("11443322")


def test_walking_one_moves_one_bit_up_a_word():
    words = np.frombuffer(stretch("walking-one", 256), "<u4")
    assert words.tolist() == [1 << bit for bit in range(32)] * 2


def test_walking_zero_is_the_complement_of_walking_one():
    walking_one = np.frombuffer(stretch("walking-one", 256), np.uint8)
    assert stretch("walking-zero", 256) == (~walking_one).tobytes()


def test_counter_counts_up_in_words_and_wraps():
    assert np.frombuffer(stretch("counter", 1_200_000), "<u4").tolist() == list(range(300_000))
    assert stretch("counter", 12, at=4 * (2**32 - 1)) == bytes.fromhex("ffffffff0000000001000000")
    start = int.from_bytes(stretch("counter", 4, sequence=9), "little")
    assert np.frombuffer(stretch("counter", 40, sequence=9), "<u4").tolist() == [start + i for i in range(10)]


def test_only_the_long_sequences_and_tags_tell_stale_data_and_the_others_say_so():
    telling = {name for name in NAMES if pattern(name).tells_stale}
    assert telling == {"prbs29", "prbs31", "tagged"}
    assert {name for name in NAMES if not pattern(name).caution} == telling
    assert "stale" in pattern("prbs15").caution
    assert pattern("prbs15").verify(stretch("prbs15", 9)).caution == pattern("prbs15").caution


def test_a_given_state_is_one_stretch_for_all_sequences_and_says_so():
    source = pattern("prbs31", state=0x1234567)
    assert source.for_sequence(5) == source
    assert not source.tells_stale
    assert "given state" in source.caution


def test_another_sequence_keeps_everything_else():
    source = pattern("prbs23", seed=4, slot=3, channel=2, sequence=1, inverted=False)
    assert source.for_sequence(8) == pattern("prbs23", seed=4, slot=3, channel=2, sequence=8, inverted=False)
    here, there = bytearray(99), bytearray(99)
    source.for_sequence(8).fill(here)
    pattern("prbs23", seed=4, slot=3, channel=2, sequence=8, inverted=False).fill(there)
    assert here == there


def test_a_pattern_cannot_be_changed_and_travels_between_processes():
    source = pattern("prbs31", seed=6, sequence=3)
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        source.seed = 7
    here, there = bytearray(5000), bytearray(5000)
    source.fill(here, 11)
    message = pickle.dumps(source)
    pickle.loads(message).fill(there, 11)
    assert here == there
    assert len(message) < 1000


def test_threads_share_a_pattern():
    source = pattern("prbs31", seed=8)
    whole = bytearray(4_000_000)
    source.fill(whole)
    shared = np.zeros(len(whole), np.uint8)
    step = 250_000
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda at: source.fill(shared[at : at + step], at), range(0, len(whole), step)))
        assert all(pool.map(lambda at: source.verify(whole[at : at + step], at).ok, range(0, len(whole), step)))
    assert shared.tobytes() == whole


@pytest.mark.parametrize(
    ("name", "options", "told"),
    [
        ("prbs8", {}, "prbs31"),
        ("PRBS31", {}, "prbs31"),
        ("tag", {}, "tagged"),
        ("tagged", {"inverted": False}, "inverted"),
        ("fixed", {"inverted": True}, "inverted"),
        ("counter", {"state": 1}, "state"),
        ("prbs31", {"word": 1}, "word"),
        ("fixed", {"word": 2**32}, "word"),
        ("prbs9", {"state": 0}, "state"),
        ("prbs9", {"state": 512}, "state"),
        ("prbs9", {"state": 1, "slot": 1}, "slot"),
        ("prbs9", {"state": 1, "seed": 1}, "seed"),
    ],
)
def test_an_option_that_cannot_be_meant_is_refused_by_name(name, options, told):
    with pytest.raises(BadInput, match=told):
        pattern(name, **options)


@pytest.mark.parametrize("at", [-1, 1.5, "0", 2**64])
def test_a_position_that_is_none_is_refused_before_a_byte_is_written(at):
    buffer = bytearray(8)
    with pytest.raises(BadInput, match="at is"):
        pattern("prbs31").fill(buffer, at)
    assert buffer == bytes(8)
