"""Reads ledgers of version 2, whose rows were updated in place: no chain, no segments, a sample a row. They are read as
they are and never written to."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

from laneproof.campaign.results import EndpointResult, Reason, RunResult, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.errors import StorageFault
from laneproof.units import format_bytes

_WHOLE_SLOT = -1
"""The step number of reasons that belong to no step."""


def read_version_2(path: Path, database: sqlite3.Connection) -> RunResult:
    """What such a ledger holds. Raises StorageFault without a run, LookupError, TypeError or ValueError if damaged."""
    database.row_factory = sqlite3.Row
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
