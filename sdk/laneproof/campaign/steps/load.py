"""The load that a soak put on a card: how steady it was, where its rate shifted, how often it repeats itself.

Rests that were meant to be are left out of all that: spans lie on an axis of time without them. Where they begin and
end is in `load_cycle`, what the ledger keeps of a load in `campaign.ledger.series`. Bounded however long it lasts:
spans are joined in pairs once there are too many.
"""

from __future__ import annotations

import statistics

import attrs
from attrs import define, field, frozen

from laneproof.campaign.results import Plain
from laneproof.campaign.statistics import WITHIN, Change, Steadiness, find_changes, steadiness
from laneproof.errors import BadInput
from laneproof.units import format_bytes_per_s, format_seconds

SPANS_LIMIT = 8192
"""Spans that are kept; from there on two become one."""
WINDOW_S = 1.0
"""Seconds of a window in which a rate is held against the median: fewer for a short load, more for long portions."""
LEAST_WINDOWS = 16
CHANGES_LISTED = 32


@frozen
class _Span:
    start_s: float
    end_s: float
    """Both without the rests before."""
    clock_s: float
    """When it began by the card's clock."""
    nbytes: int
    seconds: float
    """In which portions were under way."""

    @property
    def rate(self) -> float:
        return self.nbytes / self.seconds


@define
class Load:
    """Grows portion by portion; times are seconds of the card's clock since it was opened."""

    slowest: float | None = None
    fastest: float | None = None
    longest_repetition_s: float = 0.0
    """The longest time from the start of one portion to that of the next, rests left out."""
    longest_rest_s: float = 0.0
    _spans: list[_Span] = field(factory=list[_Span], init=False)
    _gap: tuple[float, float | None] = field(default=(0.0, None), init=False)
    """The longest time between two portions that was no rest, and when it began by the card's clock."""
    _last: tuple[float, float] | None = field(default=None, init=False)
    _rested_s: float = field(default=0.0, init=False)
    _joined: int = field(default=1, init=False)
    """Portions that make a full span."""
    _in_last: int = field(default=0, init=False)
    """Portions in the last span, once more than one make it."""

    def add(self, start_s: float, seconds: float, nbytes: int) -> None:
        """A portion that came back; one that took no time at all tells nothing."""
        if seconds <= 0:
            return
        rate, clock_s = nbytes / seconds, start_s
        start_s -= self._rested_s
        self.slowest = rate if self.slowest is None else min(self.slowest, rate)
        self.fastest = rate if self.fastest is None else max(self.fastest, rate)
        if self._last is not None:
            if start_s - self._last[1] > self._gap[0]:
                self._gap = start_s - self._last[1], self._last[1] + self._rested_s
            self.longest_repetition_s = max(self.longest_repetition_s, start_s - self._last[0])
        self._last = start_s, start_s + seconds
        portion = _Span(start_s, start_s + seconds, clock_s, nbytes, seconds)
        if self._spans and self._in_last < self._joined:
            self._spans[-1] = _together(self._spans[-1], portion)
            self._in_last += 1
            return
        self._spans.append(portion)
        self._in_last = 1
        if len(self._spans) > SPANS_LIMIT:
            pairs = zip(self._spans[0:-1:2], self._spans[1:-1:2], strict=True)
            self._spans = [*(_together(*pair) for pair in pairs), self._spans[-1]]
            self._joined *= 2

    def rest(self, seconds: float) -> None:
        """The load was meant to rest for so long, from the end of the last portion on."""
        self._rested_s += seconds
        self.longest_rest_s = max(self.longest_rest_s, seconds)

    def measures(self) -> Plain:
        """The rates as plain data; empty without a portion."""
        if not self._spans:
            return {}
        return {
            "bytes_per_second": statistics.median(span.rate for span in self._spans),
            "slowest_bytes_per_second": self.slowest,
            "fastest_bytes_per_second": self.fastest,
        }

    def steadiness(self) -> Steadiness | None:
        """None where the load was shorter than two windows. A gap began at that time of the card's clock."""
        if len(self._spans) < 2:
            return None
        origin_s, end_s = self._spans[0].start_s, self._spans[-1].end_s
        longest_s = max(span.end_s - span.start_s for span in self._spans)
        window_s = max(longest_s, min(WINDOW_S, (end_s - origin_s) / LEAST_WINDOWS))
        spans = [(span.start_s - origin_s, span.end_s - span.start_s, float(span.nbytes)) for span in self._spans]
        try:
            found = steadiness(spans, window_s=window_s)
        except BadInput:
            return None
        longest_s, at_s = self._gap  # which joined spans would hide
        return attrs.evolve(found, longest_gap_s=longest_s, longest_gap_at_s=at_s)

    def changes(self) -> list[tuple[float, Change]]:
        """The shifts of the rate by more than 5 %, each with the time of the card's clock from which it holds.

        Of a load of 16 s at least, second by second: portions follow their neighbours too closely to be told apart.
        """
        windows: list[_Span] = []
        for span in self._spans:
            if windows and windows[-1].end_s - windows[-1].start_s < WINDOW_S:
                windows[-1] = _together(windows[-1], span)
            else:
                windows.append(span)
        if len(windows) <= LEAST_WINDOWS:  # the last one may be short
            return []
        found = find_changes(window.nbytes / (window.end_s - window.start_s) for window in windows[:-1])
        large = (change for change in found if abs(change.after - change.before) > WITHIN * change.before)
        return [(windows[change.position].clock_s, change) for change in large]


def steadiness_said(found: Steadiness) -> str:
    """In few words."""
    gap = f"longest gap between portions {format_seconds(found.longest_gap_s)}" if found.longest_gap_s > 0 else "no gap"
    return (
        f"load: {found.near_median:.0%} of {found.windows} spans of {format_seconds(found.window_s)} within "
        f"{WITHIN:.0%} of their median, {found.coefficient_of_variation:.1%} variation, {gap}"
    )


def change_said(change: Change) -> str:
    return f"the rate shifted from {format_bytes_per_s(change.before)} to {format_bytes_per_s(change.after)}"


def dwell_said(dwell_s: float, repetition_s: float, rest_s: float = 0.0) -> tuple[bool, str]:
    """Whether a receiver that dwells so long on each frequency sees all of the load there, and in words.

    A rest that is shorter than the dwell is no gap: some load falls into each dwell.
    """
    rests = f" and rests for {format_seconds(rest_s)} at most" if rest_s else ""
    numbers = (
        f"the load repeats itself within {format_seconds(repetition_s)}{rests}, the receiver dwells "
        f"{format_seconds(dwell_s)}"
    )
    if rest_s >= dwell_s:
        return False, f"{numbers}: it may meet nothing but a rest; make load_off shorter, or dwell longer"
    if repetition_s < dwell_s:
        return True, numbers
    return False, f"{numbers}: it may miss part of the load; make portions smaller, or dwell longer"


def _together(first: _Span, second: _Span) -> _Span:
    nbytes, seconds = first.nbytes + second.nbytes, first.seconds + second.seconds
    return _Span(first.start_s, second.end_s, first.clock_s, nbytes, seconds)
