"""Detection against severity, where a severity is a chance per byte, bit or transfer: the 50 % and 95 % points.

Such a fault acts at random and each time by itself, so a plan that exposes N units to it and sees the first time that
it acts finds it with the chance 1 - exp(-N × severity). N is what is fitted: the most likely one for what was found.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import attrs
from attrs import frozen

_LARGEST_LOG = 700.0
_LIMIT = 3.841458820694124
"""The 95 % quantile of chi-squared with one degree of freedom (any table of it)."""
_HALVINGS = 100


@frozen(kw_only=True)
class Curve:
    """`half` and `most` are the severities that are found with a chance of 50 % and 95 %.

    `half_between` and `most_between` hold them at 95 % confidence (likelihood ratio, Wilks' theorem). All are None
    where every run found the fault, or none did, which leaves nothing to fit.
    """

    trials: int
    caught: int
    half: float | None = None
    half_between: tuple[float, float] | None = None
    most: float | None = None
    most_between: tuple[float, float] | None = None

    def to_dict(self) -> dict[str, Any]:
        return attrs.asdict(self)


def fit(found: Sequence[tuple[float, int, int]]) -> Curve:
    """From severities above 0, how often each was tried, and how often caught."""
    trials, caught = sum(tried for _, tried, _ in found), sum(hits for _, _, hits in found)
    if not 0 < caught < trials:
        return Curve(trials=trials, caught=caught)

    def deviance(log_exposure: float) -> float:
        """Minus twice the logarithm of the likelihood."""
        total = 0.0
        for level, tried, hits in found:
            mean = math.exp(min(_LARGEST_LOG, log_exposure + math.log(level)))
            total += (tried - hits) * mean
            if hits:
                total -= hits * math.log(-math.expm1(-mean) if mean > 1e-300 else 1e-300)
        return 2 * total

    logs = [-math.log(level) for level, _, _ in found]
    low, high = min(logs) - 30, max(logs) + 30
    best = _least(deviance, low, high)
    limit = deviance(best) + _LIMIT
    below = _crossing(deviance, limit, low, best)
    above = _crossing(deviance, limit, high, best)

    def at(share: float, log_exposure: float) -> float:
        return -math.log1p(-share) / math.exp(log_exposure)

    return Curve(
        trials=trials,
        caught=caught,
        half=at(0.5, best),
        half_between=(at(0.5, above), at(0.5, below)),
        most=at(0.95, best),
        most_between=(at(0.95, above), at(0.95, below)),
    )


def _least(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a function is least that first falls and then rises, as a deviance that is convex does."""
    for _ in range(_HALVINGS):
        third = (high - low) / 3
        if function(low + third) < function(high - third):
            high -= third
        else:
            low += third
    return (low + high) / 2


def _crossing(function: Callable[[float], float], limit: float, outside: float, inside: float) -> float:
    """Where it passes the limit, which it is above of at `outside` and below of at `inside`."""
    for _ in range(_HALVINGS):
        middle = (outside + inside) / 2
        if function(middle) > limit:
            outside = middle
        else:
            inside = middle
    return inside
