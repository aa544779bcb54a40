"""Faults of the card's memory: which bytes they hit, whatever the chunks in which these pass."""

from __future__ import annotations

import math

import numpy as np
import pytest

from laneproof_sim.chance import Places
from laneproof_sim.damage.memory import CardMemory
from laneproof_sim.faults import CATALOGUE, BitFlips, RegularFlips, StuckBit

NBYTES = 100_000


def passed(faults: tuple, chunk: int, fill: int = 0, seed: int = 0) -> np.ndarray:
    """NBYTES of `fill` after they went through a memory with `faults`, a chunk at a time."""
    memory = CardMemory(faults, seed, "north")
    data = np.full(NBYTES, fill, dtype=np.uint8)
    for start in range(0, NBYTES, chunk):
        memory.pass_through(data[start : start + chunk])
    return data


FAULTS = [BitFlips(probability=1e-3), RegularFlips(every=1009), StuckBit(word=32, byte=5, bit=3, level=1)]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.kind)
@pytest.mark.parametrize("chunk", [1, 7, 4096, 65_537])
def test_damage_depends_on_position_and_not_on_chunks(fault, chunk):
    assert np.array_equal(passed((fault,), chunk), passed((fault,), NBYTES))


def test_flips_come_with_the_probability_asked_for():
    # Binomial mean and standard deviation; five of them leave once in two million seeds.
    wrong = np.count_nonzero(passed((BitFlips(probability=0.01),), NBYTES))
    assert abs(wrong - 1000) < 5 * math.sqrt(990)


def test_a_flip_is_one_bit():
    assert {mask.bit_count() for mask in passed((BitFlips(probability=0.01),), NBYTES).tolist()} == {0, 1}


def test_another_seed_flips_elsewhere():
    fault = (BitFlips(probability=1e-3),)
    assert not np.array_equal(passed(fault, NBYTES, seed=0), passed(fault, NBYTES, seed=1))


def test_regular_flips_keep_their_distance():
    wrong = np.flatnonzero(passed((RegularFlips(every=1009),), 300))
    assert set(np.diff(wrong).tolist()) == {1009}
    assert wrong[0] == 1008


@pytest.mark.parametrize(("fill", "level", "expected"), [(0x00, 1, 0x08), (0xFF, 0, 0xF7), (0xFF, 1, 0xFF)])
def test_a_stuck_bit_reads_the_same_at_its_place_in_every_word(fill, level, expected):
    data = passed((StuckBit(word=32, byte=5, bit=3, level=level),), 4099, fill)
    assert set(data[5::32].tolist()) == {expected}
    assert np.count_nonzero(np.delete(data, np.s_[5::32]) != fill) == 0


def first(places: Places, count: int) -> list[int]:
    found = []
    while len(found) < count:
        found.append(places.next)
        places.advance()
    return found


def test_places_do_not_depend_on_how_many_are_drawn_at_a_time():
    assert first(Places(1e-3, "a", block=3), 500) == first(Places(1e-3, "a", block=1000), 500)


@pytest.mark.parametrize("target", [0, 1, 50_000, 10_000_000])
def test_skipping_ends_where_stepping_ends(target):
    skipped, stepped = Places(1e-3, "a"), Places(1e-3, "a")
    skipped.skip_to(target)
    while stepped.next < target:
        stepped.advance()
    assert first(skipped, 10) == first(stepped, 10)


@pytest.mark.parametrize("probability", [0.5, 1e-3, 1e-9])
@pytest.mark.parametrize("ends", [[0, 1, 2, 40, 40, 39], [100_000], [3000, 70_000, 70_001, 10_000_000]])
def test_places_taken_at_once_are_those_taken_one_by_one(probability, ends):
    at_once, stepped = Places(probability, "a"), Places(probability, "a")
    for end in ends:
        place = int(end / probability)
        expected = []
        while stepped.next < place and len(expected) < 20_000:
            expected.append(stepped.next)
            stepped.advance()
        found = at_once.take_before(place)
        assert found[:20_000].tolist() == expected
        assert bool(np.all(np.diff(found) > 0))
        stepped.skip_to(place)
        assert at_once.next == stepped.next >= place
    assert first(at_once, 2000) == first(stepped, 2000)


def test_places_taken_at_once_come_at_the_rate_asked_for():
    # Binomial mean and standard deviation, five of which a right generator leaves once in two million seeds.
    found = Places(1e-3, "seed").take_before(10**9)
    assert abs(found.size - 1_000_000) < 5 * 1000
    # Chi-squared of the gaps modulo 16: geometric gaps fall on each with nearly the same chance; 15 degrees of freedom.
    counts = np.bincount(np.diff(found) % 16, minlength=16)
    expected = (found.size - 1) * (0.999 ** ((np.arange(16) - 1) % 16)) * 0.001 / (1 - 0.999**16)
    assert ((counts - expected) ** 2 / expected).sum() < 60


def test_the_rarest_events_overflow_nothing():
    places = Places(1e-300, "a")
    assert places.take_before(2**62 - 1).size == 0
    assert places.next >= 2**62


def test_every_kind_says_its_cause_and_what_is_seen():
    assert len({fault.kind for fault in CATALOGUE}) == len(CATALOGUE)
    assert all(fault.cause.endswith(".") and fault.seen.endswith(".") for fault in CATALOGUE)
