"""Runs that are killed at random moments, and what their ledgers then hold: nothing damaged, at most a second lost.

The witness is the echo card itself, in the test's own process: it notes when each byte came back. Nothing of what is
judged here comes from the run that was killed.
"""

from __future__ import annotations

import html
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from attrs import define, field

from laneproof.campaign import runner
from laneproof.campaign.ledger import mark, read_ledger, verify
from laneproof.campaign.results import RunResult
from laneproof.errors import StorageFault

PORTION = 4096
PACE_S = 0.06
"""Seconds between two portions while the run is to last."""
LOST_S = 1.0
SOAK = 'schema = 1\n[[step]]\nkind = "soak"\nbytes = "{kib} KiB"\nportion = "4 KiB"\n'


@define
class Witness:
    """An echo behind a UNIX-domain socket that notes, for its present connection, how much had come back when."""

    path: Path
    paced: bool = True
    log: list[tuple[float, int]] = field(factory=list[tuple[float, int]])
    begun: threading.Event = field(factory=threading.Event)
    late_s: float = 0.0
    """How late this process was woken at most: what a busy machine may have kept the run waiting too."""

    def serve(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            self.log, total = [(time.monotonic(), 0)], 0
            with connection, suppress(ConnectionError):
                while data := connection.recv(65536):
                    self.wait()
                    connection.sendall(data)
                    total += len(data)
                    self.log.append((time.monotonic(), total))
                    self.begun.set()

    def wait(self) -> None:
        if self.paced:
            from_s = time.monotonic()
            time.sleep(PACE_S)
            self.late_s = max(self.late_s, time.monotonic() - from_s - PACE_S)

    def lost_s(self, kept: int, killed_s: float) -> float:
        """Seconds before the kill from which on bytes had come back that are not among the first `kept`."""
        # The portion under way may have come back without having been verified.
        missing = [when for when, total in self.log if total - PORTION > kept]
        return max(0.0, killed_s - min(missing, default=killed_s))


@pytest.fixture
def witness(tmp_path: Path) -> Iterator[Witness]:
    listener = socket.socket(socket.AF_UNIX)
    made = Witness(tmp_path / "card")
    listener.bind(str(made.path))
    listener.listen(1)
    thread = threading.Thread(target=made.serve, args=(listener,))
    thread.start()
    yield made
    listener.shutdown(socket.SHUT_RDWR)
    listener.close()
    thread.join()


def start(*arguments: object, cwd: Path) -> subprocess.Popen[bytes]:
    script = Path(sys.executable).with_name("laneproof")
    command = [script, "run", *arguments, "--acknowledge-cautions"]
    return subprocess.Popen(list(map(str, command)), cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def kill(run: subprocess.Popen[bytes]) -> float:
    """Kills it; returns when. Comes back once the slot's own process, which holds its output too, has ended."""
    killed_s = time.monotonic()
    run.kill()
    run.communicate()
    return killed_s


def kept_in(ledger: Path, segment: int) -> int:
    database = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    (kept,) = database.execute("SELECT coalesce(sum(bytes), 0) FROM sample WHERE segment = ?", (segment,)).fetchone()
    database.close()
    return kept


def killed_again_and_again(witness: Witness, folder: Path, kills: int, seed: int) -> tuple[RunResult, list[float]]:
    """A soak that is killed so many times at random moments and resumed each time, then to its end."""
    chance = random.Random(seed)
    kib = 112 * kills  # more than comes back at that pace before the last kill
    (folder / "plan.toml").write_text(SOAK.format(kib=kib))
    ledger = folder / "run.ledger"
    lost: list[float] = []
    arguments: tuple[object, ...] = ("plan.toml", "--endpoint", f"chardev:{witness.path}", "--ledger", ledger)
    known = -1
    for _ in range(kills):
        witness.begun.clear()
        witness.late_s = 0.0
        asked = datetime.now(UTC)
        died = datetime.fromisoformat(read_ledger(ledger).segments[-1].last_utc) if ledger.exists() else asked
        run = start(*arguments, cwd=folder)
        if known < 0 or chance.random() < 0.8:
            assert witness.begun.wait(60)
            time.sleep(chance.uniform(0.0, 1.5))
        else:  # as it starts: while it opens the ledger, or says in it that it goes on
            time.sleep(chance.uniform(0.0, 1.0))
        lasted = run.poll() is None
        killed_s = kill(run)
        assert lasted, "the run ended before it was killed"
        result = read_ledger(ledger)
        assert verify(ledger).broken_at is None
        if len(result.segments) - 1 > known:
            known = len(result.segments) - 1
            lost.append(witness.lost_s(kept_in(ledger, known), killed_s))
            assert lost[-1] <= LOST_S + witness.late_s, f"seed {seed}: lost {lost[-1]:.2f} s in segment {known}"
            gap_s = result.segments[-1].gap_s
            if known:
                assert gap_s is not None
                least = (asked - died).total_seconds()
                assert least - 0.01 <= gap_s <= least + 60
                assert result.segments[-2].ended == "cut off"
        arguments = ("--resume", ledger)
    witness.paced = False
    run = start("--resume", ledger, cwd=folder)
    _, err = run.communicate(timeout=100)
    assert err == b""
    result = read_ledger(ledger)
    (step,) = result.endpoints[0].steps
    assert result.segments[-1].ended == "finished"
    assert step.measures["bytes_checked"] == kib << 10
    assert step.measures["mismatched_bits"] == 0
    assert sum(kept_in(ledger, segment) for segment in range(len(result.segments))) == kib << 10
    report = html.unescape(ledger.with_suffix(".html").read_text())
    assert [segment.beginning for segment in result.segments[1:] if segment.beginning not in report] == []
    return result, lost


def test_a_run_that_is_killed_again_and_again_loses_at_most_a_second_and_gets_to_its_end(
    witness: Witness, tmp_path: Path
) -> None:
    result, lost = killed_again_and_again(witness, tmp_path, kills=4, seed=1)
    assert len(result.segments) > len(lost) >= 2
    # What a cut cost of the link's counters is said; the data's claim is whole.
    (step,) = result.endpoints[0].steps
    assert any("all 448 KiB came back unchanged" in reason.text for reason in step.reasons)


@pytest.mark.long
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", range(10))
def test_two_hundred_kills_lose_at_most_a_second_each(
    witness: Witness, tmp_path: Path, seed: int, capfd: pytest.CaptureFixture[str]
) -> None:
    _, lost = killed_again_and_again(witness, tmp_path, kills=20, seed=seed)
    with capfd.disabled():
        print(f"\n20 kills, {len(lost)} of them in a segment of its own: lost {max(lost):.2f} s at most")


def test_a_run_that_stood_still_for_longer_than_a_deadline_goes_on_and_its_ledger_is_whole(
    witness: Witness, tmp_path: Path
) -> None:
    (tmp_path / "plan.toml").write_text(SOAK.format(kib=128))
    ledger = tmp_path / "run.ledger"
    run = start("plan.toml", "--endpoint", f"chardev:{witness.path}", "--ledger", ledger, cwd=tmp_path)
    assert witness.begun.wait(60)
    os.kill(run.pid, signal.SIGSTOP)
    time.sleep(2.0)  # two commits are due
    mark(ledger, "stands still")  # no transaction is open while it does
    os.kill(run.pid, signal.SIGCONT)
    witness.paced = False
    _, err = run.communicate(timeout=100)
    assert err == b""
    result = read_ledger(ledger)
    assert verify(ledger).broken_at is None
    assert [marker.text for marker in result.markers] == ["stands still"]
    assert (result.segments[0].ended, result.endpoints[0].steps[0].measures["bytes_checked"]) == ("finished", 128 << 10)


def test_two_processes_cannot_write_one_run(witness: Witness, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(SOAK.format(kib=4096))
    ledger = tmp_path / "run.ledger"
    run = start("plan.toml", "--endpoint", f"chardev:{witness.path}", "--ledger", ledger, cwd=tmp_path)
    assert witness.begun.wait(60)
    other = start("--resume", ledger, cwd=tmp_path)
    _, err = other.communicate(timeout=60)
    kill(run)
    assert other.returncode == 4
    assert err.decode() == (
        f"laneproof: ledger {ledger}: another process is writing it; let that run end, or stop it, first\n"
    )
    assert len(read_ledger(ledger).segments) == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="mounts a disk that is small, which only root can")
def test_a_disk_that_is_full_is_one_line_and_the_run_goes_on_once_there_is_room(
    witness: Witness, tmp_path: Path
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=640k", "none", disk], check=True)
    try:
        (tmp_path / "plan.toml").write_text(SOAK.format(kib=128))
        ledger = disk / "run.ledger"
        run = start("plan.toml", "--endpoint", f"chardev:{witness.path}", "--ledger", ledger, cwd=tmp_path)
        assert witness.begun.wait(60)
        while not kept_in(ledger, 0):
            time.sleep(0.05)
        with suppress(OSError), (disk / "ballast").open("wb", buffering=0) as ballast:
            while True:
                ballast.write(bytes(4096))
        _, err = run.communicate(timeout=60)
        assert run.returncode == 4
        assert err.decode().startswith(f"laneproof: cannot write ledger {ledger}: ")
        assert err.count(b"\n") == 1
        kept = read_ledger(ledger)
        assert verify(ledger).broken_at is None
        assert kept.interrupted
        before = kept_in(ledger, 0)
        (disk / "ballast").unlink()
        witness.paced = False
        again = start("--resume", ledger, cwd=tmp_path)
        again.communicate(timeout=60)
        result = read_ledger(ledger)
        assert result.endpoints[0].steps[0].measures["bytes_checked"] == 128 << 10
        assert result.segments[-1].ended == "finished"
        assert kept_in(ledger, 0) == before > 0
    finally:
        subprocess.run(["umount", disk], check=True)


FULL = """
import pathlib, sqlite3, sys
from laneproof.campaign import plan, runner
from laneproof.campaign.ledger import log
from laneproof.errors import StorageFault
connect = log._connect
def small(path):
    database = connect(path)
    database.execute("PRAGMA max_page_count = 80")
    return database
log._connect = small
steps = [{"kind": "integrity", "bytes": "4 KiB"}] * 200
soak = plan.parse({"schema": 1, "endpoint": [{"uri": "sim:demo#south"}], "step": steps}, "plan")
try:
    runner.run(soak, pathlib.Path("l"))
except StorageFault as error:
    sys.exit(str(error))
"""


def test_a_database_that_may_grow_no_more_ends_the_run_in_good_order(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", FULL], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stderr.startswith("cannot write ledger l: database or disk is full; ")
    assert done.stderr.count("\n") == 1
    result = read_ledger(tmp_path / "l")
    assert verify(tmp_path / "l").broken_at is None
    assert result.endpoints[0].steps[0].bytes_moved > 0
    assert str(result.verdict) == "inconc"


def test_a_database_too_small_to_begin_leaves_no_run(tmp_path: Path) -> None:
    code = FULL.replace("max_page_count = 80", "max_page_count = 7")
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stderr.startswith("cannot write ledger l: database or disk is full; ")
    assert done.stderr.count("\n") == 1
    with pytest.raises(StorageFault, match=r"ledger .*l holds no run"):
        read_ledger(tmp_path / "l")


@pytest.mark.usefixtures("invented_cards")
def test_a_slot_whose_process_died_of_a_bus_error_is_over_and_not_resumed(
    run_plan: Callable[..., RunResult], tmp_path: Path
) -> None:
    result = run_plan('[[step]]\nkind = "integrity"\nbytes = "256 KiB"\n', "physical:bus-error,65536")
    assert str(result.verdict) == "inconc"
    assert verify(tmp_path / "run.ledger").broken_at is None
    with pytest.raises(StorageFault, match="the run has finished, nothing is left to resume"):
        runner.resume(tmp_path / "run.ledger")
