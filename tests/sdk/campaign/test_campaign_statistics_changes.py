"""Changes of level: against a series whose change is known, against scipy.stats, and against chance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import combinations, permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, mannwhitneyu, rankdata

from laneproof.campaign.statistics import changes, find_changes
from laneproof.errors import BadInput

EXAMPLES = settings(max_examples=40, deadline=None, derandomize=True)

# Yearly flow of the Nile at Aswan, 1871 to 1970, 10^8 m³ (Cobb 1978, Biometrika 65, 243), as public copies have it:
# lower from 1899 on, when a dam was begun.
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip


def noise(count: int, seed: int = 0) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.random.default_rng(seed).normal(100, 1, count)


def pettitts(values: list[float]) -> tuple[float, int, float]:
    """Pettitt 1979 by way of scipy's Mann-Whitney U: the statistic, the place, and the p-value without ties."""
    n = len(values)
    parted = [abs(2 * mannwhitneyu(values[:t], values[t:]).statistic - t * (n - t)) for t in range(1, n)]
    most = max(parted)
    return most, parted.index(most) + 1, min(1.0, 2 * math.exp(-6 * most**2 / (n**3 + n**2)))


def test_the_flow_of_the_nile_changed_with_the_year_1899() -> None:
    (change,) = find_changes(NILE)
    assert 1871 + change.position == 1899
    assert (change.before, change.after) == (np.median(NILE[:28]), np.median(NILE[28:]))
    _, place, p_value = pettitts([float(flow) for flow in NILE])
    position, ours = (found.item() for found in changes._pettitt(np.array([NILE], dtype=np.float64)))
    assert (position, ours) == (place, pytest.approx(p_value, rel=0.05)) == (28, pytest.approx(3.6e-7, rel=0.05))
    assert ours < p_value  # equal flows are few


@EXAMPLES
@given(st.lists(st.floats(-1e9, 1e9), min_size=2, max_size=40, unique=True))
def test_the_test_is_pettitts_by_way_of_scipy(values: list[float]) -> None:
    most, _, p_value = pettitts(values)
    positions, ours = changes._pettitt(np.array([values]))
    position = positions.item()
    statistic = mannwhitneyu(values[:position], values[position:]).statistic
    assert abs(2 * statistic - position * (len(values) - position)) == most
    assert ours.item() == pytest.approx(p_value, rel=1e-9)


@EXAMPLES
@given(st.lists(st.lists(st.integers(0, 5), min_size=7, max_size=7), min_size=1, max_size=5))
def test_equal_values_share_their_rank_as_in_scipy(rows: list[list[int]]) -> None:
    array = np.array(rows, dtype=np.float64)
    assert np.array_equal(changes._ranks(array), rankdata(array, axis=1))


def test_a_step_is_found_where_it_is_with_its_levels() -> None:
    series = noise(1000)
    series[600:] -= 3
    (change,) = find_changes(series)
    assert abs(change.position - 600) <= 2
    assert (change.before, change.after) == pytest.approx((100, 97), abs=0.2)
    assert change.p_value < 1e-6


def test_a_series_of_exact_values_is_parted_exactly() -> None:
    (change,) = find_changes([7.0] * 50 + [5.0] * 50)
    assert (change.position, change.before, change.after) == (50, 7.0, 5.0)
    assert 0 < change.p_value < 1e-3


def test_counts_that_begin_to_rise_are_found() -> None:
    drawn = np.random.default_rng(3)
    (change,) = find_changes(np.concatenate([drawn.poisson(0.2, 2000), drawn.poisson(1.0, 1000)]))
    assert abs(change.position - 2000) <= 20


def test_a_short_dip_in_a_long_series_is_found_at_both_ends() -> None:
    series = noise(100_000, seed=1)
    series[40_000:40_100] -= 3
    series[70_000:] += 0.2
    found = find_changes(series)
    assert [round(change.position, -2) for change in found] == [40_000, 40_100, 70_000]
    assert [change.after for change in found] == pytest.approx([97, 100, 100.2], abs=0.3)


def test_many_changes_are_told_apart() -> None:
    levels = [0, 4, 1, 6, 2, 8]
    found = find_changes(noise(1200) + np.repeat(levels, 200))
    assert [round(change.position / 10) * 10 for change in found] == [200, 400, 600, 800, 1000]
    assert [change.before for change in found[1:]] == [change.after for change in found[:-1]]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "levels",
    [np.repeat(np.arange(10) * 2.0, 120), np.repeat([0.0, -3, 0, -3, 0, 3, 0], [700, 60, 740, 70, 1030, 100, 300])],
    ids=["a staircase", "two dips and a bump"],
)
def test_changes_close_to_each_other_do_not_blur_each_other(levels: Any, seed: int) -> None:
    """What names them together, a longer stretch, is passed over for the shorter ones that hold one each."""
    steps = np.flatnonzero(np.diff(levels)) + 1
    found = [change.position for change in find_changes(levels + noise(len(levels), seed))]
    assert found == pytest.approx(steps.tolist(), abs=8)


def test_single_outliers_are_no_change_and_hide_none() -> None:
    series = noise(1000)
    series[[10, 300, 301, 777]] = [1e9, -1e9, 1e9, 0]
    assert find_changes(series) == ()
    series[500:] += 2
    (change,) = find_changes(series)
    assert abs(change.position - 500) <= 5


@pytest.mark.parametrize(
    "orders",
    [
        pytest.param(permutations(range(8)), id="8 values"),
        pytest.param(([at in ones for at in range(20)] for ones in combinations(range(20), 5)), id="5 ones of 20"),
        pytest.param(([at in ones for at in range(16)] for ones in combinations(range(16), 8)), id="8 ones of 16"),
    ],
)
def test_p_values_promise_no_more_than_chance_keeps(orders: Iterable[Sequence[float]]) -> None:
    """Every order of some values, all as likely as each other: a p-value p or smaller comes up in a share p at most."""
    p_values = np.sort(changes._pettitt(np.array(list(orders), dtype=np.float64))[1])
    share = np.searchsorted(p_values, p_values * (1 + 1e-9), side="right") / len(p_values)
    assert p_values[0] < 0.2
    assert np.all(share <= p_values * (1 + 1e-9))


@pytest.mark.parametrize("false_alarm", [0.01, 0.1])
@pytest.mark.parametrize("points", [16, 50, 300])
@pytest.mark.parametrize("kind", ["normal", "counts", "sparse", "wild"])
def test_a_series_without_a_change_seldom_shows_one(kind: str, points: int, false_alarm: float) -> None:
    drawn = np.random.default_rng(points)
    series = {
        "normal": drawn.normal(size=(150, points)),
        "counts": drawn.poisson(1.0, (150, points)),
        "sparse": drawn.poisson(0.05, (150, points)),
        "wild": drawn.standard_cauchy((150, points)),
    }[kind]
    assert sum(bool(find_changes(row, false_alarm)) for row in series) <= binom.ppf(0.99, 150, false_alarm)


@EXAMPLES
@given(st.lists(st.sampled_from([1.0, 2.0, 9.0]), max_size=120), st.floats(1e-3, 1e3))
def test_what_is_found_depends_on_order_alone(values: list[float], scale: float) -> None:
    found = find_changes(values)
    scaled = find_changes([scale * value for value in values])
    assert [(change.position, change.p_value) for change in scaled] == [(c.position, c.p_value) for c in found]
    assert all(0 < change.position < len(values) for change in found)


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0], [3.0] * 500, [1.0] * 7 + [2.0] * 7])
def test_too_few_points_or_equal_ones_show_no_change(values: list[float]) -> None:
    assert find_changes(values) == ()


def test_sixteen_points_are_enough_for_a_clean_step_at_1_percent() -> None:
    assert [change.position for change in find_changes([1.0] * 8 + [2.0] * 8)] == [8]
    assert [change.position for change in find_changes(range(16))] == [8]
    assert find_changes(range(15)) == ()


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        (lambda: find_changes([1.0, math.nan]), "time series: give one list of finite numbers"),
        (lambda: find_changes(["a"]), "time series: give a list of numbers"),  # type: ignore[list-item]
        (lambda: find_changes(None), "time series: give a list of numbers"),  # type: ignore[arg-type]
        (lambda: find_changes([1.0], 0.0), "chance of a false alarm: give a number between 0 and 1"),
        (lambda: find_changes(np.zeros(changes.MOST_POINTS + 1)), "at most 3000000 points are taken"),
    ],
)
def test_what_is_no_series_is_refused_in_one_line(call: Any, complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint) as refused:
        call()
    assert "\n" not in str(refused.value)
