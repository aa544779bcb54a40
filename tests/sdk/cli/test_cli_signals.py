"""Ctrl-C and SIGTERM: the first ends a run in good order, the second at once."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from laneproof.campaign.ledger import read_ledger

STALLING = """\
schema = 1
[[step]]
kind = "integrity"
bytes = "64 KiB"
[[step]]
kind = "integrity"
bytes = "16 MiB"
timeout = "10 min"
[[step]]
kind = "soak"
"""
AT_ONCE_S = 5.0
"""Far below the ten minutes that the stalled call has left; far above what a busy machine needs to end a run."""


@pytest.fixture
def stalled(script: Path, tmp_path: Path, echo: Callable[..., str]) -> Iterator[subprocess.Popen[str]]:
    """A run that hangs in its second step, 1 MB into it."""
    (tmp_path / "plan.toml").write_text(STALLING)
    uri = echo("--mode", "deaf", "--at", 1_000_000)
    command = [script, "run", "plan.toml", "--endpoint", uri, "--ledger", "run.ledger", "--acknowledge-cautions"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        while steps_begun(tmp_path / "run.ledger") != 2:
            assert run.poll() is None
            time.sleep(0.05)
        time.sleep(0.3)  # to move what can be moved
        yield run
        run.kill()


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


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_first_signal_ends_a_stalled_run_at_once_and_keeps_what_was_measured(
    stalled: subprocess.Popen[str], tmp_path: Path, number: signal.Signals
) -> None:
    worker = worker_of(stalled)
    sent_s = time.monotonic()
    stalled.send_signal(number)
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


def test_the_second_signal_does_not_wait_for_a_slot_that_hangs(stalled: subprocess.Popen[str], tmp_path: Path) -> None:
    worker = worker_of(stalled)
    os.kill(worker, signal.SIGSTOP)
    stalled.send_signal(signal.SIGINT)
    with pytest.raises(subprocess.TimeoutExpired):
        stalled.wait(1)
    sent_s = time.monotonic()
    stalled.send_signal(signal.SIGINT)
    _, err = stalled.communicate(timeout=60)
    assert time.monotonic() - sent_s < AT_ONCE_S
    assert (stalled.returncode, err) == (130, "")
    assert not Path(f"/proc/{worker}").exists()
    result = read_ledger(tmp_path / "run.ledger")
    assert str(result.endpoints[0].steps[0].verdict) == "pass"
    assert str(result.verdict) == "inconc"
