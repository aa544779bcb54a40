"""Bounds on error rates against tables and against scipy."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound
from laneproof.errors import BadInput

# Poisson upper limits for n counted events: Gehrels 1986 (ApJ 303, 336, table 1) and the Particle Data Group's
# review of statistics; recomputed with scipy.stats.chi2.
NUMERATORS = {
    0.90: {0: 2.303, 1: 3.890, 2: 5.322, 3: 6.681, 4: 7.994, 5: 9.275, 10: 15.407},
    0.95: {0: 2.996, 1: 4.744, 2: 6.296, 3: 7.754, 4: 9.154, 5: 10.513, 10: 16.962},
    0.99: {0: 4.605, 1: 6.638, 2: 8.406, 3: 10.045, 4: 11.605, 5: 13.108, 10: 20.145},
}


@pytest.mark.parametrize("confidence", NUMERATORS)
def test_bounds_are_those_of_the_tables(confidence: float) -> None:
    for errors, numerator in NUMERATORS[confidence].items():
        assert error_rate_bound(errors, 10**12, confidence) * 1e12 == pytest.approx(numerator, abs=5.1e-4)


@given(st.integers(0, 10**6), st.integers(1, 10**15), st.floats(0.5, 0.9999))
def test_bounds_are_half_a_chi_squared_quantile_over_the_exposure(errors: int, bits: int, confidence: float) -> None:
    expected = min(1.0, chi2.ppf(confidence, 2 * (errors + 1)) / 2 / bits)
    assert error_rate_bound(errors, bits, confidence) == pytest.approx(expected, rel=1e-9)


def test_the_usual_confidence_is_95_percent() -> None:
    assert CONFIDENCE == 0.95
    assert error_rate_bound(0, 1000) == error_rate_bound(0, 1000, 0.95)


def test_a_rate_is_never_above_one() -> None:
    assert error_rate_bound(8, 8) == error_rate_bound(0, 1) == 1.0


@pytest.mark.parametrize(
    "given", [(0, 0), (0, -8), (-1, 8), (0, 8, 0.0), (0, 8, 1.0), (0, 8, 1.5), (0, 8, float("nan"))]
)
def test_what_bounds_nothing_is_refused(given: tuple[int, int, float]) -> None:
    with pytest.raises(BadInput, match="a bound needs bits"):
        error_rate_bound(*given)
