"""Where the level of a time series shifts, with a stated chance of a false alarm. Nothing on why.

Points are independent of each other but for the shifts: a slow drift, or points that follow their neighbours, look
like shifts too.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from attrs import frozen

from laneproof.campaign.statistics.checks import Floats, checked_chance, checked_values
from laneproof.errors import BadInput

FALSE_ALARM = 0.01
"""The chance of any change being reported of a series that has none, unless asked otherwise."""
MOST_POINTS = 3_000_000
"""Points of a series, at most: a month of seconds, and some 300 MB while they are examined."""
_POINTS_AT_ONCE = 1 << 17


@frozen
class Change:
    """A shift of the level at `position`, the first point of the new level.

    `before` and `after` are medians up to the changes beside it; `p_value` is corrected for every stretch examined.
    """

    position: int
    before: float
    after: float
    p_value: float


@frozen
class _Found:
    start: int
    stop: int
    position: int
    p_value: float


def find_changes(values: Iterable[float], false_alarm: float = FALSE_ALARM) -> tuple[Change, ...]:
    """The changes of level in `values`, in order.

    Stretches of the series, each half as long as those before and overlapping by half (the seeded intervals of Kovács,
    Bühlmann, Li and Munk 2023, Biometrika 110, 249), undergo Pettitt's rank test (1979, Applied Statistics 28, 126),
    with the usual correction for ties; its p-value times the number of stretches (Bonferroni) is held against
    `false_alarm`. Of overlapping stretches the shortest names the change (narrowest over threshold: Baranowski, Chen
    and Fryzlewicz 2019, J. R. Statist. Soc. B 81, 649), which the points around it then place. Ranks make single
    outliers harmless. Fewer than 16 points cannot show a change at 1 %.
    """
    series = checked_values("time series", values)
    false_alarm = checked_chance("chance of a false alarm", false_alarm)
    if len(series) > MOST_POINTS:
        raise BadInput(f"time series: at most {MOST_POINTS} points are taken; give sums over longer spans")
    lengths, stretches = _lengths(len(series), false_alarm)
    found: list[_Found] = []
    taken: list[int] = []
    for length in reversed(lengths):
        within = [each for each in _examine(series, length) if each.p_value * stretches <= false_alarm]
        for each in sorted(within, key=lambda each: each.p_value):
            after_start = bisect_right(taken, each.start)
            if after_start == len(taken) or taken[after_start] >= each.stop:
                insort(taken, each.position)
                found.append(each)
    found.sort(key=lambda each: each.position)
    edges = [0, *(each.position for each in found), len(series)]
    for index, each in enumerate(found, 1):  # in a stretch that holds the others' points as well, theirs would mislead
        start = max(edges[index - 1], each.position - (each.stop - each.start))
        stop = min(edges[index + 1], each.position + (each.stop - each.start))
        edges[index] = start + _pettitt(series[np.newaxis, start:stop])[0].item()
    levels = [float(np.median(series[start:stop])) for start, stop in pairwise(edges)] if found else []
    return tuple(
        Change(position, before, after, min(1.0, each.p_value * stretches))
        for each, position, (before, after) in zip(found, edges[1:-1], pairwise(levels), strict=True)
    )


def _lengths(points: int, false_alarm: float) -> tuple[list[int], int]:
    """Lengths of stretches, longest first, and how many stretches that makes.

    Stretches in which even a clean step would stay above the threshold only cost the others, and are left out.
    """
    lengths: list[int] = []
    stretches, length = 0, points
    while length >= 2:
        more = stretches + len(_starts(points, length))
        clean_step = np.array([(length // 2) * (length - length // 2)], dtype=np.float64)
        if _p_values(clean_step, length, np.ones(1)).item() * more > false_alarm:
            break
        lengths.append(length)
        stretches, length = more, -(-length // 2)
    return lengths, stretches


def _starts(points: int, length: int) -> list[int]:
    """Where stretches of a length begin: evenly from the series' start to its end, overlapping by half or more."""
    steps = -(-2 * (points - length) // length)
    return [round(step * (points - length) / steps) for step in range(steps + 1)] if steps else [0]


def _examine(series: Floats, length: int) -> list[_Found]:
    starts = _starts(len(series), length)
    stretches = np.lib.stride_tricks.sliding_window_view(series, length)
    at_once = max(1, _POINTS_AT_ONCE // length)
    found: list[_Found] = []
    for first in range(0, len(starts), at_once):
        part = starts[first : first + at_once]
        positions, p_values = _pettitt(stretches[part])
        found += [
            _Found(start, start + length, start + position, p)
            for start, position, p in zip(part, positions.tolist(), p_values.tolist(), strict=True)
        ]
    return found


def _pettitt(rows: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    """Of each row, where it parts best into two levels and how probable so good a parting is without any change."""
    length = rows.shape[1]
    ranks = _ranks(rows) - (length + 1) / 2
    parted = np.abs(2 * np.cumsum(ranks, axis=1)[:, :-1])
    untied = 12 * np.sum(ranks**2, axis=1) / (length**3 - length)
    return np.argmax(parted, axis=1) + 1, _p_values(np.max(parted, axis=1), length, untied)


def _p_values(parted: Floats, length: int, untied: Floats) -> Floats:
    """Pettitt's approximation; `untied` is what equal values leave of the variance of the ranks, 1 where none are."""
    scale = (length**3 + length**2) * np.where(untied > 0, untied, np.inf)
    return np.minimum(1.0, 2 * np.exp(-6 * parted**2 / scale))


def _ranks(rows: Floats) -> Floats:
    """Ranks from 1 within each row, equal values sharing the mean of theirs. (scipy's costs a second to import.)"""
    order = np.argsort(rows, axis=1, kind="stable")
    ordered = np.take_along_axis(rows, order, axis=1)
    fresh = np.ones(rows.shape, dtype=np.bool_)
    fresh[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    starts = np.flatnonzero(fresh)
    sizes = np.diff(starts, append=fresh.size)
    means = starts % rows.shape[1] + (sizes + 1) / 2
    ranks = np.empty_like(ordered)
    np.put_along_axis(ranks, order, np.repeat(means, sizes).reshape(rows.shape), axis=1)
    return ranks
