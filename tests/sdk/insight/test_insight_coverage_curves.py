"""The 50 % and 95 % points of detection: held against closed forms, and against simulated trials of a known chance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from laneproof.insight.coverage import fit


def test_at_one_severity_the_points_follow_from_the_share_found() -> None:
    """The most likely exposure N of 1 - exp(-N s) = share has a closed form (by hand)."""
    curve = fit([(1e-6, 100, 30)])
    exposure = -math.log(1 - 0.3) / 1e-6
    assert curve.half == pytest.approx(math.log(2) / exposure, rel=1e-6)
    assert curve.most == pytest.approx(math.log(20) / exposure, rel=1e-6)


def test_the_interval_ends_where_twice_the_logarithm_of_the_likelihood_ratio_is_that_of_chi_squared() -> None:
    """Wilks' theorem; 3.841 is the 95 % quantile of chi-squared with one degree of freedom (any table)."""
    curve = fit([(1e-6, 100, 30)])

    def log_likelihood(half: float) -> float:
        share = 1 - 0.5 ** (1e-6 / half)
        return 30 * math.log(share) + 70 * math.log(1 - share)

    assert curve.half is not None
    assert curve.half_between is not None
    for end in curve.half_between:
        assert 2 * (log_likelihood(curve.half) - log_likelihood(end)) == pytest.approx(3.841, abs=1e-3)
    assert curve.half_between[0] < curve.half < curve.half_between[1]


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """40 simulated measurements of five severities, 12 trials each: binomial, three standard deviations below 95 %."""
    chance, truth = np.random.default_rng(5), math.log(2) / 1e8
    levels = [1e-9, 3e-9, 1e-8, 3e-8, 1e-7]
    held = 0
    for _ in range(40):
        found = [(level, 12, int(chance.binomial(12, 1 - math.exp(-1e8 * level)))) for level in levels]
        low, high = fit(found).half_between or (0.0, math.inf)
        held += low <= truth <= high
    assert held / 40 > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 40)


@pytest.mark.parametrize("caught", [0, 9])
def test_where_all_or_nothing_was_found_there_is_no_point(caught: int) -> None:
    curve = fit([(1e-6, 9, caught)])
    assert (curve.half, curve.half_between, curve.most, curve.most_between) == (None, None, None, None)
    assert (curve.trials, curve.caught) == (9, caught)


def test_levels_that_lie_far_apart_are_fitted_too() -> None:
    curve = fit([(1e-30, 3, 0), (1e-9, 3, 1), (0.5, 3, 3)])
    assert curve.half is not None
    assert 1e-10 < curve.half < 1e-8
