"""Markers and amendments: what people add to a ledger, from a process of their own, while its run writes or later."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from laneproof.campaign.ledger.log import Entry, Log, body_of, check_ledger, now_utc, storage
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.errors import BadInput, StorageFault

TEXT_LIMIT = 10_000
"""Characters of one remark."""


def mark(path: Path, text: str, *, opens: str | None = None, closes: str | None = None) -> int:
    """Note `text` in a ledger at this moment; returns the entry's number.

    `opens` begins a window of that name, `closes` ends it. Durable on return. Raises BadInput for a text or name that
    cannot be used, StorageFault for what is no ledger or cannot be written.
    """
    _require("the marker's text", text)
    for name in (opens, closes):
        if name is not None:
            _require("the window's name", name)
    if opens is not None and closes is not None:
        raise BadInput("one marker opens a window or closes one; use two")

    def check(windows: list[str], last: int) -> None:
        if opens is not None and opens in windows:
            raise BadInput(f'window "{opens}" is open already; close it first, or give another name')
        if closes is not None and closes not in windows:
            known = ", ".join(f'"{name}"' for name in windows) or "none"
            raise BadInput(f'no window "{closes}" is open (open: {known}); open it first')

    return _add(path, "marker", {"text": text, "opens": opens, "closes": closes}, check)


def amend(path: Path, text: str, *, by: str | None = None, of: int | None = None) -> int:
    """Add a remark to what is on record, which it does not change; returns the entry's number.

    `by` says who adds it, `of` is the number of the entry that it is about. Raises as `mark` does.
    """
    _require("the amendment's text", text)

    def check(windows: list[str], last: int) -> None:
        if of is not None and not 1 <= of <= last:
            raise BadInput(f"there is no entry {of} to amend; the last one is {last}")

    return _add(path, "amendment", {"text": text, "by": by, "of": of}, check)


def _add(path: Path, kind: str, body: dict[str, Any], check: Callable[[list[str], int], None]) -> int:
    """Add a remark to the current segment, once `check` has seen the windows that are open and the last entry."""
    with storage(path, "open"):
        version = check_ledger(path)
    if version != LEDGER_VERSION:
        raise StorageFault(f"ledger {path} has version {version}: it can be read, but nothing can be added")
    utc = now_utc()
    log = Log.open(path, hold=False)
    try:
        with storage(path, "write"), log.transaction():
            windows, segment, last = _state(log)
            check(windows, last)
            return log.add_now(Entry(segment, utc, kind, None, None, body_of(body)))
    except (LookupError, ValueError, TypeError) as error:
        if isinstance(error, BadInput):
            raise
        raise StorageFault(f"ledger {path} is damaged ({error!r})") from error
    finally:
        log.close()


def _state(log: Log) -> tuple[list[str], int, int]:
    windows: list[str] = []
    segment = last = 0
    for number, entry, _ in log.remarks_and_last():
        segment, last = entry.segment, number
        if entry.kind == "marker":
            body = json.loads(entry.body)
            if body["opens"] is not None:
                windows.append(body["opens"])
            if body["closes"] in windows:
                windows.remove(body["closes"])
    return windows, segment, last


def _require(what: str, text: str) -> None:
    if not text.strip() or len(text) > TEXT_LIMIT:
        raise BadInput(f"{what} has {len(text)} characters; give 1 to {TEXT_LIMIT}, not all of them blank")
