"""Moves bytes over a `QueuedPath`: tickets out, completions back.

A check and a loopback keep as many under way as the queue is deep; send and receive_into one each.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Generator, Iterable
from contextlib import contextmanager, suppress

from attrs import define

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Completion, Limits, QueuedPath
from laneproof.errors import DriverFault, LaneproofError, OutOfStep, TransferTimeout
from laneproof.integrity import Comparison
from laneproof.moving.blocks import CheckJob, Tally, aligned, largest_piece, spare
from laneproof.moving.mover import Mover, in_driver

_QUIESCE_S = 5.0


@define
class _Lane:
    """Memory of one transfer under way, and the block that it carries."""

    out: memoryview
    into: memoryview
    number: int = 0


class QueueMover(Mover):
    """One thread reaps at a time and hands the others their completions."""

    def __init__(self, path: QueuedPath, limits: Limits) -> None:
        self._path = path
        self._limits = limits
        self._tickets = itertools.count(1)
        self._room = threading.Semaphore(limits.queue_depth)
        self._state = threading.Condition()
        self._out: dict[int, tuple[int, int]] = {}
        self._completed: dict[int, Completion] = {}
        self._reaping = False

    def send(self, out: memoryview, deadline: Deadline) -> int:
        return self._one_way(out, deadline, sending=True)

    def receive_into(self, into: memoryview, deadline: Deadline) -> int:
        return self._one_way(into, deadline, sending=False)

    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        step = largest_piece(self._limits)
        sent = received = 0
        stopped = False
        waiting: set[int] = set()
        with self._tidy(waiting, deadline):
            for start in range(0, len(out), step):
                piece = slice(start, start + step)
                waiting.add(self._submit(out[piece], into[piece], deadline))
                last = start + step >= len(out)
                while waiting and (last or len(waiting) == self._limits.queue_depth):
                    done = self._await(waiting, deadline)
                    if not done:
                        stopped, done = True, self._stop_all(waiting, deadline)
                    for completion in done:
                        if not stopped:
                            _require_success(completion)
                        sent += completion.sent
                        received += completion.received
                if stopped:
                    break
        return sent, received

    def check(self, job: CheckJob, deadline: Deadline) -> Comparison:
        tally = Tally(job)
        waiting: set[int] = set()
        try:
            with self._tidy(waiting, deadline):
                self._run_blocks(job, tally, waiting, deadline)
        except LaneproofError as error:
            error.so_far = tally.result()
            raise
        return tally.result()

    def drain(self, deadline: Deadline) -> int:
        completions = self._quiesce(deadline)
        return sum(completion.received for completion in completions)

    def _run_blocks(self, job: CheckJob, tally: Tally, waiting: set[int], deadline: Deadline) -> None:
        free = [self._lane(job) for _ in range(min(job.depth, self._limits.queue_depth, job.blocks))]
        under_way: dict[int, _Lane] = {}
        numbers = iter(range(job.blocks))
        while not tally.stalled:
            while free and (number := next(numbers, None)) is not None:
                lane = free.pop()
                lane.number = number
                ticket = self._send_block(job, lane, deadline)
                under_way[ticket] = lane
                waiting.add(ticket)
            if not under_way:
                return
            done = self._await(waiting, deadline)
            if not done:
                tally.stall()
                done = self._stop_all(waiting, deadline)
            for completion in done:
                lane = under_way.pop(completion.ticket)
                self._take_in(job, tally, lane, completion)
                free.append(lane)

    def _lane(self, job: CheckJob) -> _Lane:
        alignment = self._limits.alignment
        return _Lane(aligned(job.block, alignment), aligned(job.block + spare(self._limits), alignment))

    def _send_block(self, job: CheckJob, lane: _Lane, deadline: Deadline) -> int:
        size = job.size(lane.number)
        out = lane.out[:size]
        into = lane.into[: size + spare(self._limits)]
        job.fill(lane.number, out)
        job.prefill(lane.number, into)
        return self._submit(out, into, deadline)

    def _take_in(self, job: CheckJob, tally: Tally, lane: _Lane, completion: Completion) -> None:
        if not tally.stalled:
            _require_success(completion)
        elif completion.status == "held":
            return  # what the hardware may still write to is no evidence
        size = job.size(lane.number)
        if completion.received:
            tally.block(lane.number, lane.into[: min(size, completion.received)])
        tally.surplus(max(0, completion.received - size))

    def _one_way(self, view: memoryview, deadline: Deadline, *, sending: bool) -> int:
        moved = 0
        waiting: set[int] = set()
        with self._tidy(waiting, deadline):
            while moved < len(view):
                piece = view[moved : moved + largest_piece(self._limits)]
                out, into = (piece, None) if sending else (None, piece)
                waiting.add(self._submit(out, into, deadline, moved))
                done = self._await(waiting, deadline)
                for completion in done:
                    _require_success(completion)
                    if completion.status == "stopped":
                        raise OutOfStep("stopped when another call on this channel failed; call recover() first")
                done = done or self._stop_all(waiting, deadline)
                got = sum(completion.sent + completion.received for completion in done)
                moved += got
                if got < len(piece):
                    break
        return moved

    @contextmanager
    def _tidy(self, waiting: set[int], deadline: Deadline) -> Generator[None]:
        """Stop the engine if a call ends with tickets still out, so that no buffer is touched afterwards."""
        try:
            yield
        except BaseException:
            with suppress(LaneproofError, OSError):  # what went wrong first is what counts
                self._stop_all(waiting, deadline)
            raise
        if waiting:
            self._stop_all(waiting, deadline)

    def _submit(self, out: memoryview | None, into: memoryview | None, deadline: Deadline, moved: int = 0) -> int:
        while not self._room.acquire(timeout=SLICE_S):
            deadline.check()
            if deadline.expired:
                raise TransferTimeout("the queue had no room before the deadline", moved=moved)
        ticket = next(self._tickets)
        with self._state:
            self._out[ticket] = (len(out or b""), len(into or b""))
        try:
            with in_driver():
                self._path.submit(ticket, out, into)
        except BaseException:
            with self._state:
                self._out.pop(ticket, None)
            self._room.release()
            raise
        return ticket

    def _await(self, waiting: set[int], deadline: Deadline) -> list[Completion]:
        """Completions of some of `waiting`, which are taken out of it; empty at the deadline."""
        while True:
            with self._state:
                done = [self._completed.pop(ticket) for ticket in sorted(waiting & self._completed.keys())]
                if done:
                    waiting.difference_update(completion.ticket for completion in done)
                    return done
                if self._reaping:
                    deadline.check()
                    if deadline.expired:
                        return []
                    self._state.wait(min(SLICE_S, deadline.left_s()))
                    continue
                self._reaping = True
            try:
                with in_driver():
                    completions = list(self._path.reap(deadline))
                self._settle(completions)
            finally:
                with self._state:
                    self._reaping = False
                    self._state.notify_all()
            if not completions:
                deadline.check()
                with self._state:
                    stopped_elsewhere = bool(waiting & self._completed.keys())
                if not stopped_elsewhere:
                    if deadline.left_s() > SLICE_S:
                        raise DriverFault("the driver's reap came back with nothing before the deadline")
                    return []

    def _stop_all(self, waiting: set[int], deadline: Deadline) -> list[Completion]:
        """Stop the engine; the completions of all of `waiting`, which is then empty."""
        self._quiesce(deadline)
        with self._state:
            done = [self._completed.pop(ticket) for ticket in sorted(waiting & self._completed.keys())]
        waiting.clear()
        return done

    def _quiesce(self, deadline: Deadline) -> list[Completion]:
        with Deadline(_QUIESCE_S, deadline.clock) as own, in_driver():
            completions = list(self._path.quiesce(own))
        self._settle(completions)
        with self._state:
            if self._out:
                raise DriverFault(f"the driver stopped its engine without completing tickets {list(self._out)}")
        return completions

    def _settle(self, completions: Iterable[Completion]) -> None:
        unknown: list[int] = []
        with self._state:
            for completion in completions:
                lengths = self._out.pop(completion.ticket, None)
                if lengths is None:
                    unknown.append(completion.ticket)
                    continue
                self._completed[completion.ticket] = _sane(completion, *lengths)
                self._room.release()
            self._state.notify_all()
        if unknown:
            raise DriverFault(f"the driver completed tickets {unknown}, which were not out")


def _sane(completion: Completion, out: int, into: int) -> Completion:
    """The completion; a failed one where it claims more bytes than its buffers hold, or fewer than none."""
    if 0 <= completion.sent <= out and 0 <= completion.received <= into:
        return completion
    claim = f"{completion.sent} of {out} bytes sent and {completion.received} of {into} received"
    return Completion(ticket=completion.ticket, sent=0, received=0, status="failed", why=f"its driver claims {claim}")


def _require_success(completion: Completion) -> None:
    if completion.status in ("failed", "held"):
        how = "failed" if completion.status == "failed" else "ended while the hardware may still write to its buffer"
        raise DriverFault(f"a transfer {how}: {completion.why or 'the driver gives no reason'}")
