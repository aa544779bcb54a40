"""The developer's example of steps of their own in a plan, run as a user runs it, on a sound bench and a faulty one."""

from __future__ import annotations

from pathlib import Path

import attrs

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.plan import PlannedEndpoint
from laneproof.campaign.results import RunResult
from laneproof.cli import main

PLAN = Path(__file__).parents[2] / "examples" / "own_sequence" / "own_steps.toml"


def run(tmp_path: Path, uri: str, steps: int = 2) -> RunResult:
    plan = plans.load(PLAN, allow_commands=True)
    plan = attrs.evolve(plan, endpoint=(PlannedEndpoint(uri=uri),), step=plan.step[:steps])
    return runner.run(plan, tmp_path / "run.ledger", allow_commands=True)


def test_the_plan_passes_on_the_sound_bench(tmp_path: Path) -> None:
    (endpoint,) = run(tmp_path, "sim:demo#north").endpoints
    assert [(step.kind, str(step.verdict)) for step in endpoint.steps] == [
        ("around a boundary", "pass"),
        ("rest and wake", "pass"),
    ]
    assert endpoint.steps[0].measures["patterns"] == ["4095 B", "4096 B", "4097 B"]
    assert 0 < endpoint.steps[1].measures["slowest_wake_s"] < 1e-3
    assert endpoint.steps[1].finished_s - endpoint.steps[1].started_s >= 6


def test_wrong_data_fail_it(tmp_path: Path) -> None:
    result = run(tmp_path, "sim:flipping-card#north", steps=1)
    assert str(result.verdict) == "fail"


def test_a_check_says_how_long_it_will_rest_and_needs_leave(tmp_path: Path) -> None:
    assert main(["run", "--check", str(PLAN)]) == 2
    assert main(["run", "--check", str(PLAN), "--allow-commands"]) == 0
    rest = plans.load(PLAN, allow_commands=True).step[1]
    assert rest.seconds_at(None) == 6
