"""Moves bytes over a `QueuedPath`: as many tickets out as the queue is deep, or the check asks for.

A loopback and a check have the queue to themselves, since no other call on their channel runs beside them: nothing is
locked here. send and receive_into, which may run at once, are `one_way`'s.
"""

from __future__ import annotations

from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits, QueuedPath
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison
from laneproof.integrity.buffers import byte_view
from laneproof.moving.blocks import CheckJob, Stretch, Tally, aligned, largest_piece, spare
from laneproof.moving.mover import Mover
from laneproof.moving.one_way import OneWay
from laneproof.moving.tickets import Tickets, require_success


class QueueMover(Mover):
    def __init__(self, path: QueuedPath, limits: Limits) -> None:
        self._limits = limits
        self._piece = largest_piece(limits)
        self._tickets = Tickets(path)
        self._one_way = OneWay(self._tickets, limits.queue_depth, self._piece)

    def send(self, out: memoryview, deadline: Deadline) -> int:
        return self._one_way.move(out, deadline, sending=True)

    def receive_into(self, into: memoryview, deadline: Deadline) -> int:
        return self._one_way.move(into, deadline, sending=False)

    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        tickets, nbytes, step = self._tickets, len(out), self._piece
        sent = received = submitted = 0
        stopped = False
        try:
            while submitted < nbytes or (tickets.out and not stopped):
                if submitted < nbytes and len(tickets.out) < self._limits.queue_depth:
                    tickets.submit(out[submitted : submitted + step], into[submitted : submitted + step])
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
        except BaseException:
            tickets.stop_after_fault(deadline)
            raise
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
        depth, blocks = min(job.depth, self._limits.queue_depth, job.blocks), job.blocks
        free = [_Lane(job, self._limits) for _ in range(depth)]
        under_way: dict[int, _Lane] = {}
        number = 0
        while not tally.stalled:
            while free and number < blocks:
                lane = free.pop()
                lane.carry(job, number)
                under_way[self._tickets.submit(lane.out, lane.into)] = lane
                number += 1
            if not under_way:
                return
            done = self._tickets.reap(deadline)
            if not done:
                tally.stall()
                done = self._tickets.stop(deadline)
            for completion in done:
                lane = under_way.pop(completion.ticket)
                _take_in(tally, lane, completion)
                free.append(lane)


class _Lane:
    """Memory of one transfer under way, and the block that it carries."""

    __slots__ = ("_spare", "into", "number", "out", "received", "sent", "size", "stretch")

    def __init__(self, job: CheckJob, limits: Limits) -> None:
        self._spare = spare(limits)
        self.size = job.block
        self.out = aligned(job.block, limits.alignment)
        self.into = aligned(job.block + self._spare, limits.alignment)
        # The same memory, as the pattern takes it fastest.
        self.sent, self.received = byte_view(self.out), byte_view(self.into)
        self.number = 0
        self.stretch: Stretch = job.stretch(0)

    def carry(self, job: CheckJob, number: int) -> None:
        """Fill with that block, and with what must not come back."""
        size = job.size(number)
        if size < self.size:  # the last block
            self.size = size
            self.out, self.into = self.out[:size], self.into[: size + self._spare]
            self.sent, self.received = self.sent[:size], self.received[: size + self._spare]
        self.number = number
        self.stretch = pattern, at = job.stretch(number)
        pattern.fill(self.sent, at)
        pattern.fill_unlike(self.received, at)


def _take_in(tally: Tally, lane: _Lane, completion: Completion) -> None:
    if not tally.stalled:
        require_success(completion)
    elif completion.status == "held":
        return  # what the hardware may still write to is no evidence
    received, size = completion.received, lane.size
    if received:
        tally.block(lane.number, lane.stretch, lane.received[: min(size, received)])
    if received > size:
        tally.surplus(received - size)
