"""Steps of a user's own that go wrong where the run asks them something: the fault is theirs, the data are kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from contextlib import closing
from pathlib import Path

import attrs
import pytest

import laneproof
from laneproof.campaign import runner
from laneproof.campaign.conditions import LaneFlag
from laneproof.campaign.events import Counted, Sampled, StepFinished, StepStarted
from laneproof.campaign.ledger import Ledger
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.results import StepResult
from laneproof.campaign.steps import LinkStep
from laneproof.campaign.verdict import Verdict
from laneproof.cli.live.state import RunState
from laneproof.documents import Size
from laneproof.errors import DriverFault, Interrupted
from laneproof.readings import ErrorReading


@attrs.frozen(kw_only=True)
class Moves(laneproof.Step):
    """Sends a little."""

    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None:
        slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)


@attrs.frozen(kw_only=True)
class RaisesOverErrors(Moves):
    def judge_errors(self, added: ErrorReading, findings: laneproof.Findings) -> None:
        raise ZeroDivisionError("division by zero")


@attrs.frozen(kw_only=True)
class FaultsOverErrors(Moves):
    def judge_errors(self, added: ErrorReading, findings: laneproof.Findings) -> None:
        raise DriverFault("a call of its own failed")


@attrs.frozen(kw_only=True)
class JudgesByNumbers(Moves):
    def judge_errors(self, added: ErrorReading, findings: laneproof.Findings) -> None:
        findings.passed(5)  # type: ignore[arg-type]


@attrs.frozen(kw_only=True)
class MeasuresNothing(Moves):
    def judge_lanes(self, flags: Collection[LaneFlag], findings: laneproof.Findings) -> None:
        findings.measures["margin"] = float("nan")


@attrs.frozen(kw_only=True)
class NotesNoMoment(Moves):
    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None:
        super().run(slot, findings)
        slot.note("read", "a sensor", float("nan"))


@attrs.frozen(kw_only=True)
class CountsInWords(Moves):
    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None:
        super().run(slot, findings)
        slot.progress("many", None)  # type: ignore[arg-type]


@attrs.frozen(kw_only=True)
class InterruptsItself(Moves):
    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None:
        super().run(slot, findings)
        raise Interrupted("by a deadline of its own")


def taken(tmp_path: Path, step: laneproof.Step) -> StepResult:
    """The step, on a slot of two that goes on with another step afterwards."""
    plan = Plan(
        endpoint=tuple(PlannedEndpoint(uri=f"sim:demo#{slot}") for slot in ("south", "north")),
        step=(step, LinkStep(load=Size(4096))),
    )
    result = runner.run(plan, tmp_path / "run.ledger", watch=RunState(plan, None).take)
    assert [[one.kind for one in endpoint.steps] for endpoint in result.endpoints] == 2 * [
        [type(step).__name__, "link"]
    ]
    assert not result.interrupted
    assert all(endpoint.reasons == () for endpoint in result.endpoints)
    return result.endpoints[0].steps[0]


@pytest.mark.parametrize(
    ("step", "why"),
    [
        (RaisesOverErrors(), "the step raised ZeroDivisionError: division by zero"),
        (FaultsOverErrors(), "the step raised DriverFault: a call of its own failed"),
        (JudgesByNumbers(), "a reason is one line of text"),
        (MeasuresNothing(), "the measure margin was left out"),
        (NotesNoMoment(), "an event at nan s cannot be kept"),
        (CountsInWords(), "the step raised ValueError: invalid literal for int()"),
        (InterruptsItself(), "interrupted, though nobody had asked for it: by a deadline of its own"),
    ],
)
def test_what_a_step_does_wrong_is_an_error_of_this_step_and_its_data_are_kept(
    tmp_path: Path, step: laneproof.Step, why: str
) -> None:
    result = taken(tmp_path, step)
    assert str(result.verdict) == "error"
    assert why in "\n".join(reason.text for reason in result.reasons if str(reason.verdict) == "error")
    assert result.bytes_moved == 4096
    assert any(str(reason.verdict) == "pass" for reason in result.reasons)


def test_what_a_thread_reports_of_a_step_that_is_judged_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "run.ledger"
    step = StepResult(position=0, kind="Moves", verdict=Verdict.PASS, reasons=(), started_s=0.0, finished_s=1.0)
    late = (Sampled("south", 0, 1.0, 10, 1.0), Counted("south", 0, {}))
    with Ledger(path) as ledger:
        ledger.begin(Plan(endpoint=(PlannedEndpoint(uri="sim:demo#south"),), step=(Moves(), Moves())), {}, set())
        ledger.take(StepStarted("south", 0, "Moves"))
        ledger.take(StepFinished("south", step))
        for event in (*late, StepStarted("south", 1, "Moves"), *late, Sampled("south", 1, 2.0, 7, 1.0)):
            ledger.take(event)
        ledger.take(StepFinished("south", attrs.evolve(step, position=1)))
        ledger.end(interrupted=False)
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT step, bytes FROM sample").fetchall() == [(1, 7)]
