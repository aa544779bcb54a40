"""Where output goes: 80 columns into pipes, a live table on a terminal, and one line when it can go nowhere."""

from __future__ import annotations

import os
import pty
import re
import resource
import struct
import subprocess
import termios
from collections.abc import Callable
from fcntl import ioctl
from pathlib import Path

import pytest

Run = Callable[..., object]
COLUMNS = 80
PLAN = 'schema = 1\nname = "a plan"\n[[step]]\nkind = "link"\n[[step]]\nkind = "soak"\nbytes = "{}"\n'


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.format("1 MiB"))
    return path


@pytest.mark.parametrize(
    "arguments",
    [
        ["run", "--endpoint", "sim:link-errors#north", "--endpoint", "sim:lost-unseen#north"],
        ["run", "--endpoint", "sim:flipping-card#north", "--endpoint", "sim:empty-slot#north"],
        ["run", "--endpoint", "chardev:/dev/none"],
        ["run", "--check"],
        ["endpoints"],
        ["survey"],
        ["decode", Path(__file__).parents[2] / "fixtures" / "config" / "e1000e_aer.bin"],
    ],
    ids=lambda arguments: " ".join(map(str, arguments[:1])),
)
def test_in_a_pipe_no_line_is_longer_than_80_columns_and_none_holds_control_characters(
    laneproof: Run, arguments: list[object]
) -> None:
    out = laneproof(*arguments).out
    assert out
    assert [line for line in out.splitlines() if len(line) > COLUMNS] == []
    assert out.replace("\n", "").isprintable()


@pytest.mark.usefixtures("invented_cards")
def test_what_a_card_says_of_itself_does_not_act_on_the_terminal(laneproof: Run, plan: Path, tmp_path: Path) -> None:
    done = laneproof("run", plan, "--endpoint", "imitated:hostile", "--json", "run.json", "--ledger", "run.ledger")
    assert done.status == 0
    assert done.out.replace("\n", "").isprintable()
    assert "\x1b" not in (tmp_path / "run.json").read_text()
    assert "\x1b" not in (tmp_path / "run.html").read_text()


def test_a_scenarios_own_text_stands_in_the_report_and_does_not_act(laneproof: Run, plan: Path, tmp_path: Path) -> None:
    scenario = """
schema = 1
name = "hostile"
invented = "invented"
description = "a card that calls itself what it should not"
[[slot]]
name = "north"
wiring = 4
near = {{ max_speed = "8 GT/s", max_width = 4, max_payload = "256 B" }}
card = {{ max_speed = "8 GT/s", max_width = 4, max_payload = "256 B", model = "{}", serial = "1" }}
"""
    for name, model in {"markup": "<script>alert(1)</script>", "escape": "\\u001b[31mred"}.items():
        (tmp_path / f"{name}.toml").write_text(scenario.format(model))
    done = laneproof("run", plan, "--endpoint", "sim:./markup.toml#north", "--ledger", "run.ledger")
    assert done.status == 0
    assert "Card: &lt;script&gt;alert(1)&lt;/script&gt;, serial 1" in (tmp_path / "run.html").read_text()
    done = laneproof("run", plan, "--endpoint", "sim:./escape.toml#north", "--ledger", "other.ledger")
    assert (done.status, done.out) == (2, "")
    assert done.err.rstrip("\n").isprintable()


def screen(written: bytes) -> list[str]:
    """What a terminal shows after `written`: the controls of ECMA-48 that move or erase, others refused."""
    rows, row, column = [""], 0, 0
    for part in re.findall(r"\x1b\[[0-9;?]*[A-Za-z]|.|\n", written.decode(), re.DOTALL):
        if part == "\r":
            column = 0
        elif part == "\n":
            row += 1
            rows += [""] * (row - len(rows) + 1)
        elif part.startswith("\x1b"):
            count = int(part[2:-1]) if part[2:-1].isdigit() else 1
            if part.endswith("A"):
                row = max(0, row - count)
            elif part == "\x1b[2K":
                rows[row] = ""
            else:
                assert part.endswith("m") or part in ("\x1b[?25l", "\x1b[?25h"), part
        else:
            assert part.isprintable(), part
            rows[row] = rows[row].ljust(column)[:column] + part + rows[row][column + 1 :]
            column += 1
    return [text.rstrip() for text in rows]


def on_terminal(command: list[object], cwd: Path, columns: int) -> tuple[int, bytes]:
    """Runs a command on a terminal of that many columns; its exit status and all that it wrote there."""
    ours, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = {**os.environ, "TERM": "xterm"}
    for name in ("COLUMNS", "LINES", "NO_COLOR"):
        environment.pop(name, None)
    with subprocess.Popen(
        list(map(str, command)), cwd=cwd, stdin=theirs, stdout=theirs, stderr=theirs, env=environment
    ) as process:
        os.close(theirs)
        written = b""
        try:
            while data := os.read(ours, 65536):
                written += data
        except OSError:
            pass  # EIO: the other end was closed, as on Linux
        finally:
            os.close(ours)
    return process.returncode, written


def test_on_a_terminal_progress_is_live_and_leaves_a_clean_screen(script: Path, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(PLAN.format("256 MiB"))
    status, written = on_terminal([script, "run", "plan.toml", "--endpoint", "sim:demo#south"], tmp_path, COLUMNS)
    assert status == 0
    assert b"2/2 soak" in written
    shown = screen(written)
    assert not any("2/2 soak" in line or line.startswith("running") for line in shown)
    assert sum(line.startswith("verdict: pass") for line in shown) == 1
    assert written.rstrip().count(b"\x1b[?25l") == written.count(b"\x1b[?25h")
    assert max(map(len, shown)) <= COLUMNS


@pytest.mark.parametrize("columns", [0, 1, 20, 40])
def test_a_narrow_terminal_folds_lines_and_loses_none(script: Path, plan: Path, tmp_path: Path, columns: int) -> None:
    status, written = on_terminal([script, "run", plan, "--endpoint", "sim:demo#south"], tmp_path, columns)
    assert status == 0
    assert "verdict:pass" in "".join(screen(written)).replace(" ", "")


@pytest.mark.parametrize("arguments", [["run", "--check"], ["survey"], ["endpoints"], ["guide", "plans"]])
def test_a_reader_that_goes_away_is_no_verdict_and_no_traceback(
    script: Path, tmp_path: Path, arguments: list[str]
) -> None:
    ours, theirs = os.pipe()
    os.close(ours)
    done = subprocess.run([script, *arguments], cwd=tmp_path, stdout=theirs, stderr=subprocess.PIPE, check=False)
    os.close(theirs)
    assert (done.returncode, done.stderr) == (4, b"")


def test_a_run_whose_reader_goes_away_ends_with_what_it_had(script: Path, plan: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        f"{script} run {plan} --endpoint sim:demo#south --ledger run.ledger | head -1; echo ${{PIPESTATUS[0]}}",
        cwd=tmp_path, shell=True, executable="/bin/bash", capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.stdout.splitlines()[0], done.stderr) == ("south: link: pass", "")
    assert done.stdout.splitlines()[1] != "1"  # which would say that the slot failed


@pytest.mark.parametrize("arguments", [["run", "--check"], ["decode", "image"], ["guide", "plans"], ["endpoints"]])
def test_a_full_standard_output_is_one_line_and_status_4(script: Path, tmp_path: Path, arguments: list[str]) -> None:
    image = Path(__file__).parents[2] / "fixtures" / "config" / "edu.bin"
    (tmp_path / "image").write_bytes(image.read_bytes())
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [script, *arguments], cwd=tmp_path, stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 4
    assert done.stderr == "laneproof: cannot write output: No space left on device\n"


def test_closed_outputs_do_no_harm(script: Path, plan: Path, tmp_path: Path) -> None:
    command = f"exec {script} run {plan} --endpoint sim:demo#south --ledger run.ledger >&- 2>&-"
    assert subprocess.run(["/bin/sh", "-c", command], cwd=tmp_path, check=False).returncode == 0
    assert (tmp_path / "run.ledger").read_bytes().startswith(b"SQLite format 3\0")


def test_a_full_disk_is_one_line_and_status_4(laneproof: Run, plan: Path, tiny_disk: Path) -> None:
    (tiny_disk / "filler").write_bytes(bytes(60_000))
    done = laneproof("run", plan, "--endpoint", "sim:demo#south", "--ledger", tiny_disk / "run.ledger")
    assert (done.status, done.out) == (4, "")
    assert done.err.startswith(f"laneproof: cannot create ledger {tiny_disk}/run.ledger: ")
    assert done.err.count("\n") == 1
    assert [path.name for path in tiny_disk.iterdir()] == ["filler"]


def test_a_disk_too_full_for_the_report_still_keeps_the_ledger_and_says_where(
    laneproof: Run, plan: Path, tmp_path: Path, tiny_disk: Path
) -> None:
    assert laneproof("run", plan, "--endpoint", "sim:demo#south", "--ledger", "run.ledger").status == 0
    (tiny_disk / "filler").write_bytes(bytes(60_000))
    done = laneproof("report", "run.ledger", "--output", tiny_disk / "report.html")
    assert (done.status, done.out) == (4, "")
    assert done.err.startswith(f"laneproof: cannot write report {tiny_disk}/report.html: No space left on device; ")
    assert [path.name for path in tiny_disk.iterdir()] == ["filler"]


def test_a_report_that_cannot_be_written_leaves_a_ledger_whose_place_was_said(
    script: Path, plan: Path, tmp_path: Path
) -> None:
    (tmp_path / "run.html").mkdir()
    done = subprocess.run(
        [script, "run", plan, "--endpoint", "sim:demo#south", "--ledger", "run.ledger"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 4
    assert "ledger  run.ledger\n" in done.stdout
    assert done.stderr == "laneproof: cannot write report run.html: Is a directory; nothing was left there\n"


def test_a_limit_on_file_sizes_is_told_like_a_full_disk(script: Path, plan: Path, tmp_path: Path) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = subprocess.run(
        [script, "run", plan, "--endpoint", "sim:demo#south", "--ledger", "run.ledger"],
        cwd=tmp_path, preexec_fn=limit, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 4
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("laneproof: cannot ")
