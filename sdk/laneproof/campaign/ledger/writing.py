"""`Ledger`: what a run puts into its file, event by event."""

from __future__ import annotations

import time
from collections.abc import Iterable, Set
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

from attrs import define

from laneproof.campaign.carried import RunSoFar
from laneproof.campaign.events import Counted, Event, Noted, Opened, Sampled, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.kernel_log import KernelLine, KernelLog, functions_of
from laneproof.campaign.ledger.log import ALIVE, Entry, Log, Tail, body_of, now_utc
from laneproof.campaign.ledger.resuming import cut_entries, run_so_far
from laneproof.campaign.ledger.series import FIRST_SPAN_S, ROWS_A_LENGTH, Series, Span
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import Plain, Reason, StepResult
from laneproof.campaign.timekeeping import ClockRow, Timekeeper
from laneproof.errors import StorageFault

COMMIT_EVERY_S = 0.75
"""Real seconds from one commit to the next. With the runner's own pace and the disk's time a crash costs a second."""


class Ledger:
    """One run's file, open for writing by one thread. A context manager."""

    def __init__(self, path: Path) -> None:
        """A new file. Raises StorageFault."""
        self._log = Log.create(path)
        self._begin_segment(0)

    @classmethod
    def resume(cls, path: Path, environment: Plain) -> tuple[Ledger, RunSoFar]:
        """Go on with a run that was cut off or stopped, in a segment of its own, on the host of `environment`.

        Raises StorageFault for a file that is no sound ledger, that another process is writing, or whose run is over.
        """
        log = Log.open(path, hold=True)
        try:
            so_far = run_so_far(path, environment)
            log.expect_readers()
            for entry in cut_entries(log):
                log.add(entry)
            for tail in log.tails():
                log.put_tail(tail.endpoint, None)
            about = {"environment": environment, "gap_s": so_far.gap_s, "changed": so_far.remarks}
            log.add(Entry(so_far.segment, now_utc(), "segment", None, None, body_of(about)))
            clock = Timekeeper(so_far.segment)
            log.add(_on_clock(clock.begin()))
            log.commit()
        except BaseException:
            log.close()
            raise
        ledger = cls.__new__(cls)
        ledger._log = log
        ledger._begin_segment(so_far.segment)
        ledger._clock = clock
        ledger._endpoints = {name: number for number, name in enumerate(so_far.slots)}
        ledger._rows = {
            (number, position): carried.rows
            for number, slot in enumerate(so_far.slots.values())
            for position, carried in slot.under_way.items()
        }
        return ledger, so_far

    def _begin_segment(self, segment: int) -> None:
        self._segment = segment
        self._begun = segment > 0  # its first entry is in the file
        self._endpoints: dict[str, int] = {}
        self._under_way: dict[int, _UnderWay] = {}
        self._rows: dict[tuple[int, int], int] = {}
        self._committed_s = time.monotonic()
        self._clock = Timekeeper(segment)
        self._kernel_log = KernelLog()

    def begin(self, plan: Plan, environment: Plain, physical: Set[str]) -> None:
        """Put on record what is about to run; `physical` are the URIs of cards that are no simulation, as far as
        known."""
        self._add("segment", {"environment": environment, "gap_s": None, "changed": ()})
        self._add("run", plan.to_dict())
        for number, (name, planned) in enumerate(zip(plan.names(), plan.endpoint, strict=True)):
            self._endpoints[name] = number
            about = {"name": name, "uri": planned.uri, "observe": planned.observe, "physical": planned.uri in physical}
            self._add("endpoint", about, number)
        self._log.add(_on_clock(self._clock.begin()))
        self._commit()

    def take(self, event: Event) -> None:
        """Keep one event of a slot. Raises StorageFault if it cannot be written, then or with a later one."""
        number = self._endpoints[event.slot]
        match event:
            case Opened():
                opened = {"opened": event.opened, "physical": event.physical, "caveats": event.caveats}
                functions = functions_of(event.opened) if event.physical else frozenset[str]()
                self._add("opened", opened | {"virtual_time": event.virtual_time}, number)
                self._add_kernel_lines(self._kernel_log.add(event.slot, functions))
            case StepStarted():
                self._add("step", {"kind": event.kind, "carried": event.carried}, number, event.step)
                series = Series(self._rows.get((number, event.step), 0))
                self._under_way[number] = _UnderWay(event.step, series, now_utc())
            case Noted():
                noted = {"clock_s": event.clock_s, "kind": event.kind, "text": event.text}
                self._add("event", noted, number, event.step)
            case Sampled() | Counted():
                self._take_reading(number, event)
            case StepFinished():
                self._close_series(number)
                self._add("judged", _judged(event.result, event.interrupted), number, event.result.position)
                self._commit()
            case SlotFinished():
                self._close_series(number)
                self._add("slot", {"reasons": _plain(event.reasons), "interrupted": event.interrupted}, number)
                self._commit()
            case _:
                raise TypeError(f"{type(event).__name__} is not for the ledger")

    def _take_reading(self, number: int, event: Sampled | Counted) -> None:
        step = self._under_way.get(number)
        if step is None or step.number != event.step:  # a thread of a user's own step outlived it: it is judged
            return
        if isinstance(event, Sampled):
            step.moved += event.nbytes
            self._add_span(number, event.step, step.series.add(event))
        elif (told := step.count(event.errors)) is not None:
            self._add("errors", told, number, event.step)

    def commit_if_due(self) -> None:
        """Called often; makes what has been taken durable about once a second, and looks at the clocks as often."""
        if time.monotonic() - self._committed_s >= COMMIT_EVERY_S:
            for row in self._clock.look():
                self._log.add(_on_clock(row))
            self._add_kernel_lines(self._kernel_log.read())
            self._commit()

    def end(self, *, interrupted: bool) -> None:
        """This segment of the run is over: at its end, or because the operator stopped it."""
        for number in self._endpoints.values():
            self._close_series(number)
        self._add_kernel_lines(self._kernel_log.read())
        for row in self._clock.end():
            self._log.add(_on_clock(row))
        self._add("end", {"how": "interrupted" if interrupted else "finished"})
        self._log.put_tail(ALIVE, None)
        self._log.commit()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if isinstance(error, StorageFault):
                self._say_that_it_could_not_be_written()
            elif self._log.waiting:
                self._commit()
        except StorageFault:
            if error is None:
                raise
        finally:
            self._kernel_log.close()
            self._log.close()

    def _say_that_it_could_not_be_written(self) -> None:
        if not self._begun:
            return
        lost = self._log.waiting
        self._log.give_up_waiting()
        self._add("end", {"how": "could not be recorded", "entries_lost": lost})
        with suppress(StorageFault):
            self._log.commit()

    def _close_series(self, endpoint: int) -> None:
        step = self._under_way.pop(endpoint, None)
        if step is not None:
            self._add_span(endpoint, step.number, step.series.close())
            self._log.put_tail(endpoint, None)

    def _add_span(self, endpoint: int, step: int, span: Span | None) -> None:
        if span is not None:
            self._add("span", span.to_dict(), endpoint, step)

    def _add_kernel_lines(self, lines: Iterable[KernelLine]) -> None:
        for line in lines:
            number = self._endpoints[line.slot]
            step = self._under_way[number].number if number in self._under_way else None
            self._add("kernel", {"kernel_s": line.kernel_s, "text": line.text, "why": line.why}, number, step)

    def _add(self, kind: str, body: dict[str, Any], endpoint: int | None = None, step: int | None = None) -> None:
        self._log.add(Entry(self._segment, now_utc(), kind, endpoint, step, body_of(body)))

    def _commit(self) -> None:
        now = now_utc()
        for endpoint, step in self._under_way.items():
            self._log.put_tail(endpoint, Tail(endpoint, self._segment, step.number, now, body_of(step.to_dict())))
        self._log.put_tail(ALIVE, Tail(ALIVE, self._segment, None, now, "{}"))
        self._log.commit()
        self._begun = True
        self._committed_s = time.monotonic()


@define
class _UnderWay:
    """A step that was begun and not judged."""

    number: int
    series: Series
    _told_utc: str
    """When it was begun, and then when the errors were last read that stand on record."""
    moved: int = 0
    """Bytes on record since this segment took the step up."""
    counted: Plain | None = None
    """The errors as last counted, and how many bytes had come back by the time before: theirs were all told by now."""
    _moved_by_then: int = 0
    _told: Plain | None = None
    """The errors as they stand on record."""
    _tell_s: float = 0.0
    """Before this monotonic time no other goes on record."""
    _tellings: int = 0

    def count(self, errors: Plain) -> Plain | None:
        """Take a reading in; what goes on record of it: the first, and then each change, the more the rarer."""
        self.counted = {"errors": errors, "bytes": self._moved_by_then}
        self._moved_by_then = self.moved
        now, now_s = now_utc(), time.monotonic()
        if errors == self._told:
            self._told_utc = now
            return None
        if now_s < self._tell_s:
            return None
        since, self._told, self._told_utc = self._told_utc, errors, now
        self._tell_s = now_s + FIRST_SPAN_S / 2 * 2.0 ** (self._tellings // ROWS_A_LENGTH)
        self._tellings += 1
        return {"errors": errors, "since": since}

    def to_dict(self) -> Plain:
        rest = self.series.rest
        return {"span": None if rest is None else rest.to_dict(), "counted": self.counted}


def _on_clock(row: ClockRow) -> Entry:
    return Entry(row.segment, now_utc(), "clock", None, None, body_of(row.to_plain()))


def _judged(result: StepResult, interrupted: str) -> Plain:
    return {
        "verdict": str(result.verdict),
        "reasons": _plain(result.reasons),
        "started_s": result.started_s,
        "finished_s": result.finished_s,
        "bytes_moved": result.bytes_moved,
        "measures": result.measures,
        "errors": result.errors,
        "conditions": result.conditions,
        "interrupted": interrupted,
    }


def _plain(reasons: tuple[Reason, ...]) -> list[Plain]:
    return [{"verdict": str(reason.verdict), "text": reason.text} for reason in reasons]
