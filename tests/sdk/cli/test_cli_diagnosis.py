"""`laneproof run` ends a failing endpoint with what may be wrong and the next step; one that passed has none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from laneproof import cli

PLAN = """schema = 1
name = "two"
[[endpoint]]
uri = "sim:all-ones#north"
name = "failing"
[[endpoint]]
uri = "sim:demo#middle"
name = "healthy"
[[step]]
kind = "integrity"
bytes = "26 MiB"
"""


@pytest.fixture(scope="module")
def two_slots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("two")
    (folder / "plan.toml").write_text(PLAN)
    return folder


def test_a_failing_slot_ends_with_its_diagnosis(two_slots: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = two_slots / "run.json"
    arguments = [
        "run",
        str(two_slots / "plan.toml"),
        "--ledger",
        str(two_slots / "run.ledger"),
        "--json",
        str(document),
    ]
    assert cli.main(arguments) == 1
    lines = capsys.readouterr().out.splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith("  diagnosis"))
    shown = [lines[first], *(line for line in lines[first + 1 : first + 6] if line.startswith(13 * " "))]
    assert shown[0] == "  diagnosis  confident: the card's memory is not decoded"
    assert any(line.strip().startswith("next: ") for line in shown)
    assert len([line for line in lines if line.startswith("  diagnosis")]) == 1
    failing, healthy = json.loads(document.read_text())["diagnoses"]
    assert failing["endpoint"] == "failing"
    assert failing["answers"][0]["mechanism"] == "memory-not-decoded"
    assert failing["answers"][0]["next_experiment"]["does"] in " ".join(line.strip() for line in shown)
    assert (healthy["answers"], healthy["not_explained"]) == ([], False)
