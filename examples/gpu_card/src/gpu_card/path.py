"""Transfers through the GPU's memory: up by one copy engine, down by another, as many at once as there are slots.

A transfer with both sides gets its own bytes back. What is only sent stays in the card's memory, in order, until
something is only received; a message that is longer than what receives it goes on in the next.
"""

from __future__ import annotations

import ctypes
import threading
from collections import deque
from collections.abc import Callable, Sequence
from ctypes import c_void_p
from typing import Literal

import numpy as np
from attrs import define

from gpu_card.library import Library
from gpu_card.memory import LockedMemory
from laneproof.clock import Deadline
from laneproof.contract import Completion, QueuedPath
from laneproof.errors import BadInput, DeviceLost, EndpointBusy, LaneproofError

_SPINS = 2000
"""How often `reap` looks before it sleeps between looks: a small transfer takes some microseconds."""
_LOOK_S = 50e-6
_STAGE_NBYTES = 1 << 20
"""The least that is locked at a time for buffers that are not, since locking takes long."""


@define(eq=False)
class _Slot:
    """A stretch of the card's memory for one message; `arrived` marks when it is all there."""

    memory: int
    arrived: c_void_p
    nbytes: int = 0
    taken: int = 0


@define(eq=False)
class _Stage:
    """Page-locked memory of the path's own, for buffers that are not."""

    view: memoryview
    address: int


@define(eq=False)
class _Side:
    """A host buffer, and where the card finds its bytes."""

    view: memoryview
    address: int
    stage: _Stage | None


@define(eq=False)
class _Job:
    ticket: int
    out: _Side | None
    into: _Side | None
    done: c_void_p | None = None
    """Recorded once its copies are queued; None before."""
    received: int = 0
    frees: _Slot | None = None
    """The slot that is empty once it is done."""


class CopyEnginePath(QueuedPath):
    """`slots` messages of at most `max_transfer` bytes each."""

    def __init__(self, library: Library, enter: Callable[[], None], slots: int, max_transfer: int) -> None:
        self._library, self._enter = library, enter
        self._most, self._max_transfer = slots, max_transfer
        self._lock = threading.Lock()
        self._up, self._down = library.stream(), library.stream()
        self._free = deque(_Slot(library.card_memory(max_transfer), library.event()) for _ in range(slots))
        self._all = tuple(self._free)
        self._events = [library.event() for _ in range(slots)]
        self._messages: deque[_Slot] = deque()
        self._waiting_out: deque[_Job] = deque()
        self._waiting_into: deque[_Job] = deque()
        self._running: list[_Job] = []
        self._stages: list[_Stage] = []
        self.memory = LockedMemory(library, enter, self._uses)
        self._closed = False

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if out is None and into is None:
            raise BadInput("a transfer with neither side moves nothing; give out, into or both")
        if out is not None and out.nbytes > self._max_transfer:
            raise BadInput(f"{out.nbytes} bytes are more than a transfer's {self._max_transfer}")
        self._enter()
        with self._lock:
            jobs = [*self._running, *self._waiting_out, *self._waiting_into]
            if len(jobs) >= self._most or any(job.ticket == ticket for job in jobs):
                raise BadInput(f"{len(jobs)} transfers are out, ticket {ticket} cannot join them; reap one first")
            job = _Job(ticket, self._side(out, fill=True), self._side(into, fill=False))
            (self._waiting_out if out is not None else self._waiting_into).append(job)
            self._start()

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        self._enter()
        looks = 0
        while True:
            with self._lock:
                self._start()
                done = self._finished()
            if done or deadline.expired:
                return done
            deadline.check()
            looks += 1
            if looks > _SPINS:
                deadline.pause(_LOOK_S)

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self._enter()
        with self._lock:
            stopped = [
                Completion(ticket=job.ticket, sent=0, received=0, status="stopped", why="the engine was stopped first")
                for job in (*self._waiting_out, *self._waiting_into)
            ]
            for job in (*self._waiting_out, *self._waiting_into):
                self._drop(job)
            self._waiting_out.clear()
            self._waiting_into.clear()
        while True:
            try:
                with self._lock:
                    stopped += self._finished()
                    if not self._running:
                        return stopped
            except DeviceLost as lost:
                return stopped + self._give_up("failed", str(lost))
            if deadline.expired:
                return stopped + self._give_up("held", "the copy engine had not finished")
            deadline.pause(_LOOK_S)

    def discard(self) -> None:
        """Forget messages that nobody received, as a data reset does. Raises EndpointBusy."""
        with self._lock:
            if self._running or self._waiting_out or self._waiting_into:
                raise EndpointBusy("transfers are out; stop the engine before its memory is reset")
            self._free.extend(self._messages)
            self._messages.clear()

    def close(self) -> bool:
        """Wait for what is under way, and give everything back. False where that was done before."""
        with self._lock:
            if self._closed:
                return False
            self._closed = True
        self._enter()
        library = self._library
        for end in (
            *(lambda stream=stream: library.end_stream(stream) for stream in (self._up, self._down)),
            *(lambda event=event: library.end_event(event) for event in self._events),
            *(lambda slot=slot: library.end_event(slot.arrived) for slot in self._all),
            *(lambda slot=slot: library.free_card(slot.memory) for slot in self._all),
            self.memory.close,
        ):
            try:
                end()
            except LaneproofError:  # the device is gone, and with it all that was to be given back
                continue
        return True

    # --- with the lock held

    def _start(self) -> None:
        while self._waiting_out and self._free:
            job = self._waiting_out.popleft()
            slot, out = self._free.popleft(), job.out
            assert out is not None
            slot.nbytes, slot.taken = out.view.nbytes, 0
            self._library.to_card(slot.memory, out.address, slot.nbytes, self._up)
            self._library.record(slot.arrived, self._up)
            if job.into is not None:
                self._bring_down(job, slot, job.into)
            else:
                self._messages.append(slot)
                self._mark(job, self._up)
        while self._waiting_into and self._messages:
            job = self._waiting_into.popleft()
            assert job.into is not None
            slot = self._messages[0]
            self._bring_down(job, slot, job.into)
            if slot.taken == slot.nbytes:
                self._messages.popleft()

    def _bring_down(self, job: _Job, slot: _Slot, into: _Side) -> None:
        nbytes = min(into.view.nbytes, slot.nbytes - slot.taken)
        self._library.follow(self._down, slot.arrived)
        self._library.from_card(into.address, slot.memory + slot.taken, nbytes, self._down)
        slot.taken += nbytes
        job.received = nbytes
        if job.out is not None or slot.taken == slot.nbytes:
            job.frees = slot
        self._mark(job, self._down)

    def _mark(self, job: _Job, stream: c_void_p) -> None:
        job.done = self._events.pop()
        self._library.record(job.done, stream)
        self._running.append(job)

    def _finished(self) -> list[Completion]:
        done = [job for job in self._running if job.done is not None and self._library.passed(job.done)]
        for job in done:
            self._running.remove(job)
            if job.into is not None and job.into.stage is not None:
                job.into.view[: job.received] = job.into.stage.view[: job.received]
            if job.frees is not None:
                self._free.append(job.frees)
            assert job.done is not None
            self._events.append(job.done)
            self._drop(job)
        return [
            Completion(ticket=job.ticket, sent=job.out.view.nbytes if job.out else 0, received=job.received)
            for job in done
        ]

    def _give_up(self, status: Literal["failed", "held"], why: str) -> list[Completion]:
        with self._lock:
            jobs, self._running = self._running, []
        return [Completion(ticket=job.ticket, sent=0, received=0, status=status, why=why) for job in jobs]

    def _side(self, view: memoryview | None, *, fill: bool) -> _Side | None:
        if view is None:
            return None
        address = np.frombuffer(view, np.uint8).ctypes.data
        if self.memory.holds(address, view.nbytes):
            return _Side(view, address, None)
        fitting = [stage for stage in self._stages if len(stage.view) >= view.nbytes]
        stage = fitting[0] if fitting else self._new_stage(view.nbytes)
        self._stages = [other for other in self._stages if other is not stage]
        if fill:
            ctypes.memmove(stage.address, address, view.nbytes)
        return _Side(view, stage.address, stage)

    def _new_stage(self, nbytes: int) -> _Stage:
        region = self.memory.allocate(max(nbytes, _STAGE_NBYTES))
        return _Stage(region.view, np.frombuffer(region.view, np.uint8).ctypes.data)

    def _drop(self, job: _Job) -> None:
        for side in (job.out, job.into):
            if side is not None and side.stage is not None:
                self._stages.append(side.stage)

    def _uses(self, start: int, stop: int) -> bool:
        with self._lock:
            jobs = [*self._running, *self._waiting_out, *self._waiting_into]
            return any(
                side is not None and start <= side.address < stop for job in jobs for side in (job.out, job.into)
            )
