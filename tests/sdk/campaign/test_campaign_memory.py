"""Ten minutes of real time over echoing pseudo-terminals: the memory of the run's processes does not grow.

What counts is the resident set as the kernel shows it (VmRSS in /proc/PID/status, proc(5)), of the parent and of each
slot's process.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest

from laneproof.campaign.ledger import read_ledger, verify

pytestmark = pytest.mark.long

MINUTES = 10
WARM_UP = 0.1
"""Of the time, in which caches and kernels settle."""
GROWTH_MIB = 5.0
LOOK_EVERY_S = 1.0
ECHO = Path(__file__).parents[2] / "drivers_shim" / "echo_process.py"
PLAN = 'schema = 1\n[[step]]\nkind = "soak"\nduration = "{minutes} min"\nportion = "256 KiB"\n'


@contextmanager
def echoes(count: int) -> Iterator[list[str]]:
    """The URIs of so many cards, each an echo behind a pseudo-terminal in a process of its own."""
    with ExitStack() as stack:
        uris: list[str] = []
        for _ in range(count):
            echo = stack.enter_context(subprocess.Popen([sys.executable, ECHO], stdout=subprocess.PIPE, text=True))
            stack.callback(echo.kill)
            assert echo.stdout is not None
            uris.append(f"chardev:{echo.stdout.readline().strip()}")
        yield uris


def resident_mib(pid: int) -> float:
    (line,) = (line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024


def processes(parent: int) -> list[int]:
    """The parent, and the slots' processes that any of its threads has started."""
    tasks = Path(f"/proc/{parent}/task").iterdir()
    return [parent, *(int(child) for task in tasks for child in (task / "children").read_text().split())]


def growth_mib(seen: Sequence[float]) -> float:
    """From the first tenth after the warm-up to the last: medians, so that no single reading decides."""
    tenth = max(1, len(seen) // 10)
    warm = seen[int(WARM_UP * len(seen)) :]
    return statistics.median(warm[-tenth:]) - statistics.median(warm[:tenth])


@pytest.mark.timeout(60 * MINUTES + 300)
def test_ten_minutes_take_no_more_memory_than_one(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plan.toml").write_text(PLAN.format(minutes=MINUTES))
    script = Path(sys.executable).with_name("laneproof")
    seen: dict[int, list[float]] = {}
    with echoes(2) as uris:
        cards = [part for uri in uris for part in ("--endpoint", uri)]
        run = subprocess.Popen(
            [script, "run", "plan.toml", *cards, "--ledger", "run.ledger", "--acknowledge-cautions"],
            cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        while run.poll() is None:
            with suppress(FileNotFoundError, ProcessLookupError, ValueError):  # one has just ended
                for pid in processes(run.pid):
                    seen.setdefault(pid, []).append(resident_mib(pid))
            time.sleep(LOOK_EVERY_S)
        out, _ = run.communicate()
    assert verify(tmp_path / "run.ledger").broken_at is None
    steps = [endpoint.steps[0] for endpoint in read_ledger(tmp_path / "run.ledger").endpoints]
    grown = {pid: growth_mib(readings) for pid, readings in seen.items()}
    with capfd.disabled():
        for number, (pid, readings) in enumerate(seen.items()):
            who = f"slot {number}" if number else "parent"
            print(f"\n{who}: {statistics.median(readings):.1f} MiB, grew by {grown[pid]:+.2f} MiB", end="")
        print("".join(f"\n{reason.text}" for step in steps for reason in step.reasons if "load: " in reason.text))
    assert len(grown) == 3, out
    assert max(grown.values()) <= GROWTH_MIB
    for step in steps:
        assert step.measures["seconds"] == pytest.approx(60 * MINUTES, abs=10), out
        assert step.measures["mismatched_bits"] == 0
        steadiness = step.measures["steadiness"]
        assert steadiness["windows"] * steadiness["window_s"] == pytest.approx(60 * MINUTES, rel=0.02)
