"""Whether one set of runs differs from another, with the spread of both: by a tolerance, and by a test.

Each value is one run's result, such as a median rate; runs are independent of each other and near to normal.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal

import attrs
from attrs import frozen

from laneproof.campaign.statistics.bounds import CONFIDENCE, Interval
from laneproof.campaign.statistics.checks import checked_chance, checked_count, checked_positive, checked_values
from laneproof.errors import BadInput

LEAST_RUNS = 3
"""Runs that each side must have: two give a spread that one of them can undo."""
TOLERANCE = 0.05
"""The share of the earlier mean that a difference may have unless asked otherwise."""
SIGMAS = 3.0
"""How many standard deviations of one earlier run a difference may have unless asked otherwise."""

Result = Literal["same", "lower", "higher", "undecided"]


@frozen
class WelchTest:
    """Two means compared without supposing one spread: second minus first, in the unit of the values.

    `interval` holds the true difference at its confidence; `corrected_p_value` is `p_value` where it stands alone.
    """

    difference: float
    interval: Interval
    degrees_of_freedom: float
    p_value: float
    corrected_p_value: float


@frozen(kw_only=True)
class Compared:
    """How later runs stand to earlier ones, and why.

    `difference` is the later mean less the earlier, `interval` what it truly lies between, `tolerance` what it may be
    either way, all in the unit of the values; None where there were too few runs.
    """

    result: Result
    reason: str
    difference: float | None = None
    interval: Interval | None = None
    tolerance: float | None = None


def compare(
    earlier: Iterable[float],
    later: Iterable[float],
    *,
    tolerance: float = TOLERANCE,
    sigmas: float = SIGMAS,
    confidence: float = CONFIDENCE,
    comparisons: int = 1,
) -> Compared:
    """Whether `later` is the same as `earlier`, lower, higher, or undecided.

    A difference is tolerated up to the larger of `tolerance` × the earlier mean and `sigmas` × the standard deviation
    of the earlier runs. The two-sided t-interval of the difference (Welch) decides: wholly within the tolerance is
    same, wholly beyond is lower or higher, and astride it undecided, as are fewer than three runs on a side; the
    tolerance itself is taken as it is, without a spread of its own. Of several `comparisons` each is held to
    1 - (1 - confidence) / comparisons (Bonferroni), so that all of them hold together at `confidence`.
    """
    before, after = checked_values("earlier runs", earlier), checked_values("later runs", later)
    share, spread = checked_positive("tolerance", tolerance), checked_positive("sigmas", sigmas)
    beyond = (1 - checked_chance("confidence", confidence)) / checked_count("comparisons", comparisons, least=1)
    if min(len(before), len(after)) < LEAST_RUNS:
        return Compared(
            result="undecided",
            reason=f"{LEAST_RUNS} runs a side are needed to know their spread; there are {len(before)} earlier and "
            f"{len(after)} later",
        )
    seen = welch(before.tolist(), after.tolist(), 1 - beyond)
    mean, variance = _mean_and_variance(before.tolist())
    by_share, by_spread = share * abs(mean), spread * math.sqrt(variance)
    allowed = max(by_share, by_spread)
    lower, upper = seen.interval.lower, seen.interval.upper
    if -allowed <= lower and upper <= allowed:
        result, said = "same", "is within"
    elif upper < -allowed:
        result, said = "lower", "is beyond"
    elif lower > allowed:
        result, said = "higher", "is beyond"
    else:
        result, said = "undecided", "may be on either side of"
    origin = f"{share:.3g} of the mean" if by_share >= by_spread else f"{spread:g} standard deviations of a run"
    return Compared(
        result=result,
        reason=f"the later mean differs by {_shown(seen.difference, mean)} (from {_shown(lower, mean)} to "
        f"{_shown(upper, mean)} at {seen.interval.confidence:.4g} confidence), which {said} the tolerance of "
        f"{_shown(allowed, mean).lstrip('+')}, {origin}" + ("; more runs narrow it" if result == "undecided" else ""),
        difference=seen.difference,
        interval=seen.interval,
        tolerance=allowed,
    )


def welch(first: Iterable[float], second: Iterable[float], confidence: float = CONFIDENCE) -> WelchTest:
    """Welch's t-test of two means, two-sided, and the interval of their difference (Welch 1947, Biometrika 34, 28).

    Raises BadInput for fewer than two values on a side. Where neither side varies at all, the difference is exact.
    """
    sides = [checked_values("runs", side).tolist() for side in (first, second)]
    confidence = checked_chance("confidence", confidence)
    if min(map(len, sides)) < 2:
        raise BadInput("a spread needs two values a side at least; give more runs")
    (mean, variance), (other_mean, other_variance) = map(_mean_and_variance, sides)
    difference = other_mean - mean
    parts = variance / len(sides[0]), other_variance / len(sides[1])
    error = math.sqrt(sum(parts))
    if error == 0:
        p_value = 1.0 if difference == 0 else 0.0
        exact = Interval(difference, difference, confidence)
        return WelchTest(difference, exact, float(sum(map(len, sides)) - 2), p_value, p_value)
    shares = [part / sum(parts) for part in parts]
    degrees = 1 / sum(share**2 / (len(side) - 1) for share, side in zip(shares, sides, strict=True))
    from scipy.special import stdtr, stdtrit  # pyright: ignore[reportMissingTypeStubs]

    p_value = min(1.0, 2 * float(stdtr(degrees, -abs(difference) / error)))
    reach = -float(stdtrit(degrees, (1 - confidence) / 2)) * error
    return WelchTest(
        difference, Interval(difference - reach, difference + reach, confidence), degrees, p_value, p_value
    )


def welch_all(
    pairs: Sequence[tuple[Iterable[float], Iterable[float]]], confidence: float = CONFIDENCE
) -> tuple[WelchTest, ...]:
    """Welch's test of each pair, corrected for their number: p-values by Holm, intervals by Bonferroni.

    The chance that any of the intervals misses is at most 1 - `confidence`, and so is that of any corrected p-value
    below it where the means are one.
    """
    each = 1 - (1 - checked_chance("confidence", confidence)) / max(1, len(pairs))
    tests = [welch(first, second, each) for first, second in pairs]
    corrected = holm([test.p_value for test in tests])
    return tuple(attrs.evolve(test, corrected_p_value=p) for test, p in zip(tests, corrected, strict=True))


def holm(p_values: Iterable[float]) -> tuple[float, ...]:
    """The p-values corrected for their number, in their own order (Holm 1979, Scand. J. Statist. 6, 65)."""
    given = checked_values("p-values", p_values).tolist()
    if any(not 0 <= p <= 1 for p in given):
        raise BadInput("p-values: each lies between 0 and 1")
    corrected, least = [0.0] * len(given), 0.0
    for smaller, index in enumerate(sorted(range(len(given)), key=given.__getitem__)):
        least = corrected[index] = max(least, min(1.0, (len(given) - smaller) * given[index]))
    return tuple(corrected)


def _mean_and_variance(values: list[float]) -> tuple[float, float]:
    """The variance is that of a sample; equal values have exactly their own mean, and none."""
    if min(values) == max(values):
        return values[0], 0.0
    mean = math.fsum(values) / len(values)
    return mean, math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)


def _shown(amount: float, mean: float) -> str:
    return f"{amount / abs(mean):+.2%}" if mean else f"{amount:+.4g}"
