"""Finds in a ledger what its windows hold: places time series, counters and events of each slot in UTC.

Markers have the computer's clock, time series the card's. Each row was added when its last sample had come, so that
the two are laid over each other row by row, by the promptest of the rows around it.
"""

from __future__ import annotations

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import attrs
from attrs import define, field

from laneproof.campaign.ledger.log import ALIVE, Entry, Tail, entries, tails
from laneproof.campaign.ledger.replay import Record
from laneproof.campaign.ledger.series import Span
from laneproof.campaign.order import turns
from laneproof.campaign.results import Plain, Reason
from laneproof.campaign.verdict import Verdict
from laneproof.campaign.windows import (
    Account,
    Excluded,
    Increase,
    Part,
    Region,
    SlotRecord,
    Unread,
    Window,
    account,
    utc_seconds,
)

NEIGHBOURS = 4
"""Rows to either side of one of which the promptest says how the clocks lie."""
_KINDS = ("step", "span", "errors", "counted", "judged", "event", "slot")
_Open = tuple[int, str, str, str, str | None]
"""A window's number, name, text, and when it was opened and closed."""


def windows_of(database: sqlite3.Connection, record: Record) -> tuple[tuple[Window, ...], Excluded | None]:
    """The windows that a ledger's markers open, and what comes of it where some are excluded."""
    opened = _opened(record)
    if not opened:
        return (), None
    last_utc = max(stretch.last_utc for stretch in record.segments)
    regions = [[(utc_seconds(begun), utc_seconds(closed or last_utc))] for _, _, _, begun, closed in opened]
    excluding = [marker for marker in record.markers if marker.excludes is not None]
    out = {marker.excludes for marker in excluding}
    left = _complement([region[0] for region, one in zip(regions, opened, strict=True) if one[1] in out])
    accounts: list[list[Account]] = [[] for _ in opened]
    both: tuple[list[Account], list[Account]] = ([], [])
    for number in range(len(record.slots)):  # one slot at a time: a month of one is tens of megabytes
        slot = _slot(database, record, number)
        for found, region in zip(accounts, regions, strict=True):
            found.append(account(slot, region))
        if out:
            for side, region in zip(both, ([(float("-inf"), float("inf"))], left), strict=True):
                side.append(attrs.evolve(account(slot, region), events=()))  # which stand with the slot already
    windows = tuple(
        Window(
            name=name,
            text=text,
            opened_utc=begun,
            closed_utc=closed,
            until_utc=closed or last_utc,
            slots=tuple(found),
            excluded=name in out,
        )
        for (_, name, text, begun, closed), found in zip(opened, accounts, strict=True)
    )
    if not out:
        return windows, None
    reasons = tuple((str(marker.excludes), marker.text, marker.utc) for marker in excluding)
    return windows, Excluded(reasons=reasons, included=tuple(both[0]), left=tuple(both[1]))


def _opened(record: Record) -> list[_Open]:
    found: list[_Open] = []
    for marker in record.markers:
        if marker.opens is not None:
            found.append((len(found), marker.opens, marker.text, marker.utc, None))
        for number, name, text, begun, closed in found:
            if name == marker.closes and closed is None:
                found[number] = number, name, text, begun, marker.utc
    return found


def _complement(intervals: Iterable[tuple[float, float]]) -> Region:
    left: list[tuple[float, float]] = []
    begin = float("-inf")
    for start, end in sorted(intervals):
        if start > begin:
            left.append((begin, start))
        begin = max(begin, end)
    return [*left, (begin, float("inf"))]


@define
class _Gathered:
    spans: list[tuple[int, int, float, Span]] = field(factory=list[tuple[int, int, float, Span]])
    """Segment, step, the entry's time, the row."""
    events: list[tuple[float, Plain]] = field(factory=list[tuple[float, Plain]])
    ends: list[tuple[float, Reason]] = field(factory=list[tuple[float, Reason]])
    increases: list[Increase] = field(factory=list[Increase])
    unread: list[Unread] = field(factory=list[Unread])
    read_s: dict[int, float] = field(factory=dict[int, float])
    """By step under way, when its errors were last on record."""
    begun_s: dict[tuple[int, int], float] = field(factory=dict[tuple[int, int], float])
    """When which segment took up which step."""
    errors: dict[int, Plain] = field(factory=dict[int, Plain])
    """As they stood then."""

    def take(self, entry: Entry, body: Plain) -> None:
        utc_s, step = utc_seconds(entry.utc), -1 if entry.step is None else entry.step
        match entry.kind:
            case "step":
                self.begun_s[entry.segment, step] = utc_s
                if step in self.read_s:  # cut off: nobody has read its counters since
                    self._unread(self.read_s[step], utc_s)
                self.read_s[step], self.errors[step] = utc_s, {}
            case "span":
                self.spans.append((entry.segment, step, utc_s, Span.of_plain(body)))
            case "errors":
                self._count(step, utc_seconds(body["since"]), utc_s, body["errors"])
            case "counted":
                self._count(step, self.read_s[step], utc_s, body["errors"])
            case "judged":
                self._count(step, self.read_s.pop(step), utc_s, body["errors"])
                if body["measures"].get("stalled"):
                    self.ends.append((utc_s, Reason(Verdict.FAIL, "the load stalled in it")))
            case "event":
                self.events.append((utc_s, {"segment": entry.segment, "step": step, **body}))
            case _:
                if not body["interrupted"]:
                    told = ((Verdict[one["verdict"].upper()], str(one["text"])) for one in body["reasons"])
                    self.ends += [(utc_s, Reason(*one)) for one in told if one[0] > Verdict.PASS]

    def end(self) -> None:
        """All has been taken: what is under way has not been read any further."""
        for read_s in self.read_s.values():
            self._unread(read_s, float("inf"))

    def _unread(self, since_s: float, until_s: float) -> None:
        for end in ("near", "far"):
            why = "the step ended, or goes on, without their being read again"
            self.unread.append(Unread(since_s=since_s, until_s=until_s, end=end, why=why))

    def _count(self, step: int, since_s: float, until_s: float, errors: Mapping[str, Any]) -> None:
        before = self.errors[step]
        for end in ("near", "far"):
            now: Plain = errors.get(end) or {"unavailable": "its counters were not read"}
            if "unavailable" in now:
                self.unread.append(Unread(since_s=since_s, until_s=until_s, end=end, why=str(now["unavailable"])))
                continue
            for severity in ("correctable", "nonfatal", "fatal"):
                for name, count in now[severity].items():
                    if "unavailable" in count:
                        why = f"{name}: {count['unavailable']}"
                        self.unread.append(Unread(since_s=since_s, until_s=until_s, end=end, why=why))
                        continue
                    added = count["n"] - before.get(end, {}).get(severity, {}).get(name, {}).get("n", 0)
                    if added > 0:
                        self.increases.append(
                            Increase(
                                step=step,
                                since_s=since_s,
                                until_s=until_s,
                                end=end,
                                severity=severity,
                                name=name,
                                n=added,
                                at_least=count["bound"] == "at least",
                            )
                        )
        self.errors[step] = dict(errors)
        if step in self.read_s:
            self.read_s[step] = until_s


def _slot(database: sqlite3.Connection, record: Record, number: int) -> SlotRecord:
    gathered = _Gathered()
    for entry in _entries(database, number):
        body: Plain = json.loads(entry.body)
        gathered.take(entry, body)
    gathered.end()
    slot = record.slots[number]
    virtual = bool((slot.opened or {}).get("virtual_time", False))
    by_segment: dict[int, list[Part]] = {}
    parts = list(_placed(gathered.spans, gathered.begun_s if virtual else None))
    for part in parts:
        by_segment.setdefault(part.segment, []).append(part)
    events = [(_event_s(utc_s, event, {} if virtual else by_segment), event) for utc_s, event in gathered.events]
    return SlotRecord(
        name=str(slot.planned["name"]),
        virtual=virtual,
        parts=parts,
        increases=gathered.increases,
        unread=gathered.unread,
        events=events,
        ends=gathered.ends,
        limits=_limits(record.plan or {}),
    )


def _limits(plan: Plain) -> dict[int, int]:
    """How many link errors an end may count, by position, of those steps whose load is held to a limit as a whole."""
    steps: list[Plain] = plan["step"]
    order = turns(len(steps), plan.get("repeat", 1), plan.get("order", "as written"), plan.get("seed") or 0)
    soaks = ((at, steps[turn.step]) for at, turn in enumerate(order))
    return {at: step.get("max_link_errors", 0) for at, step in soaks if step["kind"] in ("soak", "one-way")}


def _entries(database: sqlite3.Connection, number: int) -> Iterator[Entry]:
    """Those of one slot, and then what is not rolled up of it yet."""
    kinds = ", ".join(f"'{kind}'" for kind in _KINDS)
    for _, entry, _ in entries(database, f"WHERE endpoint = {number:d} AND kind IN ({kinds})"):
        yield entry
    for tail in tails(database):
        if tail.endpoint == number != ALIVE and tail.step is not None:
            yield from _rest(tail)


def _rest(tail: Tail) -> Iterator[Entry]:
    body: Plain = json.loads(tail.body)
    for kind in ("span", "counted"):
        if body[kind] is not None:
            yield Entry(tail.segment, tail.utc, kind, tail.endpoint, tail.step, json.dumps(body[kind]))


def _placed(
    spans: list[tuple[int, int, float, Span]], begun_s: Mapping[tuple[int, int], float] | None
) -> Iterator[Part]:
    """Rows with their places in UTC.

    `begun_s` is given where time is simulated and runs as it likes: there a row reaches back to the one before it, or
    to when its step was begun.
    """
    last_s = dict(begun_s or {})
    for at, (segment, step, utc_s, span) in enumerate(spans):
        if begun_s is not None:
            begins_s, ends_s, within_s = last_s[segment, step], utc_s, 0.0
            last_s[segment, step] = utc_s
        else:
            around = sorted(
                other_s - other.to_s
                for of, _, other_s, other in spans[max(0, at - NEIGHBOURS) : at + NEIGHBOURS + 1]
                if of == segment
            )
            begins_s, ends_s, within_s = span.from_s + around[0], span.to_s + around[0], around[len(around) // 2]
            within_s -= around[0]
        yield Part(segment=segment, step=step, begins_s=begins_s, ends_s=ends_s, within_s=within_s, span=span)


def _event_s(utc_s: float, event: Plain, parts: Mapping[int, list[Part]]) -> float:
    """When an event happened: by the card's clock where a row of its segment says how that lies, else when added."""
    near = parts.get(event["segment"])
    if not near:
        return utc_s
    at = min(len(near) - 1, bisect_left(near, event["clock_s"], key=lambda part: part.span.to_s))
    return event["clock_s"] + near[at].ends_s - near[at].span.to_s
