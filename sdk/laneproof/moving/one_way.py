"""`OneWay`: send and receive_into over a `QueuedPath`, which two threads may call at once. One ticket out for each."""

from __future__ import annotations

import threading
from contextlib import suppress

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Completion
from laneproof.errors import LaneproofError, OutOfStep, TransferTimeout
from laneproof.moving.tickets import Tickets, require_success


class OneWay:
    """One thread reaps at a time and hands the other its completion."""

    def __init__(self, tickets: Tickets, queue_depth: int, largest_piece: int) -> None:
        self._tickets = tickets
        self._depth = queue_depth
        self._piece = largest_piece
        self._state = threading.Condition()
        """Held while tickets or `_completed` are looked at or changed."""
        self._completed: dict[int, Completion] = {}
        self.reaping = False

    def move(self, view: memoryview, deadline: Deadline, *, sending: bool) -> int:
        """All of `view`, out or in; fewer bytes at the deadline."""
        moved = ticket = 0
        try:
            while moved < len(view):
                piece = view[moved : moved + self._piece]
                ticket = self._submit(*((piece, None) if sending else (None, piece)), deadline, moved)
                done = self._await(ticket, deadline)
                if done is None:
                    done = self._stop(ticket, deadline)
                else:
                    require_success(done)
                    if done.status == "stopped":
                        raise OutOfStep("stopped when another call on this channel failed; call recover() first")
                got = 0 if done is None else done.sent + done.received
                moved += got
                if got < len(piece):
                    break
        except BaseException:
            with suppress(LaneproofError, OSError):  # what went wrong first is what counts
                self._stop(ticket, deadline)
            raise
        return moved

    def _submit(self, out: memoryview | None, into: memoryview | None, deadline: Deadline, moved: int) -> int:
        with self._state:
            while len(self._tickets.out) >= self._depth:
                deadline.check()
                if deadline.expired:
                    raise TransferTimeout("the queue had no room before the deadline", moved=moved)
                self._state.wait(SLICE_S)
            return self._tickets.submit(out, into)

    def _await(self, ticket: int, deadline: Deadline) -> Completion | None:
        """The completion of that ticket; None at the deadline."""
        while True:
            with self._state:
                if ticket in self._completed:
                    return self._completed.pop(ticket)
                if self.reaping:
                    deadline.check()
                    if deadline.expired:
                        return None
                    self._state.wait(min(SLICE_S, deadline.left_s()))
                    continue
                self.reaping = True
            try:
                completions = self._tickets.fetch(deadline)
                self._settle(completions)
            finally:
                with self._state:
                    self.reaping = False
                    self._state.notify_all()
            if not completions:
                deadline.check()
                with self._state:
                    stopped_elsewhere = ticket in self._completed
                if not stopped_elsewhere:
                    self._tickets.none(deadline)
                    return None

    def _stop(self, ticket: int, deadline: Deadline) -> Completion | None:
        """Stop the engine, for the other caller too; what became of that ticket."""
        self._settle(self._tickets.quiesce(deadline))
        with self._state:
            self._tickets.require_none_out()
            return self._completed.pop(ticket, None)

    def _settle(self, completions: list[Completion]) -> None:
        settled: list[Completion] = []
        with self._state:
            try:
                self._tickets.settle(completions, settled)
            finally:
                self._completed.update((completion.ticket, completion) for completion in settled)
                self._state.notify_all()
