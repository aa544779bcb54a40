"""What a ledger holds, as a `RunResult`: the run, finished or not, and whether its chain is whole."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path

import attrs

from laneproof.campaign.ledger.log import entries, reading
from laneproof.campaign.ledger.migration import read_version_2
from laneproof.campaign.ledger.replay import Attempt, Chain, Record, Slot, replay
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.campaign.ledger.windows import windows_of
from laneproof.campaign.results import EndpointResult, Plain, Reason, RunResult, Seal, Segment, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.errors import StorageFault
from laneproof.units import format_bytes


def read_ledger(path: Path) -> RunResult:
    """The run that a ledger holds, finished or not. Raises StorageFault for a file that is none."""
    with reading(path) as (database, version):
        if version != LEDGER_VERSION:
            return read_version_2(path, database)
        return result_in(database, path)


def result_in(database: sqlite3.Connection, path: Path) -> RunResult:
    """The same of one that is open, of this version."""
    record = replay(database)
    if record.plan is None:
        raise StorageFault(f"ledger {path} holds no run")
    windows, excluded = windows_of(database, record)
    return attrs.evolve(_result(record, record.plan), windows=windows, excluded=excluded)


def verify(path: Path) -> Seal:
    """Follow the chain from its first entry on. Raises StorageFault for what is no ledger, or one without a chain."""
    with reading(path) as (database, version):
        if version != LEDGER_VERSION:
            raise StorageFault(f"ledger {path} has version {version}, whose rows are not chained")
        chain = Chain()
        for number, entry, digest in entries(database):
            chain = chain.with_next(number, entry, digest)
        return chain.seal()


def _result(record: Record, plan: Plain) -> RunResult:
    segments = tuple(
        Segment(
            number=number,
            started_utc=stretch.started_utc,
            last_utc=stretch.last_utc,
            ended_utc=stretch.ended_utc,
            ended=stretch.how,
            gap_s=stretch.about["gap_s"],
            environment=stretch.about["environment"],
            changed=tuple(map(str, stretch.about["changed"])),
        )
        for number, stretch in enumerate(record.segments)
    )
    last = segments[-1]
    environment = dict(segments[0].environment)
    told = (caveat for slot in record.slots if slot.opened is not None for caveat in slot.opened["caveats"])
    environment["caveats"] = list(dict.fromkeys((*environment.get("caveats", ()), *told)))
    return RunResult(
        plan=plan,
        started_utc=segments[0].started_utc,
        finished_utc=last.ended_utc,
        interrupted=last.ended != "finished",
        environment=environment,
        endpoints=tuple(_endpoint(slot, last, max(1, len(plan["step"]))) for slot in record.slots),
        segments=segments,
        markers=tuple(record.markers),
        amendments=tuple(record.amendments),
        clock=tuple(record.clock),
        seal=record.seal,
    )


def _endpoint(slot: Slot, last: Segment, each: int) -> EndpointResult:
    """`each`: steps that one repetition has."""
    opened = slot.opened or {}
    over = [end for end in slot.ends.values() if not end["interrupted"]]
    ends = over or [end for segment, end in slot.ends.items() if segment == last.number]
    if ends:
        reasons = tuple(reasons_of(ends[-1]["reasons"]))
    else:
        reasons = (Reason(Verdict.INCONC, "the run ended before this slot had finished"),)
    return EndpointResult(
        name=slot.planned["name"],
        uri=slot.planned["uri"],
        physical=bool(opened.get("physical", slot.planned["physical"])),
        virtual_time=bool(opened.get("virtual_time", False)),
        opened=opened.get("opened", {}),
        steps=tuple(
            attrs.evolve(_step(position, slot.attempts[position][-1]), repetition=position // each + 1)
            for position in sorted(slot.attempts)
        ),
        reasons=reasons,
        events=tuple(slot.events),
    )


def _step(position: int, attempt: Attempt) -> StepResult:
    judged = attempt.judged
    if judged is not None:
        return StepResult(
            position=position,
            kind=attempt.kind,
            verdict=Verdict[judged["verdict"].upper()],
            reasons=tuple(reasons_of(judged["reasons"])),
            started_s=judged["started_s"],
            finished_s=judged["finished_s"],
            bytes_moved=judged["bytes_moved"],
            measures=judged["measures"],
            errors=judged["errors"],
            conditions=judged["conditions"],
        )
    moved, before = attempt.moved, attempt.carried or {}
    nbytes = (moved.bytes if moved else 0) + before.get("bytes_moved", 0)
    wrong = (moved.mismatched_bits if moved else 0) + before.get("mismatched_bits", 0)
    verified = (moved.verified_bytes if moved else 0) + before.get("verified_bytes", 0)
    seen = f"{format_bytes(nbytes)} on record had come back until then, {format_bytes(verified)} of them verified"
    reasons = [Reason(Verdict.INCONC, f"the run ended during this step; {seen}; it was not judged")]
    if wrong:
        reasons.append(Reason(Verdict.FAIL, f"{wrong} wrong bits are on record in {8 * verified} verified ones"))
    return StepResult(
        position=position,
        kind=attempt.kind,
        verdict=max(reason.verdict for reason in reasons),
        reasons=tuple(reasons),
        started_s=moved.from_s if moved else 0.0,
        finished_s=moved.to_s if moved else 0.0,
        bytes_moved=nbytes,
    )


def reasons_of(plain: Iterable[Plain]) -> Iterable[Reason]:
    """Reasons as they stand in an entry."""
    return (Reason(Verdict[one["verdict"].upper()], one["text"]) for one in plain)
