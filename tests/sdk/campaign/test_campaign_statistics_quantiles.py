"""Quantiles and their intervals, against scipy, numpy and the binomial distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from laneproof.campaign.statistics import quantile, spread, values_needed
from laneproof.errors import BadInput

SHARES = (0.01, 0.25, 0.5, 0.9, 0.99, 0.999)


@pytest.mark.parametrize("count", [1, 2, 5, 6, 10, 59, 368, 1000, 3688])
def test_a_quantile_and_its_interval_are_those_of_scipy_and_numpy(count: int) -> None:
    values = np.random.default_rng(count).exponential(size=count)
    for share in SHARES:
        found = quantile(values, share)
        ends = stats.quantile_test(values, q=0, p=share).confidence_interval(0.95)
        assert found.value == np.quantile(values, share, method="inverted_cdf")
        assert [found.lower, found.upper] == [None if np.isnan(end) else end for end in ends]


def test_of_ten_values_the_second_and_the_ninth_hold_the_median() -> None:
    # Tables of the sign test, from memory: 97.9 % for ten values.
    found = spread(range(1, 11))
    assert (found.median, found.lower, found.upper) == (5.5, 2.0, 9.0)
    assert found.confidence == pytest.approx(1 - 2 * 11 / 1024)
    assert (found.least, found.lower_quartile, found.upper_quartile, found.most) == (1.0, 3.25, 7.75, 10.0)


@pytest.mark.parametrize(("count", "confidence"), [(1, 0.0), (2, 0.5), (5, 0.9375), (6, 1 - 2 / 64)])
def test_few_values_hold_the_median_between_the_extremes_for_what_that_is_worth(count: int, confidence: float) -> None:
    # All of n fall to one side of it with a probability of 2^(1 - n).
    found = spread([float(value) for value in range(count)])
    assert (found.lower, found.upper) == (0.0, count - 1.0)
    assert found.confidence == pytest.approx(confidence)


@pytest.mark.parametrize("share", SHARES)
def test_as_many_values_as_needed_have_an_interval_and_one_fewer_have_none(share: float) -> None:
    count = values_needed(share)
    assert None not in (quantile(range(count), share).lower, quantile(range(count), share).upper)
    if count > 1:
        assert None in (quantile(range(count - 1), share).lower, quantile(range(count - 1), share).upper)
    assert values_needed(0.5) == 6


def test_a_quantile_of_nothing_is_refused() -> None:
    for function in (lambda: quantile([], 0.5), lambda: spread([]), lambda: quantile([1.0], 1.0)):
        with pytest.raises(BadInput):
            function()
