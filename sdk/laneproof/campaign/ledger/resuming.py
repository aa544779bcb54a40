"""Where a run stands that was cut off or stopped, and what its ledger still needs before it goes on."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from laneproof.campaign.carried import Carried, RunSoFar, SlotSoFar
from laneproof.campaign.ledger.log import ALIVE, Entry, Log, body_of, now_utc, reading
from laneproof.campaign.ledger.reading import reasons_of
from laneproof.campaign.ledger.replay import Attempt, Slot, replay
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.campaign.results import Plain, Reason
from laneproof.campaign.steps import STEPS
from laneproof.campaign.verdict import Verdict
from laneproof.errors import StorageFault

SEGMENTS_LIMIT = 1 << 16
"""Segments that a run may have: more than anyone resumes, and few enough for the sequence numbers of all."""
_SAME = ("host", "kernel", "machine", "python", "packages", "own_steps")
"""What of the environment must be as it was, or is said."""


def run_so_far(path: Path, environment: Plain) -> RunSoFar:
    """Where the run stands, seen from the host of `environment`.

    Raises StorageFault for a run that is over, and for a chain that is broken: nothing is added to it.
    """
    with reading(path) as (database, version):
        if version != LEDGER_VERSION:
            raise StorageFault(f"ledger {path} has version {version}: it can be read, but not resumed; start a new run")
        record = replay(database)
        if record.plan is None:
            raise StorageFault(f"ledger {path} holds no run; start a new one")
        if record.seal.broken_at is not None:
            raise StorageFault(f"ledger {path}: entry {record.seal.broken_at} was changed; it can be read, not resumed")
        last = record.segments[-1]
        slots = {str(slot.planned["name"]): _slot_so_far(slot) for slot in record.slots}
        if all(slot.over for slot in slots.values()) and last.how == "finished":
            raise StorageFault(f"ledger {path}: the run has finished, nothing is left to resume; start a new one")
        if len(record.segments) >= SEGMENTS_LIMIT:
            raise StorageFault(f"ledger {path} has {len(record.segments)} segments, and can have no more")
        before: Plain = last.about["environment"]
        return RunSoFar(
            plan=record.plan,
            segment=len(record.segments),
            gap_s=round((datetime.now(UTC) - datetime.fromisoformat(last.last_utc)).total_seconds(), 3),
            slots=slots,
            remarks=tuple(_differences(before, environment)),
        )


def cut_entries(log: Log) -> Iterator[Entry]:
    """The entries that a segment which was cut off could not write any more: its time series' rest, and its end."""
    segment, ended, last_utc = 0, False, ""
    for _, entry, _ in log.entries():
        if entry.kind == "segment":
            segment, ended = entry.segment, False
        ended |= entry.kind == "end"
        last_utc = last_utc if entry.kind in ("marker", "amendment") else entry.utc
    for tail in log.tails():
        if tail.endpoint == ALIVE:
            last_utc = tail.utc
        else:
            body: Plain = json.loads(tail.body)
            for kind in ("span", "counted"):
                if body[kind] is not None:
                    yield Entry(tail.segment, tail.utc, kind, tail.endpoint, tail.step, body_of(body[kind]))
    if not ended:
        yield Entry(segment, now_utc(), "cut", None, None, body_of({"last_utc": last_utc}))


def _slot_so_far(slot: Slot) -> SlotSoFar:
    judged: set[int] = set()
    under_way: dict[int, Carried] = {}
    for position, attempts in slot.attempts.items():
        last = attempts[-1].judged
        if last is not None and not last["interrupted"]:
            judged.add(position)
        elif (known := STEPS.get(attempts[-1].kind)) is not None and known.goes_on:
            under_way[position] = _carried(attempts[-1])
    opened = (slot.opened or {}).get("opened", {})
    return SlotSoFar(
        over=any(not end["interrupted"] for end in slot.ends.values()),
        worst=_worst(slot),
        judged=frozenset(judged),
        under_way=under_way,
        identity=opened.get("identity"),
    )


def _worst(slot: Slot) -> Verdict:
    judged = (attempt.judged for attempts in slot.attempts.values() for attempt in attempts)
    steps = [Verdict[str(one["verdict"]).upper()] for one in judged if one is not None]
    ends = [reason.verdict for end in slot.ends.values() for reason in reasons_of(end["reasons"])]
    return max((*steps, *ends), default=Verdict.NONE)


def _carried(attempt: Attempt) -> Carried:
    before = Carried() if attempt.carried is None else Carried.of_plain(attempt.carried)
    moved, judged = attempt.moved, attempt.judged
    reasons: tuple[Reason, ...] = ()
    if judged is not None:
        told = reasons_of(judged["reasons"])
        stands = (reason for reason in told if reason.verdict > Verdict.PASS and reason.text != judged["interrupted"])
        reasons = tuple(reason for reason in stands if reason not in before.reasons)
    counted = attempt.counted if judged is None else None
    uncounted = 0 if judged is not None or moved is None else moved.bytes - (counted["bytes"] if counted else 0)
    slowest = [rate for rate in (before.slowest, moved.slowest if moved else None) if rate is not None]
    fastest = [rate for rate in (before.fastest, moved.fastest if moved else None) if rate is not None]
    return Carried(
        bytes_moved=before.bytes_moved + (moved.bytes if moved else 0),
        verified_bytes=before.verified_bytes + (moved.verified_bytes if moved else 0),
        mismatched_bits=before.mismatched_bits + (moved.mismatched_bits if moved else 0),
        seconds=before.seconds + (moved.seconds if moved else 0.0),
        rows=before.rows + attempt.rows,
        slowest=min(slowest, default=None),
        fastest=max(fastest, default=None),
        reasons=before.reasons + reasons,
        errors_judged=before.errors_judged + ((judged["errors"],) if judged is not None else ()),
        errors_cut=before.errors_cut + ((counted["errors"],) if counted is not None else ()),
        uncounted_bytes=before.uncounted_bytes + uncounted,
    )


def _differences(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    for key in _SAME:
        old, new = before.get(key), now.get(key)
        if isinstance(old, dict) and isinstance(new, dict):
            names = _changed_names(cast("Plain", old), cast("Plain", new))
            yield from (f"{key}: {text}" for text in names)
        elif old != new:
            yield f"{key} was {old}, is {new}"
    if before.get("boot_id") != now.get("boot_id") and before.get("host") == now.get("host"):
        yield "the host was started anew"


def _changed_names(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    names = (name for name in sorted({*old, *new}) if old.get(name) != new.get(name))
    return (f"{name} was {old.get(name)}, is {new.get(name)}" for name in names)
