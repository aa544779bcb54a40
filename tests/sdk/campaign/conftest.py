"""Runs of plans through the Python API, each with its ledger in a folder of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.results import RunResult


@pytest.fixture
def run_plan(tmp_path: Path) -> Callable[..., RunResult]:
    """Runs the plan in a TOML text, `schema = 1` left out, over the URIs given or its own."""

    def run(text: str, *uris: str, ledger: str = "run.ledger", **options: object) -> RunResult:
        import tomllib

        plan = plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")
        plan = plan.over(uris) if uris else plan
        return runner.run(plan, tmp_path / ledger, **options)  # type: ignore[arg-type]

    return run


@pytest.fixture(scope="session")
def on_bench(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., RunResult]:
    """The built-in plan over one slot of a shipped bench, run once however many tests look at it."""
    done: dict[str, RunResult] = {}

    def run(bench: str, slot: str = "north") -> RunResult:
        if bench not in done:
            plan = plans.builtin().over([f"sim:{bench}#{slot}"])
            done[bench] = runner.run(plan, tmp_path_factory.mktemp("bench") / "run.ledger")
        return done[bench]

    return run
