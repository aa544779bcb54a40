"""`laneproof coverage`: what it prints and writes, its exit status, and what is no use of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any

import pytest

resource_tracker.ensure_running()  # it stays for as long as the process, and so do its descriptors

Run = Callable[..., Any]
PLAN = 'schema = 1\nname = "{}"\n[[step]]\nkind = "integrity"\npatterns = ["{}"]\nbytes = "64 KiB"\nblock = "{}"\n'


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cases run in this process: what processes do with them stands in the tests of insight."""
    monkeypatch.setattr("laneproof.insight.coverage.processes", lambda _: ThreadPoolExecutor(1))


@pytest.mark.usefixtures("here")
def test_a_plan_that_finds_all_it_should_ends_with_0(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "good.toml").write_text(PLAN.format("good", "prbs31", "16 KiB"))
    args = ("--only", "early-completion", "--only", "absent", "--seeds", "1", "--healthy", "1")
    done = laneproof("coverage", "good.toml", *args, "--json", "found.json")
    assert (done.status, done.err) == (0, "")
    assert [line for line in done.out.splitlines() if len(line) > 80] == []
    folded = " ".join(done.out.split())
    assert "early-completion every transfer 1/1 integrity" in folded
    assert "absent (no card): Without a card there is no traffic" in folded
    assert "on simulated faults, this catalogue: 4 of 4 detectable severities of 1 faults caught in every run" in folded
    found = json.loads((tmp_path / "found.json").read_text())
    assert (found["schema"], found["complete"], found["plan"], found["missed"]) == (1, True, "good", 0)
    assert found["caveat"].startswith("on simulated faults, this catalogue")


@pytest.mark.usefixtures("here")
def test_a_plan_that_misses_something_ends_with_1_and_says_what_would_find_it(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "weak.toml").write_text(PLAN.format("weak", "fixed", "16 KiB"))
    args = ("--only", "swapped-pages", "--tuning", "--seeds", "1", "--healthy", "0", "--json", "-")
    done = laneproof("coverage", "weak.toml", *args)
    assert done.status == 1
    found = json.loads(done.out)  # nothing else is on standard output
    assert {one["fault"] for one in found["suggestions"]} == {"swapped-pages"}
    assert not any(row["held_out"] for row in found["rows"])
    folded = " ".join(done.err.split())
    assert "MISSED" in folded
    assert 'swapped-pages, every transfer: step[0].patterns = ["prbs31", "fixed"] (1 run)' in folded
    assert "all of them together" in folded


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--seeds", "0"), '--seeds: "0" is no whole number from 1 to'),
        (("--healthy", "-1"), '--healthy: "-1" is no whole number from 0'),
        (("--workers", "x"), '--workers: "x" is no whole number'),
        (("--workers", "2", "--dask", "tcp://127.0.0.1:1"), "give one of them"),
        (("--only", "gremlins"), '--only: "gremlins" is no fault of the catalogue; known are bit-flips'),
        (("--catalogue", "other"), "no package brings the catalogue; installed: sim"),
        (("--bench", "none.toml"), "bench none.toml: No such file"),
        (("none.toml",), "plan none.toml: No such file"),
    ],
)
def test_wrong_use_is_one_line_and_status_2(laneproof: Run, args: tuple[str, ...], says: str) -> None:
    done = laneproof("coverage", *args)
    assert (done.status, done.out) == (2, "")
    assert says in done.err
    assert done.err.count("\n") == 1


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_it_with_what_is_known_and_leaves_no_process(script: Path, tmp_path: Path, number: int) -> None:
    (tmp_path / "plan.toml").write_text(PLAN.format("long", "prbs31", "16 KiB"))
    command = [script, "coverage", "plan.toml", "--workers", "1", "--only", "early-completion", "--healthy", "300"]
    # Its progress shows when the first run is done, so that the signal comes in the middle of the work.
    terminal, its = os.openpty()
    process = subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=its, start_new_session=True)
    os.close(its)
    shown = b""
    while b"3 of" not in shown:
        shown += os.read(terminal, 4096)
    os.killpg(process.pid, number) if number == signal.SIGINT else process.send_signal(number)
    out, _ = process.communicate(timeout=60)
    os.close(terminal)
    assert process.returncode == 130
    assert b"interrupted:" in out
    until_s = time.monotonic() + 10  # multiprocessing's own tracker ends once it sees that nobody is left
    while _group_lives(process.pid) and time.monotonic() < until_s:
        time.sleep(0.02)
    assert not _group_lives(process.pid)


def _group_lives(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.long
def test_the_built_in_plan_finds_every_detectable_fault_and_accuses_no_healthy_slot(
    laneproof: Run, tmp_path: Path
) -> None:
    """Prints the processors' time that the whole table takes: at most 240 s are two minutes on two cores."""
    before_s = sum(os.times()[:4])
    done = laneproof("coverage", "--json", "found.json")
    print(done.out)
    print(f"{sum(os.times()[:4]) - before_s:.0f} s of processors")
    found = json.loads((tmp_path / "found.json").read_text())
    assert [(row["fault"], row["severity"]) for row in found["rows"] if row["detectable"] and row["caught"] < 3] == []
    assert found["false_alarms"] == []
    assert found["healthy_runs"] >= 200
    assert done.status == 0


@pytest.mark.long
def test_a_weak_plans_gaps_are_closed_by_what_is_suggested(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "weak.toml").write_text(PLAN.format("weak", "fixed", "4 KiB"))
    done = laneproof("coverage", "weak.toml", "--seeds", "1", "--healthy", "3", "--json", "found.json")
    print(done.out)
    found = json.loads((tmp_path / "found.json").read_text())
    assert found["missed"] > 20
    assert found["together"]["caught"] == found["together"]["missed_before"] == found["missed"]
    assert found["together"]["false_alarms"] == []
    assert done.status == 1
