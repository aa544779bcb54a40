"""What happened when in one slot, few enough points for a plot: rates, steps, events, markers, windows on one axis.

A physical slot's axis is the computer's clock, from the beginning of the run on; a simulated one's is its own clock, on
which markers stand where the last row before them does.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from attrs import define, field, frozen

from laneproof.campaign.events import ROUTINE
from laneproof.campaign.ledger.log import ALIVE, entries, reading, tails
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.campaign.results import Plain, RunResult
from laneproof.campaign.windows import utc_seconds

MOST_POINTS = 240
"""Of a time series: what a plot as wide as a page can show apart."""
_KINDS = "'step', 'span', 'errors', 'judged', 'event'"


@frozen
class Stretch:
    """Seconds on the axis, and what lies there."""

    from_s: float
    to_s: float
    text: str
    verdict: str = ""


@frozen
class Moment:
    """Seconds on the axis, and what happened there."""

    at_s: float
    kind: str
    text: str


@frozen(kw_only=True)
class Point:
    """Rows of a time series rolled up: bytes per second while data moved, the extremes of its samples, wrong bits."""

    from_s: float
    to_s: float
    bytes_per_s: float
    slowest: float
    fastest: float
    wrong_bits: int


@frozen(kw_only=True)
class SlotSeries:
    """One slot of the run; `virtual`: the axis is simulated time. `gaps` lie between segments of the run."""

    virtual: bool
    length_s: float
    points: tuple[Point, ...] = ()
    steps: tuple[Stretch, ...] = ()
    events: tuple[Moment, ...] = ()
    """Those worth reading, and errors as counters showed them: kind "near errors" or "far errors"."""
    markers: tuple[Moment, ...] = ()
    windows: tuple[Stretch, ...] = ()
    gaps: tuple[Stretch, ...] = ()


def series_of(ledger: Path, result: RunResult) -> tuple[SlotSeries, ...]:
    """Of each slot of a run that was read from `ledger`, in the order of the plan; none from one of an earlier version.

    Raises StorageFault for what cannot be read, LookupError, TypeError or ValueError for what somebody has changed.
    """
    with reading(ledger) as (database, version):
        if version != LEDGER_VERSION or result.seal is None:
            return ()
        slots = range(len(result.endpoints))
        return tuple(_gathered(database, number, result.seal.entries).series(result, number) for number in slots)


class _Row(NamedTuple):
    """A row of a time series; a ledger may hold a hundred thousand of them."""

    from_s: float
    to_s: float
    bytes: float
    seconds: float
    mismatched_bits: float
    slowest: float | None
    fastest: float | None


_ROW = _Row._fields[:5]


@define
class _Gathered:
    """What a ledger's entries say of one slot: each with its segment, by the card's clock, and by UTC when added."""

    rows: list[tuple[int, _Row]] = field(factory=list[tuple[int, _Row]])
    steps: list[tuple[int, float, float, str, str]] = field(factory=list[tuple[int, float, float, str, str]])
    events: list[tuple[int, float, str, str]] = field(factory=list[tuple[int, float, str, str]])
    counted: list[tuple[float, str, str]] = field(factory=list[tuple[float, str, str]])
    clocks: dict[int, list[tuple[float, float]]] = field(factory=dict[int, list[tuple[float, float]]])
    """By segment: UTC of an entry, and the card's clock that it tells of."""
    _kinds: dict[int, str] = field(factory=dict[int, str])
    _errors: dict[tuple[int, str], int] = field(factory=dict[tuple[int, str], int])

    def take(self, segment: int, utc: str, kind: str, step: int, body: Plain) -> None:
        utc_s = utc_seconds(utc)
        clock_s = None
        match kind:
            case "step":
                self._kinds[step] = str(body["kind"])
                self._errors = {}
            case "span":
                row = _Row._make([*(float(body[name]) for name in _ROW), body["slowest"], body["fastest"]])
                self.rows.append((segment, row))
                clock_s = row.to_s
            case "event":
                clock_s = float(body["clock_s"])
                if body["kind"] not in ROUTINE:
                    self.events.append((segment, clock_s, str(body["kind"]), str(body["text"])))
            case "judged":
                self._count(utc_s, step, body["errors"])
                clock_s = float(body["finished_s"])
                about = self._kinds.get(step, "step"), str(body["verdict"])
                self.steps.append((segment, float(body["started_s"]), clock_s, *about))
            case _:
                self._count(utc_s, step, body["errors"])
        if clock_s is not None:
            self.clocks.setdefault(segment, []).append((utc_s, clock_s))

    def _count(self, utc_s: float, step: int, errors: Mapping[str, Mapping[str, Mapping[str, Plain]]]) -> None:
        for end in ("near", "far"):
            if "unavailable" in errors.get(end, {"unavailable": ""}):
                continue
            named = [
                (name, count["n"])
                for severity in ("correctable", "nonfatal", "fatal")
                for name, count in errors[end][severity].items()
                if count.get("n")
            ]
            total = sum(n for _, n in named)
            if total > self._errors.get((step, end), 0):
                told = ", ".join(f"{name} {n}" for name, n in named)
                self.counted.append((utc_s, f"{end} errors", f"counted in this step until then: {told}"))
            self._errors[step, end] = total

    def series(self, result: RunResult, number: int) -> SlotSeries:
        endpoint = result.endpoints[number]
        axis = _Axis(self.clocks, utc_seconds(result.started_utc), endpoint.virtual_time)
        rows = [(axis.of_card(at, span.from_s), axis.of_card(at, span.to_s), span) for at, span in self.rows]
        steps = [
            Stretch(axis.of_card(at, begun), axis.of_card(at, done), *about) for at, begun, done, *about in self.steps
        ]
        events = [Moment(axis.of_card(at, clock_s), *about) for at, clock_s, *about in self.events]
        events += [Moment(axis.of_utc(utc_s), *about) for utc_s, *about in self.counted]
        markers = [Moment(axis.of_utc(utc_seconds(one.utc)), str(one.number), one.text) for one in result.markers]
        windows = [
            Stretch(axis.of_utc(utc_seconds(one.opened_utc)), axis.of_utc(utc_seconds(one.until_utc)), one.name)
            for one in result.windows
        ]
        stretches = zip(result.segments, result.segments[1:], strict=False)
        gaps = [
            Stretch(axis.of_utc(utc_seconds(one.last_utc)), axis.of_utc(utc_seconds(after.started_utc)), "not measured")
            for one, after in stretches
        ]
        ends = [row[1] for row in rows] + [one.to_s for one in (*steps, *windows, *gaps)]
        length_s = max([*ends, *(one.at_s for one in (*events, *markers))], default=0.0)
        return SlotSeries(
            virtual=endpoint.virtual_time,
            length_s=length_s,
            points=_rolled_up(rows, length_s),
            steps=tuple(steps),
            events=tuple(sorted(events, key=lambda one: one.at_s)),
            markers=tuple(markers),
            windows=tuple(windows),
            gaps=tuple(one for one in gaps if one.to_s > one.from_s),
        )


class _Axis:
    """Where a moment lies, in seconds since the beginning."""

    def __init__(self, clocks: Mapping[int, list[tuple[float, float]]], began_s: float, virtual: bool) -> None:
        self._virtual, self._began_s = virtual, began_s
        self._base: dict[int, float] = {}
        base_s = 0.0
        for segment, pairs in sorted(clocks.items()):
            # An entry is added after what it tells of, the promptest of them hardly later.
            self._base[segment] = base_s if virtual else min(utc_s - clock_s for utc_s, clock_s in pairs) - began_s
            base_s += max(clock_s for _, clock_s in pairs)
        known = sorted((utc_s, self.of_card(segment, at)) for segment, pairs in clocks.items() for utc_s, at in pairs)
        self._utc_s, self._at_s = zip(*known or [(began_s, 0.0)], strict=True)

    def of_card(self, segment: int, clock_s: float) -> float:
        return max(0.0, self._base.get(segment, 0.0) + clock_s)

    def of_utc(self, utc_s: float) -> float:
        if not self._virtual:
            return max(0.0, utc_s - self._began_s)
        return float(np.interp(utc_s, self._utc_s, self._at_s))


def _gathered(database: sqlite3.Connection, number: int, last: int) -> _Gathered:
    """What the entries up to `last` say of a slot; later ones came while the report was being made."""
    gathered = _Gathered()
    for _, entry, _ in entries(database, f"WHERE endpoint = {number:d} AND kind IN ({_KINDS}) AND number <= {last:d}"):
        if entry.step is not None:
            gathered.take(entry.segment, entry.utc, entry.kind, entry.step, json.loads(entry.body))
    for tail in tails(database):
        if tail.endpoint == number != ALIVE and tail.step is not None:
            span = json.loads(tail.body)["span"]
            if span is not None:
                gathered.take(tail.segment, tail.utc, "span", tail.step, span)
    return gathered


def _rolled_up(rows: Sequence[tuple[float, float, _Row]], length_s: float) -> tuple[Point, ...]:
    """Rows by equal parts of the axis, each row where its middle lies; as they are where they are few."""
    rows = [row for row in rows if row[2].slowest is not None and row[2].seconds > 0]
    if len(rows) <= MOST_POINTS:
        return tuple(_point([row]) for row in rows)
    parts: dict[int, list[tuple[float, float, _Row]]] = {}
    for row in rows:
        parts.setdefault(int((row[0] + row[1]) / 2 / length_s * (MOST_POINTS - 1)), []).append(row)
    return tuple(_point(part) for _, part in sorted(parts.items()))


def _point(rows: Iterable[tuple[float, float, _Row]]) -> Point:
    kept = list(rows)
    return Point(
        from_s=kept[0][0],
        to_s=kept[-1][1],
        bytes_per_s=sum(span.bytes for *_, span in kept) / sum(span.seconds for *_, span in kept),
        slowest=min(span.slowest or 0.0 for *_, span in kept),
        fastest=max(span.fastest or 0.0 for *_, span in kept),
        wrong_bits=int(sum(span.mismatched_bits for *_, span in kept)),
    )
