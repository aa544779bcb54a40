"""Localisation: planted damage comes back exactly, in every unit."""

from __future__ import annotations

import tracemalloc
from collections import Counter
from functools import reduce
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import MAX_REGIONS, NAMES, pattern
from laneproof.integrity.localisation import MAX_MASKS, Localisation, XorMask, localise

SIZE = 600_000  # more than two tiles
PATTERN = pattern("prbs31", seed=2, slot=1)
AT = 4093
CLEAN = np.zeros(SIZE, np.uint8)
PATTERN.fill(CLEAN, AT)

# Anywhere, around the borders of tiles (2^18) and pages, and close together at both ends.
places = st.one_of(
    st.integers(0, SIZE - 1),
    st.integers(2**18 - AT - 9, 2**18 - AT + 9),
    st.integers(0, 12),
    st.integers(SIZE - 12, SIZE - 1),
)
damage = st.dictionaries(places, st.integers(1, 255), max_size=60)


def damaged(masks: dict[int, int]) -> np.ndarray:
    data = CLEAN.copy()
    for position, mask in masks.items():
        data[position] ^= mask
    return data


def by_hand(masks: dict[int, int], block: int) -> dict[str, object]:
    """Every count, bit by bit."""
    dwords: Counter[int] = Counter()
    bits, bytes_64 = [0] * 32, [0] * 64
    up = 0
    for offset, mask in masks.items():
        position = offset + AT
        dwords[position // 4] |= mask << 8 * (position % 4)
        bytes_64[position % 64] += 1
        for bit in range(8):
            if mask >> bit & 1:
                bits[8 * (position % 4) + bit] += 1
                up += not CLEAN[offset] >> bit & 1
    return {
        "wrong_bytes": len(masks),
        "wrong_bits": sum(bits),
        "wrong_dwords": len(dwords),
        "wrong_pages": len({(offset + AT) // 4096 for offset in masks}),
        "wrong_blocks": len({(offset + AT) // block for offset in masks}),
        "bit_of_dword": tuple(bits),
        "byte_of_64": tuple(bytes_64),
        "byte_of_8": tuple(sum(bytes_64[lane::8]) for lane in range(8)),
        "byte_of_16": tuple(sum(bytes_64[lane::16]) for lane in range(16)),
        "byte_of_32": tuple(sum(bytes_64[lane::32]) for lane in range(32)),
        "zero_to_one": up,
        "one_to_zero": sum(bits) - up,
        "masks": tuple(
            XorMask(mask, count)
            for mask, count in sorted(Counter(dwords.values()).items(), key=lambda item: (-item[1], item[0]))
        )[:MAX_MASKS],
    }


@settings(max_examples=60, deadline=None)
@given(damage, st.integers(1, 70_000))
def test_planted_bits_come_back_exactly_in_every_unit(masks, block):
    found = localise(PATTERN, damaged(masks), AT, block=block)
    expected = by_hand(masks, block)
    assert {name: getattr(found, name) for name in expected} == expected
    flat = [position - AT for region in found.regions for position in range(region.start, region.stop)]
    assert flat == sorted(masks)
    assert not found.regions_cut
    assert not found.masks_cut


@settings(max_examples=60, deadline=None)
@given(damage, st.lists(places, max_size=5), st.integers(1, 70_000), st.randoms(use_true_random=False))
def test_pieces_combine_to_the_whole_wherever_they_are_cut(masks, cuts, block, random):
    data = damaged(masks)
    edges = [0, *sorted(cuts), SIZE]
    pieces = [localise(PATTERN, data[start:stop], AT + start, block=block) for start, stop in pairwise(edges)]
    while len(pieces) > 1:
        index = random.randrange(len(pieces) - 1)
        two = pieces[index : index + 2]
        pieces[index : index + 2] = [two[0].combined(two[1]) if random.random() < 0.5 else two[1].combined(two[0])]
    assert pieces[0] == localise(PATTERN, data, AT, block=block)


def test_several_wrong_bytes_of_one_cut_dword_are_one_dword():
    data = damaged({5: 1, 6: 2, 7: 4, 8: 8})  # positions 4098 to 4101: the first two are in one dword
    pieces = [localise(PATTERN, data[cut : cut + 1], AT + cut) for cut in range(5, 9)]
    assert reduce(Localisation.combined, pieces) == localise(PATTERN, data[5:9], AT + 5)
    assert [piece.wrong_dwords for piece in pieces] == [1] * 4
    assert localise(PATTERN, data[5:9], AT + 5).wrong_dwords == 2


@pytest.mark.parametrize("name", NAMES)
def test_a_prefilled_buffer_is_wrong_in_every_unit(name):
    source = pattern(name, seed=3)
    data = np.zeros(300_001, np.uint8)
    source.fill_unlike(data)
    found = localise(source, data, block=1000)
    assert (found.wrong_bytes, found.wrong_bits) == (300_001, 8 * 300_001)
    assert (found.wrong_dwords, found.wrong_pages, found.wrong_blocks) == (75_001, 74, 301)
    assert found.masks == (XorMask(0xFFFFFFFF, 75_000), XorMask(0xFF, 1))
    ones = int(np.unpackbits(data).sum())
    assert (found.zero_to_one, found.one_to_zero) == (ones, 8 * 300_001 - ones)
    assert found.caution == source.caution


def test_a_stuck_line_is_one_mask_in_one_lane_and_one_direction():
    data = CLEAN.copy()
    lines = data[(-AT) % 64 :][: SIZE // 64 * 64 - 64].reshape(-1, 64)
    lines[:, 19] |= 0x10
    found = localise(PATTERN, data, AT)
    assert [lane for lane, count in enumerate(found.byte_of_64) if count] == [19]
    assert [bit for bit, count in enumerate(found.bit_of_dword) if count] == [28]
    assert found.masks == (XorMask(0x10000000, found.wrong_dwords),)
    assert found.one_to_zero == 0
    assert found.zero_to_one == found.wrong_bytes > 4000


def test_counts_are_exact_where_lists_are_cut():
    garbage = CLEAN ^ np.random.default_rng(1).integers(0, 3, SIZE, np.uint8)
    found = localise(PATTERN, garbage, AT)
    wrong = np.flatnonzero(garbage != CLEAN)
    assert found.wrong_bytes == wrong.size
    assert found.wrong_dwords == np.unique((wrong + AT) // 4).size
    assert found.wrong_pages == np.unique((wrong + AT) // 4096).size
    assert len(found.regions) == MAX_REGIONS
    assert found.regions_cut
    assert len(found.masks) == MAX_MASKS
    assert found.masks_cut
    assert not found.masks_are_least


def test_a_frequent_mask_is_seen_among_garbage():
    garbage = np.random.default_rng(1).integers(0, 256, SIZE, np.uint8)
    garbage[400_000:] = CLEAN[400_000:]
    garbage[(-AT) % 4 + 500_000 :: 400] ^= 0x40
    found = localise(PATTERN, garbage, AT)
    assert found.masks[0].mask == 0x40
    assert found.masks_are_least


def test_positions_count_from_the_beginning_of_the_stretch():
    far = 2**63 + 40_001
    data = np.zeros(5000, np.uint8)
    PATTERN.fill(data, far)
    data[17] ^= 1
    found = localise(PATTERN, data, far, block=4096)
    assert found.regions[0].start == far + 17
    assert (found.wrong_pages, found.wrong_blocks) == (1, 1)


def test_clean_data_have_nothing_wrong_and_an_empty_buffer_neither():
    assert localise(PATTERN, CLEAN, AT) == Localisation(start=AT, stop=AT + SIZE, block_bytes=None)
    assert localise(PATTERN, b"", AT, block=7).wrong_blocks == 0


def test_memory_stays_bounded_when_every_byte_is_wrong():
    data = np.zeros(6 << 20, np.uint8)
    localise(PATTERN, data[: 1 << 20])
    tracemalloc.start()
    localise(PATTERN, data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 << 20


def test_pieces_that_do_not_touch_are_refused():
    one, two = localise(PATTERN, CLEAN[:10], AT), localise(PATTERN, CLEAN[11:20], AT + 11)
    with pytest.raises(BadInput, match="neighbours"):
        one.combined(two)
    with pytest.raises(BadInput, match="blocks"):
        one.combined(localise(PATTERN, CLEAN[10:20], AT + 10, block=8))


@pytest.mark.parametrize("block", [0, -1, "64", 1.5])
def test_a_block_that_is_none_is_refused(block):
    with pytest.raises(BadInput, match="block"):
        localise(PATTERN, CLEAN, AT, block=block)
