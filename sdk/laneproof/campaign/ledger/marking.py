"""Markers and amendments: what people add to a ledger, from a process of their own, while its run writes or later."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from attrs import define, field

from laneproof.campaign.ledger.log import Entry, Log, body_of, check_ledger, now_utc, storage
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.errors import BadInput, StorageFault

TEXT_LIMIT = 10_000
"""Characters of one remark."""


@define
class _State:
    """Where a ledger stands: windows that are open and that ever were, current segment, number of the last entry."""

    open: list[str] = field(factory=list[str])
    ever: list[str] = field(factory=list[str])
    segment: int = 0
    last: int = 0


def mark(
    path: Path, text: str, *, opens: str | None = None, closes: str | None = None, excludes: str | None = None
) -> int:
    """Note `text` in a ledger at this moment; returns the entry's number.

    `opens` begins a window of that name, `closes` ends it; `excludes` takes such windows out of the claims for the
    reason in `text`: results are shown with them and without. Durable on return. Raises BadInput for a text or name
    that cannot be used, StorageFault for what is no ledger or cannot be written.
    """
    _require("the marker's text", text)
    names = [name for name in (opens, closes, excludes) if name is not None]
    for name in names:
        _require("the window's name", name)
    if len(names) > 1:
        raise BadInput("one marker opens a window, closes or excludes one; use one for each")

    def check(state: _State) -> None:
        if opens is not None and opens in state.open:
            raise BadInput(f'window "{opens}" is open already; close it first, or give another name')
        if closes is not None and closes not in state.open:
            raise BadInput(f'no window "{closes}" is open (open: {_names(state.open)}); open it first')
        if excludes is not None and excludes not in state.ever:
            raise BadInput(f'no window "{excludes}" was opened (opened: {_names(state.ever)}); name one of them')

    body = {"text": text, "opens": opens, "closes": closes}
    return _add(path, "marker", body if excludes is None else body | {"excludes": excludes}, check)


def amend(path: Path, text: str, *, by: str | None = None, of: int | None = None) -> int:
    """Add a remark to what is on record, which it does not change; returns the entry's number.

    `by` says who adds it, `of` is the number of the entry that it is about. Raises as `mark` does.
    """
    _require("the amendment's text", text)

    def check(state: _State) -> None:
        if of is not None and not 1 <= of <= state.last:
            raise BadInput(f"there is no entry {of} to amend; the last one is {state.last}")

    return _add(path, "amendment", {"text": text, "by": by, "of": of}, check)


def _add(path: Path, kind: str, body: dict[str, Any], check: Callable[[_State], None]) -> int:
    """Add a remark to the current segment, once `check` has seen how the ledger stands."""
    with storage(path, "open"):
        version = check_ledger(path)
    if version != LEDGER_VERSION:
        raise StorageFault(f"ledger {path} has version {version}: it can be read, but nothing can be added")
    utc = now_utc()
    log = Log.open(path, hold=False)
    try:
        with storage(path, "write"), log.transaction():
            state = _state(log)
            check(state)
            return log.add_now(Entry(state.segment, utc, kind, None, None, body_of(body)))
    except (LookupError, ValueError, TypeError) as error:
        if isinstance(error, BadInput):
            raise
        raise StorageFault(f"ledger {path} is damaged ({error!r})") from error
    finally:
        log.close()


def _state(log: Log) -> _State:
    state = _State()
    for number, entry, _ in log.remarks_and_last():
        state.segment, state.last = entry.segment, number
        if entry.kind == "marker":
            body = json.loads(entry.body)
            if body["opens"] is not None:
                state.open.append(body["opens"])
                state.ever.append(body["opens"])
            if body["closes"] in state.open:
                state.open.remove(body["closes"])
    return state


def _names(windows: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in dict.fromkeys(windows)) or "none"


def _require(what: str, text: str) -> None:
    if not text.strip() or len(text) > TEXT_LIMIT:
        raise BadInput(f"{what} has {len(text)} characters; give 1 to {TEXT_LIMIT}, not all of them blank")
