"""Writes the ledger of a soak of a week over six physical slots, as a runner would have, without waiting for it."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

from laneproof.campaign import plan as plans
from laneproof.campaign.environment import environment
from laneproof.campaign.events import Counted, Noted, Opened, Sampled, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.ledger import Ledger, mark, marking, writing
from laneproof.campaign.results import Plain, Reason, StepResult
from laneproof.campaign.verdict import Verdict

SLOTS = 6
WEEK_S = 7 * 86400
RATE = 3.1e9
BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)
PLAN = {"schema": 1, "name": "a week", "step": [{"kind": "link"}, {"kind": "soak", "duration": "168 h"}]}
PARTNER: Plain = {"speed_gtps": 16.0, "width": 8, "max_speed_gtps": 16.0, "max_width": 8, "max_payload": 256}
NO_ERRORS: Plain = {"correctable": {}, "nonfatal": {}, "fatal": {}}


def write_week(path: Path, *, every_s: int, events: int) -> None:
    """`every_s`: seconds from one sample to the next; `events`: so many in each slot."""
    now_s = 0.0

    def utc() -> str:
        return (BEGAN + timedelta(seconds=now_s)).isoformat(timespec="milliseconds")

    plan = plans.parse(PLAN, "plan").over([f"chardev:/dev/none{slot}" for slot in range(SLOTS)])
    names = list(plan.names())
    link = {end: PARTNER | {"name": f"{end} port", "active": True} for end in ("near", "far")}
    opened = {"identity": {"model": "echo card", "serial": None, "components": []}, "link": link, "channels": []}
    errors = {end: {"name": f"{end} port", **NO_ERRORS} for end in ("near", "far")}
    with mock.patch.object(writing, "now_utc", utc), mock.patch.object(marking, "now_utc", utc), Ledger(path) as ledger:
        ledger.begin(plan, environment(True), {planned.uri for planned in plan.endpoint})
        for name in names:
            ledger.take(Opened(name, False, opened, True, ()))
            ledger.take(StepStarted(name, 0, "link"))
            measured = {"link": link}
            ledger.take(StepFinished(name, _done(0, "link", 0.0, 0.0, 1 << 20, measured, errors, "trained")))
            ledger.take(StepStarted(name, 1, "soak"))
        for at_s in range(every_s, WEEK_S + 1, every_s):
            now_s = float(at_s)
            for slot, name in enumerate(names):
                rate = RATE * (1 + 0.02 * math.sin(at_s / 9000 + slot) - 0.4 * (slot == 2 and 2e5 < at_s < 2.4e5))
                nbytes = int(rate * every_s)
                wrong = 3 if slot == 4 and at_s // every_s == WEEK_S // every_s // 2 else 0
                ledger.take(Sampled(name, 1, now_s, nbytes, every_s, verified_bytes=nbytes, mismatched_bits=wrong))
                if slot == 3 and at_s % 43200 < every_s:
                    count = {"n": at_s // 43200, "bound": "at least"}
                    ledger.take(Counted(name, 1, errors | {"far": {**errors["far"], "correctable": {"BadTLP": count}}}))
            if at_s // every_s == 100:
                ledger.commit_if_due()
        for slot, name in enumerate(names):
            for number in range(events):
                told = "the kernel reported BadTLP at 0000:01:00.0 (correctable), at 18.2 s of its own clock"
                ledger.take(Noted(name, 1, WEEK_S * number / events, "reported" if number % 9 else "link", told))
            bits = int(8 * RATE * WEEK_S)
            residual = {"wrong_bits": 3 * (slot == 4), "exposure_bits": bits, "confidence": 0.95}
            measured = {"method": "exact", "kernels": "numpy", "residual_corruption": residual}
            residual["upper_bound_per_bit"] = 3 / bits
            said = "all came back unchanged" if slot != 4 else "3 bits came back wrong"
            done = _done(1, "soak", 0.0, float(WEEK_S), bits // 8, measured, errors, said, bad=slot == 4)
            ledger.take(StepFinished(name, done))
            ledger.take(SlotFinished(name))
        ledger.end(interrupted=False)
        for at_s, opens, closes in ((2e5, "door open", None), (2.4e5, None, "door open"), (4e5, None, None)):
            now_s = at_s
            mark(path, "the laboratory's door", opens=opens, closes=closes)


def _done(
    position: int,
    kind: str,
    begun_s: float,
    ended_s: float,
    nbytes: int,
    measures: Plain,
    errors: Plain,
    said: str,
    *,
    bad: bool = False,
) -> StepResult:
    verdict = Verdict.FAIL if bad else Verdict.PASS
    return StepResult(
        position=position,
        kind=kind,
        verdict=verdict,
        reasons=(Reason(verdict, said),),
        started_s=begun_s,
        finished_s=ended_s,
        bytes_moved=nbytes,
        measures=measures,
        errors=errors,
    )
