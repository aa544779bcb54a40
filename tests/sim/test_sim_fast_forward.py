"""A pattern that is passed over by arithmetic fares as one that the lines carry, and as one on the slow model's link.

What one wrong bit does, and what several close together do, is the same to the bit; of many, the same in distribution.
Tests of distributions have fixed seeds and fail right models once in ten thousand sets of seeds.
"""

from __future__ import annotations

import functools
import random
from collections import Counter

import numpy as np
import pytest
from pattern_link import PatternLink, Setting, by_rate, planted
from scipy import stats
from side_by_side import setting_of
from slow_link import Result, run
from slow_link import Sites as SlowSites

from laneproof_sim.fast_forward import TOLD_ONE_BY_ONE
from laneproof_sim.loaded_link import LoadedLink

SMALLEST_P = 1e-4
SETTINGS: list[Setting] = [(2.5, 1, 128), (5.0, 4, 256), (8.0, 8, 256), (16.0, 8, 512), (32.0, 16, 512), (8.0, 1, 4096)]
DIRECTIONS = ("to_card", "from_card")
ENDS = ("near", "far")
SKP_BITS = 372 * 130
"""From one SKP ordered set to the next, 128b/130b."""
START = 40 * SKP_BITS


@functools.cache
def clean(setting: Setting, direction: str) -> PatternLink:
    return PatternLink(setting, direction, planted(), start_bit=START).run(1e-6)


def block_bits(setting: Setting, direction: str) -> float:
    link = clean(setting, direction)
    return link.block.duration_s * link.timing.line_bits_per_s


def assert_the_same(setting: Setting, direction: str, **bits: list[int]) -> PatternLink:
    """Both for so long that everything is over."""
    link = clean(setting, direction)
    seconds = 30 * link.block.duration_s + 20 * LoadedLink(link.block).alone_bits / link.timing.line_bits_per_s
    fast, slow = (PatternLink(setting, direction, planted(**bits), how, START).run(seconds) for how in ("fast", "slow"))
    assert fast.counts == slow.counts
    assert fast.marks == slow.marks
    assert fast.blocks == slow.blocks
    lost_s = slow.stream.next_s - slow.start_s - slow.way._carried * slow.block.duration_s
    assert fast.way.lost_s == pytest.approx(lost_s, abs=2 / fast.timing.line_bits_per_s)
    for one, other in zip(sorted(fast.notes), sorted(slow.notes), strict=True):
        assert one[0] == pytest.approx(other[0], abs=2 / fast.timing.line_bits_per_s)
    return fast


# One wrong bit by itself


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("setting", SETTINGS, ids=str)
def test_a_wrong_bit_anywhere_in_a_block_does_what_it_does_on_the_lines(
    setting: Setting, direction: str, end: str
) -> None:
    draw = random.Random(f"{setting}{direction}{end}")
    whole = block_bits(setting, direction)
    bits = [START + int(whole * (3 + draw.random())) for _ in range(25)]
    bits += [START + 43 * SKP_BITS + draw.randrange(130), START + 3 * 130 * 17 + 1]  # ordered set, sync header
    for bit in bits:
        assert_the_same(setting, direction, **{end: [bit]})


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("setting", SETTINGS, ids=str)
def test_a_wrong_bit_in_a_start_does_what_it_does_on_the_lines(setting: Setting, direction: str) -> None:
    # Of any packet of the pattern, and of a block's last one, after which nothing shows that it is missing.
    link = clean(setting, direction)
    draw = random.Random(f"{setting}{direction}")
    load = link.block.onward[-1]
    unit = load.nbytes / load.count / link.timing.bytes_per_s * link.timing.line_bits_per_s
    end = START + 4 * block_bits(setting, direction)
    token = 8 * (4 if setting[0] > 5 else 1) / setting[1] * unit * link.timing.width / (8 * load.nbytes / load.count)
    found: Counter[tuple[str, str]] = Counter()
    for packet in [1, 1, 1, *(draw.randrange(2, load.count) for _ in range(12))]:
        bit = int(end - packet * unit + draw.random() * token)
        found += assert_the_same(setting, direction, **{link.block.receiver: [bit]}).counts
    assert found[link.block.receiver, "RxErr"] >= 10
    assert found[link.block.receiver, "BadTLP"] >= 5
    assert found[link.block.sender, "Timeout"] >= 1


# Several close together


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("setting", SETTINGS, ids=str)
def test_wrong_bits_close_together_do_what_they_do_on_the_lines(setting: Setting, direction: str) -> None:
    draw = random.Random(f"{setting}{direction}")
    reach = LoadedLink(clean(setting, direction).block).alone_bits
    for spread in (400, reach // 50, reach // 2, 3 * reach):
        for _ in range(4):
            first = START + int(block_bits(setting, direction) * (3 + draw.random()))
            bits: dict[str, list[int]] = {"far": [], "near": []}
            bits[draw.choice(ENDS)].append(first)
            bits[draw.choice(ENDS)].append(first + 1 + draw.randrange(min(spread, reach - 1)))
            for _ in range(draw.randrange(5)):
                bits[draw.choice(ENDS)].append(first + 1 + draw.randrange(spread))
            if spread > reach and _has_one_alone(bits, reach):
                continue
            assert_the_same(setting, direction, **{end: sorted(set(of)) for end, of in bits.items()})


def _has_one_alone(bits: dict[str, list[int]], reach: int) -> bool:
    """Whether some bit follows the others so late that it is met by arithmetic, in a block that they have shifted."""
    return bool(np.diff(sorted((*bits["far"], *bits["near"]))).max() > reach // 2)


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_where_wrong_bits_are_everywhere_the_lines_carry_all_of_it(direction: str) -> None:
    sites = by_rate(1e-6, 8, seed=1)
    fast, slow = (PatternLink((8.0, 8, 256), direction, sites, how).run(20e-3) for how in ("fast", "slow"))
    assert fast.counts == slow.counts
    assert fast.blocks == slow.blocks
    assert fast.counts.total() > 1000


# How often one looks


@pytest.mark.parametrize("rate", [1e-10, 1e-8, 2e-7])
@pytest.mark.parametrize("direction", DIRECTIONS)
def test_it_makes_no_difference_how_often_one_looks(direction: str, rate: float) -> None:
    seconds = {1e-10: 20.0, 1e-8: 0.3, 2e-7: 0.03}[rate]
    once, often = (PatternLink((8.0, 8, 256), direction, by_rate(rate, 8, seed=3)) for _ in range(2))
    once.run(seconds)
    seen = 0
    for at_s in sorted(np.random.default_rng(1).random(2000) * seconds):
        often.run(at_s)
        assert often.blocks >= seen
        assert often.lost_s >= -1e-9
        seen = often.blocks
    often.run(seconds)
    assert often.counts == once.counts
    assert often.marks == once.marks
    assert often.blocks == once.blocks
    assert often.way.lost_s == once.way.lost_s


def test_the_last_errors_are_told_one_by_one_and_those_before_only_counted() -> None:
    link = PatternLink((16.0, 8, 256), "from_card", by_rate(1e-11, 8, seed=1)).run(20_000.0)
    assert TOLD_ONE_BY_ONE <= len(link.notes) < 1.3 * TOLD_ONE_BY_ONE
    assert link.counts.total() > 5 * TOLD_ONE_BY_ONE
    assert min(at_s for at_s, _, _ in link.notes[-TOLD_ONE_BY_ONE:]) > 10_000.0


# Many, in distribution

RARE_AND_DENSE = [
    ((2.5, 1, 128), 1e-7, 0.3),
    ((5.0, 4, 256), 3e-8, 0.1),
    ((8.0, 8, 256), 1e-9, 0.5),
    ((8.0, 8, 256), 1e-8, 0.1),
    ((16.0, 2, 512), 1e-7, 0.05),
    ((32.0, 16, 512), 4e-9, 0.03),
    ((8.0, 4, 256), 1e-6, 0.01),
]
"""Setting, bit error rate of each lane and direction, seconds."""
_RUNS = 2


def compare(setting: Setting, direction: str, rate: float, seconds: float, seeds: range) -> None:
    """Two samples, each with wrong bits of its own: what is counted, how long it holds up the pattern."""
    fast, slow = (
        [PatternLink(setting, direction, by_rate(rate, setting[1], seed), how).run(seconds) for seed in own]
        for how, own in (("fast", seeds), ("slow", range(seeds.stop, seeds.stop + len(seeds))))
    )
    assert_same_counts(*(sum((link.counts for link in links), Counter()) for links in (fast, slow)))
    errors = sum(link.counts.total() for link in fast)
    each_s = [sum(link.lost_s for link in links) / len(links) for links in (fast, slow)]
    # Of a number of errors that is Poisson, each of which costs about as much: three times its relative spread.
    spread = 4 * np.sqrt(2 / errors) * max(each_s) + fast[0].block.duration_s
    assert each_s[0] == pytest.approx(each_s[1], abs=spread)


def assert_same_counts(fast: Counter[tuple[str, str]], slow: Counter[tuple[str, str]]) -> None:
    """Shares of each (end, name) by the chi-square test, and the total as two Poisson variables."""
    kinds = sorted(kind for kind in fast | slow if fast[kind] + slow[kind] >= 10)
    rare = [sum(counts[kind] for kind in counts if kind not in kinds) for counts in (fast, slow)]
    table = np.array([[counts[kind] for kind in kinds] for counts in (fast, slow)])
    if sum(rare) >= 10:
        table = np.column_stack([table, rare])
    if table.shape[1] > 1:
        assert stats.chi2_contingency(table).pvalue > SMALLEST_P
    assert stats.binomtest(fast.total(), fast.total() + slow.total(), 0.5).pvalue > SMALLEST_P
    assert fast.total() > 100


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize(("setting", "rate", "seconds"), RARE_AND_DENSE, ids=str)
def test_many_wrong_bits_do_what_they_do_on_the_lines(
    setting: Setting, rate: float, seconds: float, direction: str
) -> None:
    compare(setting, direction, rate, seconds, range(_RUNS))


@pytest.mark.long
@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize(("setting", "rate", "seconds"), RARE_AND_DENSE, ids=str)
def test_very_many_wrong_bits_do_what_they_do_on_the_lines(
    setting: Setting, rate: float, seconds: float, direction: str
) -> None:
    compare(setting, direction, rate, seconds, range(100, 125))


# Against the slow model of a link, one wrong bit at a time

SLOW_SETTINGS: list[Setting] = [(2.5, 1, 256), (5.0, 4, 256), (8.0, 4, 256), (16.0, 2, 512)]
_SLOW_BLOCK, _SLOW_BLOCKS = 16 * 1024, 8
_HIT_BETWEEN = (1 / 8, 4 / 8)
"""Shares of a clean run between which a bit is wrong: while the fifth to the eighth block are asked for."""


def slow_run(link: PatternLink, **lanes: dict[int, list[int]]) -> Result:
    """A pattern of eight short blocks, of which four are in hand at a time."""
    what = "write" if link.block.direction == "from_card" else "read"
    return run(setting_of(link.timing), [(what, _SLOW_BLOCK)] * _SLOW_BLOCKS, SlowSites(**lanes))


def compare_with_slow_link(setting: Setting, direction: str, runs: int) -> None:
    link = clean(setting, direction)
    draw = random.Random(f"{setting}{direction}{runs}")
    clean_s = slow_run(link).last_s
    seconds = 10 * link.block.duration_s + 4 * LoadedLink(link.block).alone_bits / link.timing.line_bits_per_s
    counts: tuple[Counter[tuple[str, str]], Counter[tuple[str, str]]] = Counter(), Counter()
    lost_s: tuple[list[float], list[float]] = [], []
    for number in range(runs):
        sender, receiver = ENDS if number % 2 else ENDS[::-1]
        bit = int(draw.uniform(*_HIT_BETWEEN) * clean_s * link.timing.line_bits_per_s)
        slow = slow_run(link, **{sender: {draw.randrange(setting[1]): [bit]}})
        counts[1].update((event.end, event.name) for event in slow.events)
        lost_s[1].append(slow.last_s - clean_s)
        bit = START + int(draw.uniform(1, 3) * block_bits(setting, direction))
        fast = PatternLink(setting, direction, planted(**{receiver: [bit]}), start_bit=START).run(seconds)
        counts[0].update(fast.counts)
        lost_s[0].append(fast.way.lost_s)
    if direction == "to_card":  # the slow model sends no flow-control updates among the completions
        for count in counts:
            count["far", "BadTLP"] += count.pop(("far", "BadDLLP"), 0)
    assert_same_counts(*counts)
    # The slow model begins a Recovery's Nak after it, and packets where symbols begin.
    packet_s = link.block.onward[-1].nbytes / link.block.onward[-1].count / link.timing.bytes_per_s
    spread_s = 4 * np.sqrt(sum(np.var(of) / len(of) for of in lost_s))
    assert np.mean(lost_s[0]) == pytest.approx(np.mean(lost_s[1]), abs=spread_s + packet_s)


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("setting", SLOW_SETTINGS[1:3], ids=str)
def test_a_wrong_bit_does_what_it_does_on_the_slow_link(setting: Setting, direction: str) -> None:
    compare_with_slow_link(setting, direction, 110)


@pytest.mark.long
@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("setting", SLOW_SETTINGS, ids=str)
def test_many_wrong_bits_do_what_they_do_on_the_slow_link(setting: Setting, direction: str) -> None:
    compare_with_slow_link(setting, direction, 2000)


def test_thirty_days_see_as_many_errors_as_chance_has_it() -> None:
    # Poisson: every wrong bit of a pattern that fills its direction is reported there, once at first.
    days_s, rate, width = 30 * 86400.0, 1e-12, 8
    link = PatternLink((16.0, width, 256), "from_card", by_rate(rate, width, seed=2)).run(days_s)
    expected = rate * width * 16e9 * days_s
    seen = link.counts["near", "RxErr"] + link.counts["near", "BadTLP"]
    twice = link.counts["near", "RxErr"] / 3  # those that hit a start are missed by the packet after it
    assert seen == pytest.approx(expected, abs=5 * np.sqrt(expected) + twice)
    assert link.counts["far", "RxErr"] == pytest.approx(expected, abs=5 * np.sqrt(expected) + 0.02 * expected)
    assert link.lost_s == pytest.approx(link.way.lost_s, abs=1e-8 * days_s)
