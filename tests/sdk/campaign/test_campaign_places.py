"""Where slots run: a physical one in a process of its own, which may die, hang or babble without harm to the others."""

from __future__ import annotations

import errno
import os
import queue
import signal
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from laneproof.campaign import places
from laneproof.campaign import plan as plans
from laneproof.campaign.events import Event, Progress, SlotFinished
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.slot_job import SlotJob
from laneproof.integrity import kernels

pytestmark = pytest.mark.usefixtures("invented_cards")
INTEGRITY = '[[step]]\nkind = "integrity"\nbytes = "256 KiB"\n'
SOAK = '[[step]]\nkind = "soak"\nduration = "1 h"\nportion = "64 KiB"\n'
RunPlan = Callable[..., RunResult]


def reasons(endpoint: EndpointResult) -> str:
    return "\n".join(f"{reason.verdict}: {reason.text}" for reason in endpoint.reasons)


def workers() -> list[int]:
    """The processes of slots that this process has started."""
    pids: list[int] = []
    for task in Path(f"/proc/{os.getpid()}/task").iterdir():
        with suppress(FileNotFoundError, ProcessLookupError):  # a thread may end while we look
            pids += [int(pid) for pid in (task / "children").read_text().split()]
    found: list[int] = []
    for pid in pids:
        with suppress(FileNotFoundError, ProcessLookupError):
            if b"laneproof.campaign.worker" in Path(f"/proc/{pid}/cmdline").read_bytes():
                found.append(pid)
    return found


class OnceMoving:
    """Calls a function with the slot's process id once its step moves bytes; ends the run after the other slot."""

    def __init__(self, act: Callable[[int], None]) -> None:
        self.stop = threading.Event()
        self.finished: list[str] = []
        self._act: Callable[[int], None] | None = act

    def __call__(self, event: Event) -> None:
        if isinstance(event, Progress) and event.slot.startswith("physical") and self._act is not None:
            (pid,) = workers()
            self._act(pid)
            self._act = None
        if isinstance(event, SlotFinished):
            self.finished.append(event.slot)


def test_a_physical_slot_runs_in_a_process_of_its_own(run_plan: RunPlan, echo: Callable[..., str]) -> None:
    seen: list[int] = []

    def watch(event: Event) -> None:
        seen.extend(workers())

    result = run_plan(INTEGRITY, echo(), watch=watch)
    assert str(result.verdict) == "pass"
    assert len(set(seen)) == 1
    assert seen[0] != os.getpid()
    assert workers() == []


def test_a_simulated_slot_starts_no_process(run_plan: RunPlan) -> None:
    seen: list[int] = []
    run_plan(INTEGRITY, "sim:demo#south", watch=lambda _: seen.extend(workers()))
    assert seen == []


def test_a_process_that_is_killed_is_that_slots_error_and_the_others_go_on(run_plan: RunPlan) -> None:
    watch = OnceMoving(lambda pid: os.kill(pid, signal.SIGKILL))
    result = run_plan(SOAK, "physical:slow", "sim:drops-off#north", watch=watch)
    killed, other = result.endpoints
    assert str(killed.verdict) == "error"
    assert "error: the slot's process died of signal 9 (Killed)" in reasons(killed)
    assert str(other.verdict) == "fail"


def test_a_bus_error_is_a_card_lost_without_evidence(run_plan: RunPlan) -> None:
    result = run_plan(INTEGRITY, "physical:bus-error,65536", "sim:demo#south")
    lost, other = result.endpoints
    assert str(lost.verdict) == "inconc"
    assert "the card was lost: its memory was gone when touched (SIGBUS)" in reasons(lost)
    assert str(other.verdict) == "pass"


def test_a_driver_that_ends_its_process_is_told(run_plan: RunPlan) -> None:
    (endpoint,) = run_plan(INTEGRITY, "physical:exits").endpoints
    assert "error: the slot's process died with status 3" in reasons(endpoint)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(places, "STUCK_GRACE_S", 0.5)
    monkeypatch.setattr(places, "KILL_GRACE_S", 0.5)


@pytest.mark.usefixtures("impatient")
def test_a_process_that_hangs_is_declared_stuck_and_left(run_plan: RunPlan) -> None:
    watch = OnceMoving(lambda pid: os.kill(pid, signal.SIGSTOP))
    timed = '[[step]]\nkind = "integrity"\nbytes = "1 MiB"\nblock = "64 KiB"\ntimeout = "1 s"\n'
    result = run_plan(timed, "physical:slow", "sim:demo#south", watch=watch)
    stuck, other = result.endpoints
    assert str(stuck.verdict) == "error"
    assert "the slot's process hangs past its deadline and was left" in reasons(stuck)
    assert str(stuck.steps[0].verdict) == "inconc"
    assert str(other.verdict) == "pass"
    assert workers() == []


@pytest.mark.usefixtures("impatient")
def test_a_slot_that_does_not_obey_a_stop_is_left(run_plan: RunPlan) -> None:
    def stop_it(pid: int) -> None:
        os.kill(pid, signal.SIGSTOP)
        watch.stop.set()

    watch = OnceMoving(stop_it)
    started_s = time.monotonic()
    (endpoint,) = run_plan(SOAK, "physical:slow", watch=watch, stop=watch.stop, at_once=watch.stop).endpoints
    assert "hangs past its deadline" in reasons(endpoint)
    assert time.monotonic() - started_s < 20


@pytest.mark.usefixtures("impatient")
def test_telling_a_slot_that_hangs_to_stop_never_blocks_however_often() -> None:
    plan = plans.parse({"schema": 1, **tomllib.loads(SOAK)}, "plan").over(["physical:slow"])
    job = SlotJob(name="physical", number=0, planned=plan.endpoint[0], steps=plan.step, seed=0)
    events: queue.Queue[Event] = queue.Queue()
    place = places.ProcessPlace(job, events.put)
    try:
        while not isinstance(events.get(timeout=60), Progress):
            pass
        os.kill(workers()[0], signal.SIGSTOP)
        for at_once in (False, True):
            for _ in range(5_000):
                place.stop(at_once=at_once)
    finally:
        place.leave()
    assert workers() == []


def test_a_stop_ends_a_physical_slot_with_what_it_had_measured(run_plan: RunPlan) -> None:
    watch = OnceMoving(lambda _: watch.stop.set())
    result = run_plan(SOAK, "physical:slow", watch=watch, stop=watch.stop)
    (step,) = result.endpoints[0].steps
    assert (str(step.verdict), result.interrupted) == ("inconc", True)
    assert any(reason.text.startswith("interrupted after ") for reason in step.reasons)
    assert step.bytes_moved > 0


def test_a_transfer_that_cannot_be_finished_ends_by_its_own_deadline(
    run_plan: RunPlan, echo: Callable[..., str]
) -> None:
    stop = threading.Event()

    def watch(event: Event) -> None:
        if isinstance(event, Progress):
            stop.set()

    short = '[[step]]\nkind = "integrity"\nbytes = "64 MiB"\nblock = "16 KiB"\ntimeout = "1 s"\n'
    result = run_plan(short + SOAK, echo("--mode", "stall", "--at", 200_000), watch=watch, stop=stop)
    (step,) = result.endpoints[0].steps
    said = " ".join(reason.text for reason in step.reasons)
    assert "stalled" in said
    starved = "could not run" in said  # as may be, where the tests have too few processors
    assert (str(step.verdict), result.interrupted) == ("inconc" if starved else "fail", True)
    assert any("the transfer stalled" in reason.text for reason in step.reasons)


def test_a_connection_is_closed_only_after_the_thread_that_reads_it_has_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A descriptor that is closed under its reader may be another file's by the time that this reads on."""
    plan = plans.parse({"schema": 1, **tomllib.loads(SOAK)}, "plan").over(["physical:sleeps"])
    job = SlotJob(name="physical", number=0, planned=plan.endpoint[0], steps=plan.step, seed=0)
    place = places.ProcessPlace(job, lambda _: None)
    process, reader, connection = place._process, place._reader, place._connection  # type: ignore[attr-defined]
    read_on: list[bool] = []
    close = connection.close

    def note_and_close() -> None:
        read_on.append(reader.is_alive())
        close()

    monkeypatch.setattr(connection, "close", note_and_close)
    # As one that hangs in the kernel: it cannot be killed, and holds its end open.
    monkeypatch.setattr(places, "KILL_GRACE_S", 0.05)
    monkeypatch.setattr(process, "kill", lambda: None)
    try:
        place.leave()
        place.stop()  # nobody listens any more; that is no error
        assert read_on == [False]
    finally:
        os.kill(process.pid, signal.SIGKILL)
        os.waitpid(process.pid, 0)


def test_a_slot_for_which_no_process_can_be_started_is_that_slots_error(
    run_plan: RunPlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    monkeypatch.setattr(places.subprocess, "Popen", fail)
    result = run_plan(INTEGRITY, "physical:healthy", "sim:demo#south")
    none, other = result.endpoints
    assert "error: the slot's process could not be started: Resource temporarily unavailable" in reasons(none)
    assert str(other.verdict) == "pass"


def test_a_display_that_breaks_ends_the_slots_too(run_plan: RunPlan) -> None:
    def watch(event: Event) -> None:
        if isinstance(event, Progress):
            raise ZeroDivisionError("a display's own mistake")

    with pytest.raises(ZeroDivisionError):
        run_plan(SOAK, "physical:slow", watch=watch)
    assert workers() == []


def test_what_a_driver_prints_does_not_reach_standard_output(
    run_plan: RunPlan, capfd: pytest.CaptureFixture[str]
) -> None:
    assert str(run_plan(INTEGRITY, "physical:talkative").verdict) == "pass"
    out, err = capfd.readouterr()
    assert out == ""
    assert "a driver that prints\nand writes\n" in err


def test_a_file_in_the_current_folder_does_not_stand_in_for_a_module(
    run_plan: RunPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "a lab's scripts"
    folder.mkdir()
    for name in ("socket", "queue", "attrs", "laneproof"):
        (folder / f"{name}.py").write_text("raise SystemExit('the wrong module')\n")
    monkeypatch.chdir(folder)
    assert str(run_plan(INTEGRITY, "physical:healthy").verdict) == "pass"


def test_when_the_run_dies_its_slots_end(tmp_path: Path) -> None:
    code = (
        "import pathlib, tomllib; from laneproof.campaign import plan, runner\n"
        f"text = {SOAK!r}\n"
        "soak = plan.parse({'schema': 1, **tomllib.loads(text)}, 'plan').over(['physical:sleeps'])\n"
        "runner.run(soak, pathlib.Path('l'), watch=lambda event: print(type(event).__name__, flush=True))\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "Expecting\n"
        time.sleep(0.2)  # by now the driver hangs in a call, and nothing more will be sent from there
        run.kill()
        assert run.communicate(timeout=20)[1] == ""  # the slot's process holds this open; it ends without a word


def test_ctrl_c_reaches_the_run_and_not_its_slots(tmp_path: Path) -> None:
    """A terminal sends SIGINT to the whole foreground group, whatever each process is doing by then."""
    code = (
        "import pathlib, signal, threading, tomllib; from laneproof.campaign import plan, runner\n"
        "stop = threading.Event()\n"
        "signal.signal(signal.SIGINT, lambda *_: stop.set())\n"
        f"soak = plan.parse({{'schema': 1, **tomllib.loads({SOAK!r})}}, 'plan').over(['physical:slow'])\n"
        "ready = threading.Timer(0.05, print, ['ready'], {'flush': True})\n"
        "ready.start()\n"
        "print(runner.run(soak, pathlib.Path('l'), stop=stop).verdict)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "ready\n"  # the slot's process is still importing
        os.killpg(run.pid, signal.SIGINT)
        out, err = run.communicate()
    assert (out, err) == ("inconc\n", "")


@pytest.mark.parametrize(("limit", "name"), [('duration = "0.2 s"', "numba"), ('bytes = "256 KiB"', "numpy")])
def test_a_long_step_on_a_physical_card_begins_with_the_compiled_kernels(
    run_plan: RunPlan, monkeypatch: pytest.MonkeyPatch, limit: str, name: str
) -> None:
    monkeypatch.delenv(kernels.VARIABLE, raising=False)
    (endpoint,) = run_plan(f'[[step]]\nkind = "soak"\nportion = "64 KiB"\n{limit}\n', "physical:healthy").endpoints
    assert endpoint.steps[0].measures["kernels"] == name
