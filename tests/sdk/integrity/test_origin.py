"""Origin: data planted from elsewhere are traced to exactly where they stood."""

from __future__ import annotations

import tracemalloc

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import pattern
from laneproof.integrity.origin import MAX_CANDIDATES, MAX_ORIGINS, Origin, OriginMap, Past, Source, trace
from laneproof.integrity.pattern import Pattern

SIZE = 1_200_000  # several of the chunks that are worked through at a time
PRBS31 = pattern("prbs31", seed=3, slot=1, channel=2, sequence=10)
PAST = Past(nbytes=2 * SIZE, earlier=20, later=2, slots=(1, 4), channels=(0, 2, 5))
OWN = (1, 2, 10)


def stretch(source: Pattern, at: int, nbytes: int = SIZE) -> np.ndarray:
    data = np.zeros(nbytes, np.uint8)
    source.fill(data, at)
    return data


def wrong_part(received: np.ndarray, expected: np.ndarray, start: int, stop: int) -> tuple[int, int]:
    """A planted range without right bytes at its ends: the others look right by chance."""
    wrong = np.flatnonzero(received[start:stop] != expected[start:stop]) + start
    return int(wrong[0]), int(wrong[-1]) + 1


def only(found: OriginMap) -> Origin:
    assert len(found.origins) == 1, found.origins[:4]
    assert not found.cut
    return found.origins[0]


def with_bit_errors(data: np.ndarray, start: int, stop: int, seed: int) -> None:
    """One wrong bit in about 300 bytes, none near the ends."""
    count = (stop - start) // 300
    if count and stop - start > 200:
        random = np.random.default_rng(seed)
        data[random.integers(start + 70, stop - 70, count)] ^= np.uint8(1) << random.integers(0, 8, count, np.uint8)


ranges = st.tuples(st.integers(0, SIZE - 1), st.integers(24, 40_000) | st.integers(24, SIZE)).map(
    lambda pair: (
        max(0, min(pair[0], SIZE - pair[1])),
        min(pair[0] + pair[1], SIZE) if pair[0] + pair[1] < SIZE else SIZE,
    )
)
# Inside what is worked through at a time: of reversed data, a few bytes behind its border may be noise.
inner_ranges = st.tuples(st.integers(0, 200_000), st.integers(64, 300_000)).map(lambda pair: (pair[0], sum(pair)))
offsets = st.sampled_from([0, 1, 4093, 1_000_003])
seeds = st.integers(0, 2**32)

OTHERS = [
    ("stale", {"sequence": 9}),
    ("stale", {"sequence": 0}),
    ("early", {"sequence": 12}),
    ("foreign", {"slot": 4}),
    ("foreign", {"channel": 0, "sequence": 7}),
]


@settings(max_examples=60, deadline=None)
@given(ranges, offsets, st.integers(0, SIZE), st.sampled_from(OTHERS), seeds)
def test_another_buffers_data_are_traced_to_their_position_through_bit_errors(where, at, came_from, other, seed):
    kind, changes = other
    source = attrs.evolve(PRBS31, **changes)
    start, stop = where
    expected = stretch(PRBS31, at)
    received = expected.copy()
    source.fill(received[start:stop], came_from)
    start, stop = wrong_part(received, expected, start, stop)
    with_bit_errors(received, start, stop, seed)
    origin = only(trace(PRBS31, received, at, past=PAST))
    assert (origin.start, origin.stop, origin.kind) == (start, stop, kind)
    assert origin.source == Source(source.slot, source.channel, source.sequence, came_from + start - where[0])
    assert origin.candidates == (origin.source,)
    assert origin.wrong_bytes == np.count_nonzero(received != expected)


@settings(max_examples=40, deadline=None)
@given(ranges, offsets, st.integers(-300_000, 300_000), seeds)
def test_shifted_data_are_traced_whatever_the_shift(where, at, shift, seed):
    start, stop = where
    at += SIZE
    shift = int(np.sign(shift or 1)) * max(1, min(abs(shift), (stop - start) // 3))
    expected = stretch(PRBS31, at)
    received = expected.copy()
    PRBS31.fill(received[start:stop], at + start + shift)
    whole = start
    start, stop = wrong_part(received, expected, start, stop)
    with_bit_errors(received, start, stop, seed)
    past = Past(nbytes=at + 2 * SIZE)
    origin = only(trace(PRBS31, received, at, past=past))
    assert (origin.start, origin.stop, origin.kind) == (start, stop, "shifted")
    assert origin.source == Source(*OWN, at + start + shift)
    assert whole <= start


@settings(max_examples=40, deadline=None)
@given(st.integers(24, 30_000), st.integers(0, 300_000), st.integers(0, 400_000), offsets, st.booleans())
def test_swapped_and_repeated_ranges_are_traced_to_each_other(nbytes, first, gap, at, swapped):
    second = first + nbytes + gap
    expected = stretch(PRBS31, at)
    received = expected.copy()
    one, two = slice(first, first + nbytes), slice(second, second + nbytes)
    received[two] = expected[one]
    planted = [(two, first)]
    if swapped:
        received[one] = expected[two]
        planted.insert(0, (one, second))
    found = trace(PRBS31, received, at).origins
    assert [origin.kind for origin in found] == (["swapped"] * 2 if swapped else ["repeated"])
    for origin, (place, source) in zip(found, planted, strict=True):
        start, stop = wrong_part(received, expected, place.start, place.stop)
        if abs(origin.start - place.start) < 4 and gap == 0:  # where they touch, a byte may suit both
            start, stop = origin.start, origin.stop
        assert (origin.start, origin.stop) == (start, stop)
        assert origin.source == Source(*OWN, at + source + start - place.start)


REVERSALS = [
    ("reversed-bytes", 2, lambda data: data.reshape(-1, 2)[:, ::-1]),
    ("reversed-bytes", 4, lambda data: data.reshape(-1, 4)[:, ::-1]),
    ("reversed-bytes", 8, lambda data: data.reshape(-1, 8)[:, ::-1]),
    ("reversed-words", 8, lambda data: data.reshape(-1, 2, 4)[:, ::-1]),
    ("reversed-words", 16, lambda data: data.reshape(-1, 4, 4)[:, ::-1]),
    ("reversed-bits", 1, lambda data: np.packbits(np.unpackbits(data), bitorder="little")),
]


@settings(max_examples=50, deadline=None)
@given(inner_ranges, offsets, st.sampled_from(REVERSALS), st.sampled_from([PRBS31, PRBS31.for_sequence(8)]), seeds)
def test_reversed_units_are_traced_whole(where, at, reversal, source, seed):
    kind, unit, reverse = reversal
    start, stop = (-(-(edge + at) // 16) * 16 - at for edge in where)
    stop = max(min(stop, (SIZE + at) // 16 * 16 - at), start + 64)
    start, stop = (start, stop) if stop <= SIZE else (start - 4096, stop - 4096)
    expected = stretch(PRBS31, at)
    received = expected.copy()
    received[start:stop] = reverse(stretch(source, at + start, stop - start)).reshape(-1)
    with_bit_errors(received, start, stop, seed)
    wrong = np.flatnonzero((received != expected)[start:stop].reshape(-1, unit).any(axis=1)) * unit + start
    origin = only(trace(PRBS31, received, at))
    assert (origin.kind, origin.unit_bytes) == (kind, unit)
    assert (origin.start, origin.stop) == (wrong[0], wrong[-1] + unit)
    assert origin.source == Source(*OWN[:2], source.sequence, at + origin.start)


@settings(max_examples=40, deadline=None)
@given(ranges, offsets, st.sampled_from(["pre-fill", "ones", "zeros", "noise"]), seeds)
def test_what_is_of_no_buffer_is_named(where, at, kind, seed):
    start, stop = where
    expected = stretch(PRBS31, at)
    received = expected.copy()
    random = np.random.default_rng(seed)
    planted = {
        "pre-fill": ~expected[start:stop],
        "ones": np.full(stop - start, 255, np.uint8),
        "zeros": np.zeros(stop - start, np.uint8),
        "noise": random.integers(0, 256, stop - start, np.uint8),
    }
    received[start:stop] = planted[kind]
    start, stop = wrong_part(received, expected, start, stop)
    origin = only(trace(PRBS31, received, at))
    assert (origin.start, origin.stop, origin.kind) == (start, stop, kind)
    assert origin.source == (Source(*OWN, at + start) if kind == "pre-fill" else None)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 5), min_size=2, max_size=60), st.integers(64, 5000), offsets)
def test_every_block_of_a_mixture_has_its_own_origin(choices, block, at):
    """Blocks of any length, without a gap in between; where two meet, a byte that suits both may go to either."""
    nbytes = block * len(choices)
    expected = stretch(PRBS31, at, nbytes)
    received = expected.copy()
    for index, choice in enumerate(choices):
        piece = slice(index * block, (index + 1) * block)
        if choice:
            PRBS31.for_sequence(choice).fill(received[piece], at + piece.start)
    named = np.zeros(nbytes, np.int64)
    for origin in trace(PRBS31, received, at, past=PAST).origins:
        assert origin.kind == "stale"
        assert origin.source is not None
        assert origin.source.position == at + origin.start
        named[origin.start : origin.stop] = origin.source.sequence
    planted = np.repeat(choices, block)
    suits = np.zeros(nbytes, np.bool_)
    for sequence in range(1, 6):
        alike = stretch(PRBS31.for_sequence(sequence), at, nbytes) == received
        suits |= (named == sequence) & alike
    wrong = received != expected
    assert suits[wrong].all()
    assert np.count_nonzero((named != planted) & wrong) <= 3 * len(choices)
    middle = np.arange(block // 2, nbytes, block)
    assert (named[middle] == planted[middle])[wrong[middle]].all()


def test_data_of_an_earlier_run_are_of_the_pattern_but_of_no_known_buffer():
    expected = stretch(PRBS31, 0)
    received = expected.copy()
    attrs.evolve(PRBS31, seed=2).fill(received[:4096], 70_000)
    origin = only(trace(PRBS31, received, past=PAST))
    assert (origin.kind, origin.source, origin.candidates) == ("elsewhere", None, ())


def test_data_of_a_buffer_whose_stretch_runs_over_the_end_of_the_period_are_traced():
    starts = {sequence: PRBS31.for_sequence(sequence).period_position() for sequence in range(8000)}
    sequence = next(number for number, start in starts.items() if start > 2**31 - 1 - SIZE // 2)
    mine = PRBS31.for_sequence(sequence + 3)
    received = stretch(mine, 0)
    PRBS31.for_sequence(sequence).fill(received[900_000:950_000], 900_000)
    origin = only(trace(mine, received))
    assert origin.kind == "stale"
    assert origin.source == Source(1, 2, sequence, origin.start)


def test_a_ring_of_pages_is_swapped():
    expected = stretch(PRBS31, 0, 12 * 4096)
    received = expected.reshape(12, 4096)[[0, 5, 2, 3, 4, 8, 6, 7, 1, 9, 10, 11]].reshape(-1)
    found = trace(PRBS31, received).origins
    assert [(origin.kind, origin.source.position - origin.start) for origin in found if origin.source] == [
        ("swapped", 4 * 4096),
        ("swapped", 3 * 4096),
        ("swapped", -7 * 4096),
    ]


def test_words_repeated_in_place_are_one_range_of_which_half_is_wrong():
    expected = stretch(PRBS31, 0, 65536)
    received = expected.copy()
    received.reshape(-1, 16)[:, 8:] = expected.reshape(-1, 16)[:, :8]
    origin = only(trace(PRBS31, received))
    assert origin.source is not None
    assert origin.source.position - origin.start == -8
    assert 0.49 < origin.wrong_bytes / origin.nbytes < 0.5


@pytest.mark.parametrize(
    "name", ["prbs7", "prbs9", "prbs11", "prbs15", "prbs20", "prbs23", "prbs29", "counter", "tagged"]
)
def test_other_patterns_are_traced_too(name):
    source = pattern(name, seed=5, sequence=3)
    expected = stretch(source, 77, 120_000)
    received = expected.copy()
    received[50_001:90_000] = expected[50_000:89_999]
    found = trace(source, received, 77)
    assert found.caution == source.caution
    assert [origin.kind for origin in found.origins] == ["shifted"]
    origin = found.origins[0]
    candidates = {(candidate.sequence, candidate.position) for candidate in origin.candidates}
    assert (3, origin.start + 76) in candidates
    assert len(candidates) == 1 or not source.tells_stale


@pytest.mark.parametrize("name", ["prbs29", "prbs31", "tagged"])
def test_patterns_that_tell_stale_data_name_one_candidate(name):
    source = pattern(name, seed=5, sequence=3)
    expected = stretch(source, 0, 120_000)
    received = expected.copy()
    source.for_sequence(1).fill(received[50_000:60_000], 51_000)
    for origin in trace(source, received).origins:
        assert origin.kind == "stale"
        assert origin.candidates == (Source(0, 0, 1, origin.start + 1000),)


def test_where_the_period_repeats_every_candidate_is_named():
    """PRBS15 repeats after 32,767 bytes: five times in this buffer, and as often in each that was live before it."""
    source = pattern("prbs15", sequence=1)
    received = stretch(source, 0, 160_000)
    source.for_sequence(0).fill(received[1000:2000], 40_000)
    origin = only(trace(source, received))
    assert not origin.candidates_cut
    assert origin.candidates[0].sequence == 1
    stale = sorted(candidate.position for candidate in origin.candidates if candidate.sequence == 0)
    assert stale == [(40_000 + origin.start - 1000) % 32_767 + 32_767 * turn for turn in range(5)]
    assert len(origin.candidates) in (9, 10)
    assert "repeats" in trace(source, received).caution


def test_a_fixed_word_cannot_tell_and_its_candidates_are_cut():
    source = pattern("fixed", sequence=9)
    received = stretch(source, 0, 4000)
    received[1000:2000] = received[1002:2002]
    origin = only(trace(source, received))
    assert len(origin.candidates) == MAX_CANDIDATES
    assert origin.candidates_cut
    assert abs(origin.candidates[0].position - origin.start) == 2


def test_a_card_s_own_generator_is_traced_from_its_state():
    source = pattern("prbs31", state=0x1234567)
    received = stretch(source, 5, 20_000)
    expected = received.copy()
    received[3000:9000] = expected[2990:8990]
    origin = only(trace(source, received, 5))
    assert origin.kind == "shifted"
    assert origin.source is not None
    assert origin.source.position == 5 + origin.start - 10


def test_positions_beyond_the_period_are_traced():
    at = 2**31 + 12_345
    received = stretch(PRBS31, at, 20_000)
    received[5000:6000] = received[7000:8000].copy()
    origin = only(trace(PRBS31, received, at, past=Past(nbytes=at + 20_000, earlier=0)))
    assert origin.source == Source(*OWN, at + origin.start + 2000)
    assert origin.candidates[1].position == origin.source.position - (2**31 - 1)


def test_damage_of_a_few_bits_is_noise_where_it_stands():
    received = stretch(PRBS31, 0, 50_000)
    received[[5, 20_000, 20_001, 49_999]] ^= 1
    found = trace(PRBS31, received)
    assert [(origin.start, origin.stop, origin.kind) for origin in found.origins] == [
        (5, 6, "noise"),
        (20_000, 20_002, "noise"),
        (49_999, 50_000, "noise"),
    ]


def test_a_list_cut_short_says_so_and_counts_all():
    received = stretch(PRBS31, 0, 100 * (MAX_ORIGINS + 50))
    received[50::100] ^= 1
    found = trace(PRBS31, received)
    assert len(found.origins) == MAX_ORIGINS
    assert found.cut
    assert found.analysed_bytes == received.size
    assert found.wrong_bytes_by_kind == {"noise": MAX_ORIGINS + 50}


@pytest.mark.parametrize("data", [b"", bytes(stretch(PRBS31, 9, 5000))])
def test_clean_and_empty_buffers_have_an_empty_map(data):
    found = trace(PRBS31, data, 9)
    assert (found.origins, found.cut, found.wrong_bytes_by_kind) == ((), False, {})


@pytest.mark.parametrize("damage", ["stale", "noise"])
def test_memory_stays_bounded_when_every_byte_is_wrong(damage):
    received = stretch(PRBS31.for_sequence(2), 0, 6 << 20)
    if damage == "noise":
        received = np.random.default_rng(1).integers(0, 256, received.size, np.uint8)
    trace(PRBS31, received[:100_000])
    tracemalloc.start()
    trace(PRBS31, received)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 << 20


@pytest.mark.parametrize(
    "numbers",
    [{"nbytes": -1}, {"earlier": -1}, {"later": 1 << 20}, {"slots": (256,)}, {"channels": (64,)},
     {"earlier": 60_000, "slots": (0, 1)}],
)  # fmt: skip
def test_a_past_out_of_bounds_is_refused(numbers):
    with pytest.raises(BadInput, match=f"{next(iter(numbers)).rstrip('s')}|buffers"):
        Past(**{"nbytes": 4096, **numbers})


def test_what_is_no_buffer_is_refused():
    with pytest.raises(BadInput, match="not a buffer"):
        trace(PRBS31, 7)
