"""Runs made of the noise recorded in tests/fixtures/noise, which says where it comes from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from laneproof.campaign.results import EndpointResult, RunResult, StepResult
from laneproof.campaign.verdict import Verdict

RECORDED = Path(__file__).parents[2] / "fixtures" / "noise" / "echo_runs.json"
PLAN: dict[str, Any] = {
    "repeat": 3,
    "step": [{"kind": "throughput"}, {"kind": "soak"}],
    "endpoint": [{"uri": "chardev:north"}, {"uri": "chardev:middle"}],
}


def recorded_runs() -> list[RunResult]:
    """The recorded runs as results, with nothing in them but their rates and how steady these were."""
    runs = json.loads(RECORDED.read_text("utf-8"))["runs"]
    return [_run(number, slots) for number, slots in enumerate(runs)]


def _run(number: int, slots: dict[str, Any]) -> RunResult:
    return RunResult(
        plan=PLAN,
        started_utc=f"2026-11-25T22:{number:02}:00+00:00",
        finished_utc=f"2026-11-25T22:{number:02}:05+00:00",
        interrupted=False,
        environment={},
        endpoints=tuple(
            EndpointResult(name=name, uri=f"chardev:{name}", steps=tuple(_steps(kinds)))
            for name, kinds in slots.items()
        ),
    )


def _steps(kinds: dict[str, dict[str, list[float]]]) -> list[StepResult]:
    return [
        StepResult(
            position=2 * repetition + index,
            repetition=repetition + 1,
            kind=kind,
            verdict=Verdict.PASS,
            reasons=(),
            started_s=0.0,
            finished_s=1.0,
            bytes_moved=8 << 20,
            measures={
                "bytes_per_second": found["bytes_per_second"][repetition],
                "steadiness": {"coefficient_of_variation": found["coefficient_of_variation"][repetition]}
                if kind == "soak"
                else None,
            },
        )
        for repetition in range(3)
        for index, (kind, found) in enumerate(kinds.items())
    ]
