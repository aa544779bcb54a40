"""Runs held against earlier runs: against scipy.stats, a worked example of the NIST handbook, and by brute force."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import ttest_ind

from laneproof.campaign.statistics import compare, holm, welch, welch_all
from laneproof.errors import BadInput

EXAMPLES = settings(max_examples=40, deadline=None, derandomize=True)

RUNS = st.lists(st.floats(1e6, 1e10), min_size=2, max_size=12).filter(lambda runs: np.std(runs) > 1e-6 * np.mean(runs))


def spread_over(count: int, mean: float, deviation: float) -> list[float]:
    """Values that have exactly this mean and this standard deviation."""
    row = np.random.default_rng(count).normal(size=count)
    return list(mean + deviation * (row - row.mean()) / row.std(ddof=1))


def test_welchs_test_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B.DAT: T = -12.94627 with 136.87499 degrees of freedom."""
    test = welch(spread_over(249, 20.14458, 6.41470), spread_over(79, 30.48101, 6.10771))
    assert test.difference == pytest.approx(30.48101 - 20.14458)
    assert test.degrees_of_freedom == pytest.approx(136.87499, abs=1e-3)
    assert test.p_value == pytest.approx(1.571e-25, rel=1e-3)


@EXAMPLES
@given(RUNS, RUNS, st.floats(0.5, 0.999))
def test_welchs_test_is_that_of_scipy(first: list[float], second: list[float], confidence: float) -> None:
    test, outside = welch(first, second, confidence), ttest_ind(second, first, equal_var=False)
    assert test.p_value == pytest.approx(float(outside.pvalue), rel=1e-6, abs=1e-300)
    assert test.degrees_of_freedom == pytest.approx(float(outside.df), rel=1e-7)
    between = outside.confidence_interval(confidence)
    scale = abs(between.high) + abs(between.low)
    assert (test.interval.lower, test.interval.upper) == pytest.approx((between.low, between.high), abs=1e-6 * scale)


def test_where_nothing_varies_a_difference_is_certain() -> None:
    """As in simulated time, where one run is as the other; a mean of 0.1s might round."""
    assert welch([0.1] * 3, [0.1] * 7).p_value == 1.0
    told = welch([0.1] * 3, [0.2] * 7)
    assert (told.p_value, told.interval.lower, told.interval.upper) == (0.0, told.difference, told.difference)


def test_holms_correction_is_that_of_a_worked_example() -> None:
    """Four p-values of which two stay significant at 5 %: the usual worked example of the method, from memory."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))


def closed_test(p_values: Sequence[float]) -> list[float]:
    """Holm 1979: a hypothesis goes where every set that holds it goes by Bonferroni."""
    indices = range(len(p_values))
    sets = [chosen for size in range(1, len(p_values) + 1) for chosen in combinations(indices, size)]
    return [
        max(min(1.0, len(chosen) * min(p_values[i] for i in chosen)) for chosen in sets if index in chosen)
        for index in indices
    ]


@EXAMPLES
@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_holms_correction_is_the_closed_test_of_bonferronis(p_values: list[float]) -> None:
    assert holm(p_values) == pytest.approx(closed_test(p_values), rel=1e-12)


def test_several_tests_are_corrected_together() -> None:
    pairs = [(spread_over(5, 100, 1), spread_over(5, 100 + by, 1)) for by in (0.0, 1.5, 4.0)]
    together = welch_all(pairs, 0.97)
    alone = [welch(*pair, 0.99) for pair in pairs]
    assert [test.corrected_p_value for test in together] == list(holm([test.p_value for test in alone]))
    assert [test.p_value for test in together] == [test.p_value for test in alone]
    for one, other in zip(together, alone, strict=True):
        assert one.interval.lower == pytest.approx(other.interval.lower)
    assert welch_all([]) == () == holm([])


EARLIER = spread_over(5, 6.8e9, 1e7)


@pytest.mark.parametrize(
    ("share", "result"), [(1.0, "same"), (0.97, "same"), (1.03, "same"), (0.92, "lower"), (1.08, "higher")]
)
def test_a_steady_rate_may_differ_by_five_percent(share: float, result: str) -> None:
    compared = compare(EARLIER, [share * value for value in EARLIER])
    assert compared.result == result
    assert compared.tolerance == pytest.approx(0.05 * 6.8e9)
    assert compared.difference == pytest.approx((share - 1) * 6.8e9, abs=1)


def test_an_unsteady_rate_may_differ_by_three_sigma() -> None:
    earlier = spread_over(40, 100, 10)
    compared = compare(earlier, spread_over(40, 120, 10))
    assert (compared.result, compared.tolerance) == ("same", pytest.approx(30))
    assert "3 standard deviations of a run" in compared.reason
    assert compare(earlier, spread_over(40, 140, 10)).result == "higher"
    assert compare(earlier, spread_over(40, 120, 10), sigmas=1.0).result == "higher"


def test_a_difference_about_as_large_as_the_tolerance_is_undecided() -> None:
    compared = compare(spread_over(4, 100, 1), spread_over(4, 105, 1))
    assert compared.result == "undecided"
    assert compared.interval is not None
    assert compared.interval.lower < 5 < compared.interval.upper
    assert compared.reason.endswith("; more runs narrow it")


def test_later_runs_that_vary_widely_vouch_for_nothing() -> None:
    assert compare(spread_over(5, 100, 0.1), spread_over(3, 100, 8)).result == "undecided"


@pytest.mark.parametrize(("earlier", "later"), [(2, 9), (9, 2), (0, 0)])
def test_fewer_than_three_runs_a_side_are_undecided_and_say_so(earlier: int, later: int) -> None:
    compared = compare(EARLIER[:1] * earlier, EARLIER[:1] * later)
    assert (compared.result, compared.difference, compared.interval, compared.tolerance) == (
        "undecided",
        None,
        None,
        None,
    )
    assert compared.reason == (
        f"3 runs a side are needed to know their spread; there are {earlier} earlier and {later} later"
    )


def test_the_reason_gives_the_numbers_in_shares_of_the_earlier_mean() -> None:
    compared = compare([100.0, 100.0, 100.0], [90.0, 90.0, 90.0])
    assert compared.reason == (
        "the later mean differs by -10.00% (from -10.00% to -10.00% at 0.95 confidence), which is beyond the tolerance "
        "of 5.00%, 0.05 of the mean"
    )
    assert "+2 (from +2 to +2" in compare([0.0] * 3, [2.0] * 3).reason


def test_among_many_comparisons_each_needs_more() -> None:
    earlier, later = spread_over(5, 100, 1), spread_over(5, 107, 1)
    alone, among = compare(earlier, later), compare(earlier, later, comparisons=50)
    assert (alone.result, among.result) == ("higher", "undecided")
    assert among.interval is not None
    outside = ttest_ind(later, earlier, equal_var=False).confidence_interval(1 - 0.05 / 50)
    assert among.interval.lower == pytest.approx(float(outside.low))


def test_runs_of_one_origin_are_seldom_told_apart() -> None:
    """The tolerance at work: 2000 pairs of three runs each, of one normal distribution."""
    drawn = np.random.default_rng(7).normal(100, 4, size=(2000, 6))
    results = [compare(row[:3], row[3:]).result for row in drawn]
    assert sum(result in ("lower", "higher") for result in results) <= 0.05 * len(results)


@EXAMPLES
@given(RUNS.filter(lambda runs: len(runs) > 2), RUNS.filter(lambda runs: len(runs) > 2))
def test_what_is_lower_one_way_is_not_lower_the_other(first: list[float], second: list[float]) -> None:
    one, other = compare(first, second).result, compare(second, first).result
    assert {one, other} not in ({"lower"}, {"higher"})


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        (lambda: compare([1, 2, math.nan], [1, 2, 3]), "earlier runs: give one list of finite numbers"),
        (lambda: compare([1, 2, 3], [1, 2, math.inf]), "later runs: give one list of finite numbers"),
        (lambda: compare([1, 2, 3], [1, 2, 1e200]), "later runs: give one list of finite numbers"),
        (lambda: compare([1, 2, 3], [[1], [2], [3]]), "later runs: give one list of finite numbers"),  # type: ignore[list-item]
        (lambda: compare([1, 2, 3], ["fast"] * 3), "later runs: give a list of numbers"),  # type: ignore[list-item]
        (lambda: compare(5, [1, 2, 3]), "earlier runs: give a list of numbers"),  # type: ignore[arg-type]
        (lambda: compare([1, 2, 3], [1, 2, 3], tolerance=0.0), "tolerance: give a number above 0"),
        (lambda: compare([1, 2, 3], [1, 2, 3], sigmas=-3.0), "sigmas: give a number above 0"),
        (lambda: compare([1, 2, 3], [1, 2, 3], comparisons=0), "comparisons: give a whole number from 1"),
        (lambda: compare([1, 2, 3], [1, 2, 3], confidence=1.0), "confidence: give a number between 0 and 1"),
        (lambda: welch([1], [1, 2]), "a spread needs two values a side"),
        (lambda: holm([0.5, 1.5]), "p-values: each lies between 0 and 1"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_one_line(call: Any, complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint) as refused:
        call()
    assert "\n" not in str(refused.value)
