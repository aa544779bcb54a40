"""The example suite, run as a user runs it: on the slots of its plan, and on one with a fault."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "examples" / "own_tests"


@pytest.fixture(scope="module")
def suite(tmp_path_factory) -> Path:
    return shutil.copytree(EXAMPLE, tmp_path_factory.mktemp("example") / "own_tests")


def printed_by(suite: Path, *options: str) -> subprocess.CompletedProcess[str]:
    others = ["-p", "no:cacheprovider", "-p", "no:hypothesispytest"]
    command = [sys.executable, "-B", "-m", "pytest", *others, "--laneproof-seed", "7", *options]
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")}
    return subprocess.run(command, cwd=suite, env=environment, capture_output=True, text=True, check=False, timeout=100)


def shown_after(command: str) -> list[str]:
    page = (EXAMPLE / "README.md").read_text("utf-8")
    block = page.split(f"    $ pytest {command}\n")[1].split("\n\n")[0]
    return [line.removeprefix("    ") for line in block.splitlines()]


def missing(shown: list[str], printed: str) -> list[str]:
    """A finer model of the bench may count a little differently; the words stay."""
    lines = [re.sub(r"\d+", "0", line) for line in printed.splitlines()]
    wanted = [re.sub(r"\d+", "0", line) for line in shown]
    return [
        line
        for line in wanted
        if not any(one.startswith(line[:-1]) if line.endswith("…") else one == line for one in lines)
    ]


def test_all_slots_of_the_plan_pass(suite) -> None:
    done = printed_by(suite)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert "skipped" not in done.stdout
    assert missing(shown_after("--laneproof-seed 7"), done.stdout) == []


def test_a_slot_with_link_errors_fails_where_the_link_is_judged(suite) -> None:
    done = printed_by(suite, "--laneproof-endpoint", "sim:link-errors#north")
    assert (done.returncode, done.stderr) == (1, "")
    failed = re.findall(r"^FAILED test_station\.py::(\w+)", done.stdout, re.MULTILINE)
    assert failed == [
        "test_the_slot_is_accepted",
        "test_a_load_causes_few_link_errors",
        "test_data_move_at_a_steady_rate",
    ]
    assert missing(shown_after("--laneproof-endpoint 'sim:link-errors#north' --laneproof-seed 7"), done.stdout) == []
