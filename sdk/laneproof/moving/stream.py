"""Moves bytes over a `StreamPath`: a thread fills while the caller drains."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from types import TracebackType

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Limits, StreamPath
from laneproof.errors import DriverFault, Interrupted, LaneproofError
from laneproof.integrity import Comparison
from laneproof.moving.blocks import CheckJob, Tally, aligned
from laneproof.moving.mover import Mover

QUIET_S = 0.05
"""How long a stream must stay silent before nothing more is taken to be under way, in seconds."""
SETTLE_S = 2.0
"""After everything was sent, a stream silent for this long has lost its tail, in seconds."""
_SURPLUS_LIMIT = 1 << 20
_RETURN_GRACE_S = 1.0


class StreamMover(Mover):
    def __init__(self, path: StreamPath, limits: Limits) -> None:
        self._path = path
        self._limits = limits

    def send(self, out: memoryview, deadline: Deadline) -> int:
        sent = 0
        while sent < len(out):
            moved = self._path.send(out[sent : sent + self._limits.max_transfer], deadline)
            if not moved:
                deadline.check()
                break
            sent += _sane(moved, len(out) - sent, "send")
        return sent

    def receive_into(self, into: memoryview, deadline: Deadline) -> int:
        received = 0
        while received < len(into):
            moved = self._path.receive_into(into[received : received + self._limits.max_transfer], deadline)
            if not moved:
                deadline.check()
                break
            received += _sane(moved, len(into) - received, "receive_into")
        return received

    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        if not self._limits.full_duplex:
            sent = self.send(out, deadline)
            return sent, self.receive_into(into, deadline) if sent == len(out) else 0
        with _Sender(self, iter([out]), deadline) as sender:
            received = self.receive_into(into, sender.receiving)
            if received == len(into):
                sender.join()
        return sender.sent, received

    def check(self, job: CheckJob, deadline: Deadline) -> Comparison:
        tally = Tally(job)
        try:
            if self._limits.full_duplex:
                with _Sender(self, self._outgoing(job), deadline) as sender:
                    self._take_in(job, tally, sender)
            else:
                self._take_turns(job, tally, deadline)
            if tally.in_step:
                tally.surplus(self.drain(deadline))
        except LaneproofError as error:
            error.so_far = tally.result()
            raise
        return tally.result()

    def drain(self, deadline: Deadline) -> int:
        scratch = memoryview(bytearray(4096))
        drained = 0
        while drained < _SURPLUS_LIMIT:
            with deadline.split(at_most_s=QUIET_S) as quiet:
                moved = self._path.receive_into(scratch, quiet)
            if not moved:
                break
            drained += moved
        deadline.check()
        return drained

    def _outgoing(self, job: CheckJob) -> Iterator[memoryview]:
        block = aligned(job.block, self._limits.alignment)
        for number in range(job.blocks):
            view = block[: job.size(number)]
            job.fill(number, view)
            yield view

    def _take_in(self, job: CheckJob, tally: Tally, sender: _Sender) -> None:
        block = aligned(job.block, self._limits.alignment)
        for number in range(job.blocks):
            view = block[: job.size(number)]
            job.prefill(number, view)
            if not self._take_block(number, view, tally, sender):
                return

    def _take_block(self, number: int, view: memoryview, tally: Tally, sender: _Sender) -> bool:
        """Receive one block as far as it comes; False when nothing more will."""
        received = 0
        try:
            while received < len(view):
                with sender.receiving.split(at_most_s=SETTLE_S) as soon:
                    moved = self.receive_into(view[received:], soon)
                received += moved
                if sender.error is not None:
                    break
                if sender.receiving.expired:
                    if received < len(view):
                        tally.stall()
                    break
                if not moved and sender.finished:
                    break
        finally:
            if received:
                tally.block(number, view[:received])
        return received == len(view)

    def _take_turns(self, job: CheckJob, tally: Tally, deadline: Deadline) -> None:
        into = aligned(job.block, self._limits.alignment)
        for number, out in enumerate(self._outgoing(job)):
            view = into[: len(out)]
            job.prefill(number, view)
            sent = self.send(out, deadline)
            received = self.receive_into(view, deadline) if sent == len(out) else 0
            if received:
                tally.block(number, view[:received])
            if received < len(out):
                tally.stall()
                return


class _Sender:
    """Sends in a thread of its own. Leaving the block ends the thread; what went wrong in it is raised there.

    `receiving` is the deadline for the other direction: cancelled when sending fails, so that nobody waits in vain.
    """

    def __init__(self, mover: StreamMover, outgoing: Iterator[memoryview], deadline: Deadline) -> None:
        self.sent = 0
        self.error: BaseException | None = None
        self.receiving = deadline.split()
        self._sending = deadline.split()
        self._mover = mover
        self._outgoing = outgoing
        self._thread = threading.Thread(target=self._run, name="laneproof-send", daemon=True)

    @property
    def finished(self) -> bool:
        return not self._thread.is_alive()

    def join(self) -> None:
        """Wait until everything has gone, or the deadline."""
        while self._thread.is_alive() and not self._sending.expired and not self._sending.cancelled:
            self._thread.join(SLICE_S)

    def _run(self) -> None:
        try:
            for view in self._outgoing:
                moved = self._mover.send(view, self._sending)
                self.sent += moved
                if moved < len(view):
                    break
        except BaseException as error:  # handed to the thread that waits
            self.error = error
            self.receiving.cancel()

    def __enter__(self) -> _Sender:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, raised: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._sending.cancel()
        self._thread.join(_RETURN_GRACE_S)
        if self._thread.is_alive():
            raise DriverFault("the driver's send did not return when it was cancelled")
        self.receiving.release()
        self._sending.release()
        ended_by_us = isinstance(raised, Interrupted) or raised is None
        if self.error is not None and ended_by_us and not isinstance(self.error, Interrupted):
            raise self.error


def _sane(moved: int, at_most: int, operation: str) -> int:
    if not 0 < moved <= at_most:
        raise DriverFault(f"the driver's {operation} says it moved {moved} of {at_most} bytes")
    return moved
