"""Where a slot runs: a thread for a simulated card, a process of its own for a physical one."""

from __future__ import annotations

import os
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

from laneproof.campaign.crossing import Modules, modules_of
from laneproof.campaign.events import Event, Expecting, SlotFinished
from laneproof.campaign.meeting import Message
from laneproof.campaign.results import Reason
from laneproof.campaign.slot_job import SlotJob, Stop
from laneproof.campaign.slot_run import SlotRun
from laneproof.campaign.start import CommonStart
from laneproof.campaign.verdict import Verdict

STUCK_GRACE_S = 10.0
"""Real seconds beyond what a slot said a call may take, after which it counts as hung."""
KILL_GRACE_S = 2.0
"""Real seconds that a killed process is waited for; one that hangs in the kernel is left behind."""


class Place(ABC):
    """Where one slot's job runs. Events come through the function given, from any thread; the last is SlotFinished."""

    @abstractmethod
    def stop(self, rule: str = "", *, at_once: bool = False) -> None:
        """Ask the slot to end, as `SlotRun.stop`; may be repeated."""

    @abstractmethod
    def tell(self, message: Message) -> None:
        """Answer a slot that meets others."""

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

    def stop(self, rule: str = "", *, at_once: bool = False) -> None:
        self._run.stop(rule, at_once=at_once)

    def tell(self, message: Message) -> None:
        self._run.tell(message)

    def look_after(self) -> None:
        """A simulated card's deadlines pass in virtual time; it cannot hang on hardware."""

    def leave(self) -> None:
        self._thread.join(KILL_GRACE_S)


class NoPlace(Place):
    """For a slot that nothing could be started for, and why."""

    def __init__(self, job: SlotJob, emit: Callable[[Event], None], why: str) -> None:
        text = f"the slot's process could not be started: {why}; free what it lacks, and run it again"
        emit(SlotFinished(job.name, (Reason(Verdict.ERROR, text),)))

    def stop(self, rule: str = "", *, at_once: bool = False) -> None:
        """Nothing runs."""

    def tell(self, message: Message) -> None:
        """Nothing runs."""

    def look_after(self) -> None:
        """Nothing runs."""

    def leave(self) -> None:
        """Nothing is there."""


class ProcessPlace(Place):
    """Raises OSError where no process can be started."""

    def __init__(self, job: SlotJob, emit: Callable[[Event], None]) -> None:
        self._name = job.name
        self._emit = emit
        self._lock = threading.Lock()
        self._finished = False
        self._asked: Stop | None = None
        self._sending = threading.Lock()
        """Held while something is sent, and while the connection is closed."""
        self._stuck = False
        self._until_s = time.monotonic() + STUCK_GRACE_S + 30.0
        ours, theirs = socket.socketpair()
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                # -P: a file in the current folder must not stand in for a module
                [sys.executable, "-P", "-m", "laneproof.campaign.worker", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                stdout=2,  # a driver that prints must not write into our results
                process_group=0,  # Ctrl-C goes to the foreground group; the parent alone decides what it means
            )
        except BaseException:
            ours.close()
            raise
        finally:
            theirs.close()
        self._connection: Connection[Modules | SlotJob | Stop | Message, list[Event]] = Connection(ours.detach())
        with suppress(OSError):  # it has died already; the reader says how
            if (modules := modules_of(job.name, job.steps)) is not None:
                self._connection.send(modules)
            self._connection.send(job)
        self._reader = threading.Thread(target=self._read, name=f"laneproof-{job.name}", daemon=True)
        self._reader.start()

    def stop(self, rule: str = "", *, at_once: bool = False) -> None:
        """A slot that finishes its transfer has as long as it said; one that is interrupted, `STUCK_GRACE_S`."""
        with self._lock:
            before = self._asked
            # Once each: a process that hangs takes in no more.
            if self._finished or (before is not None and (before.at_once or not at_once)):
                return
            asked = self._asked = Stop(rule, at_once)
            if at_once:
                self._until_s = min(self._until_s, time.monotonic() + STUCK_GRACE_S)
        with self._sending, suppress(OSError):  # it is going already; the reader says how
            self._connection.send(asked)

    def tell(self, message: Message) -> None:
        with self._lock:
            if self._finished or self._asked is not None:  # it waits for no answer, and one that hangs takes in no more
                return
        with self._sending, suppress(OSError):  # as above
            self._connection.send(message)

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
        # The reader has to be gone before its descriptor: another file may get the number.
        with suppress(OSError), socket.socket(fileno=os.dup(self._connection.fileno())) as ours:
            ours.shutdown(socket.SHUT_RDWR)
        self._reader.join(2 * KILL_GRACE_S)  # it waits for the process, too
        if not self._reader.is_alive():
            with self._sending:
                self._connection.close()

    def _read(self) -> None:
        while True:
            try:
                events = self._connection.recv()
            except (EOFError, OSError):
                break
            except Exception as error:  # what a driver put into an event need not survive the way here
                self._finish(Reason(Verdict.ERROR, f"what the slot's process reports cannot be read: {error}"))
                return
            for event in events:
                self._take(event)
                if self._finished:
                    return
        self._finish(_cause_of_death(self._process))

    def _take(self, event: Event) -> None:
        if isinstance(event, SlotFinished):
            self._finish(*event.reasons, interrupted=event.interrupted)
            return
        with self._lock:
            if self._finished:
                return
            if isinstance(event, Expecting) and not (self._asked is not None and self._asked.at_once):
                self._until_s = time.monotonic() + event.seconds + STUCK_GRACE_S
        self._emit(event)

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
