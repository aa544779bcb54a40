"""Quantiles of measured values and what the true ones lie between, by order statistics: no distribution is supposed.

How many of n independent values lie below the true quantile of share p is binomial (n, p), which makes the interval
between two of the sorted values exact: David and Nagaraja, Order Statistics, 3rd edition, 7.1, from memory. Where
values are equal, as times of a coarse clock are, it holds at least as well.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable

import numpy as np
from attrs import frozen

from laneproof.campaign.statistics.bounds import CONFIDENCE
from laneproof.campaign.statistics.checks import Floats, checked_chance, checked_count, checked_values
from laneproof.errors import BadInput


@frozen(kw_only=True)
class Quantile:
    """The value below which `share` of all values lie: the sample's, and the ends of an interval for the true one.

    The least value that is not below that share of the sample (Hyndman and Fan 1996, definition 1). An end is None
    where there are too few values for one; at most half of what is left of `confidence` lies beyond either.
    """

    share: float
    value: float
    lower: float | None
    upper: float | None
    confidence: float


@frozen(kw_only=True)
class Spread:
    """Values in short. The true median lies from `lower` to `upper` with a probability of `confidence` at least.

    Quartiles are interpolated between values (Hyndman and Fan 1996, definition 7).
    """

    count: int
    least: float
    lower_quartile: float
    median: float
    upper_quartile: float
    most: float
    lower: float
    upper: float
    confidence: float


def quantile(values: Iterable[float], share: float, confidence: float = CONFIDENCE) -> Quantile:
    """The quantile of a share between 0 and 1, with its two-sided interval. Raises BadInput without a value."""
    row, share = _sorted(values), checked_chance("share", share)
    below, least_above = _ends(len(row), share, (1 - checked_chance("confidence", confidence)) / 2)
    at = max(0, math.ceil(len(row) * share - 1e-9) - 1)
    return Quantile(
        share=share,
        value=float(row[at]),
        lower=float(row[below - 1]) if below > 0 else None,
        upper=float(row[least_above]) if least_above < len(row) else None,
        confidence=confidence,
    )


def values_needed(share: float, confidence: float = CONFIDENCE) -> int:
    """How many values it takes for the interval of that quantile to have both ends: 6 for the median at 95 %."""
    share, beyond = checked_chance("share", share), (1 - checked_chance("confidence", confidence)) / 2
    rarer = max(share, 1 - share)
    count = max(1, math.floor(math.log(beyond) / math.log(rarer)))  # rarer**n is the chance that all lie to one side
    while rarer**count > beyond:
        count += 1
    return checked_count("values", count)


def spread(values: Iterable[float], confidence: float = CONFIDENCE) -> Spread:
    """Median, quartiles and extremes. Raises BadInput without a value.

    The interval of the median is the narrowest even one that has `confidence`, and carries what it truly has. Fewer
    than six values have none at 95 %: then it is from the least to the most, at 1 - 2^(1 - n).
    """
    row = _sorted(values)
    count = len(row)
    below = max(1, _ends(count, 0.5, (1 - checked_chance("confidence", confidence)) / 2)[0])
    from scipy.special import bdtr  # pyright: ignore[reportMissingTypeStubs]

    quartiles = np.quantile(row, [0.25, 0.75])
    return Spread(
        count=count,
        least=float(row[0]),
        lower_quartile=float(quartiles[0]),
        median=statistics.median(row.tolist()),
        upper_quartile=float(quartiles[1]),
        most=float(row[-1]),
        lower=float(row[below - 1]),
        upper=float(row[count - below]),
        confidence=max(0.0, 1 - 2 * float(bdtr(below - 1, count, 0.5))),
    )


def _sorted(values: Iterable[float]) -> Floats:
    row = np.sort(checked_values("values", values))
    if not len(row):
        raise BadInput("a quantile needs a value at least; give one")
    return row


def _ends(count: int, share: float, beyond: float) -> tuple[int, int]:
    """Which of the sorted values, the first being 1, is the lower end (0: none); how many lie before the upper one."""
    from scipy.special import bdtr, bdtrc  # pyright: ignore[reportMissingTypeStubs]

    ranks = np.arange(count)
    lower = int(np.count_nonzero(bdtr(ranks, count, share) <= beyond))
    return lower, int(np.count_nonzero(bdtrc(ranks, count, share) > beyond))
