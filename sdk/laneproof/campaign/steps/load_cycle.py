"""A load that is switched on and off by the card's clock: when, how large its portions may be, how well that was kept.

What is loaded and rested is up to the step; this says when, and keeps the edges as they came.
"""

from __future__ import annotations

import math
from collections import deque

from attrs import define, field

from laneproof.campaign.results import Findings, Plain
from laneproof.documents import Seconds
from laneproof.units import format_seconds

LEAST_S = Seconds(1e-6)
"""The shortest on or off: what a clock that has run for years still tells apart, and far below any portion."""
PORTIONS = 32
"""Portions into which an on-time is divided at least: an edge is known to within one of them."""
LEAST_SHARE = 1 / 8
"""Of such a portion, the least that is sent towards the end of an on-time."""
FIRST_SHARE = 1 / 64
"""Of what such a portion would move at the card's nominal rate, the first one: the rate may be far lower."""
GROWTH = 2.0
"""How much larger than the portion before it one may be."""
EDGES_LISTED = 32
"""On-times whose edges are listed, from the beginning and from the end each."""
EDGE_SHARE = 0.5
"""Of the shorter of on and off: edges that are known less well than that say nothing. Our choice."""


@define(kw_only=True)
class LoadCycle:
    """On for `on_s`, off for `off_s`, again and again, on a grid of the card's clock that begins at `began_s`.

    Times are seconds of the card's clock since it was opened. `largest` is the most bytes that a portion may have.
    """

    on_s: float
    off_s: float
    largest: int
    nominal_bytes_per_s: float
    began_utc: str
    began_s: float
    began_within_s: float
    virtual: bool
    """Whether that clock is simulated, so that UTC says nothing of it."""
    _bytes: float = field(init=False)
    """What a portion is taken to move in its share of an on-time: low at first, then as measured."""
    _number: int = field(default=0, init=False)
    """Which on-time is under way, or was last."""
    _on_at_s: float | None = field(default=None, init=False)
    """When its first portion began; None while the load rests."""
    _ends_s: float = field(default=0.0, init=False)
    """When the last portion ended."""
    _shrunk: bool = field(default=False, init=False)
    _first: list[tuple[int, float, float]] = field(factory=list[tuple[int, float, float]], init=False)
    _last: deque[tuple[int, float, float]] = field(factory=lambda: deque(maxlen=EDGES_LISTED), init=False)
    _count: int = field(default=0, init=False)
    _missed: int = field(default=0, init=False)
    _latest_on_s: float = field(default=0.0, init=False)
    _latest_off_s: float = field(default=0.0, init=False)
    _longest_portion_s: float = field(default=0.0, init=False)
    _loaded_s: float = field(default=0.0, init=False)

    def __attrs_post_init__(self) -> None:
        self._bytes = min(float(self.largest), self.nominal_bytes_per_s * self._portion_s * FIRST_SHARE)

    @property
    def period_s(self) -> float:
        return self.on_s + self.off_s

    def is_on(self, now_s: float) -> bool:
        """Whether another portion may begin."""
        return now_s < self._edge_s(self._number) + self.on_s

    def next_portion(self, now_s: float) -> int:
        """Bytes of a portion that begins now: it ends with the on-time, or not much later."""
        if self._on_at_s is None:
            self._on_at_s = now_s
            self._latest_on_s = max(self._latest_on_s, now_s - self._edge_s(self._number))
        share = (self._edge_s(self._number) + self.on_s - now_s) / self._portion_s
        self._shrunk = share < 1
        return max(1, int(self._bytes * max(LEAST_SHARE, min(1.0, share))))

    def moved(self, began_s: float, seconds: float) -> None:
        """A portion that began then has come back, or will not."""
        self._ends_s = began_s + seconds
        self._longest_portion_s = max(self._longest_portion_s, seconds)
        if seconds > self._portion_s or not self._shrunk:
            factor = min(GROWTH, self._portion_s / seconds) if seconds > 0 else GROWTH
            self._bytes = max(1.0, min(float(self.largest), self._bytes * factor))

    def switch_off(self, now_s: float) -> float:
        """The on-time under way is over; when the next one begins.

        One that should have begun longer ago than a portion's share is missed.
        """
        self.close(whole=True)
        due = max(self._number + 1, math.ceil((now_s - self._portion_s - self.began_s) / self.period_s))
        self._missed += due - self._number - 1
        self._number = due
        return self._edge_s(due)

    def close(self, *, whole: bool = False) -> None:
        """Put the edges of the on-time under way on record; `whole`: it was not ended before its time."""
        if self._on_at_s is None:
            return
        edges = self._number, self._on_at_s, self._ends_s
        (self._first if len(self._first) < EDGES_LISTED else self._last).append(edges)
        self._count += 1
        self._loaded_s += self._ends_s - self._on_at_s
        if whole:
            self._latest_off_s = max(self._latest_off_s, self._ends_s - self._edge_s(self._number) - self.on_s)
        self._on_at_s = None

    def measures(self) -> Plain:
        """Plain data. Edge k is planned at `began_clock_s` + k × (`on_s` + `off_s`), and `on_s` after that."""
        listed = [*self._first, *self._last]
        return {
            "on_s": self.on_s,
            "off_s": self.off_s,
            "began_utc": self.began_utc,
            "began_clock_s": self.began_s,
            "began_within_s": self.began_within_s,
            "on_times": self._count,
            "missed": self._missed,
            "loaded_s": self._loaded_s,
            "edges": [{"number": number, "on_s": on_s, "off_s": off_s} for number, on_s, off_s in listed],
            "edges_not_listed": self._count - len(listed),
            "edge_within_s": self._longest_portion_s,
            "latest_on_s": self._latest_on_s,
            "latest_off_s": self._latest_off_s,
        }

    def judge(self, findings: Findings) -> None:
        """Say how the pattern was kept; one that was not is no ground to lay another record beside it."""
        within_s = self._longest_portion_s
        since = f"{self._count} times" + (" of simulated time" if self.virtual else f" from {self.began_utc}")
        said = (
            f"load cycle: on {format_seconds(self.on_s)}, off {format_seconds(self.off_s)}, {since}; "
            f"an edge of the data lies within {format_seconds(within_s)}, the longest portion, of "
            "where it is on record"
        )
        if self._missed:
            findings.inconclusive(
                f"{said}; {self._missed} on-times were left out, since a portion lasted beyond the rest; make load_off "
                "longer, or look for what held the card up"
            )
        elif within_s >= EDGE_SHARE * min(self.on_s, self.off_s):
            findings.inconclusive(f"{said}, which is too long for such times: make load_on and load_off longer")
        else:
            findings.passed(said)

    @property
    def _portion_s(self) -> float:
        return self.on_s / PORTIONS

    def _edge_s(self, number: int) -> float:
        return self.began_s + number * self.period_s
