"""One case: a plan on one slot of a bench, run on a temporary ledger; and what came of it.

A case is all that a process on any computer needs, and its outcome follows from it alone.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any
from urllib.parse import quote

import attrs
from attrs import frozen

from laneproof.campaign import runner
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.results import EndpointResult
from laneproof.campaign.verdict import Verdict
from laneproof.catalogue import Bench
from laneproof.errors import LaneproofError

_IN_MEMORY = "/dev/shm"  # noqa: S108 - a folder of one's own is made in it
OPENING = "opening"
"""Stands for a step's kind where no step failed, but the slot did."""


@frozen(kw_only=True)
class Case:
    """A bench, and the plan to run on its slot; what the plan expects of the slot stands in its only endpoint."""

    plan: Plan
    bench: Bench


@frozen(kw_only=True)
class Outcome:
    """What came of a case. Only a `fail` counts as caught; `by` is then the kind of the first step that failed.

    `after_bytes` had come back from the card, and `after_s` had passed by its clock, when that step ended.
    """

    verdict: Verdict
    reason: str = ""
    """The first that was as bad as the verdict."""
    by: str = ""
    after_bytes: int = 0
    after_s: float = 0.0

    @property
    def caught(self) -> bool:
        return self.verdict is Verdict.FAIL

    def to_dict(self) -> dict[str, Any]:
        return {**attrs.asdict(self), "verdict": str(self.verdict)}


def case_of(plan: Plan, bench: Bench, seed: int) -> Case:
    """The plan on that bench: without its other endpoints, and ended by the first step that fails.

    A plan without a seed gets this one, so that each run sends other data. What the plan says of an endpoint that has
    the slot's name, it says of the slot.
    """
    known = dict(zip(plan.names(), plan.endpoint, strict=True)).get(bench.slot, PlannedEndpoint(uri=bench.uri))
    endpoint = attrs.evolve(known, uri=bench.uri, observe=None, name=bench.slot, group=None)
    plan = attrs.evolve(
        plan,
        seed=seed if plan.seed is None else plan.seed,
        endpoint=(endpoint,),
        stop_slot_on="fail",
        stop_run_on="never",
        stop_after=None,
    )
    return Case(plan=plan, bench=bench)


def run_case(case: Case) -> Outcome:
    """Run it. An error of laneproof's own is an outcome as well."""
    with tempfile.TemporaryDirectory(prefix="laneproof-coverage-", dir=_folder()) as folder:
        path = Path(folder) / "bench.toml"
        path.write_text(case.bench.text, "utf-8")
        uri = case.bench.uri.replace("{path}", quote(str(path), safe="/"))
        plan = attrs.evolve(case.plan, endpoint=(attrs.evolve(case.plan.endpoint[0], uri=uri),))
        try:
            (result,) = runner.run(plan, Path(folder) / "run.ledger", examine_damage=False).endpoints
        except LaneproofError as error:
            return Outcome(verdict=Verdict.ERROR, reason=_without(folder, str(error.args[0])))
        return _outcome(result, folder)


def _folder() -> str | None:
    """In memory where there is such a folder: nobody needs these ledgers to outlive the computer's power."""
    return _IN_MEMORY if os.access(_IN_MEMORY, os.W_OK | os.X_OK) else None


def _outcome(result: EndpointResult, folder: str) -> Outcome:
    verdict = result.verdict
    moved = 0
    for step in result.steps:
        moved += step.bytes_moved
        if step.verdict is verdict:
            reason = next((one.text for one in step.reasons if one.verdict is verdict), "")
            return Outcome(
                verdict=verdict,
                reason="" if verdict is Verdict.PASS else _without(folder, reason),
                by=step.kind if verdict is Verdict.FAIL else "",
                after_bytes=moved,
                after_s=step.finished_s,
            )
    reason = next((one.text for one in result.reasons if one.verdict is verdict), "")
    by = OPENING if verdict is Verdict.FAIL else ""
    return Outcome(verdict=verdict, reason=_without(folder, reason), by=by, after_bytes=moved)


def _without(folder: str, text: str) -> str:
    """Where the bench lay is no part of what came of it."""
    return text.replace(quote(folder, safe="/"), "").replace(folder, "")
