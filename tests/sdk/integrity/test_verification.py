"""Exact verification and what it reports."""

from __future__ import annotations

import tracemalloc
from itertools import pairwise, permutations

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import MAX_REGIONS, NAMES, Comparison, WrongRegion, kernels, pattern

SIZE = 1_100_000  # more than two tiles of the longest sequence
PATTERN = pattern("prbs31", seed=2, slot=1)
CLEAN = np.zeros(SIZE, np.uint8)
PATTERN.fill(CLEAN, 3)


def damaged(masks: dict[int, int]) -> np.ndarray:
    data = CLEAN.copy()
    for position, mask in masks.items():
        data[position] ^= mask
    return data


def runs(positions: list[int]) -> tuple[WrongRegion, ...]:
    """Runs of neighbouring positions, found one by one."""
    regions: list[list[int]] = []
    for position in sorted(positions):
        if regions and regions[-1][1] == position:
            regions[-1][1] += 1
        else:
            regions.append([position, position + 1])
    return tuple(WrongRegion(start, stop) for start, stop in regions)


# Scattered anywhere, or dense around the border between two tiles (31 × 16 KiB).
positions = st.one_of(st.integers(0, SIZE - 1), st.integers(507_904 - 20, 507_904 + 20))
damage = st.dictionaries(positions, st.integers(1, 255), max_size=60)


@settings(max_examples=40, deadline=None)
@given(damage)
def test_planted_errors_come_back_exactly(masks):
    found = PATTERN.verify(damaged(masks), 3)
    assert found.mismatched_bytes == len(masks)
    assert found.mismatched_bits == sum(mask.bit_count() for mask in masks.values())
    assert found.first == (min(masks) if masks else None)
    assert found.regions == runs(list(masks))
    assert not found.regions_cut
    assert found.ok is (not masks)
    assert found.bytes_checked == found.bytes_expected == found.bytes_received == SIZE


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("nbytes", [1, 7, 4096, 600_001])
def test_one_wrong_bit_never_passes_and_is_all_that_is_found(name, nbytes):
    source = pattern(name, channel=3)
    data = bytearray(nbytes)
    source.fill(data, 17)
    assert source.verify(data, 17).ok
    for position in {0, nbytes // 2, nbytes - 1}:
        data[position] ^= 0x10
        found = source.verify(data, 17)
        assert (found.mismatched_bits, found.regions) == (1, (WrongRegion(position, position + 1),))
        data[position] ^= 0x10


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_memory_of_one_value_never_passes(name, byte):
    source = pattern(name)
    expected = np.zeros(600_000, np.uint8)
    source.fill(expected)
    found = source.verify(np.full(600_000, byte, np.uint8))
    assert not found.ok
    assert found.mismatched_bytes == np.count_nonzero(expected != byte)
    assert found.mismatched_bits == np.unpackbits(expected ^ byte).sum()


def test_a_long_list_of_regions_is_cut_and_counts_stay_exact():
    data = CLEAN.copy()
    data[::2] ^= 0x03
    found = PATTERN.verify(data, 3)
    assert found.regions_cut
    assert found.regions == tuple(WrongRegion(start, start + 1) for start in range(0, 2 * MAX_REGIONS, 2))
    assert (found.mismatched_bytes, found.mismatched_bits) == (SIZE // 2, SIZE)


@pytest.mark.parametrize(("extra", "cut"), [(0, False), (1, True)])
def test_the_list_is_cut_only_beyond_its_maximum(extra, cut):
    data = CLEAN.copy()
    data[: 2 * (MAX_REGIONS + extra) : 2] ^= 0xFF
    found = PATTERN.verify(data, 3)
    assert (len(found.regions), found.regions_cut) == (MAX_REGIONS, cut)


@settings(max_examples=60, deadline=None)
@given(damage, st.lists(st.integers(0, SIZE), min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_pieces_combined_in_any_order_are_the_whole(masks, cuts, random):
    data = damaged(masks)
    edges = [0, *sorted(cuts), SIZE]
    pieces = [PATTERN.verify(data[start:stop], 3 + start).shifted(start) for start, stop in pairwise(edges)]
    random.shuffle(pieces)
    whole = PATTERN.verify(data, 3)
    combined = pieces[0]
    for piece in pieces[1:]:
        combined = combined.combined(piece)
    assert combined == whole
    grouped = pieces[-1]
    for piece in reversed(pieces[:-1]):
        grouped = piece.combined(grouped)
    assert grouped == whole


@pytest.mark.parametrize("border", [1, 2 * MAX_REGIONS - 1, 2 * MAX_REGIONS, 2 * MAX_REGIONS + 3, SIZE // 2])
@pytest.mark.parametrize(
    "wrong", [slice(None, None, 2), slice(None, 4 * MAX_REGIONS, 2), slice(None), slice(100, 2 * MAX_REGIONS + 100, 2)]
)
def test_halves_combined_are_the_whole_when_the_list_is_cut(border, wrong):
    data = CLEAN.copy()
    data[wrong] ^= 0x80
    left = PATTERN.verify(data[:border], 3)
    right = PATTERN.verify(data[border:], 3 + border).shifted(border)
    whole = PATTERN.verify(data, 3)
    assert left.combined(right) == whole
    assert right.combined(left) == whole


def test_shifting_moves_positions_and_nothing_else():
    found = PATTERN.verify(damaged({10: 1, 11: 1, 90: 1}), 3)
    moved = found.shifted(1000)
    assert (moved.first, moved.regions) == (1010, (WrongRegion(1010, 1012), WrongRegion(1090, 1091)))
    assert moved.shifted(-1000) == found
    with pytest.raises(BadInput, match="below 0"):
        found.shifted(-11)


@pytest.mark.parametrize(
    "flaw",
    [
        {"mismatched_bytes": 1, "mismatched_bits": 1},
        {"bytes_expected": 101},
        {"bytes_received": 99},
        {"bytes_received": 101},
        {"surplus_bytes": 1},
        {"stalled": True},
        {"bytes_checked": 0, "bytes_expected": 0, "bytes_received": 0},
    ],
)
def test_ok_needs_everything_right(flaw):
    right = Comparison(bytes_checked=100)
    assert right.ok
    flawed = attrs.evolve(right, **flaw)
    assert not flawed.ok
    if not flawed.empty:
        assert not flawed.combined(right).ok
        assert not right.combined(flawed).ok


@pytest.mark.parametrize(
    ("cautions", "together"),
    [
        (["", ""], ""),
        (["", "One."], "One."),
        (["One.", ""], "One."),
        (["One.", "Two.", "One."], "One. Two."),
        (["One.", "One. Two."], "One. Two."),
        (["One. Two.", "Two. Three.", "One."], "One. Two. Three."),
        (["Not one.", "one."], "Not one. one."),
        (["Not.", "Not. one.", "one. Not."], "Not. one."),
    ],
)
def test_combining_keeps_each_caution_once(cautions, together):
    first, *others = [Comparison(bytes_checked=1, caution=caution) for caution in cautions]
    for other in others:
        first = first.combined(other)
    assert first.caution == together


def test_the_cautions_of_a_pattern_and_of_a_digest_combine_in_any_grouping():
    short = pattern("prbs7")
    exact, digest = short.verify(CLEAN), short.verify_digest(CLEAN)
    for pieces in permutations((exact, digest, exact)):
        one, two, three = pieces
        for whole in (one.combined(two).combined(three), one.combined(two.combined(three))):
            assert whole.caution == digest.caution
            assert whole.caution.count(exact.caution) == 1


def test_verification_needs_no_memory_for_the_whole():
    data = np.zeros(64 << 20, np.uint8)
    kernels.ready()  # what importing them needs is not what verifying needs
    tracemalloc.start()
    try:
        found = PATTERN.verify(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert not found.ok
    assert peak < 16 << 20
