"""Whether a host is ready for a plan: what the plan uses of it, room for the ledger, and the verdict on all checks.

What Linux shows is read behind the entry points of `laneproof.hosts`; this module knows no file of it.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Sequence
from math import ceil
from pathlib import Path
from typing import Any

import attrs

from laneproof import registry
from laneproof.campaign.ledger.series import FIRST_SPAN_S, ROWS_A_LENGTH
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.runner import physical_endpoints
from laneproof.campaign.steps import Step
from laneproof.campaign.verdict import Verdict
from laneproof.clock import Deadline
from laneproof.moving import in_driver
from laneproof.readings import Check, Use
from laneproof.units import format_bytes

LOOK_S = 30.0
_BLOCK, _DEPTH = 1 << 20, 4
"""Where a step does not say: what a check moves at a time on most cards, and what the driver of vfio queues."""
_BASE_BYTES = 4 << 20
"""Whatever the plan: SQLite's write-ahead log, the plan, the environment, the report beside."""
_STEP_BYTES = 256 << 10
"""A step's verdict, reasons, conditions and events; a series of sensors is the most of it."""
_ROW_BYTES = 400
"""A row of a time series with its entry in the log: measured, and rounded up."""
_MONTH_S = 31 * 86400.0
"""What is assumed of a step that does not say how long it takes."""
_AMPLE = 4
"""So many times the estimate is no reason for a warning."""

VERDICT_OF = {
    "ok": Verdict.PASS,
    "warning": Verdict.PASS,
    "not known": Verdict.INCONC,
    "missing": Verdict.ERROR,
}


def checks(plan: Plan, ledger: Path) -> tuple[Check, ...]:
    """The host's own checks for the physical cards of the plan, and whether the ledger has room.

    A plan over simulated cards alone needs no more of the host than that room; one without cards asks in general.
    """
    physical = set(physical_endpoints(plan))
    uses = [_use(planned, plan) for planned in plan.endpoint if planned.uri in physical]
    found = () if plan.endpoint and not uses else _of_host(uses)
    return tuple(sorted((*found, room_for(plan, ledger)), key=lambda check: bool(check.uri)))  # the host's first


def verdict(found: Iterable[Check]) -> Verdict:
    """error where something is missing, inconc where something is not known, else pass."""
    return max((VERDICT_OF[check.outcome] for check in found), default=Verdict.PASS)


def plain_checks(found: Iterable[Check]) -> dict[str, Any]:
    """As `preflight --json` writes them."""
    kept = list(found)
    return {"verdict": str(verdict(kept)), "checks": [attrs.asdict(check) for check in kept]}


def room_for(plan: Plan, ledger: Path) -> Check:
    """Free disk where the ledger will lie against an estimate of what the plan writes."""
    folder = ledger.absolute().parent
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return Check(
            name="ledger",
            outcome="missing",
            found=f"{folder}: {error.strerror or error}",
            remedy="name a folder that is there: `laneproof run --ledger FILE`",
        )
    needed = planned_bytes(plan)
    found = f"{format_bytes(free)} free in {folder}, at most about {format_bytes(needed)} needed"
    if not os.access(folder, os.W_OK | os.X_OK):
        return Check(
            name="ledger",
            outcome="missing",
            found=f"{folder} is not writable for this user",
            remedy="name another folder: `laneproof run --ledger FILE`",
        )
    if free >= _AMPLE * needed:
        return Check(name="ledger", outcome="ok", found=found)
    return Check(
        name="ledger",
        outcome="missing" if free < needed else "warning",
        found=found,
        remedy="make room, or name another folder: `laneproof run --ledger FILE`",
    )


def planned_bytes(plan: Plan) -> int:
    """About the most that the ledger of a plan takes; a time series without an end counts as one of a month."""
    rows = sum(_rows(step) for step in plan.step if step.goes_on)
    return _BASE_BYTES + max(1, len(plan.endpoint)) * (len(plan.step) * _STEP_BYTES + rows * _ROW_BYTES)


def _rows(step: Step) -> int:
    """Rows of a step's time series: one a portion at most, and ever longer spans (`ledger.series`)."""
    left_s = _MONTH_S if step.planned_s is None else step.planned_s
    rows, span_s = 0, FIRST_SPAN_S
    while left_s > 0:
        rows += min(ROWS_A_LENGTH, ceil(left_s / span_s))
        left_s -= ROWS_A_LENGTH * span_s
        span_s *= 2
    portion: int = getattr(step, "portion", 1)
    return rows if step.planned_bytes is None else min(rows, ceil(step.planned_bytes / portion))


def _of_host(uses: Sequence[Use]) -> tuple[Check, ...]:
    with Deadline(LOOK_S) as deadline, in_driver():
        found = registry.host().readiness(uses, deadline)
    if found:
        return tuple(found)
    return (
        Check(
            name="host",
            outcome="not known",
            found="the host reader that is installed looks at nothing before a run",
            remedy="install one that does, or go through `laneproof guide running` by hand",
        ),
    )


def _use(planned: PlannedEndpoint, plan: Plan) -> Use:
    uri = registry.parse_uri(planned.uri)
    under_way = (
        (getattr(step, "block", None) or _BLOCK) * (getattr(step, "depth", None) or _DEPTH) for step in plan.step
    )
    return Use(
        uri=planned.uri,
        scheme=uri.scheme,
        address=uri.address.text,
        options=uri.options,
        observe=planned.observe,
        in_flight_bytes=2 * max(under_way, default=0),  # out, and back
    )
