"""A tester that cannot run, by what really keeps it from running: other processes on its processor, and SIGSTOP."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from laneproof.campaign.events import Event, StepStarted
from laneproof.campaign.results import Findings, RunResult
from laneproof.campaign.starvation import Wakefulness

WATCH = """
import os, sys, time
from laneproof.campaign.starvation import Wakefulness
if sys.argv[1] == "one processor":
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
with Wakefulness() as awake:
    print("ready", flush=True)
    until_s = time.monotonic() + float(sys.argv[2])
    while time.monotonic() < until_s:
        if sys.argv[3] == "works":
            sum(range(10_000))
        else:
            time.sleep(0.01)
print(awake.lost_s, awake.starved, flush=True)
"""


def watching(where: str, seconds: float, what: str) -> subprocess.Popen[str]:
    process = subprocess.Popen([sys.executable, "-c", WATCH, where, str(seconds), what], stdout=-1, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def said(process: subprocess.Popen[str]) -> str:
    return process.communicate(timeout=30)[0]


def test_a_tester_with_others_on_its_processor_is_starved() -> None:
    first = min(os.sched_getaffinity(0))
    hog = f"import os; os.sched_setaffinity(0, {{{first}}})\nwhile True: pass"
    hogs = [subprocess.Popen([sys.executable, "-c", hog]) for _ in range(3)]
    try:
        assert "could not run" in said(watching("one processor", 1.5, "works"))
    finally:
        for one in hogs:
            one.kill()
            one.wait()


def test_a_tester_that_was_stopped_is_starved() -> None:
    process = watching("anywhere", 2.0, "sleeps")
    time.sleep(0.3)
    process.send_signal(signal.SIGSTOP)
    time.sleep(1.2)
    process.send_signal(signal.SIGCONT)
    lost_s, rest = said(process).split(" ", 1)
    assert float(lost_s) == pytest.approx(1.1, abs=0.5)
    assert "could not run" in rest


def test_a_tester_that_only_waits_for_its_card_is_not() -> None:
    with Wakefulness() as awake:
        time.sleep(1.0)
    assert awake.starved == ""


@pytest.mark.usefixtures("invented_cards")
@pytest.mark.parametrize(("stopped", "verdict"), [(False, "fail"), (True, "inconc")])
def test_a_stall_while_the_tester_was_stopped_accuses_nobody(
    run_plan: Callable[..., RunResult], stopped: bool, verdict: str
) -> None:
    steps = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\ntimeout = "2 s"\n'
    seen: list[Event] = []

    def watch(event: Event) -> None:
        seen.append(event)
        if isinstance(event, StepStarted) and stopped:
            (worker,) = workers_of(os.getpid())
            time.sleep(0.2)
            os.kill(worker, signal.SIGSTOP)
            time.sleep(3.0)
            os.kill(worker, signal.SIGCONT)

    (step,) = run_plan(steps, "physical:silent", watch=watch).endpoints[0].steps
    assert str(step.verdict) == verdict
    said = " ".join(reason.text for reason in step.reasons)
    assert "stalled" in said
    assert ("could not run" in said) == stopped


def workers_of(parent: int) -> list[int]:
    """The processes of slots, as /proc shows them."""
    found = []
    for status in Path("/proc").glob("[0-9]*/status"):
        with suppress(OSError):
            command = status.with_name("cmdline").read_bytes()
            if f"PPid:\t{parent}\n" in status.read_text() and b"laneproof.campaign.worker" in command:
                found.append(int(status.parent.name))
    return found


def test_only_what_took_too_long_is_doubted() -> None:
    findings = Findings()
    findings.passed("trained")
    findings.failed("slow", of_rate=True)
    findings.failed("wrong", of_data=True)
    findings.doubt_rates("busy")
    assert [str(reason.verdict) for reason in findings.reasons] == ["pass", "inconc", "fail", "inconc"]


def test_where_nothing_took_too_long_a_busy_tester_is_not_mentioned() -> None:
    findings = Findings()
    findings.passed("fast")
    findings.doubt_rates("busy")
    findings.doubt_stalls("busy")
    assert str(findings.verdict) == "pass"
