"""Where a slot runs: a thread for a simulated card, a process of its own for a physical one."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection

from laneproof.campaign.events import Event, Expecting, SlotFinished
from laneproof.campaign.results import Reason
from laneproof.campaign.slot_run import SlotJob, SlotRun, Stop
from laneproof.campaign.start import CommonStart
from laneproof.campaign.verdict import Verdict

STUCK_GRACE_S = 10.0
"""Real seconds beyond what a slot said a call may take, after which it counts as hung."""
KILL_GRACE_S = 2.0
"""Real seconds that a killed process is waited for; one that hangs in the kernel is left behind."""


class Place(ABC):
    """Where one slot's job runs. Events come through the function given, from any thread; the last is SlotFinished."""

    @abstractmethod
    def stop(self, rule: str = "") -> None:
        """Ask the slot to end, as `SlotRun.stop`; may be repeated."""

    @abstractmethod
    def look_after(self) -> None:
        """Called a few times a second: declare the slot finished if it hangs."""

    @abstractmethod
    def leave(self) -> None:
        """Clean up; what still hangs is left behind."""


class ThreadPlace(Place):
    def __init__(self, job: SlotJob, emit: Callable[[Event], None], start: CommonStart) -> None:
        self._run = SlotRun(job, emit, start)
        self._thread = threading.Thread(target=self._run.run, name=f"laneproof-{job.name}", daemon=True)
        self._thread.start()

    def stop(self, rule: str = "") -> None:
        self._run.stop(rule)

    def look_after(self) -> None:
        """A simulated card's deadlines pass in virtual time; it cannot hang on hardware."""

    def leave(self) -> None:
        self._thread.join(KILL_GRACE_S)


class ProcessPlace(Place):
    def __init__(self, job: SlotJob, emit: Callable[[Event], None]) -> None:
        self._name = job.name
        self._emit = emit
        self._lock = threading.Lock()
        self._finished = False
        self._stopped = False
        self._stuck = False
        self._until_s = time.monotonic() + STUCK_GRACE_S + 30.0
        ours, theirs = socket.socketpair()
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            # -P: a file in the current folder must not stand in for a module
            [sys.executable, "-P", "-m", "laneproof.campaign.worker", str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            stdout=2,  # a driver that prints must not write into our results
            process_group=0,  # Ctrl-C goes to the foreground group; the parent alone decides what it means
        )
        theirs.close()
        self._connection: Connection[SlotJob | Stop, Event] = Connection(ours.detach())
        with suppress(OSError):  # it has died already; the reader says how
            self._connection.send(job)
        self._reader = threading.Thread(target=self._read, name=f"laneproof-{job.name}", daemon=True)
        self._reader.start()

    def stop(self, rule: str = "") -> None:
        with self._lock:
            if self._finished or self._stopped:  # once is enough, and a process that hangs takes in no more
                return
            self._stopped = True
            self._until_s = min(self._until_s, time.monotonic() + STUCK_GRACE_S)
        with suppress(OSError):  # it is going already; the reader says how
            self._connection.send(Stop(rule))

    def look_after(self) -> None:
        with self._lock:
            self._stuck |= not self._finished and time.monotonic() > self._until_s
        if self._stuck:
            self._finish(
                Reason(
                    Verdict.ERROR,
                    "the slot's process hangs past its deadline and was left; look at the driver and the kernel log",
                )
            )

    def leave(self) -> None:
        try:
            self._process.wait(0 if self._stuck else KILL_GRACE_S)  # it has been told to stop, and closes its card
        except subprocess.TimeoutExpired:
            self._process.kill()
            try:
                self._process.wait(KILL_GRACE_S)
            except subprocess.TimeoutExpired:
                self._process.returncode = -signal.SIGKILL  # hangs in the kernel: nobody can wait for it
        self._reader.join(KILL_GRACE_S)
        self._connection.close()

    def _read(self) -> None:
        while True:
            try:
                event = self._connection.recv()
            except (EOFError, OSError):
                break
            except Exception as error:  # what a driver put into an event need not survive the way here
                self._finish(Reason(Verdict.ERROR, f"what the slot's process reports cannot be read: {error}"))
                return
            if isinstance(event, SlotFinished):
                self._finish(*event.reasons, interrupted=event.interrupted)
                return
            with self._lock:
                if self._finished:
                    return
                if isinstance(event, Expecting) and not self._stopped:
                    self._until_s = time.monotonic() + event.seconds + STUCK_GRACE_S
            self._emit(event)
        self._finish(_cause_of_death(self._process))

    def _finish(self, *reasons: Reason, interrupted: bool = False) -> None:
        with self._lock:
            if self._finished:
                return
            self._finished = True
        self._emit(SlotFinished(self._name, reasons, interrupted))


def _cause_of_death(process: subprocess.Popen[bytes]) -> Reason:
    try:
        status = process.wait(KILL_GRACE_S)
    except subprocess.TimeoutExpired:
        return Reason(Verdict.ERROR, "the slot's process closed its connection but goes on")
    if status == -signal.SIGBUS:
        return Reason(
            Verdict.INCONC,
            "the card was lost: its memory was gone when touched (SIGBUS); nothing shows that the link went down",
        )
    how = f"of signal {-status} ({signal.strsignal(-status)})" if status < 0 else f"with status {status}"
    return Reason(Verdict.ERROR, f"the slot's process died {how}; the other slots went on")
