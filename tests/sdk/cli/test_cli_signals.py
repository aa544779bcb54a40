"""Ctrl-C and SIGTERM: the first finishes transfers, the second interrupts them, the third waits for nothing."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import laneproof
from laneproof.campaign.ledger import read_ledger

PLAN = """\
schema = 1
[[step]]
kind = "integrity"
bytes = "64 KiB"
[[step]]
kind = "integrity"
bytes = "64 MiB"
block = "16 KiB"
timeout = "10 min"
[[step]]
kind = "soak"
"""
AT_ONCE_S = 5.0
"""Far below the ten minutes that the second step may take; far above what a busy machine needs to end a run."""
FINISHED_S = 30.0
"""Far below the 80 s that a slow echo needs for the second step."""
FINISHING = "finishing the transfers under way; Ctrl-C again stops at once\n"


@contextmanager
def running(script: Path, folder: Path, uri: str) -> Iterator[subprocess.Popen[str]]:
    """A run that is in its second step."""
    (folder / "plan.toml").write_text(PLAN)
    command = [script, "run", "plan.toml", "--endpoint", uri, "--ledger", "run.ledger", "--acknowledge-cautions"]
    with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        while steps_begun(folder / "run.ledger") != 2:
            assert run.poll() is None
            time.sleep(0.05)
        time.sleep(0.3)  # to move what can be moved
        yield run
        run.kill()


@pytest.fixture
def stalled(script: Path, tmp_path: Path, echo: Callable[..., str]) -> Iterator[subprocess.Popen[str]]:
    """A run that hangs in its second step, 1 MB into it."""
    with running(script, tmp_path, echo("--mode", "deaf", "--at", 1_000_000)) as run:
        yield run


def steps_begun(ledger: Path) -> int:
    try:
        database = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
        try:
            # A step is on record at once, and in the file within a second; the first one's end commits.
            return 2 if database.execute("SELECT count(verdict) FROM step").fetchone()[0] else 1
        finally:
            database.close()
    except sqlite3.Error:
        return 0


def worker_of(run: subprocess.Popen[str]) -> int:
    return int(Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text().split()[0])


def test_the_first_signal_finishes_the_transfer_under_way(
    script: Path, tmp_path: Path, echo: Callable[..., str]
) -> None:
    uri = echo("--mode", "slow")
    with running(script, tmp_path, uri) as run:
        sent_s = time.monotonic()
        run.send_signal(signal.SIGINT)
        out, err = run.communicate(timeout=60)
    assert time.monotonic() - sent_s < FINISHED_S
    assert (run.returncode, err) == (130, "")
    assert out.count(FINISHING) == 1
    result = read_ledger(tmp_path / "run.ledger")
    first, second = result.endpoints[0].steps
    assert (str(first.verdict), str(second.verdict), result.interrupted) == ("pass", "inconc", True)
    assert 0 < second.bytes_moved < 64 << 20
    assert second.bytes_moved == second.measures["bytes_expected"] == second.measures["bytes_received"]
    assert second.measures["mismatched_bits"] == 0
    assert not [event for event in result.endpoints[0].events if event["kind"] == "recovery"]
    with laneproof.open(uri, acknowledge_cautions=True) as card:  # nothing is left in it
        assert card.check("prbs31", 4096).ok


def test_the_first_signal_leaves_a_stalled_transfer_its_time_and_the_second_ends_it_at_once(
    stalled: subprocess.Popen[str], tmp_path: Path
) -> None:
    worker = worker_of(stalled)
    stalled.send_signal(signal.SIGTERM)
    with pytest.raises(subprocess.TimeoutExpired):
        stalled.wait(1)
    sent_s = time.monotonic()
    stalled.send_signal(signal.SIGINT)
    out, err = stalled.communicate(timeout=60)
    assert time.monotonic() - sent_s < AT_ONCE_S
    assert (stalled.returncode, err) == (130, "")
    assert not Path(f"/proc/{worker}").exists()
    result = read_ledger(tmp_path / "run.ledger")
    first, second = result.endpoints[0].steps
    assert result.interrupted
    assert result.finished_utc is not None
    assert (str(first.verdict), str(second.verdict)) == ("pass", "inconc")
    assert second.bytes_moved == 1_000_000 - 65536
    assert "interrupted; not run: soak" in result.endpoints[0].reasons[0].text
    assert "interrupted" in (tmp_path / "run.html").read_text()
    assert "verdict: inconc" in out


def test_the_third_signal_does_not_wait_for_a_slot_that_hangs(stalled: subprocess.Popen[str], tmp_path: Path) -> None:
    worker = worker_of(stalled)
    os.kill(worker, signal.SIGSTOP)
    for _ in range(2):
        stalled.send_signal(signal.SIGINT)
        with pytest.raises(subprocess.TimeoutExpired):
            stalled.wait(0.5)
    sent_s = time.monotonic()
    stalled.send_signal(signal.SIGINT)
    _, err = stalled.communicate(timeout=60)
    assert time.monotonic() - sent_s < AT_ONCE_S
    assert (stalled.returncode, err) == (130, "")
    assert not Path(f"/proc/{worker}").exists()
    result = read_ledger(tmp_path / "run.ledger")
    assert str(result.endpoints[0].steps[0].verdict) == "pass"
    assert str(result.verdict) == "inconc"
