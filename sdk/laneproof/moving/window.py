"""Moves bytes over a `WindowPath`, which is used as a ring: what is sent goes to successive offsets over all of the
window, and is received from there.

With a `CopyEngine` bytes are written to one half, the engine copies them to the other, and there they are received. A
check fills the ring before it reads the first block back, so that an offset that leads to another place shows.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from itertools import chain, islice

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Limits, WindowPath
from laneproof.errors import DriverFault, LaneproofError
from laneproof.integrity import Comparison
from laneproof.integrity.buffers import byte_view
from laneproof.moving.blocks import CheckJob, Tally, aligned, largest_piece
from laneproof.moving.mover import Mover, in_driver

_MOST_AT_ONCE = 1 << 20
"""Bytes of one call of the driver: a second thread's call on the same window waits for it."""
_LOOK_S = 0.001
"""How often a sender looks for room, and a receiver for bytes, that another thread makes."""


class WindowMover(Mover):
    """Raises DriverFault for a window that does not hold as much as the card moves at least."""

    def __init__(self, path: WindowPath, limits: Limits) -> None:
        grain = limits.granularity
        with in_driver():
            size, self._engine = path.size, path.engine
            room = size if self._engine is None else size // 2
        self._path = path
        self._limits = limits
        self._room = room - room % grain
        if self._room < grain:
            raise DriverFault(f"the driver's window of {size} bytes has no room for its granularity, {grain}")
        self._piece = min(self._room, max(grain, min(largest_piece(limits), _MOST_AT_ONCE) // grain * grain))
        self._turn = threading.Lock()
        """Held around each call of the path, none of which may overlap."""
        # Each is written by one thread only: bytes sent and received since the window was opened.
        self._sent = 0
        self._received = 0

    def send(self, out: memoryview, deadline: Deadline) -> int:
        """Waits for room once the ring is full of bytes that nobody has received."""
        done = 0
        while done < len(out):
            free = self._room - (self._sent - self._received)
            at, nbytes = self._next(self._sent, min(len(out) - done, free))
            if nbytes:
                moved = self._out(at, out[done : done + nbytes], deadline)
                self._sent += moved
                done += moved
                if moved < nbytes:
                    break
            elif not _waited(deadline):
                break
        return done

    def receive_into(self, into: memoryview, deadline: Deadline) -> int:
        """Waits for bytes that somebody sends."""
        read_into, done, start = self._path.read_into, 0, 0 if self._engine is None else self._room
        while done < len(into):
            at, nbytes = self._next(self._received, min(len(into) - done, self._sent - self._received))
            if nbytes:
                piece, place = into[done : done + nbytes], start + at
                moved = self._moved(
                    "read_into", nbytes, deadline, lambda place=place, piece=piece: read_into(place, piece, deadline)
                )
                self._received += moved
                done += moved
                if moved < nbytes:
                    break
            elif not _waited(deadline):
                break
        return done

    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        """As much of it as the window holds at a time. What was sent before and not received is passed over."""
        self._received = self._sent
        sent = received = 0
        while received == sent < len(out):
            turn = slice(sent, sent + self._room)
            sent += self.send(out[turn], deadline)
            received += self.receive_into(into[received:sent], deadline)
            if sent < min(turn.stop, len(out)):
                break
        return sent, received

    def check(self, job: CheckJob, deadline: Deadline) -> Comparison:
        tally = Tally(job)
        out, into = (aligned(job.block, self._limits.alignment) for _ in range(2))
        self._received = self._sent
        held = max(1, self._room // job.block)
        try:
            numbers = tally.outgoing()
            while not tally.stalled and (first := next(numbers, None)) is not None:
                turn = chain((first,), islice(numbers, held - 1))
                self._round(job, tally, turn, out, into, deadline)
        except LaneproofError as error:
            error.so_far = tally.result()
            raise
        return tally.result()

    def drain(self, deadline: Deadline) -> int:
        discarded, self._received = self._sent - self._received, self._sent
        return discarded

    def _round(
        self,
        job: CheckJob,
        tally: Tally,
        numbers: Iterator[int],
        out: memoryview,
        into: memoryview,
        deadline: Deadline,
    ) -> None:
        """Send those blocks, which the ring holds, then receive and verify them."""
        whole = job.block <= self._room  # else it goes out and back in turns, below
        under_way: list[int] = []
        for number in numbers if whole else ():
            view = out[: job.size(number)]
            pattern, at = job.stretch(number)
            pattern.fill(view, at)
            if self.send(view, deadline) < len(view):
                tally.stall()
                return
            under_way.append(number)
        for number in under_way or numbers:
            view = into[: job.size(number)]
            stretch = pattern, at = job.stretch(number)
            pattern.fill_unlike(view, at)
            if whole:
                received = self.receive_into(view, deadline)
            else:
                pattern.fill(out[: len(view)], at)
                _, received = self.loopback(out[: len(view)], view, deadline)
            if received:
                tally.block(number, stretch, byte_view(view[:received]))
            if received < len(view):
                tally.stall()
                return

    def _next(self, position: int, nbytes: int) -> tuple[int, int]:
        """Where in the ring a position lies, and how many of `nbytes` one call can move there."""
        at = position % self._room
        return at, min(nbytes, self._piece, self._room - at)

    def _out(self, at: int, piece: memoryview, deadline: Deadline) -> int:
        """Bring a piece to where it is received from; the bytes that are there."""
        write, engine = self._path.write, self._engine
        moved = self._moved("write", len(piece), deadline, lambda: write(at, piece, deadline))
        moved -= moved % self._limits.granularity
        if engine is None or not moved:
            return moved
        return self._moved("copy", moved, deadline, lambda: engine.copy(at, self._room + at, moved, deadline))

    def _moved(self, name: str, nbytes: int, deadline: Deadline, call: Callable[[], int]) -> int:
        """What a call of the path says that it moved: all, or less at the deadline."""
        while not self._turn.acquire(timeout=SLICE_S):
            deadline.check()
            if deadline.expired:
                return 0
        try:
            with in_driver():
                moved = call()
                sane = 0 <= moved <= nbytes
        finally:
            self._turn.release()
        if not sane:
            raise DriverFault(f"the driver's {name} says that it moved {moved} of {nbytes} bytes")
        if moved < nbytes:
            deadline.check()
            if deadline.left_s() > SLICE_S:
                raise DriverFault(f"the driver's {name} came back with {moved} of {nbytes} bytes before the deadline")
        return moved


def _waited(deadline: Deadline) -> bool:
    """Let another thread do its part; False at the deadline."""
    if deadline.expired:
        return False
    deadline.pause(_LOOK_S)
    return True
