"""The temperature of a card over virtual time, as its slot declares it. What heat does to anything stands elsewhere.

It follows time alone, never the load, so that a run is the same however its transfers are cut up.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise

from attrs import frozen

from laneproof.documents import Seconds
from laneproof_sim.quantities import Celsius


@frozen(kw_only=True)
class TemperaturePoint:
    """What the card's sensor reads at a virtual time since power-on."""

    at: Seconds
    card: Celsius


def celsius_at(points: Sequence[TemperaturePoint], at_s: float) -> float | None:
    """Degrees at `at_s`: on a straight line from point to point, the same before the first and after the last.

    None where there are no points.
    """
    if not points:
        return None
    after = bisect_right(points, at_s, key=lambda point: point.at)
    if not after:
        return points[0].card
    if after == len(points):
        return points[-1].card
    one, two = points[after - 1], points[after]
    return one.card + (two.card - one.card) * (at_s - one.at) / (two.at - one.at)


def hot_times(points: Sequence[TemperaturePoint], celsius: float) -> list[tuple[float, float]]:
    """Stretches of time, start and end, in which the temperature is above `celsius`; the last may have no end."""
    crossings = [0.0]
    for one, two in pairwise(points):
        if (one.card > celsius) != (two.card > celsius):
            crossings.append(one.at + (two.at - one.at) * (celsius - one.card) / (two.card - one.card))
    hot = bool(points) and points[0].card > celsius
    return [
        (start, end) for number, (start, end) in enumerate(pairwise([*crossings, math.inf])) if (number % 2 == 0) == hot
    ]


def first_above(points: Sequence[TemperaturePoint], celsius: float, from_s: float = 0.0) -> float:
    """The first moment from `from_s` on at which the temperature is above `celsius`; infinite where there is none."""
    return min((max(start, from_s) for start, end in hot_times(points, celsius) if end > from_s), default=math.inf)
