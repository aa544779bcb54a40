"""Transfers through a card's DMA engine, one after the other: out to the card's buffer, and back from there.

The card's buffer is used as a ring, so that what was sent alone can be received alone. Buffers of a caller are copied
through memory of the driver's own, unless they lie in a Region of this card. Which registers move what is
`register_engine`'s.
"""

from __future__ import annotations

import os
import select
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Literal

from attrs import define, field, frozen

from laneproof.clock import Deadline
from laneproof.contract import Completion, QueuedPath
from laneproof.errors import BadInput, DriverFault, LaneproofError
from laneproof_drivers.register_engine import RegisterEngine
from laneproof_drivers.vfio_memory import DmaMemory, DmaRegion, address_of

_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 20e-6, 0.002
_SETTLE_S = 1.0
"""How long an engine that is told to stop may take to end the transfer that it is in."""
_Status = Literal["done", "stopped", "failed", "held"]
_STUCK = "the card's engine did not stop: recover() opens the card anew, which resets it"


@frozen(kw_only=True)
class CardBuffer:
    """The card's own memory as its engine addresses it, and the control values that start a transfer each way."""

    address: int
    size: int
    go_to_card: int
    go_from_card: int


@frozen(eq=False)
class _Run:
    """One run of the engine: a piece of a buffer, out to that place of the card's ring or in from there."""

    to_card: bool
    piece: memoryview
    place: int


@define(eq=False)
class _Ticket:
    number: int
    out: memoryview | None
    into: memoryview | None
    regions: tuple[DmaRegion, ...]
    """The caller's, which stay open as long as the ticket is out."""
    runs: deque[_Run] = field(factory=lambda: deque[_Run]())
    """What is left to do of what it has begun."""
    sent: int = 0
    received: int = 0

    @property
    def ended(self) -> bool:
        """Whether all has been moved."""
        return self.sent == len(self.out or b"") and (
            self.into is None or self.received == (len(self.into) if self.out is None else self.sent)
        )


class VfioQueue(QueuedPath):
    """`event_fd` is signalled by `submit`, and by the card where it has an interrupt, which `acknowledge` answers.

    `set_bus_master` lets the card reach memory, or not.
    """

    def __init__(
        self,
        engine: RegisterEngine,
        memory: DmaMemory,
        buffer: CardBuffer,
        own: tuple[DmaRegion, DmaRegion],
        event_fd: int,
        *,
        granularity: int,
        interrupts: bool,
        acknowledge: Callable[[], None],
        set_bus_master: Callable[[bool], None],
    ) -> None:
        self._engine = engine
        self._memory = memory
        self._buffer = buffer
        self._own = own
        self._event_fd = event_fd
        self._granularity = granularity
        self._interrupts = interrupts
        self._acknowledge = acknowledge
        self._set_bus_master = set_bus_master
        self._lock = threading.Lock()
        """Held while anything below, or the engine, is looked at or changed."""
        self._waiting: deque[_Ticket] = deque()
        self._current: tuple[_Ticket, _Run] | None = None
        self._sent = self._received = 0
        self._hung: tuple[DmaRegion, ...] | None = None
        """The Regions that a stuck engine may still be at; None while it works."""

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        most, views = self._buffer.size, [view for view in (out, into) if view is not None]
        lengths = [len(view) for view in views]
        if not views or not lengths[0] or lengths[0] > most or lengths[0] % self._granularity:
            raise BadInput(f"a transfer of {lengths} bytes: give whole {self._granularity} bytes, {most} at most")
        if len(views) == 2 and lengths[1] < lengths[0]:
            raise BadInput(f"{lengths[0]} bytes do not fit the {lengths[1]} that they are to come back in")
        with self._lock:
            if self._hung is not None:
                raise DriverFault(_STUCK)
            found = (self._memory.region_of(view) for view in views)
            regions = tuple(region for region in found if region is not None)
            for region in regions:
                self._memory.enter(region)
            self._waiting.append(_Ticket(ticket, out, into, regions))
        os.eventfd_write(self._event_fd, 1)

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        pause_s = _FIRST_PAUSE_S
        while True:
            with self._lock:
                done = self._step()
                running = self._current is not None
            if done:
                return done
            deadline.check()
            if deadline.expired:
                return ()
            if self._interrupts or not running:
                self._await_event(deadline)
            else:
                deadline.pause(pause_s)
                pause_s = min(_LONGEST_PAUSE_S, 2 * pause_s)

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        """The engine ends the transfer that it is in, or is kept from the bus until the card is reset."""
        with self._lock:
            if self._hung is not None and self._current is None:
                raise DriverFault(_STUCK)
            done: list[Completion] = []
            if self._current is not None:
                done.append(self._stop_current(*self._current, deadline))
                self._current = None
            done += [self._completed(ticket, "stopped") for ticket in self._waiting]
            self._waiting.clear()
            self._sent = self._received = 0
            return done

    def restart(self) -> None:
        """The card was reset: nothing is under way, and no Region held."""
        with self._lock:
            self._engine.forget()
            for region in self._hung or ():
                self._memory.leave(region)
            self._hung = None
            self._sent = self._received = 0

    def require_idle(self) -> None:
        """Raise DriverFault while tickets are out."""
        with self._lock:
            if self._current is not None or self._waiting:
                raise DriverFault("transfers are under way; end them before the card is reset")

    def _step(self) -> list[Completion]:
        """Take the engine's last run in, and start the next; what completed by it."""
        done: list[Completion] = []
        if self._current is not None:
            ticket, run = self._current
            try:
                if not self._engine.finished():
                    return []
                self._take_in(ticket, run)
            except DriverFault as error:
                done.append(self._completed(ticket, "failed", str(error)))
                ticket.runs.clear()
            else:
                if ticket.ended:
                    done.append(self._completed(ticket, "done"))
                elif not ticket.runs:  # it waits for more to come, or for room
                    self._waiting.appendleft(ticket)
            self._current = None
            if ticket.runs:
                self._start(ticket)
        if self._current is None:
            self._begin(done)
        return done

    def _begin(self, done: list[Completion]) -> None:
        """Start the first ticket that can go, each way in the order in which they came."""
        ways: set[bool] = set()
        for ticket in self._waiting:
            outward = ticket.out is not None
            if outward in ways:
                continue
            ways.add(outward)
            held = self._sent - self._received
            if ticket.out is not None and ticket.into is not None:
                if held:
                    self._waiting.remove(ticket)
                    why = f"the card's buffer holds {held} bytes that nobody received; receive them, or recover"
                    done.append(self._completed(ticket, "failed", why))
                    return
                ticket.runs += self._runs(True, ticket.out, self._sent)
                ticket.runs += self._runs(False, ticket.into[: len(ticket.out)], self._sent)
            elif ticket.out is not None:
                more = ticket.out[ticket.sent : ticket.sent + self._buffer.size - held]
                ticket.runs += self._runs(True, more, self._sent)
            elif ticket.into is not None:
                more = ticket.into[ticket.received : ticket.received + held]
                ticket.runs += self._runs(False, more, self._received)
            if ticket.runs:
                self._waiting.remove(ticket)
                self._start(ticket)
                return

    def _runs(self, to_card: bool, view: memoryview, position: int) -> list[_Run]:
        """Runs that do not cross the end of the ring."""
        place = position % self._buffer.size
        first = self._buffer.size - place
        pieces = (view[:first], place), (view[first:], 0)
        return [_Run(to_card, piece, at) for piece, at in pieces if len(piece)]

    def _start(self, ticket: _Ticket) -> None:
        """Start the next run of a ticket."""
        run = ticket.runs.popleft()
        iova = self._seen_at(run.piece)
        if iova is None:
            own = self._own[0 if run.to_card else 1]
            iova = own.iova
            if run.to_card:
                own.view[: len(run.piece)] = run.piece
        self._current = ticket, run
        card = self._buffer.address + run.place
        if run.to_card:
            self._engine.start(iova, card, len(run.piece), self._buffer.go_to_card)
        else:
            self._engine.start(card, iova, len(run.piece), self._buffer.go_from_card)

    def _seen_at(self, piece: memoryview) -> int | None:
        """Where the card sees a piece of a buffer by itself; None where it has to be copied."""
        region = self._memory.region_of(piece)
        if region is None:
            return None
        iova = region.iova + address_of(piece) - region.address
        return None if iova % self._granularity else iova

    def _take_in(self, ticket: _Ticket, run: _Run) -> None:
        """What the engine has moved is the caller's."""
        nbytes = len(run.piece)
        if run.to_card:
            ticket.sent += nbytes
            self._sent += nbytes
        else:
            if self._seen_at(run.piece) is None:
                run.piece[:] = self._own[1].view[:nbytes]
            ticket.received += nbytes
            self._received += nbytes

    def _stop_current(self, ticket: _Ticket, run: _Run, deadline: Deadline) -> Completion:
        with deadline.split(_SETTLE_S) as soon, suppress(LaneproofError, OSError):  # also of a card that is lost
            if self._engine.wait(soon):
                self._take_in(ticket, run)
        if not self._engine.busy:
            return self._completed(ticket, "stopped")
        with suppress(LaneproofError, OSError):
            self._set_bus_master(False)
        self._hung = ticket.regions
        if run.to_card or self._seen_at(run.piece) is None:  # it writes to no memory of the caller's
            return _ended(ticket, "stopped")
        return _ended(ticket, "held", "the card's engine did not stop")

    def _completed(self, ticket: _Ticket, status: _Status, why: str = "") -> Completion:
        """A ticket is no longer out, and its Regions are free."""
        for region in ticket.regions:
            self._memory.leave(region)
        return _ended(ticket, status, why)

    def _await_event(self, deadline: Deadline) -> None:
        if not deadline.wait(self._event_fd, select.POLLIN):
            return
        with suppress(BlockingIOError):
            os.eventfd_read(self._event_fd)
        with self._lock:
            if self._interrupts and self._current is not None:
                self._acknowledge()


def _ended(ticket: _Ticket, status: _Status, why: str = "") -> Completion:
    return Completion(ticket=ticket.number, sent=ticket.sent, received=ticket.received, status=status, why=why)
