"""`run --check --json`, `--declare`, plans with code of their own, and `report --tables`, as a user types them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign.ledger import read_ledger

Run = Callable[..., Any]
PLAN = """\
schema = 1
name = "mine"
stop_after = "8 h"
steps_from = ["./my_steps.py"]
[ambient]
temperature = "23 °C"
[[endpoint]]
uri = "sim:demo#south"
group = "switch"
[[step]]
kind = "mine"
[[step]]
kind = "integrity"
bytes = "64 KiB"
"""
STEPS = """\
import laneproof

@laneproof.step("mine")
def mine(slot, findings, *, level: int = 3):
    slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)
    findings.measures["level"] = level
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    (tmp_path / "my_steps.py").write_text(STEPS, "utf-8")
    (tmp_path / "plan.toml").write_text(PLAN, "utf-8")
    return tmp_path / "plan.toml"


def test_a_check_as_data_holds_what_the_check_says(laneproof: Run, plan: Path) -> None:
    done = laneproof("run", "--check", plan, "--allow-commands", "--json", "-", "--declare", "sample=controller")
    assert done.status == 0
    found = json.loads(done.out)
    assert found["schema"] == 1
    assert found["plan"]["sample"]["name"] == "controller"
    assert found["declared"] == ['sample.name: "controller" by the command line; the plan says nothing of it']
    (endpoint,) = found["endpoints"]
    assert (endpoint["name"], endpoint["uri"], endpoint["group"]) == ("south", "sim:demo#south", "switch")
    mine, integrity = endpoint["steps"]
    assert mine == {"kind": "mine", "bytes": None, "seconds": None, "claims": []}
    assert integrity["bytes"] == 65536
    assert integrity["seconds"] > 0
    assert "fewer than 5.8e-6 wrong per bit" in integrity["claims"][0]  # 2.9957 / (8 × 65536), at 95 %
    assert "my_steps.py, SHA-256 " in found["own_steps"]["mine"]
    assert found["stop_rules"] == ["stop_after: the run ends after 8 h 0 min by the computer's clock"]
    assert "plan mine: valid; nothing was run" in done.err
    assert list(plan.parent.glob("*.ledger")) == []


def test_a_check_as_data_goes_into_a_file_but_not_over_the_plan(laneproof: Run, plan: Path) -> None:
    assert laneproof("run", "--check", plan, "--allow-commands", "--json", "check.json").status == 0
    assert json.loads((plan.parent / "check.json").read_text("utf-8"))["plan"]["name"] == "mine"
    done = laneproof("run", "--check", plan, "--allow-commands", "--json", plan)
    assert done.status == 2
    assert "that is the plan; name another file" in done.err
    assert plan.read_text("utf-8") == PLAN


def test_a_wrong_plan_is_a_line_and_no_data(laneproof: Run, plan: Path) -> None:
    plan.write_text(PLAN.replace('"8 h"', "8"), "utf-8")
    done = laneproof("run", "--check", plan, "--allow-commands", "--json", "-")
    assert (done.status, done.out) == (2, "")
    assert done.err.count("\n") == 1


def test_a_plan_with_code_of_its_own_runs_only_by_leave(laneproof: Run, plan: Path) -> None:
    for arguments in (("run", plan), ("run", "--check", plan)):
        done = laneproof(*arguments)
        assert done.status == 2
        assert "steps_from would run the Python code in ./my_steps.py; to let the plan do so give --allow" in done.err
    done = laneproof("run", plan, "--allow-commands", "--ledger", "run.ledger")
    assert done.status == 0
    assert "mine" in done.out
    assert read_ledger(plan.parent / "run.ledger").endpoints[0].steps[0].measures["level"] == 3
    report = (plan.parent / "run.html").read_text("utf-8")
    assert "own_steps: mine mine in " in report


def test_what_is_declared_is_said_kept_and_reported(laneproof: Run, plan: Path) -> None:
    told = 'ambient.temperature: "25 °C" by the command line, in place of the plan\'s "23 °C"'
    done = laneproof(
        "run", plan, "--allow-commands", "--ledger", "run.ledger", "--declare", "ambient.temperature=25 °C"
    )
    assert f"declared  {told}" in done.out
    result = read_ledger(plan.parent / "run.ledger")
    assert result.environment["declared"] == [told]
    assert "25 °C" in (plan.parent / "run.html").read_text("utf-8")
    done = laneproof("run", "--resume", "run.ledger", "--declare", "ambient.temperature=26 °C")
    assert done.status == 2
    assert "say what is new by `laneproof mark LEDGER TEXT --amend`" in done.err


def test_a_fact_that_there_is_not_is_refused_before_anything_runs(laneproof: Run, tmp_path: Path) -> None:
    done = laneproof("run", "--declare", "weather=fine")
    assert done.status == 2
    assert "--declare weather" in done.err
    assert done.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_the_report_verb_writes_tables(laneproof: Run, plan: Path) -> None:
    laneproof("run", plan, "--allow-commands", "--ledger", "run.ledger")
    done = laneproof("report", "run.ledger", "--tables", "out")
    assert done.status == 0
    assert "out/steps.csv" in done.out.splitlines()
    with (plan.parent / "out" / "steps.csv").open(newline="") as file:
        assert [row["kind"] for row in csv.DictReader(file)] == ["mine", "integrity"]
    for arguments in (("--tables", "out", "--output", "x.html"), ("--format", "csv")):
        assert laneproof("report", "run.ledger", *arguments).status == 2
