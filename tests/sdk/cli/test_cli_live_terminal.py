"""A run on a real pseudo-terminal: drawn over itself, resized, without colour, interrupted, and gone."""

from __future__ import annotations

import os
import pty
import re
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from fcntl import ioctl
from pathlib import Path
from select import select

import pytest

from laneproof.campaign.ledger import read_ledger

SOAK = 'schema = 1\n[[step]]\nkind = "link"\n[[step]]\nkind = "soak"\nduration = "60 h"\n'
CONTROLS = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")
CLEAR = b"\x1b[2J"
SHOW_CURSOR, HIDE_CURSOR = b"\x1b[?25h", b"\x1b[?25l"


class Terminal:
    """A run that has a terminal for itself, as from a shell: its input, its output, and whom Ctrl-C goes to."""

    def __init__(self, command: list[object], folder: Path, before: Callable[[], object], **environment: str) -> None:
        self.ours, theirs = pty.openpty()
        self.resize(80)
        self.written = b""

        def take() -> None:
            ioctl(0, termios.TIOCSCTTY, 0)
            before()

        known = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES", "NO_COLOR")}
        self.run = subprocess.Popen(
            list(map(str, command)), cwd=folder, stdin=theirs, stdout=theirs, stderr=theirs,
            env={**known, "TERM": "xterm", **environment}, start_new_session=True, preexec_fn=take,
        )  # fmt: skip
        os.close(theirs)

    def resize(self, columns: int) -> None:
        ioctl(self.ours, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))

    def press(self, keys: bytes) -> None:
        os.write(self.ours, keys)

    def read_until(self, wanted: bytes, after: bytes = b"") -> None:
        """Read until `wanted` has come, behind the last `after`."""
        end_s = time.monotonic() + 15.0
        while wanted not in self.written[self.written.rfind(after) if after else 0 :]:
            assert time.monotonic() < end_s, self.written[-2000:]
            if select([self.ours], [], [], 0.1)[0]:
                self.written += os.read(self.ours, 65536)

    def ends(self) -> int:
        """Read on to the end; the exit status."""
        try:
            while data := os.read(self.ours, 65536):
                self.written += data
        except OSError:
            pass  # EIO: the other end was closed, as on Linux
        return self.run.wait(60)

    def hang_up(self) -> None:
        os.close(self.ours)
        self.ours = -1


Start = Callable[..., Terminal]


@pytest.fixture
def start(script: Path, tmp_path: Path) -> Iterator[Start]:
    """Starts a soak of a simulated card that ends only if told to."""
    (tmp_path / "soak.toml").write_text(SOAK)
    made: list[Terminal] = []

    def run(*, before: Callable[[], object] = lambda: None, **environment: str) -> Terminal:
        command = [script, "run", "soak.toml", "--endpoint", "sim:demo#south", "--ledger", "run.ledger"]
        made.append(Terminal(command, tmp_path, before, **environment))
        return made[-1]

    yield run
    for terminal in made:
        terminal.run.kill()
        terminal.run.wait()
        if terminal.ours >= 0:
            terminal.hang_up()


def test_ctrl_c_ends_the_run_in_good_order_and_gives_the_terminal_back(start: Start, tmp_path: Path) -> None:
    terminal = start()
    terminal.read_until(b"2/2 soak")
    terminal.press(b"\x03")
    assert terminal.ends() == 130
    assert terminal.written.rfind(SHOW_CURSOR) > terminal.written.rfind(HIDE_CURSOR) >= 0
    assert (
        len(
            re.findall(
                rb"^verdict: inconc  \(1 endpoint, \d+ bits came back; interrupted\)",
                CONTROLS.sub(b"", terminal.written),
                re.M,
            )
        )
        == 1
    )
    result = read_ledger(tmp_path / "run.ledger")
    assert result.interrupted
    assert result.finished_utc is not None
    assert [str(step.verdict) for step in result.endpoints[0].steps] == ["pass", "inconc"]
    assert "interrupted" in (tmp_path / "run.html").read_text()


def test_ctrl_c_twice_gives_the_terminal_back_too(start: Start, tmp_path: Path) -> None:
    terminal = start()
    terminal.read_until(b"2/2 soak")
    terminal.press(b"\x03")
    time.sleep(0.3)
    with suppress(OSError):  # it may have ended by then
        terminal.press(b"\x03")
    assert terminal.ends() in (130, -signal.SIGINT)  # for which a shell says 130 too: it was leaving already
    assert b"Traceback" not in terminal.written
    assert terminal.written.rfind(SHOW_CURSOR) > terminal.written.rfind(HIDE_CURSOR)
    assert str(read_ledger(tmp_path / "run.ledger").endpoints[0].steps[0].verdict) == "pass"


def test_a_terminal_that_becomes_narrower_is_cleared_and_drawn_anew_in_its_width(start: Start) -> None:
    terminal = start()
    terminal.read_until(b"2/2 soak")
    assert b"exposure" in terminal.written
    terminal.resize(40)
    terminal.read_until(CLEAR)
    terminal.read_until(b"2/2 soak", after=CLEAR)
    terminal.press(b"\x03")
    assert terminal.ends() == 130
    drawn = terminal.written[terminal.written.rfind(CLEAR) :].partition(SHOW_CURSOR)[0]
    lines = re.split(r"[\r\n]+", CONTROLS.sub(b"", drawn).replace(b"^C", b"").decode())
    assert max(map(len, lines)) <= 40
    assert "exposure" not in "".join(lines)


def test_one_request_that_arrives_twice_is_one(start: Start) -> None:
    """coreutils' `timeout` signals its child, and then the group that the child is in."""
    terminal = start()
    terminal.read_until(b"2/2 soak")
    os.kill(terminal.run.pid, signal.SIGTERM)
    time.sleep(0.02)
    os.killpg(terminal.run.pid, signal.SIGTERM)
    assert terminal.ends() == 130
    assert b"interrupted)" in terminal.written  # the line of the result, which a run that stops at once does not reach


def test_without_colour_nothing_is_coloured_and_the_verdict_is_a_word(start: Start) -> None:
    terminal = start(NO_COLOR="1")
    terminal.read_until(b"2/2 soak")
    terminal.press(b"\x03")
    terminal.ends()
    colours = re.findall(rb"\x1b\[(?:[0-9;]*;)?(?:3[0-8]|4[0-8]|9[0-7])(?:;[0-9;]*)?m", terminal.written)
    assert colours == []
    assert re.search(rb"2/2 soak .* pass", terminal.written)


def test_a_dumb_terminal_gets_lines_alone(start: Start) -> None:
    terminal = start(TERM="dumb")
    terminal.read_until(b"south: link: pass")
    terminal.press(b"\x03")
    assert terminal.ends() == 130
    shown = terminal.written.replace(b"\r\n", b"").replace(b"^C", b"").decode()
    assert shown.isprintable()


def test_an_encoding_that_lacks_a_letter_breaks_nothing_off(start: Start) -> None:
    terminal = start(PYTHONIOENCODING="ascii")
    terminal.read_until(b"2/2 soak")
    terminal.press(b"\x03")
    assert terminal.ends() == 130
    assert terminal.written.isascii()
    assert b"Traceback" not in terminal.written


@pytest.mark.parametrize("force", ["FORCE_COLOR", "TTY_COMPATIBLE"])
def test_into_a_file_nothing_is_drawn_over_whatever_the_environment_asks_for(
    script: Path, tmp_path: Path, force: str
) -> None:
    (tmp_path / "plan.toml").write_text('schema = 1\n[[step]]\nkind = "link"\n')
    done = subprocess.run(
        [script, "run", "plan.toml", "--endpoint", "sim:demo#south"],
        cwd=tmp_path, capture_output=True, check=True, env={**os.environ, "TERM": "xterm", force: "1"},
    )  # fmt: skip
    assert {control for control in CONTROLS.findall(done.stdout) if not control.endswith(b"m")} == set()
    assert b"south: link: pass" in done.stdout


def test_a_terminal_that_is_closed_ends_the_run_in_good_order(start: Start, tmp_path: Path) -> None:
    """The kernel sends SIGHUP to whom the terminal belongs, and every write to it fails from then on."""
    terminal = start()
    terminal.read_until(b"2/2 soak")
    terminal.hang_up()
    terminal.run.wait(60)
    result = read_ledger(tmp_path / "run.ledger")
    assert result.interrupted
    assert [str(step.verdict) for step in result.endpoints[0].steps] == ["pass", "inconc"]


def test_a_run_that_is_to_outlive_its_terminal_does(start: Start, tmp_path: Path) -> None:
    terminal = start(before=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN))
    terminal.read_until(b"2/2 soak")
    terminal.hang_up()
    with pytest.raises(subprocess.TimeoutExpired):
        terminal.run.wait(0.7)
    terminal.run.terminate()
    terminal.run.wait(60)
    assert read_ledger(tmp_path / "run.ledger").interrupted
