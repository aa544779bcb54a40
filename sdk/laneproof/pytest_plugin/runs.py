"""`Run`, what the fixture `laneproof_run` gives to a test: runs steps on the test's endpoint and concludes."""

from __future__ import annotations

import re
import shutil
from itertools import count
from pathlib import Path
from typing import final

import attrs
from attrs import define, field

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import RunResult
from laneproof.campaign.steps import Step
from laneproof.errors import BadInput, LaneproofError
from laneproof.pytest_plugin.asked import Asked, Marked
from laneproof.pytest_plugin.judging import Record, at_fault, conclude, reasons


@final
@define
class Run:
    """Call it with steps, or with `plan=` (a file, beside the test's own unless absolute, or a `Plan`); with neither it
    runs the steps of `laneproof_plan`, or of the built-in plan.

    Returns the result of a run that passes. What else comes of it ends the test: pytest's failure, or its error where
    the test system is at fault. It may be called more than once; each run has a ledger of its own.
    """

    asked: Asked
    marked: Marked
    record: Record
    nodeid: str
    seed: int
    beside: Path
    folder: Path
    """Where ledgers go."""
    temporary: bool
    """The folder is this test's alone, and goes when the test has passed."""
    _runs: int = field(default=0, init=False)

    def __call__(self, *steps: Step, plan: str | Path | Plan | None = None) -> RunResult:
        try:
            ready = self._plan(steps, plan)
        except BadInput as error:
            at_fault(f"the run cannot be made: {error}")
        ledger = self._ledger()
        here = self.asked.here
        self.record.ledgers.append(str(ledger.relative_to(here) if ledger.is_relative_to(here) else ledger))
        self._runs += 1
        try:
            result = runner.run(ready, ledger, cautions_acknowledged=self.asked.cautions_acknowledged)
        except LaneproofError as error:
            at_fault(error)
        self.record.take(result)
        conclude(result.verdict, reasons(result), self.marked.inconclusive or self.asked.inconclusive)
        return result

    def end(self) -> None:
        """The test has ended: a ledger in a temporary folder is kept only if something came of it."""
        if self.temporary and not self.record.failed:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _plan(self, steps: tuple[Step, ...], plan: str | Path | Plan | None) -> Plan:
        if steps and plan is not None:
            raise BadInput("give steps or a plan, not both")
        if isinstance(plan, str | Path):
            plan = plans.load(self.beside / plan)
        uri = self.record.uri
        chosen = Plan(step=steps) if steps else plan if plan is not None else self.asked.plan
        known = next((planned for planned in chosen.endpoint if planned.uri == uri), self.asked.planned(uri))
        seed = chosen.seed if self.marked.seed is None else self.marked.seed
        return attrs.evolve(
            chosen,
            name=self.nodeid,
            # A second run of one test sends other bytes than its first.
            seed=(self.seed + self._runs) % 2**32 if seed is None else seed,
            endpoint=(attrs.evolve(known, expect=self.marked.expectation(known.expect)),),
            step=self.marked.limited(chosen.step),
        )

    def _ledger(self) -> Path:
        worker = self.asked.worker
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", self.nodeid).strip("-")[:150] + (f"-{worker}" if worker else "")
        paths = (self.folder / f"{stem}{f'-{number}' if number > 1 else ''}.ledger" for number in count(1))
        return next(path for path in paths if not path.exists())
