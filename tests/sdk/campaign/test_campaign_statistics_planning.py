"""How much a claim needs, against published plans, against scipy.stats, and against the bounds it is to reach."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from laneproof.campaign.statistics import (
    chance_bound,
    chance_unseen,
    chance_unseen_in_trials,
    error_rate_bound,
    exposure_needed,
    seconds_needed,
    trials_needed,
)
from laneproof.errors import BadInput

EXAMPLES = settings(max_examples=40, deadline=None, derandomize=True)

CONFIDENCES = st.floats(0.5, 0.9999)


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
@pytest.mark.parametrize("bound", [1e-6, 1e-12, 3e-15])
def test_without_an_error_the_exposure_is_that_of_the_usual_formula(bound: float, confidence: float) -> None:
    """Bit error rate tests in wide use: n = -ln(1 - CL) / BER."""
    assert exposure_needed(bound, 0, confidence) == pytest.approx(-math.log(1 - confidence) / bound, rel=1e-5)


def test_with_errors_the_exposure_is_that_of_the_usual_table() -> None:
    """Bits times BER at 95 % for none to five errors, as tables for bit error rate testers have it, from memory."""
    times = [exposure_needed(1e-12, errors) * 1e-12 for errors in range(6)]
    assert times == pytest.approx([3.00, 4.74, 6.30, 7.75, 9.15, 10.51], abs=5e-3)


def test_trials_are_those_of_the_published_plans() -> None:
    """Wilks 1941 (Ann. Math. Statist. 12, 91), as one-sided 95/95 limits use it, from memory."""
    assert [trials_needed(0.05, bad) for bad in range(6)] == [59, 93, 124, 153, 181, 208]
    # The success-run formula ln(1 - C) / ln(R) of reliability demonstration, rounded up.
    assert [trials_needed(0.1, 0, 0.9), trials_needed(0.01), trials_needed(0.01, 0, 0.99)] == [22, 299, 459]


@EXAMPLES
@given(st.floats(-15, -0.5).map(lambda power: 10**power), st.integers(0, 500), CONFIDENCES)
def test_the_exposure_needed_shows_the_bound_and_a_little_less_does_not(
    bound: float, errors: int, confidence: float
) -> None:
    bits = exposure_needed(bound, errors, confidence)
    assert error_rate_bound(errors, bits, confidence) <= bound
    if bits - 1 > errors and bits < 2**50:
        assert error_rate_bound(errors, bits - 1, confidence) > bound * (1 - 1e-12)


@EXAMPLES
@given(st.floats(-8, -0.1).map(lambda power: 10**power), st.integers(0, 50), CONFIDENCES)
def test_the_trials_needed_show_the_chance_and_one_less_does_not(chance: float, bad: int, confidence: float) -> None:
    trials = trials_needed(chance, bad, confidence)
    assert chance_bound(bad, trials, confidence) <= chance * (1 + 3e-8)
    if trials - 1 > bad:
        assert chance_bound(bad, trials - 1, confidence) > chance * (1 - 3e-8)


def test_time_is_exposure_over_the_rate_in_bits() -> None:
    assert seconds_needed(1e-12, 7e9) == exposure_needed(1e-12) / 56e9 == pytest.approx(53.495, abs=1e-3)
    assert seconds_needed(1e-12, 7e9, 2, 0.99) == exposure_needed(1e-12, 2, 0.99) / 56e9


@EXAMPLES
@given(st.floats(-16, -3).map(lambda power: 10**power), st.integers(1, 10**15), st.integers(0, 60))
def test_what_goes_unseen_is_the_poisson_chance_of_no_more(rate: float, bits: int, errors: int) -> None:
    expected = float(poisson.cdf(errors, rate * bits))
    assert chance_unseen(rate, bits, errors) == pytest.approx(expected, rel=1e-9, abs=1e-30)


@EXAMPLES
@given(st.floats(1e-6, 0.999), st.integers(1, 5000), st.integers(0, 60))
def test_what_goes_unseen_in_trials_is_the_binomial_chance_of_no_more(chance: float, trials: int, bad: int) -> None:
    expected = float(binom.cdf(bad, trials, chance))
    assert chance_unseen_in_trials(chance, trials, bad) == pytest.approx(expected, rel=1e-8, abs=1e-30)


@EXAMPLES
@given(st.floats(-14, -6).map(lambda power: 10**power), st.integers(0, 20), CONFIDENCES)
def test_a_fault_at_the_bound_goes_unseen_as_seldom_as_the_confidence_leaves(
    bound: float, errors: int, confidence: float
) -> None:
    assert chance_unseen(bound, exposure_needed(bound, errors, confidence), errors) <= (1 - confidence) * (1 + 1e-6)


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        (lambda: exposure_needed(0.0), "bound: give a number between 0 and 1"),
        (lambda: exposure_needed(1.0), "bound: give a number between 0 and 1"),
        (lambda: exposure_needed(math.nan), "bound: give a number between 0 and 1"),
        (lambda: exposure_needed(1e-300), "bits needed for this bound: give a number above 0 and up to 1e"),
        (lambda: exposure_needed(1e-12, -1), "events: give a whole number from 0"),
        (lambda: exposure_needed(1e-12, 0, 1.0), "confidence: give a number between 0 and 1"),
        (lambda: seconds_needed(1e-12, 0.0), "bytes per second: give a number above 0"),
        (lambda: seconds_needed(1e-12, math.inf), "bytes per second: give a number above 0"),
        (lambda: trials_needed(0.0), "chance: give a number between 0 and 1"),
        (lambda: trials_needed(1e-16), "needs more than 1e[+]15 trials"),
        (lambda: trials_needed(0.1, -1), "bad trials: give a whole number from 0"),
        (lambda: chance_unseen(2.0, 100), "rate: give a number between 0 and 1"),
        (lambda: chance_unseen(1e-3, 0), "bits: give a number above 0"),
        (lambda: chance_unseen_in_trials(0.1, 0), "trials: give a whole number from 1"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_one_line(call: Any, complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint) as refused:
        call()
    assert "\n" not in str(refused.value)
