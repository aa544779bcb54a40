"""Bounds on error rates and on chances, against tables and against scipy.stats, which the code does not use."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, binom, binomtest, chi2, poisson

from laneproof.campaign.statistics import (
    CONFIDENCE,
    chance_bound,
    chance_interval,
    error_rate_bound,
    error_rate_interval,
    format_bound,
)
from laneproof.errors import BadInput

EXAMPLES = settings(max_examples=40, deadline=None, derandomize=True)

# Poisson upper limits for n counted events: Gehrels 1986 (ApJ 303, 336, table 1) and the Particle Data Group's
# review of statistics; recomputed with scipy.stats.chi2.
NUMERATORS = {
    0.90: {0: 2.303, 1: 3.890, 2: 5.322, 3: 6.681, 4: 7.994, 5: 9.275, 10: 15.407},
    0.95: {0: 2.996, 1: 4.744, 2: 6.296, 3: 7.754, 4: 9.154, 5: 10.513, 10: 16.962},
    0.99: {0: 4.605, 1: 6.638, 2: 8.406, 3: 10.045, 4: 11.605, 5: 13.108, 10: 20.145},
}
# Gehrels 1986, table 2, from memory: lower limits, one-sided, so that each is the lower end of a two-sided interval
# with twice as much left out.
LOWER = {
    0.8413: {1: 0.1728, 2: 0.7082, 3: 1.367, 4: 2.086, 5: 2.840, 10: 6.891},
    0.95: {1: 0.0513, 2: 0.355, 3: 0.818, 4: 1.366, 5: 1.970, 10: 5.425},
    0.99: {1: 0.0101, 2: 0.149, 3: 0.436, 4: 0.823, 5: 1.279, 10: 4.130},
}
# Garwood 1936 (Biometrika 28, 437), as Pearson and Hartley's table 40 carries it, from memory: 95 %, two-sided.
TWO_SIDED = {0: (0.0, 3.689), 1: (0.0253, 5.572), 2: (0.242, 7.225), 5: (1.623, 11.668), 10: (4.795, 18.390)}

CONFIDENCES = st.floats(0.5, 0.9999)


@pytest.mark.parametrize("confidence", NUMERATORS)
def test_bounds_are_those_of_the_tables(confidence: float) -> None:
    for errors, numerator in NUMERATORS[confidence].items():
        assert error_rate_bound(errors, 10**12, confidence) * 1e12 == pytest.approx(numerator, abs=5.1e-4)


@pytest.mark.parametrize("confidence", LOWER)
def test_lower_ends_are_those_of_the_table(confidence: float) -> None:
    for errors, numerator in LOWER[confidence].items():
        interval = error_rate_interval(errors, 10**12, 1 - 2 * (1 - confidence))
        assert interval.lower * 1e12 == pytest.approx(numerator, abs=1e-3)


def test_two_sided_intervals_are_garwoods() -> None:
    for errors, (lower, upper) in TWO_SIDED.items():
        interval = error_rate_interval(errors, 10**12)
        assert (interval.lower * 1e12, interval.upper * 1e12) == pytest.approx((lower, upper), abs=6e-4)


@EXAMPLES
@given(st.integers(0, 10**6), st.integers(1, 10**15), CONFIDENCES)
def test_bounds_are_half_a_chi_squared_quantile_over_the_exposure(errors: int, more: int, confidence: float) -> None:
    bits = errors + more
    expected = min(1.0, chi2.ppf(confidence, 2 * (errors + 1)) / 2 / bits)
    assert error_rate_bound(errors, bits, confidence) == pytest.approx(expected, rel=1e-9)


@EXAMPLES
@given(st.integers(1, 10**6), st.integers(1, 10**15), CONFIDENCES)
def test_intervals_are_chi_squared_quantiles_too(errors: int, more: int, confidence: float) -> None:
    bits, beyond = errors + more, (1 - confidence) / 2
    interval = error_rate_interval(errors, bits, confidence)
    assert interval.lower == pytest.approx(chi2.ppf(beyond, 2 * errors) / 2 / bits, rel=1e-9)
    assert interval.upper == pytest.approx(min(1.0, chi2.isf(beyond, 2 * errors + 2) / 2 / bits), rel=1e-9)
    assert interval.lower < errors / bits <= interval.upper


def test_no_trial_gone_wrong_in_300_is_below_1_percent() -> None:
    assert chance_bound(0, 300) < 0.01 < chance_bound(0, 298)
    # The rule of three (Hanley and Lippman-Hand 1983, JAMA 249, 1743): 3/n after n without an event.
    assert chance_bound(0, 300) == pytest.approx(3 / 300, rel=0.01)


def test_a_chances_interval_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1, from memory: 4 defective of 20, two-sided at 90 %."""
    interval = chance_interval(4, 20, 0.90)
    assert (interval.lower, interval.upper) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@EXAMPLES
@given(st.integers(0, 2000), st.integers(1, 10**6), CONFIDENCES)
def test_chances_are_those_of_scipy(bad: int, good: int, confidence: float) -> None:
    trials = bad + good
    expected = beta.ppf(confidence, bad + 1, good)
    assert chance_bound(bad, trials, confidence) == pytest.approx(expected, rel=1e-8)
    outside = binomtest(bad, trials).proportion_ci(confidence, method="exact")
    interval = chance_interval(bad, trials, confidence)
    assert (interval.lower, interval.upper) == pytest.approx((outside.low, outside.high), rel=1e-8)


def test_where_all_were_bad_nothing_bounds_the_chance_from_above() -> None:
    assert chance_bound(5, 5) == chance_interval(5, 5).upper == 1.0
    assert chance_interval(5, 5).lower == pytest.approx(0.025 ** (1 / 5), rel=1e-12)  # the chance of five bad ones
    assert chance_interval(0, 5).lower == error_rate_interval(0, 5).lower == 0.0


@pytest.mark.parametrize("confidence", [0.6, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("expected", [0.01, 0.5, 2.9, 3.1, 17.0, 120.0])
def test_bounds_on_rates_hold_as_often_as_they_say(expected: float, confidence: float) -> None:
    """Every count that is at all likely, by its chance under the true rate."""
    bits = 10**9
    held = held_between = 0.0
    for errors in range(int(expected + 12 * math.sqrt(expected) + 20)):
        chance = float(poisson.pmf(errors, expected))
        interval = error_rate_interval(errors, bits, confidence)
        held += chance * (expected / bits <= error_rate_bound(errors, bits, confidence))
        held_between += chance * (interval.lower <= expected / bits <= interval.upper)
    assert min(held, held_between) >= confidence - 1e-9


@pytest.mark.parametrize("confidence", [0.6, 0.95, 0.999])
@pytest.mark.parametrize("chance", [0.0005, 0.0099, 0.2, 0.5, 0.97])
@pytest.mark.parametrize("trials", [1, 20, 300])
def test_bounds_on_chances_hold_as_often_as_they_say(trials: int, chance: float, confidence: float) -> None:
    held = held_between = 0.0
    for bad in range(trials + 1):
        likely = float(binom.pmf(bad, trials, chance))
        interval = chance_interval(bad, trials, confidence)
        held += likely * (chance <= chance_bound(bad, trials, confidence))
        held_between += likely * (interval.lower <= chance <= interval.upper)
    assert min(held, held_between) >= confidence - 1e-9


@EXAMPLES
@given(st.integers(0, 1000), st.integers(1, 10**6), CONFIDENCES, CONFIDENCES)
def test_more_confidence_more_errors_or_less_exposure_never_claim_more(
    errors: int, more: int, one: float, other: float
) -> None:
    low, high, bits = min(one, other), max(one, other), errors + more
    for bound, interval in ((error_rate_bound, error_rate_interval), (chance_bound, chance_interval)):
        assert (
            bound(errors, bits, low) <= bound(errors, bits, high) <= bound(errors + 1, bits + 1, high) * (1 + 1 / bits)
        )
        assert bound(errors, bits + 1, high) <= bound(errors, bits, high)
        narrow, wide = interval(errors, bits, low), interval(errors, bits, high)
        assert wide.lower <= narrow.lower <= errors / bits <= narrow.upper <= wide.upper


def test_the_usual_confidence_is_95_percent() -> None:
    assert CONFIDENCE == 0.95
    assert error_rate_bound(0, 1000) == error_rate_bound(0, 1000, 0.95)
    assert chance_interval(1, 9) == chance_interval(1, 9, 0.95)


def test_a_rate_is_never_above_one() -> None:
    assert error_rate_bound(8, 8) == error_rate_bound(0, 1) == error_rate_interval(8, 8).upper == 1.0


def test_a_bound_is_never_rounded_down() -> None:
    assert [format_bound(bound) for bound in (2.232e-8, 2.201e-8, 9.91e-13, 1.0)] == [
        "2.3e-8", "2.3e-8", "1.0e-12", "1.0e+0",
    ]  # fmt: skip


def test_only_results_load_scipy() -> None:
    code = "import sys, laneproof.campaign.statistics; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("bound", [error_rate_bound, error_rate_interval, chance_bound, chance_interval])
@pytest.mark.parametrize(
    ("given", "complaint"),
    [
        ((0, 0), "from 1|above 0"),
        ((0, -8), "from 1|above 0"),
        ((0, math.nan), "from 1|above 0"),
        ((0, 10**400), "up to|from 1 to"),
        ((-1, 8), "from 0 to 1e"),
        ((0.5, 8), "from 0 to 1e"),
        (("3", 8), "from 0 to 1e"),
        ((10**400, 10**90), "from 0 to 1e|from 1 to 1e"),
        ((9, 8), "cannot be more"),
        ((0, 8, 0.0), "confidence: give a number between 0 and 1"),
        ((0, 8, 1.0), "confidence: give a number between 0 and 1"),
        ((0, 8, 1.5), "confidence: give a number between 0 and 1"),
        ((0, 8, math.nan), "confidence: give a number between 0 and 1"),
        ((0, 8, 10**400), "confidence: give a number between 0 and 1"),
        ((0, 8, "0.9"), "confidence: give a number between 0 and 1"),
    ],
)
def test_what_bounds_nothing_is_refused_in_one_line(bound: Any, given: tuple[Any, ...], complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint) as refused:
        bound(*given)
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 120
