"""Rates against exposure and their comparison, against a published example and against scipy.stats."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, chi2, poisson, poisson_means_test

from laneproof.campaign.statistics import compare_rates, rate
from laneproof.errors import BadInput

EXAMPLES = settings(max_examples=40, deadline=None, derandomize=True)

COUNTS = st.integers(0, 400)
EXPOSURES = st.floats(1e-3, 1e15)


def test_a_rate_has_the_interval_of_the_published_example() -> None:
    """R's documentation of `poisson.test`, 137 workers over 24.19893 expected; its output from memory."""
    seen = rate(137, 24.19893)
    assert (seen.per_unit, seen.interval.lower, seen.interval.upper) == pytest.approx(
        (5.661407, 4.753125, 6.692709), abs=5e-7
    )


@EXAMPLES
@given(st.integers(1, 10**5), EXPOSURES, st.floats(0.5, 0.999))
def test_a_rates_interval_is_that_of_chi_squared(events: int, exposure: float, confidence: float) -> None:
    seen = rate(events, exposure, confidence).interval
    beyond = (1 - confidence) / 2
    assert seen.lower == pytest.approx(chi2.ppf(beyond, 2 * events) / 2 / exposure, rel=1e-9)
    assert seen.upper == pytest.approx(chi2.isf(beyond, 2 * events + 2) / 2 / exposure, rel=1e-9)


def test_a_rate_per_second_may_be_above_one_and_below_one_event_lies_zero() -> None:
    assert rate(50, 2.0).per_unit == 25.0
    assert rate(50, 2.0).interval.upper > 25
    assert rate(0, 2.0).interval.lower == 0.0


def test_a_ratio_has_the_interval_of_the_published_example() -> None:
    """R's documentation of `poisson.test`, 11 of 800 and 21 of 3011; its output from memory."""
    ratio = compare_rates(11, 800, 6 + 8 + 7, 1083 + 1050 + 878).ratio
    assert (ratio.lower, ratio.upper) == pytest.approx((0.8584264, 4.2772659), abs=5e-7)


@EXAMPLES
@given(COUNTS, EXPOSURES, COUNTS, EXPOSURES)
def test_two_rates_are_tested_by_the_binomial_share_of_the_first(
    first: int, long: float, second: int, other: float
) -> None:
    compared = compare_rates(first, long, second, other)
    if first + second == 0:
        assert compared.p_value == 1.0
        return
    share = long / (long + other)
    if 0 < share < 1:
        less, more = (binomtest(first, first + second, share, side).pvalue for side in ("less", "greater"))
        assert compared.p_value == pytest.approx(min(1.0, 2 * min(less, more)), rel=1e-7, abs=1e-290)


@EXAMPLES
@given(COUNTS, st.floats(1, 1e3), COUNTS, st.floats(1, 1e3), st.floats(0.5, 0.999))
def test_the_test_and_the_ratio_never_contradict_each_other(
    first: int, long: float, second: int, other: float, confidence: float
) -> None:
    compared = compare_rates(first, long, second, other, confidence)
    if abs(compared.p_value - (1 - confidence)) > 1e-9:
        outside = not compared.ratio.lower <= 1 <= compared.ratio.upper
        assert outside == (compared.p_value < 1 - confidence)
    back = compare_rates(second, other, first, long, confidence)
    assert back.p_value == pytest.approx(compared.p_value, rel=1e-9)
    if first and second:
        assert back.ratio.lower == pytest.approx(1 / compared.ratio.upper, rel=1e-9)


def test_with_many_events_it_agrees_with_scipys_approximate_test() -> None:
    for first, second in ((480, 520), (1000, 1100), (900, 1000)):
        outside = float(poisson_means_test(first, 10, second, 10).pvalue)
        assert compare_rates(first, 10, second, 10).p_value == pytest.approx(outside, rel=0.1)


@pytest.mark.parametrize(("expected", "longer"), [(0.4, 1.0), (3.0, 1.0), (12.0, 1.0), (3.0, 4.0)])
@pytest.mark.parametrize("level", [0.2, 0.05, 0.01])
def test_equal_rates_are_told_apart_no_oftener_than_the_level(expected: float, longer: float, level: float) -> None:
    """Every pair of counts that is at all likely."""
    most = int(longer * expected + 9 * math.sqrt(longer * expected) + 9)
    alarms = sum(
        float(poisson.pmf(first, expected)) * float(poisson.pmf(second, longer * expected))
        for first in range(most)
        for second in range(most)
        if compare_rates(first, 1.0, second, longer).p_value < level
    )
    assert alarms <= level


def test_counts_that_share_no_event_say_nothing() -> None:
    compared = compare_rates(0, 1e12, 0, 1e15)
    assert compared.p_value == 1.0
    assert (compared.ratio.lower, compared.ratio.upper) == (0.0, math.inf)
    assert compare_rates(0, 1.0, 9, 1.0).ratio.lower == 0.0
    assert compare_rates(9, 1.0, 0, 1.0).ratio.upper == math.inf
    assert compare_rates(9, 1.0, 0, 1.0).p_value == pytest.approx(2 * float(binom.pmf(9, 9, 0.5)))


@pytest.mark.parametrize(
    "call",
    [
        lambda: rate(-1, 1.0),
        lambda: rate(1, 0.0),
        lambda: rate(1, math.inf),
        lambda: rate(1, 1.0, 2.0),
        lambda: compare_rates(1, 1.0, 1.5, 1.0),  # type: ignore[arg-type]
        lambda: compare_rates(1, 1.0, 1, math.nan),
        lambda: compare_rates(1, -1.0, 1, 1.0),
        lambda: compare_rates(10**400, 1.0, 1, 1.0),
        lambda: compare_rates(0, 1.0, 0, 1.0, 0.0),
    ],
)
def test_what_is_no_rate_is_refused_in_one_line(call: Any) -> None:
    with pytest.raises(BadInput, match=r"give a (whole )?number") as refused:
        call()
    assert "\n" not in str(refused.value)
