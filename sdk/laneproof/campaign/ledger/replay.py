"""Goes through a ledger once, from its first entry on: what each said, put together, and whether the chain holds."""

from __future__ import annotations

import json
import sqlite3
from typing import Any, cast

from attrs import define, field, frozen

from laneproof.campaign.ledger.log import ALIVE, FIRST_DIGEST, Entry, Tail, entries, tails
from laneproof.campaign.ledger.series import Span
from laneproof.campaign.results import Amendment, Marker, Plain, Seal
from laneproof.campaign.timekeeping import ClockRow


@define
class Attempt:
    """A step as one segment of the run took it."""

    segment: int
    kind: str
    carried: Plain | None
    judged: Plain | None = None
    moved: Span | None = None
    """Its time series as one."""
    rows: int = 0
    counted: Plain | None = None
    """Where it was cut off: the link's errors as last counted, and the bytes that this holds for."""


@define
class Slot:
    """One endpoint."""

    planned: Plain
    opened: Plain | None = None
    attempts: dict[int, list[Attempt]] = field(factory=dict[int, list[Attempt]])
    """By step, one for each segment that took it."""
    events: list[Plain] = field(factory=list[Plain])
    ends: dict[int, Plain] = field(factory=dict[int, Plain])
    """By segment, what the slot said at its end there."""


@define
class Stretch:
    """A segment."""

    started_utc: str
    about: Plain
    last_utc: str
    ended_utc: str | None = None
    how: str | None = None


@define
class Record:
    """All that a ledger says."""

    plan: Plain | None = None
    segments: list[Stretch] = field(factory=list[Stretch])
    slots: list[Slot] = field(factory=list[Slot])
    markers: list[Marker] = field(factory=list[Marker])
    amendments: list[Amendment] = field(factory=list[Amendment])
    clock: list[ClockRow] = field(factory=list[ClockRow])
    seal: Seal = field(factory=lambda: Chain().seal())

    def take(self, number: int, entry: Entry, body: Plain) -> None:
        """One entry. Raises LookupError, TypeError or ValueError for what no ledger holds."""
        if entry.kind in ("marker", "amendment"):
            self._remark(number, entry, body)
            return
        slot = None if entry.endpoint is None or entry.kind == "endpoint" else self.slots[entry.endpoint]
        match entry.kind, slot, entry.step:
            case "segment", None, None:
                if entry.segment != len(self.segments):
                    raise ValueError(f"segment {entry.segment} out of its order")
                self.segments.append(Stretch(entry.utc, body, entry.utc))
            case "run", None, None:
                self.plan = body
            case "endpoint", None, None:
                self.slots.append(Slot(body))
            case "clock", None, None:
                self.clock.append(ClockRow.of_plain(entry.segment, body))
            case "cut" | "end", None, None:
                stretch = self.segments[entry.segment]
                stretch.how = "cut off" if entry.kind == "cut" else str(body["how"])
                stretch.ended_utc = None if entry.kind == "cut" else entry.utc
                stretch.last_utc = str(body.get("last_utc", entry.utc))
            case "opened", Slot(), None:
                slot.opened = body
            case "slot", Slot(), None:
                slot.ends[entry.segment] = body
            case "event", Slot(), int(step):
                slot.events.append({"segment": entry.segment, "step": step, **body})
            case "step", Slot(), int(step):
                slot.attempts.setdefault(step, []).append(Attempt(entry.segment, str(body["kind"]), body["carried"]))
            case "judged", Slot(), int(step):
                slot.attempts[step][-1].judged = body
            case "span", Slot(), int(step):
                self.add_span(slot, step, body)
            case "errors", Slot(), int(step):  # along a step, for windows; a step is judged by what was read after it
                pass
            case "kernel", Slot(), _:  # for whoever asks the ledger; what the kernel says decides nothing
                pass
            case "counted", Slot(), int(step):
                slot.attempts[step][-1].counted = body
            case _:
                raise ValueError(f"an entry of kind {entry.kind} where none can stand")
        if entry.kind not in ("cut", "end"):
            self.segments[entry.segment].last_utc = entry.utc

    def add_span(self, slot: Slot, step: int, body: Plain) -> None:
        """One row of a time series."""
        attempt, span = slot.attempts[step][-1], Span.of_plain(body)
        attempt.moved = span if attempt.moved is None else attempt.moved.with_later(span)
        attempt.rows += 1

    def take_tail(self, tail: Tail) -> None:
        """What is not rolled up yet."""
        self.segments[tail.segment].last_utc = tail.utc
        if tail.endpoint != ALIVE and tail.step is not None:
            slot, body = self.slots[tail.endpoint], json.loads(tail.body)
            if body["span"] is not None:
                self.add_span(slot, tail.step, body["span"])
            slot.attempts[tail.step][-1].counted = body["counted"]

    def _remark(self, number: int, entry: Entry, body: Plain) -> None:
        if entry.kind == "marker":
            self.markers.append(
                Marker(
                    number,
                    entry.segment,
                    entry.utc,
                    str(body["text"]),
                    body["opens"],
                    body["closes"],
                    body.get("excludes"),
                )
            )
        else:
            self.amendments.append(
                Amendment(number, entry.segment, entry.utc, str(body["text"]), body["by"], body["of"])
            )


@frozen
class Chain:
    """The chain as far as it has been followed."""

    count: int = 0
    head: bytes = FIRST_DIGEST
    broken_at: int | None = None

    def with_next(self, number: int, entry: Entry, digest: bytes) -> Chain:
        """The same with one more row."""
        fits = number == self.count + 1 and digest == entry.digest(number, self.head)
        broken_at = self.broken_at if self.broken_at is not None or fits else number
        return Chain(self.count + 1, digest, broken_at)

    def seal(self) -> Seal:
        return Seal(entries=self.count, head=self.head.hex(), broken_at=self.broken_at)


def replay(database: sqlite3.Connection) -> Record:
    """What an open ledger says. Raises LookupError, TypeError or ValueError for one that is damaged."""
    record, chain = Record(), Chain()
    for number, entry, digest in entries(database):
        chain = chain.with_next(number, entry, digest)
        body: Any = json.loads(entry.body)
        if not isinstance(body, dict):
            raise TypeError(f"entry {number} holds no JSON object")
        record.take(number, entry, cast("Plain", body))
    for tail in tails(database):
        record.take_tail(tail)
    record.seal = chain.seal()
    return record
