"""What a ledger holds, as tables with typed columns. What may be long goes by row after row and is never held whole."""

from __future__ import annotations

import json
import math
import operator
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from attrs import astuple, frozen

from laneproof.campaign.ledger.log import ALIVE, entries, reading, tails
from laneproof.campaign.ledger.reading import result_in
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.campaign.ledger.series import Span
from laneproof.campaign.results import RunResult
from laneproof.campaign.windows import Account, Window
from laneproof.errors import StorageFault

Cell = str | int | float | bool | datetime | None
Type = Literal["text", "integer", "number", "boolean", "moment", "json"]
"""`moment` is a point in time with its zone, UTC; `json` text that holds JSON."""


@frozen
class Table:
    """The name of a table and its columns."""

    name: str
    columns: Mapping[str, Type]


_COLUMNS: dict[str, dict[str, Type]] = {
    "run": {
        "name": "text",
        "verdict": "text",
        "started_utc": "moment",
        "finished_utc": "moment",
        "interrupted": "boolean",
        "seal": "text",
        "plan": "json",
        "environment": "json",
    },
    "segments": {
        "segment": "integer",
        "started_utc": "moment",
        "last_utc": "moment",
        "ended_utc": "moment",
        "ended": "text",
        "gap_s": "number",
        "changed": "json",
    },
    "endpoints": {
        "endpoint": "integer",
        "name": "text",
        "uri": "text",
        "verdict": "text",
        "simulated": "boolean",
        "virtual_time": "boolean",
        "opened": "json",
    },
    "steps": {
        "endpoint": "integer",
        "name": "text",
        "step": "integer",
        "repetition": "integer",
        "kind": "text",
        "verdict": "text",
        "started_s": "number",
        "finished_s": "number",
        "bytes_moved": "integer",
        "measures": "json",
        "errors": "json",
        "conditions": "json",
    },
    "reasons": {
        "endpoint": "integer",
        "name": "text",
        "step": "integer",
        "verdict": "text",
        "text": "text",
    },
    "link_errors": {
        "endpoint": "integer",
        "name": "text",
        "step": "integer",
        "end": "text",
        "severity": "text",
        "error": "text",
        "n": "integer",
        "bound": "text",
        "unavailable": "text",
    },
    "samples": {
        "endpoint": "integer",
        "name": "text",
        "step": "integer",
        "segment": "integer",
        "utc": "moment",
        "from_s": "number",
        "to_s": "number",
        "count": "integer",
        "bytes": "integer",
        "verified_bytes": "integer",
        "mismatched_bits": "integer",
        "seconds": "number",
        "slowest_bytes_per_s": "number",
        "fastest_bytes_per_s": "number",
    },
    "events": {
        "endpoint": "integer",
        "name": "text",
        "step": "integer",
        "segment": "integer",
        "utc": "moment",
        "clock_s": "number",
        "kind": "text",
        "text": "text",
    },
    "markers": {
        "number": "integer",
        "segment": "integer",
        "utc": "moment",
        "text": "text",
        "opens": "text",
        "closes": "text",
        "excludes": "text",
    },
    "windows": {
        "window": "text",
        "text": "text",
        "opened_utc": "moment",
        "closed_utc": "moment",
        "until_utc": "moment",
        "excluded": "boolean",
        "name": "text",
        "verdict": "text",
        "reasons": "json",
        "least_bytes": "integer",
        "most_bytes": "integer",
        "least_verified_bits": "integer",
        "most_verified_bits": "integer",
        "least_wrong_bits": "integer",
        "most_wrong_bits": "integer",
        "upper_bound_per_bit": "number",
        "bytes_per_s": "number",
        "slowest_bytes_per_s": "number",
        "least_longest_gap_s": "number",
        "most_longest_gap_s": "number",
        "link_errors": "json",
    },
    "amendments": {
        "number": "integer",
        "segment": "integer",
        "utc": "moment",
        "text": "text",
        "by": "text",
        "of": "integer",
    },
}
TABLES = {name: Table(name, columns) for name, columns in _COLUMNS.items()}
"""Every table of a ledger. `step` is the position among all that a slot was to do; -1 are the slot's own reasons. Times
in `_s` are seconds of the card's clock since it was opened, in that segment."""

_LARGEST = 1 << 63
Row = tuple[Cell, ...]


def table_rows(path: Path) -> Iterator[tuple[Table, Row]]:
    """Every row of every table, each with its table; all as the ledger was at one moment.

    Of samples and events no more than one is held at a time. Raises StorageFault for what is no ledger of this version.
    """
    with reading(path) as (database, version):
        if version != LEDGER_VERSION:
            raise StorageFault(f"ledger {path} has version {version}: its report can be made, tables cannot")
        result = result_in(database, path)
        yield from _few(result)
        names = [endpoint.name for endpoint in result.endpoints]
        for _, entry, _ in entries(database, "WHERE kind IN ('span', 'event')"):
            assert entry.endpoint is not None  # or the ledger could not have been read
            body, of = json.loads(entry.body), (entry.endpoint, names[entry.endpoint], entry.step, entry.segment)
            if entry.kind == "span":
                yield _sample(Span.of_plain(body), *of, entry.utc)
            else:
                yield _row("events", *of, entry.utc, body["clock_s"], body["kind"], body["text"])
        for tail in tails(database):
            span = None if tail.endpoint == ALIVE else json.loads(tail.body)["span"]
            if span is not None:
                of = (tail.endpoint, names[tail.endpoint], tail.step, tail.segment)
                yield _sample(Span.of_plain(span), *of, tail.utc)


def _few(result: RunResult) -> Iterator[tuple[Table, Row]]:
    """The tables whose rows are as many as the plan has steps, or somebody wrote by hand."""
    seal = None if result.seal is None else str(result.seal)
    began, ended = result.started_utc, result.finished_utc
    about = str(result.verdict), began, ended, result.interrupted, seal, result.plan, result.environment
    yield _row("run", result.plan["name"], *about)
    for one in result.segments:
        told = one.started_utc, one.last_utc, one.ended_utc, one.ended, one.gap_s, one.changed
        yield _row("segments", one.number, *told)
    for number, endpoint in enumerate(result.endpoints):
        of, verdict = (number, endpoint.name), str(endpoint.verdict)
        yield _row(
            "endpoints", *of, endpoint.uri, verdict, not endpoint.physical, endpoint.virtual_time, endpoint.opened
        )
        for step in endpoint.steps:
            times = step.started_s, step.finished_s, step.bytes_moved
            kept = step.measures, step.errors, step.conditions
            yield _row("steps", *of, step.position, step.repetition, step.kind, str(step.verdict), *times, *kept)
            for reason in step.reasons:
                yield _row("reasons", *of, step.position, str(reason.verdict), reason.text)
            for told in _link_errors(step.errors):
                yield _row("link_errors", *of, step.position, *told)
        for reason in endpoint.reasons:
            yield _row("reasons", *of, -1, str(reason.verdict), reason.text)
    for marker in result.markers:
        yield _row("markers", *astuple(marker))
    for window in result.windows:
        for slot in window.slots:
            yield _row("windows", *_window(window), *_account(slot))
    for amendment in result.amendments:
        yield _row("amendments", *astuple(amendment))


def _link_errors(errors: Mapping[str, Any]) -> Iterator[tuple[Any, ...]]:
    """By end, severity and name, as `link_errors.plain_errors` has them."""
    for end in ("near", "far"):
        partner = errors.get(end, {})
        if "unavailable" in partner:
            yield end, None, None, None, None, partner["unavailable"]
        for severity in ("correctable", "nonfatal", "fatal"):
            for name, count in partner.get(severity, {}).items():
                yield end, severity, name, count.get("n"), count.get("bound"), count.get("unavailable")


def _window(window: Window) -> tuple[Any, ...]:
    return window.name, window.text, window.opened_utc, window.closed_utc, window.until_utc, window.excluded


def _account(slot: Account) -> tuple[Any, ...]:
    reasons = [{"verdict": str(reason.verdict), "text": reason.text} for reason in slot.reasons]
    counts = *slot.bytes_moved, *slot.verified_bits, *slot.wrong_bits
    rates = slot.upper_bound_per_bit, slot.bytes_per_second, slot.slowest_bytes_per_second
    return slot.name, str(slot.verdict), reasons, *counts, *rates, *slot.longest_gap_s, slot.link_errors


def _sample(span: Span, *of_and_utc: Any) -> tuple[Table, Row]:
    moved = span.count, span.bytes, span.verified_bytes, span.mismatched_bits
    return _row("samples", *of_and_utc, span.from_s, span.to_s, *moved, span.seconds, span.slowest, span.fastest)


def _row(table: str, *values: Any) -> tuple[Table, Row]:
    columns = TABLES[table].columns
    return TABLES[table], tuple(_READ[kind](value) for kind, value in zip(columns.values(), values, strict=True))


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def _integer(value: Any) -> int | None:
    if value is None:
        return None
    number = operator.index(value)
    if not -_LARGEST <= number < _LARGEST:
        raise ValueError(f"{number} does not fit into 64 bits")
    return number


def _number(value: Any) -> float | None:
    number = None if value is None else float(value)
    if number is not None and not math.isfinite(number):
        raise ValueError(f"{number} is no measured value")
    return number


def _moment(value: Any) -> datetime | None:
    return None if value is None else datetime.fromisoformat(value).astimezone(UTC)


def _boolean(value: Any) -> bool:
    return bool(value)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


_READ: Mapping[Type, Callable[[Any], Cell]] = {
    "text": _text,
    "integer": _integer,
    "number": _number,
    "moment": _moment,
    "boolean": _boolean,
    "json": _json,
}
