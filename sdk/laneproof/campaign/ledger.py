"""The ledger: a SQLite file that a run writes as it goes, and that survives a crash with all but the last second.

Rows carry the place that they have in the run (endpoint, step, number), so that the same plan and seed on the
simulator give the same rows; wall-clock times and the environment stand in the table `run` alone.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Generator, Set
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any

from laneproof.campaign.events import Event, Noted, Opened, Sampled, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import EndpointResult, Plain, Reason, RunResult, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.errors import StorageFault
from laneproof.units import format_bytes

LEDGER_VERSION = 2
APPLICATION_ID = 0x6C616E65
"""Marks a SQLite file as a ledger (`PRAGMA application_id`)."""
COMMIT_EVERY_S = 1.0

_SCHEMA = """
CREATE TABLE run (
    started_utc TEXT NOT NULL, finished_utc TEXT, interrupted INTEGER NOT NULL DEFAULT 0,
    plan TEXT NOT NULL, environment TEXT NOT NULL
) STRICT;
CREATE TABLE endpoint (
    endpoint INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, uri TEXT NOT NULL, observe TEXT,
    physical INTEGER NOT NULL, virtual_time INTEGER, opened TEXT, finished INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE step (
    endpoint INTEGER NOT NULL REFERENCES endpoint, step INTEGER NOT NULL, kind TEXT NOT NULL,
    verdict TEXT, started_s REAL, finished_s REAL, bytes_moved INTEGER, measures TEXT, errors TEXT,
    conditions TEXT,
    PRIMARY KEY (endpoint, step)
) STRICT, WITHOUT ROWID;
CREATE TABLE reason (
    endpoint INTEGER NOT NULL REFERENCES endpoint, step INTEGER NOT NULL, number INTEGER NOT NULL,
    verdict TEXT NOT NULL, text TEXT NOT NULL,
    PRIMARY KEY (endpoint, step, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE event (
    endpoint INTEGER NOT NULL REFERENCES endpoint, number INTEGER NOT NULL, step INTEGER NOT NULL,
    clock_s REAL NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL,
    PRIMARY KEY (endpoint, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE sample (
    endpoint INTEGER NOT NULL REFERENCES endpoint, step INTEGER NOT NULL, number INTEGER NOT NULL,
    clock_s REAL NOT NULL, bytes INTEGER NOT NULL, seconds REAL NOT NULL,
    PRIMARY KEY (endpoint, step, number)
) STRICT, WITHOUT ROWID;
"""
_WHOLE_SLOT = -1
"""The step number of reasons that belong to no step."""


class Ledger:
    """One run's file, open for writing by one thread. A context manager."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._numbers: dict[tuple[str, int, int], int] = {}
        self._endpoints: dict[str, int] = {}
        self._committed_s = time.monotonic()
        with _storage(path, "create"):
            try:  # so that of two runs that start at once only one takes the name
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
            except FileExistsError:
                raise StorageFault(f"ledger {path} exists; a ledger is never overwritten, name another file") from None
            self._database = sqlite3.connect(path, isolation_level=None)
            try:
                self._database.execute("PRAGMA journal_mode = WAL")
                self._database.execute("PRAGMA synchronous = FULL")
                self._database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                self._database.execute(f"PRAGMA user_version = {LEDGER_VERSION}")
                self._database.executescript(_SCHEMA)
                self._database.execute("BEGIN")
            except sqlite3.Error:
                self._database.close()
                _discard(path)
                raise

    def begin(self, plan: Plan, environment: Plain, started_utc: str, physical: Set[str]) -> None:
        """Put on record what is about to run; `physical` are the URIs of cards that are no simulation."""
        with _storage(self._path, "write"):
            self._write(
                "INSERT INTO run (started_utc, plan, environment) VALUES (?, ?, ?)",
                (started_utc, _json(plan.to_dict()), _json(environment)),
            )
            for number, (name, planned) in enumerate(zip(plan.names(), plan.endpoint, strict=True)):
                self._endpoints[name] = number
                self._write(
                    "INSERT INTO endpoint (endpoint, name, uri, observe, physical) VALUES (?, ?, ?, ?, ?)",
                    (number, name, planned.uri, planned.observe, planned.uri in physical),
                )
            self._commit()

    def take(self, event: Event) -> None:
        """Keep one event of a slot."""
        number = self._endpoints[event.slot]
        with _storage(self._path, "write"):
            match event:
                case Opened():
                    self._write(
                        "UPDATE endpoint SET virtual_time = ?, opened = ? WHERE endpoint = ?",
                        (event.virtual_time, _json(event.opened), number),
                    )
                case StepStarted():
                    self._write(
                        "INSERT INTO step (endpoint, step, kind) VALUES (?, ?, ?)", (number, event.step, event.kind)
                    )
                case Noted():
                    place = self._next("event", number)
                    self._write(
                        "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)",
                        (number, place, event.step, event.clock_s, event.kind, event.text),
                    )
                case Sampled():
                    place = self._next("sample", number, event.step)
                    self._write(
                        "INSERT INTO sample VALUES (?, ?, ?, ?, ?, ?)",
                        (number, event.step, place, event.clock_s, event.nbytes, event.seconds),
                    )
                case StepFinished():
                    self._step(number, event.result)
                case SlotFinished():
                    self._reasons(number, _WHOLE_SLOT, event.reasons)
                    self._write("UPDATE endpoint SET finished = 1 WHERE endpoint = ?", (number,))
                    self._commit()
                case _:
                    raise TypeError(f"{type(event).__name__} is not for the ledger")

    def commit_if_due(self) -> None:
        """Called often; makes what has been taken durable about once a second."""
        if time.monotonic() - self._committed_s >= COMMIT_EVERY_S:
            with _storage(self._path, "write"):
                self._commit()

    def end(self, finished_utc: str, *, interrupted: bool) -> None:
        """The run is over."""
        with _storage(self._path, "write"):
            self._write("UPDATE run SET finished_utc = ?, interrupted = ?", (finished_utc, interrupted))
            self._commit()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            with _storage(self._path, "write"):
                self._database.execute("COMMIT")
            with suppress(sqlite3.OperationalError):  # somebody reads it: the files of the WAL stay beside it
                self._database.execute("PRAGMA journal_mode = DELETE")
        except StorageFault:
            if error is None:
                raise
        finally:
            self._database.close()

    def _step(self, number: int, result: StepResult) -> None:
        self._write(
            "UPDATE step SET verdict = ?, started_s = ?, finished_s = ?, bytes_moved = ?, measures = ?, errors = ?, "
            "conditions = ? WHERE endpoint = ? AND step = ?",
            (
                str(result.verdict),
                result.started_s,
                result.finished_s,
                result.bytes_moved,
                _json(result.measures),
                _json(result.errors),
                _json(result.conditions),
                number,
                result.position,
            ),
        )
        self._reasons(number, result.position, result.reasons)
        self._commit()

    def _reasons(self, number: int, step: int, reasons: tuple[Reason, ...]) -> None:
        for place, reason in enumerate(reasons):
            self._write(
                "INSERT INTO reason VALUES (?, ?, ?, ?, ?)", (number, step, place, str(reason.verdict), reason.text)
            )

    def _write(self, statement: str, values: tuple[object, ...]) -> None:
        # A driver's strings may hold what UTF-8 has no place for (surrogates out of a file name, say).
        self._database.execute(
            statement,
            tuple(value.encode(errors="replace").decode() if isinstance(value, str) else value for value in values),
        )

    def _next(self, table: str, endpoint: int, step: int = _WHOLE_SLOT) -> int:
        place = self._numbers.get((table, endpoint, step), 0)
        self._numbers[table, endpoint, step] = place + 1
        return place

    def _commit(self) -> None:
        self._database.execute("COMMIT")
        self._database.execute("BEGIN")
        self._committed_s = time.monotonic()


def read_ledger(path: Path) -> RunResult:
    """The run that a ledger holds, finished or not. Raises StorageFault for a file that is none."""
    with _storage(path, "read"):
        if not path.is_file():
            raise StorageFault(f"ledger {path}: no such file; give the ledger of a run")
        database = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
        database.row_factory = sqlite3.Row
        try:
            if database.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                raise StorageFault(f"{path} is not a ledger of laneproof")
            version = database.execute("PRAGMA user_version").fetchone()[0]
            if version != LEDGER_VERSION:
                raise StorageFault(f"ledger {path} has version {version}; this laneproof reads {LEDGER_VERSION}")
            return _read(path, database)
        except (LookupError, ValueError, TypeError, RecursionError, MemoryError) as error:
            raise StorageFault(f"ledger {path} is damaged ({error!r})") from error
        finally:
            database.close()


def _read(path: Path, database: sqlite3.Connection) -> RunResult:
    run = database.execute("SELECT * FROM run").fetchone()
    if run is None:
        raise StorageFault(f"ledger {path} holds no run")
    rows = database.execute("SELECT * FROM endpoint ORDER BY endpoint").fetchall()
    return RunResult(
        plan=json.loads(run["plan"]),
        started_utc=run["started_utc"],
        finished_utc=run["finished_utc"],
        interrupted=bool(run["interrupted"]) or run["finished_utc"] is None,
        environment=json.loads(run["environment"]),
        endpoints=tuple(_read_endpoint(database, row) for row in rows),
    )


def _read_endpoint(database: sqlite3.Connection, row: sqlite3.Row) -> EndpointResult:
    number = row["endpoint"]
    steps = database.execute("SELECT * FROM step WHERE endpoint = ? ORDER BY step", (number,)).fetchall()
    events = database.execute(
        "SELECT step, clock_s, kind, text FROM event WHERE endpoint = ? ORDER BY number", (number,)
    ).fetchall()
    reasons = list(_read_reasons(database, number, _WHOLE_SLOT))
    if not row["finished"]:
        reasons.append(Reason(Verdict.INCONC, "the run ended before this slot had finished"))
    return EndpointResult(
        name=row["name"],
        uri=row["uri"],
        physical=bool(row["physical"]),
        virtual_time=bool(row["virtual_time"]),
        opened=json.loads(row["opened"]) if row["opened"] else {},
        steps=tuple(_read_step(database, number, step) for step in steps),
        reasons=tuple(reasons),
        events=tuple(dict(event) for event in events),
    )


def _read_step(database: sqlite3.Connection, endpoint: int, row: sqlite3.Row) -> StepResult:
    finished = row["verdict"] is not None
    moved, clock_s = row["bytes_moved"] or 0, row["finished_s"] or 0.0
    ended = "the run ended during this step"
    if not finished:
        moved, clock_s = database.execute(
            "SELECT coalesce(sum(bytes), 0), coalesce(max(clock_s), 0.0) FROM sample WHERE endpoint = ? AND step = ?",
            (endpoint, row["step"]),
        ).fetchone()
        ended += f"; {format_bytes(moved)} on record had come back until then, and were not judged"
    return StepResult(
        position=row["step"],
        kind=row["kind"],
        verdict=Verdict[row["verdict"].upper()] if finished else Verdict.INCONC,
        reasons=_read_reasons(database, endpoint, row["step"]) or (Reason(Verdict.INCONC, ended),),
        started_s=row["started_s"] or 0.0,
        finished_s=clock_s,
        bytes_moved=moved,
        measures=json.loads(row["measures"] or "{}"),
        errors=json.loads(row["errors"] or "{}"),
        conditions=json.loads(row["conditions"] or "{}"),
    )


def _read_reasons(database: sqlite3.Connection, endpoint: int, step: int) -> tuple[Reason, ...]:
    rows = database.execute(
        "SELECT verdict, text FROM reason WHERE endpoint = ? AND step = ? ORDER BY number", (endpoint, step)
    )
    return tuple(Reason(Verdict[row["verdict"].upper()], row["text"]) for row in rows)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, allow_nan=False)


@contextmanager
def _storage(path: Path, verb: str) -> Generator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        why = (error.strerror or error) if isinstance(error, OSError) else error
        hint = "is it a ledger, and whole?" if verb == "read" else "is the disk full or the folder read-only?"
        raise StorageFault(f"cannot {verb} ledger {path}: {why}; {hint}") from error


def _discard(path: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
