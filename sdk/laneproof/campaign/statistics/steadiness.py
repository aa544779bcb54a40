"""How steady a load was, from the spans in which its bytes moved. Nothing on whether that is enough."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from attrs import frozen

from laneproof.campaign.statistics.checks import Floats, checked_positive, checked_values
from laneproof.errors import BadInput

WITHIN = 0.05
"""How far from the median a rate may be to count as near it, as a share of the median, unless asked otherwise."""
WINDOW_S = 1.0
MOST_WINDOWS = 10_000_000
"""Windows of a load, at most: four months of seconds."""


@frozen(kw_only=True)
class Steadiness:
    """A load in windows of `window_s`, laid from its first byte on; what is left at the end is in none of them.

    `coefficient_of_variation` is the standard deviation of the windows' rates over their mean, `near_median` the share
    of windows whose rate is within the share asked for of the median. `slowest_` and `fastest_` are of any stretch as
    long as a window, wherever it begins. `longest_gap_s` is the longest time in which no span was under way, and
    `longest_gap_at_s` where it began (None without a gap). Rates in bytes per second.
    """

    window_s: float
    windows: int
    median_bytes_per_s: float
    coefficient_of_variation: float
    near_median: float
    slowest_bytes_per_s: float
    fastest_bytes_per_s: float
    longest_gap_s: float
    longest_gap_at_s: float | None


def steadiness(
    spans: Iterable[tuple[float, float, float]], *, within: float = WITHIN, window_s: float = WINDOW_S
) -> Steadiness:
    """The steadiness of a load given as spans: (start in seconds, length in seconds, bytes moved in it).

    Bytes count as evenly spread over their span: of what a span longer than a window hides, nothing is said. Spans may
    come in any order and overlap. Raises BadInput for a load of less than two windows, or of no byte at all.
    """
    within, window_s = checked_positive("within", within), checked_positive("window", window_s)
    starts, seconds, sizes = _columns(spans)
    edges, moved = _moved(starts, seconds, sizes)
    begin, end = float(edges[0]), float(edges[-1])
    windows = int(min((end - begin) / window_s + 1e-9, MOST_WINDOWS + 1.0))
    if not 2 <= windows <= MOST_WINDOWS:
        raise BadInput(
            f"a load of {end - begin:g} s: give two to {MOST_WINDOWS} windows of {window_s:g} s, or another window"
        )
    bounds = begin + window_s * np.arange(windows + 1)
    rates = np.diff(np.interp(bounds, edges, moved)) / window_s
    median, mean = float(np.median(rates)), float(np.mean(rates))
    # Between two edges bytes grow evenly, so that a stretch is slowest and fastest where it begins or ends at one.
    at = np.clip(np.concatenate([edges, edges - window_s]), begin, end - window_s)
    stretches = (np.interp(at + window_s, edges, moved) - np.interp(at, edges, moved)) / window_s
    longest, gap_at = _longest_gap(starts, seconds)
    return Steadiness(
        window_s=window_s,
        windows=windows,
        median_bytes_per_s=median,
        coefficient_of_variation=float(np.std(rates, ddof=1)) / mean if mean else 0.0,
        near_median=float(np.mean(np.abs(rates - median) <= within * median)),
        slowest_bytes_per_s=float(np.min(stretches)),
        fastest_bytes_per_s=float(np.max(stretches)),
        longest_gap_s=longest,
        longest_gap_at_s=gap_at,
    )


def _columns(spans: Iterable[tuple[float, float, float]]) -> tuple[Floats, Floats, Floats]:
    """Starts, lengths and bytes, in the order of their starts."""
    try:
        columns = list(zip(*((start, seconds, nbytes) for start, seconds, nbytes in spans), strict=True))
    except (TypeError, ValueError):
        raise BadInput("spans: give (start in seconds, length in seconds, bytes) of each") from None
    if not columns:
        raise BadInput("spans: give one at least; no load has no steadiness")
    starts, seconds, sizes = (
        checked_values(f"{what} of spans", column)
        for what, column in zip(("starts", "lengths", "bytes"), columns, strict=True)
    )
    if not np.all(seconds > 0) or not np.all(sizes >= 0):
        raise BadInput("spans: each lasts longer than 0 s and moves 0 bytes or more")
    order = np.argsort(starts, kind="stable")
    return starts[order], seconds[order], sizes[order]


def _moved(starts: Floats, seconds: Floats, sizes: Floats) -> tuple[Floats, Floats]:
    """The times at which spans begin or end, and the bytes moved by each of them."""
    stops = starts + seconds
    if not np.all(stops > starts):
        raise BadInput("spans: one is too short for where it starts; count seconds from the start of the run")
    if not np.any(sizes > 0):
        raise BadInput("spans: no byte moved; no load has no steadiness")
    times = np.concatenate([starts, stops])
    order = np.argsort(times, kind="stable")
    rates = sizes / seconds
    rate_after = np.cumsum(np.concatenate([rates, -rates])[order])
    edges = times[order]
    steps = np.maximum(0.0, rate_after[:-1]) * np.diff(edges)
    return edges, np.concatenate([[0.0], np.cumsum(steps)])


def _longest_gap(starts: Floats, seconds: Floats) -> tuple[float, float | None]:
    covered = np.maximum.accumulate(starts + seconds)[:-1]
    gaps = starts[1:] - covered
    if not np.any(gaps > 0):
        return 0.0, None
    widest = int(np.argmax(gaps))
    return float(gaps[widest]), float(covered[widest])
