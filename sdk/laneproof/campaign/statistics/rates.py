"""Rates of events against what they were counted over: per slot, per window, per hour; and whether two differ."""

from __future__ import annotations

import math

from attrs import frozen

from laneproof.campaign.statistics.bounds import CONFIDENCE, Interval, chance_interval, expected_interval
from laneproof.campaign.statistics.checks import checked_chance, checked_count, checked_positive


@frozen
class Rate:
    """`events` counted over `exposure`, in whatever unit (bits, seconds): `per_unit` is seen, `interval` supported."""

    events: int
    exposure: float
    per_unit: float
    interval: Interval


@frozen
class RatesCompared:
    """Whether two rates differ: the chance of so unequal counts were the rates one, and their ratio, first to second.

    `p_value` and `ratio` are of one mind: 1 lies outside `ratio` just where p_value is below 1 - its confidence.
    """

    p_value: float
    ratio: Interval


def rate(events: int, exposure: float, confidence: float = CONFIDENCE) -> Rate:
    """The rate of `events` over `exposure` with its exact two-sided interval (Garwood 1936). Exposure is above 0."""
    exposure = checked_positive("exposure", exposure)
    counted = expected_interval(events, confidence)
    per_unit = Interval(counted.lower / exposure, counted.upper / exposure, confidence)
    return Rate(events, exposure, events / exposure, per_unit)


def compare_rates(
    first_events: int,
    first_exposure: float,
    second_events: int,
    second_exposure: float,
    confidence: float = CONFIDENCE,
) -> RatesCompared:
    """The exact test of two counts, each over its exposure, in one unit (Przyborowski and Wilenski 1940, Biometrika 31,
    313).

    Given their sum, the first count is binomial with the first exposure's share: p is twice the smaller tail, at most
    1. No event at all says nothing: p is 1 and the ratio anything.
    """
    first, second = checked_count("events", first_events), checked_count("events", second_events)
    first_exposure = checked_positive("exposure", first_exposure)
    second_exposure = checked_positive("exposure", second_exposure)
    confidence = checked_chance("confidence", confidence)
    if first + second == 0:
        return RatesCompared(1.0, Interval(0.0, math.inf, confidence))
    from scipy.special import betainc, betaincc  # pyright: ignore[reportMissingTypeStubs]

    share = first_exposure / (first_exposure + second_exposure)
    at_most = 1.0 if second == 0 else float(betaincc(first + 1, second, share))
    at_least = 1.0 if first == 0 else float(betainc(first, second + 1, share))
    of_first = chance_interval(first, first + second, confidence)
    scale = second_exposure / first_exposure
    return RatesCompared(
        min(1.0, 2 * min(at_most, at_least)),
        Interval(_odds(of_first.lower) * scale, _odds(of_first.upper) * scale, confidence),
    )


def _odds(chance: float) -> float:
    return math.inf if chance == 1 else chance / (1 - chance)
