"""Moves bytes over a `StreamPath`: a thread fills while the caller drains."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from types import TracebackType

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Limits, StreamPath
from laneproof.errors import DriverFault, Interrupted, LaneproofError
from laneproof.integrity import Comparison
from laneproof.integrity.buffers import byte_view
from laneproof.moving.blocks import CheckJob, Stretch, Tally, aligned, largest_piece
from laneproof.moving.mover import Mover, as_fault

QUIET_S = 0.05
"""How long a stream must stay silent before nothing more is taken to be under way, in seconds."""
SETTLE_S = 2.0
SETTLE_SHARE = 0.25
"""After everything was sent, a stream that is silent for this share of the timeout, and at least SETTLE_S seconds, has
lost its tail: no need to wait for the deadline."""
_SURPLUS_LIMIT = 1 << 20
_SCRATCH = 1 << 16
_LITTLE = 1 << 14
_RETURN_GRACE_S = 1.0


_Move = Callable[[memoryview, Deadline], int]


class StreamMover(Mover):
    def __init__(self, path: StreamPath, limits: Limits) -> None:
        self._path = path
        self._limits = limits
        self._piece = largest_piece(limits)
        self._little = 0 if limits.boundary == "message" else min(_LITTLE, limits.fifo_depth or 0)
        """Bytes that the card says it holds, as far as sending them needs no thread, which costs more than overlapping
        gains."""

    def send(self, out: memoryview, deadline: Deadline) -> int:
        return self._whole("send", self._path.send, out, deadline)

    def receive_into(self, into: memoryview, deadline: Deadline) -> int:
        return self._whole("receive_into", self._path.receive_into, into, deadline)

    def departures(self, out: memoryview, deadline: Deadline) -> Iterator[int]:
        """The bytes of each piece as it goes, until all have gone or the deadline."""
        return self._pieces("send", self._path.send, out, deadline)

    def arrivals(self, into: memoryview, deadline: Deadline) -> Iterator[int]:
        """The bytes of each piece as it comes, until `into` is full or the deadline."""
        return self._pieces("receive_into", self._path.receive_into, into, deadline)

    def _pieces(self, name: str, move: _Move, view: memoryview, deadline: Deadline) -> Iterator[int]:
        done = 0
        while done < len(view) and (moved := _front(name, move, view[done : done + self._piece], deadline)):
            done += moved
            yield moved

    def _whole(self, name: str, move: _Move, view: memoryview, deadline: Deadline) -> int:
        nbytes = len(view)
        if not 0 < nbytes <= self._piece:
            return sum(self._pieces(name, move, view, deadline))
        # As `_front`, with nothing between: what is little passes here by the million, nearly always in one call.
        try:
            moved = move(view, deadline)
        except LaneproofError:
            raise
        except Exception as error:
            raise as_fault(error) from error
        if moved == nbytes:
            return moved
        moved = _sane(name, moved, nbytes, deadline)
        return moved and moved + sum(self._pieces(name, move, view[moved:], deadline))

    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        if not self._limits.full_duplex:
            return self._take_turns(out, into, deadline)
        sent = 0
        if 0 < len(out) <= self._little:
            # For a slice of time only: a card that holds less than it says takes the rest while it is drained.
            soon = deadline.split(SLICE_S)
            try:
                sent = self._whole("send", self._path.send, out, soon)
            finally:
                soon.release()
        if sent == len(out):
            return sent, self._whole("receive_into", self._path.receive_into, into, deadline)
        with _Sender(self, iter([out[sent:]]), deadline) as sender:
            received = self.receive_into(into, sender.receiving)
            if received == len(into):
                sender.join()
        return sent + sender.sent, received

    def check(self, job: CheckJob, deadline: Deadline) -> Comparison:
        tally = Tally(job)
        try:
            if self._limits.full_duplex:
                with _Sender(self, self._outgoing(job, tally), deadline) as sender:
                    self._take_in(job, tally, sender)
            else:
                self._check_in_turns(job, tally, deadline)
            if tally.in_step and not tally.more_follows:
                surplus = 0
                while surplus < _SURPLUS_LIMIT and (more := self._leftovers(deadline)):
                    tally.surplus(more)
                    surplus += more
        except LaneproofError as error:
            error.so_far = tally.result()
            raise
        return tally.result()

    def drain(self, deadline: Deadline) -> int:
        drained = 0
        while more := self._leftovers(deadline):
            drained += more
            if deadline.expired:
                raise DriverFault(f"the channel does not fall silent: {drained} bytes discarded so far")
        return drained

    def _leftovers(self, deadline: Deadline) -> int:
        """Read and drop what comes within QUIET_S, as far as a scratch buffer holds it; 0 is silence."""
        grain = self._limits.granularity
        scratch = aligned(-(-_SCRATCH // grain) * grain, self._limits.alignment)
        with deadline.split(at_most_s=QUIET_S) as quiet:
            return self.receive_into(scratch, quiet)

    def _outgoing(self, job: CheckJob, tally: Tally) -> Iterator[memoryview]:
        block = aligned(job.block, self._limits.alignment)
        for number in tally.outgoing():
            view = block[: job.size(number)]
            pattern, at = job.stretch(number)
            pattern.fill(view, at)
            yield view

    def _take_in(self, job: CheckJob, tally: Tally, sender: _Sender) -> None:
        block = aligned(job.block, self._limits.alignment)
        for number in range(job.blocks):
            view = block[: job.size(number)]
            stretch = pattern, at = job.stretch(number)
            pattern.fill_unlike(view, at)
            if not self._take_block(number, stretch, view, tally, sender):
                return

    def _take_block(self, number: int, stretch: Stretch, view: memoryview, tally: Tally, sender: _Sender) -> bool:
        """Receive one block as far as it comes; False when nothing more will."""
        received = 0
        try:
            while received < len(view):
                had, all_sent = received, sender.finished  # before the wait: silence counts from when all had gone
                with sender.awaiting(number) as soon:
                    for moved in self.arrivals(view[received:], soon):
                        received += moved
                if sender.error is not None or received == len(view):
                    break
                if sender.receiving.expired:
                    tally.stall()
                    break
                if received == had and all_sent:
                    break
        except Interrupted:
            if not sender.left_out(number):
                raise
        finally:
            if received and sender.left_out(number):
                tally.surplus(received)
            elif received:
                tally.block(number, stretch, byte_view(view[:received]))
        return received == len(view)

    def _take_turns(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        """Out and back by turns, no more at a time than the card is known to hold."""
        sent = received = 0
        grain = self._limits.granularity
        turn = min(self._piece, max(grain, (self._limits.fifo_depth or self._piece) // grain * grain))
        while received == sent < len(out) and not deadline.expired:
            piece = slice(sent, sent + turn)
            sent += self.send(out[piece], deadline)
            received += self.receive_into(into[received:sent], deadline)
        return sent, received

    def _check_in_turns(self, job: CheckJob, tally: Tally, deadline: Deadline) -> None:
        into = aligned(job.block, self._limits.alignment)
        for number, out in enumerate(self._outgoing(job, tally)):
            view = into[: len(out)]
            stretch = pattern, at = job.stretch(number)
            pattern.fill_unlike(view, at)
            _, received = self._take_turns(out, view, deadline)
            if received:
                tally.block(number, stretch, byte_view(view[:received]))
            if received < len(out):
                tally.stall()
                return


def _front(name: str, move: _Move, piece: memoryview, deadline: Deadline) -> int:
    """Bytes from the front of a piece that one call of the driver moved, out or in; 0 at the deadline."""
    try:
        moved = move(piece, deadline)
    except LaneproofError:
        raise
    except Exception as error:
        raise as_fault(error) from error
    return _sane(name, moved, len(piece), deadline)


def _sane(name: str, moved: int, nbytes: int, deadline: Deadline) -> int:
    """What the driver says that it moved of so many bytes. Raises DriverFault for what cannot be."""
    try:
        sane = 0 <= moved <= nbytes
    except Exception as error:  # it need not even be a number
        raise as_fault(error) from error
    if not sane:
        raise DriverFault(f"the driver's {name} says that it moved {moved} of {nbytes} bytes")
    if not moved:
        deadline.check()
        if deadline.left_s() > SLICE_S:
            raise DriverFault(f"the driver's {name} came back with nothing before the deadline")
    return moved


class _Sender:
    """Sends in a thread of its own. Leaving the block ends the thread; what went wrong in it is raised there.

    `receiving` is the deadline for the other direction: cancelled when sending fails, so that nobody waits in vain.
    """

    def __init__(self, mover: StreamMover, outgoing: Iterator[memoryview], deadline: Deadline) -> None:
        self.settle_s = max(SETTLE_S, SETTLE_SHARE * deadline.left_s())
        self.sent = 0
        self.error: BaseException | None = None
        self.receiving = deadline.split()
        self._sending = deadline.split()
        self._ending = threading.Lock()
        """Held while it is settled who waits for which view, and how many there are."""
        self._views: int | None = None
        """How many were sent, once that is known."""
        self._awaited: tuple[int, Deadline] | None = None
        self._mover = mover
        self._outgoing = outgoing
        self._thread = threading.Thread(target=self._run, name="laneproof-send", daemon=True)

    @property
    def finished(self) -> bool:
        return not self._thread.is_alive()

    @contextmanager
    def awaiting(self, number: int) -> Generator[Deadline]:
        """Around a wait for that view, until it falls silent; cancelled if the view turns out not to be sent."""
        with self.receiving.split(at_most_s=self.settle_s) as soon:
            with self._ending:
                self._awaited = number, soon
                if self._views is not None and number >= self._views:
                    soon.cancel()
            try:
                yield soon
            finally:
                with self._ending:
                    self._awaited = None

    def left_out(self, number: int) -> bool:
        """Whether that view was not sent, because there were enough before it."""
        return self._views is not None and number >= self._views

    def join(self) -> None:
        """Wait until everything has gone, or the deadline."""
        while self._thread.is_alive() and not self._sending.expired and not self._sending.cancelled:
            self._thread.join(SLICE_S)

    def _run(self) -> None:
        views = 0
        try:
            for view in self._outgoing:
                due = self.sent + len(view)
                for moved in self._mover.departures(view, self._sending):
                    self.sent += moved
                if self.sent < due:
                    return
                views += 1
            with self._ending:
                self._views = views
                if self._awaited is not None and self._awaited[0] >= views:
                    self._awaited[1].cancel()
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
