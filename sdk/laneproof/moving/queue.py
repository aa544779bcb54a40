"""Moves bytes over a `QueuedPath`: as many tickets out as the queue is deep, or the check asks for.

A loopback and a check have the queue to themselves, since no other call on their channel runs beside them: nothing is
locked here. send and receive_into, which may run at once, are `one_way`'s.
"""

from __future__ import annotations

from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import nullcontext

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Completion, Limits, QueuedPath
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison
from laneproof.moving.blocks import CheckJob, Tally, largest_piece
from laneproof.moving.lanes import Allocate, Lane
from laneproof.moving.mover import Mover
from laneproof.moving.one_way import OneWay
from laneproof.moving.tickets import Tickets, require_success

_TURN_S = 0.001
"""While other threads are at work, completions are waited for so long at a time, lest what they finish waits too."""


class QueueMover(Mover):
    def __init__(self, path: QueuedPath, limits: Limits, allocate: Allocate | None = None) -> None:
        self._limits = limits
        self._allocate = allocate
        self._lanes: list[Lane] = []
        """Lanes of the last check, all free and in the card's own memory, which takes long to make; or none."""
        self._piece = largest_piece(limits)
        self._tickets = Tickets(path)
        self._one_way = OneWay(self._tickets, limits.queue_depth, self._piece)

    def send(self, out: memoryview, deadline: Deadline) -> int:
        return self._one_way.move(out, deadline, sending=True)

    def receive_into(self, into: memoryview, deadline: Deadline) -> int:
        return self._one_way.move(into, deadline, sending=False)

    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        tickets = self._tickets
        try:
            if not 0 < len(out) <= self._piece:
                return self._in_pieces(out, into, deadline)
            # What fits one ticket is small, and looking after several would take as long as moving it.
            tickets.submit(out, into)
            done = tickets.reap(deadline)
            (completion,) = done or tickets.stop(deadline)
            if done and completion.status != "done":
                require_success(completion)
            return completion.sent, completion.received
        except BaseException:
            tickets.stop_after_fault(deadline)
            raise

    def _in_pieces(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        tickets, nbytes, step = self._tickets, len(out), self._piece
        sent = received = submitted = 0
        stopped = False
        while submitted < nbytes or (tickets.out and not stopped):
            if submitted < nbytes and len(tickets.out) < self._limits.queue_depth:
                piece = slice(submitted, submitted + step)
                tickets.submit(out[piece], into[piece])
                submitted += step
                continue
            done = tickets.reap(deadline)
            if not done:
                stopped, done, submitted = True, tickets.stop(deadline), nbytes
            for completion in done:
                if not stopped:
                    require_success(completion)
                sent += completion.sent
                received += completion.received
        return sent, received

    def check(self, job: CheckJob, deadline: Deadline) -> Comparison:
        tally = Tally(job)
        try:
            self._run_blocks(job, tally, deadline)
        except BaseException as error:
            self._tickets.stop_after_fault(deadline)
            if isinstance(error, LaneproofError):
                error.so_far = tally.result()
            raise
        return tally.result()

    def drain(self, deadline: Deadline) -> int:
        return sum(completion.received for completion in self._tickets.stop(deadline))

    def _run_blocks(self, job: CheckJob, tally: Tally, deadline: Deadline) -> None:
        lanes = self._take_lanes(job, min(job.depth, self._limits.queue_depth, job.blocks), deadline)
        numbers = tally.outgoing()
        under_way: dict[int, Lane] = {}
        turning: dict[Future[Comparison | None], tuple[Lane, int, int | None]] = {}
        """Lanes in the hands of another thread, with the blocks that came back and that go out next."""

        def turn(lane: Lane, came: int) -> None:
            before, after = lane.number, None if tally.stalled else next(numbers, None)
            if pool is None:
                turned(lane, before, after, lane.turn_over(job, came, after))
            else:
                turning[pool.submit(lane.turn_over, job, came, after)] = lane, before, after

        def turned(lane: Lane, before: int, after: int | None, found: Comparison | None) -> None:
            if found is not None:
                tally.add(before, found)
            if after is not None and not tally.stalled:
                under_way[self._tickets.submit(lane.out, lane.into)] = lane

        # Leaving waits for the threads, whatever happened: they write to memory that the engine is then told to leave.
        with ThreadPoolExecutor(job.threads, "laneproof-check") if job.threads > 1 else nullcontext() as pool:
            for lane in lanes:
                turn(lane, 0)
            while under_way or turning:
                for future in [future for future in turning if future.done()]:
                    turned(*turning.pop(future), future.result())
                if under_way:
                    done = self._reap(deadline, _TURN_S if turning else None)
                    if not done and not deadline.expired:
                        continue
                    if not done:
                        tally.stall()
                        done = self._tickets.stop(deadline)
                    for completion in done:
                        lane = under_way.pop(completion.ticket)
                        turn(lane, _came(tally, lane, completion))
                elif turning:
                    deadline.check()
                    wait(turning, SLICE_S, FIRST_COMPLETED)
        if self._allocate is not None and not tally.stalled:
            self._lanes = lanes

    def _reap(self, deadline: Deadline, at_most_s: float | None) -> list[Completion]:
        if at_most_s is None:
            return self._tickets.reap(deadline)
        with deadline.split(at_most_s) as soon:
            return self._tickets.reap(soon)

    def _take_lanes(self, job: CheckJob, depth: int, deadline: Deadline) -> list[Lane]:
        """Lanes for a check of that depth: those of the last one where they fit, others in new memory."""
        kept, self._lanes = self._lanes, []
        fitting = [lane for lane in kept if lane.fits(job)][:depth]
        for lane in kept:
            if lane not in fitting:
                lane.close()
        missing = depth - len(fitting)
        return fitting + [Lane(job, self._limits, self._allocate, deadline) for _ in range(missing)]


def _came(tally: Tally, lane: Lane, completion: Completion) -> int:
    """The bytes of a block that are there to be verified."""
    if not tally.stalled:
        require_success(completion)
    elif completion.status == "held":
        return 0  # what the hardware may still write to is no evidence
    if completion.received > lane.size:
        tally.surplus(completion.received - lane.size)
    return completion.received
