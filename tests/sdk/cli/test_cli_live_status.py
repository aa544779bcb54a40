"""The status file of a run: always whole, never in the run's way, and its last line says how it stands."""

from __future__ import annotations

import os
import re
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from laneproof.cli.live.status_file import StatusFile

Run = Callable[..., object]
SOAK = 'schema = 1\nname = "a soak"\n[[step]]\nkind = "link"\n[[step]]\nkind = "soak"\nduration = "{}"\n'


@pytest.fixture
def soak(tmp_path: Path) -> Path:
    """Of a simulated card: hours of virtual time, which are far more than a test takes."""
    path = tmp_path / "soak.toml"
    path.write_text(SOAK.format("60 h"))
    return path


def until(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.02)


def text_of(path: Path) -> str:
    return path.read_text("utf-8") if path.exists() else ""


@pytest.fixture
def running(script: Path, soak: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    command = [script, "run", soak, "--endpoint", "sim:demo#south", "--ledger", "run.ledger", "--status", "run.status"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        yield run
        run.kill()


def test_the_file_is_whole_whenever_it_is_read_and_ends_with_the_verdict(
    running: subprocess.Popen[str], tmp_path: Path
) -> None:
    path = tmp_path / "run.status"
    seen: list[str] = []
    until(lambda: bool(text_of(path)))
    end_s = time.monotonic() + 2.5
    while time.monotonic() < end_s:
        seen.append(path.read_text("utf-8"))
    assert len(set(seen)) >= 2
    for text in seen:
        assert text.startswith("laneproof run of a soak, ledger run.ledger\nrunning, ")
        assert text.endswith("\n")
        assert re.fullmatch(r"verdict so far: (none|pass)", text.splitlines()[-1])
    assert "south*" in seen[-1]
    assert "2/2 soak" in seen[-1]
    running.terminate()
    out, err = running.communicate(timeout=60)
    last = text_of(path).splitlines()[-1]
    assert last.startswith("verdict: inconc  (1 endpoint, ")
    assert last in out.splitlines()
    assert err == ""
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run.html", "run.ledger", "run.status", "soak.toml"]


def test_the_file_holds_no_control_characters_and_no_line_beyond_80_columns(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(
        'schema = 1\n[[endpoint]]\nuri = "sim:link-errors#north"\nname = "\\u001b[2J a name of more than one word"\n'
        '[[step]]\nkind = "link"\n'
    )
    assert laneproof("run", "plan.toml", "--status", "run.status").status == 1
    text = text_of(tmp_path / "run.status")
    assert text.replace("\n", "").isprintable()
    assert [line for line in text.splitlines() if len(line) > 80] == []
    assert text.splitlines()[-1].startswith("verdict: fail  (1 endpoint, ")


def test_a_run_that_is_killed_leaves_a_file_that_claims_no_verdict(
    running: subprocess.Popen[str], tmp_path: Path
) -> None:
    path = tmp_path / "run.status"
    until(lambda: "2/2 soak" in text_of(path))
    running.kill()
    running.wait()
    assert text_of(path).splitlines()[-1] == "verdict so far: pass"


def test_a_run_that_breaks_off_says_so(laneproof: Run, soak: Path, tmp_path: Path) -> None:
    (tmp_path / "run.ledger").write_text("mine")
    done = laneproof("run", soak, "--endpoint", "sim:demo#south", "--ledger", "run.ledger", "--status", "run.status")
    assert done.status == 4
    assert text_of(tmp_path / "run.status").splitlines()[-1].startswith("verdict: none  (the run broke off; ")


def test_a_status_file_of_an_earlier_run_is_replaced(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text('schema = 1\n[[step]]\nkind = "link"\n')
    for _ in range(2):
        assert laneproof("run", "plan.toml", "--endpoint", "sim:demo#south", "--status", "run.status").status == 0


@pytest.mark.parametrize("status", ["plan.toml", "run.ledger", "run.html", "run.json", "-", "mine", "folder", "fifo"])
def test_what_is_no_status_file_is_never_overwritten(laneproof: Run, tmp_path: Path, status: str) -> None:
    (tmp_path / "plan.toml").write_text('schema = 1\n[[step]]\nkind = "link"\n')
    (tmp_path / "mine").write_text("my notes")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "fifo")
    writer = os.open(tmp_path / "fifo", os.O_RDWR)
    before = {path.name for path in tmp_path.iterdir()}
    done = laneproof(
        "run", "plan.toml", "--endpoint", "sim:demo#south", "--ledger", "run.ledger", "--json", "run.json",
        "--status", status,
    )  # fmt: skip
    os.close(writer)
    assert (done.status, done.out, done.err.count("\n")) == (2, "", 1)
    assert done.err.startswith(f"laneproof: --status {status}")
    assert {path.name for path in tmp_path.iterdir()} == before
    assert (tmp_path / "mine").read_text() == "my notes"


def test_a_folder_that_is_not_there_is_one_line_before_anything_runs(laneproof: Run, tmp_path: Path) -> None:
    done = laneproof("run", "--endpoint", "sim:demo#south", "--ledger", "run.ledger", "--status", "none/run.status")
    assert (done.status, done.out, done.err.count("\n")) == (4, "", 1)
    assert done.err.startswith("laneproof: cannot write status file none/run.status: No such file or directory")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_can_be_written_no_more_is_said_once_and_found_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "disk"
    folder.mkdir()
    file = StatusFile(folder / "run.status", ["a plan"])
    file.write([], "verdict so far: none")
    folder.rename(tmp_path / "gone")
    for _ in range(3):
        file.write_or_say([], "verdict so far: pass")
    assert capsys.readouterr().err == (
        f"laneproof: status file {folder}/run.status cannot be written: No such file or directory; "
        "what it shows is old, and the run goes on\n"
    )
    (tmp_path / "gone").rename(folder)
    file.write_or_say([], "verdict: pass")
    assert text_of(folder / "run.status").endswith("verdict: pass\n")


def test_a_full_disk_under_the_status_file_does_not_touch_the_run(
    laneproof: Run, tmp_path: Path, tiny_disk: Path
) -> None:
    """tmpfs of Linux, of 64 KiB."""
    (tmp_path / "plan.toml").write_text(SOAK.format("300 ms"))
    status = tiny_disk / "run.status"
    filler = tiny_disk / "filler"

    def fill() -> None:
        until(status.exists)
        with filler.open("wb", buffering=0) as file:
            while True:
                try:
                    file.write(bytes(1024))
                except OSError:
                    return

    thread = threading.Thread(target=fill)
    thread.start()
    done = laneproof("run", "plan.toml", "--endpoint", "sim:demo#south", "--status", status, "--ledger", "run.ledger")
    thread.join()
    assert done.status == 0
    assert "verdict: pass" in done.out
    assert done.err == (
        f"laneproof: status file {status} cannot be written: No space left on device; "
        "what it shows is old, and the run goes on\n"
    )
    assert text_of(status).splitlines()[-1] == "verdict so far: none"
    assert sorted(path.name for path in tiny_disk.iterdir()) == ["filler", "run.status"]
