"""One channel of a card that is put behind frames: threads of its own that hand tickets to the card and wait for it.

What comes of a ticket is posted to the one thread that sends; which that is, is `served_card`'s business.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from contextlib import suppress

import numpy as np
from attrs import define, field, frozen

from laneproof.clock import Clock, Deadline
from laneproof.contract import QueuedPath, StreamPath
from laneproof.documents import printable
from laneproof.errors import DriverFault, Interrupted
from laneproof_drivers.framing.card_side import Transfer
from laneproof_drivers.framing.messages import STATUSES, Done

CONTROL_S = 5.0
"""How long a card may take to come to rest, or to answer, in seconds of its clock."""
_REAP_S = 60.0
"""By the card's clock. A simulated card, whose time runs out at once, is left alone after that until told more."""
_QUIET_S = 0.05
"""How long a stream must stay silent before nothing more is taken to be under way, in seconds."""
_SURPLUS_S = 0.05
"""How long a stream is listened to, with nothing under way, for what nobody sent, in seconds."""
_UNWRITTEN = 0xA5


@frozen
class Ended:
    """A ticket that the card has ended, or None and why the channel can do nothing more.

    `round` counts how often the channel had been stopped: what ends late is of no use to who comes after."""

    channel: int
    round: int
    done: Done | None
    data: memoryview = field(factory=lambda: memoryview(b""))
    error: Exception | None = None


Post = Callable[[Ended], object]


class Served(ABC):
    """One channel of the card, worked by threads of its own."""

    def __init__(self, number: int, clock: Clock, post: Post) -> None:
        self.number = number
        self.round = 0
        self._clock = clock
        self._post = post
        self._changed = threading.Condition()
        self._closed = False
        self._stopping = False
        """Being stopped, or that failed: the card is left alone."""
        self._deadlines: set[Deadline] = set()
        """Of calls under way in the card."""
        self._threads: list[threading.Thread] = []

    @abstractmethod
    def submit(self, transfer: Transfer) -> None: ...

    def stop(self) -> None:
        """Leave the card with nothing under way. Raises what the card raises."""
        with self._changed:
            self.round += 1
            self._forget()
            self._stopping = True
        self._interrupt()
        with Deadline(CONTROL_S, self._clock) as deadline:
            self._quiesce(deadline)
        with self._changed:
            self._stopping = False

    @abstractmethod
    def _forget(self) -> None:
        """Drop what was submitted; with the lock held."""

    @abstractmethod
    def _quiesce(self, deadline: Deadline) -> None:
        """The card's own way to come to rest, with no other call under way."""

    def close(self) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._interrupt()
        for thread in self._threads:
            thread.join(CONTROL_S)

    def _start(self, name: str, work: Callable[[], object]) -> None:
        thread = threading.Thread(target=work, name=f"laneproof-serve-{name}", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _interrupt(self) -> None:
        """End calls under way, and wait until they have."""
        with self._changed:
            for deadline in self._deadlines:
                deadline.cancel()
            self._changed.wait_for(lambda: not self._deadlines, CONTROL_S)

    def _begin(self, timeout_s: float) -> Deadline:
        """With the lock held."""
        deadline = Deadline(timeout_s, self._clock)
        self._deadlines.add(deadline)
        return deadline

    def _end(self, deadline: Deadline) -> None:
        deadline.release()
        with self._changed:
            self._deadlines.discard(deadline)
            self._changed.notify_all()


class ServedQueue(Served):
    def __init__(self, number: int, path: QueuedPath, clock: Clock, post: Post) -> None:
        super().__init__(number, clock, post)
        self._path = path
        self._out: dict[int, tuple[Transfer, np.ndarray | None]] = {}
        self._kept: list[tuple[Transfer, np.ndarray | None]] = []
        """Of tickets that were dropped: the card may still use their memory, until it has come to rest."""
        self._next = 1
        self._resting = False
        """Nothing came for long: there is no use in asking before something is told."""
        self._start(f"reap-{number}", self._reap)

    def submit(self, transfer: Transfer) -> None:
        into = None if transfer.room is None else unlike(transfer.out or b"", transfer.room)
        with self._changed:
            ticket, self._next = self._next, self._next + 1
            self._out[ticket] = (transfer, into)
            self._resting = False
            out = None if transfer.out is None else memoryview(transfer.out)
            try:
                self._path.submit(ticket, out, None if into is None else into.data)
            except Exception:
                del self._out[ticket]
                raise
            self._changed.notify_all()

    def close(self) -> None:
        with suppress(Exception):  # it may be gone, and whatever its driver raises, nobody asks any more
            self.stop()
        super().close()

    def _forget(self) -> None:
        self._kept += self._out.values()
        self._out.clear()

    def _quiesce(self, deadline: Deadline) -> None:
        completions = self._path.quiesce(deadline)
        if not any(completion.status == "held" for completion in completions):
            self._kept.clear()

    def _reap(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or (self._out and not self._resting and not self._stopping))
                if self._closed:
                    return
                deadline, begun = self._begin(_REAP_S), self.round
            try:
                completions = self._path.reap(deadline)
            except Interrupted:
                continue
            except Exception as error:  # whatever the card's driver raises, the host has to hear of it
                with self._changed:
                    self._resting = True
                self._post(Ended(self.number, begun, None, error=error))
                continue
            finally:
                self._end(deadline)
            with self._changed:
                self._resting = not completions and self._clock.virtual
                ended = [
                    (completion, *self._out.pop(completion.ticket))
                    for completion in completions
                    if completion.ticket in self._out
                ]
            for completion, transfer, into in ended:
                if completion.status == "held":
                    self._kept.append((transfer, into))
                received = memoryview(b"") if into is None else into.data[: completion.received]
                # What is held may still be written to, here: to the host it has failed.
                status = STATUSES.index(completion.status) if completion.status in STATUSES else 2
                done = Done(transfer.ticket, completion.sent, len(received), status, printable(completion.why))
                self._post(Ended(self.number, begun, done, received))


@define(eq=False)
class _Both:
    """A transfer over a stream: its two sides end by themselves."""

    transfer: Transfer
    into: np.ndarray | None
    sides: int
    sent: int = 0
    received: int = 0


class ServedStream(Served):
    """A stream as tickets: they are sent, and received into, in turn, each as much as one ticket sent.

    A ticket behind which the host has begun no other one waits a moment for what should not come, so that surplus
    shows, and nothing is sent meanwhile, so that it is no other ticket's. `started` is how many the host has begun.
    """

    def __init__(
        self,
        number: int,
        path: StreamPath,
        clock: Clock,
        post: Post,
        *,
        full_duplex: bool,
        started: Callable[[], int],
    ) -> None:
        super().__init__(number, clock, post)
        self._path = path
        self._full_duplex = full_duplex
        self._started = started
        self._received = 0
        """Tickets whose receiving side has ended."""
        self._listening = False
        self._units: deque[int] = deque()
        """Of what was sent, or will be, and is not received yet: the bytes that are left of each ticket's."""
        self._sends: deque[_Both] = deque()
        self._receives: deque[_Both] = deque()
        self._start(f"send-{number}", lambda: self._work(self._sends, self._send, lambda: self._listening))
        self._start(f"receive-{number}", lambda: self._work(self._receives, self._receive, lambda: False))

    def submit(self, transfer: Transfer) -> None:
        into = None if transfer.room is None else unlike(transfer.out or b"", transfer.room)
        both = _Both(transfer, into, (transfer.out is not None) + (into is not None))
        with self._changed:
            if transfer.out is not None:
                self._sends.append(both)
                self._units.append(len(transfer.out))
            if into is not None and (self._full_duplex or transfer.out is None):
                self._receives.append(both)
            self._changed.notify_all()

    def _forget(self) -> None:
        self._sends.clear()
        self._receives.clear()
        self._units.clear()
        self._received = 0

    def _quiesce(self, deadline: Deadline) -> None:
        scratch = memoryview(bytearray(1 << 16))
        while True:
            with deadline.split(at_most_s=_QUIET_S) as quiet:
                if not self._path.receive_into(scratch, quiet):
                    return
            if deadline.expired:
                raise DriverFault("the card does not fall silent")

    def _work(self, waiting: deque[_Both], move: Callable[[_Both, Deadline], object], held: Callable[[], bool]) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or (waiting and not self._stopping and not held()))
                if self._closed:
                    return
                both, deadline, begun = waiting[0], self._begin(_REAP_S), self.round
            try:
                done = move(both, deadline)
            except Interrupted:
                continue
            except Exception as error:  # whatever the card's driver raises, the host has to hear of it
                with self._changed:
                    waiting.clear()
                self._post(Ended(self.number, begun, None, error=error))
                continue
            finally:
                self._end(deadline)
            with self._changed:
                if not done or not waiting or waiting[0] is not both:
                    continue
                waiting.popleft()
                self._received += waiting is self._receives
                both.sides -= 1
                ended = not both.sides
                if not ended and not self._full_duplex:
                    self._receives.append(both)
                    self._changed.notify_all()
            if ended:
                received = memoryview(b"") if both.into is None else both.into.data[: both.received]
                done = Done(both.transfer.ticket, both.sent, both.received, 0, "")
                self._post(Ended(self.number, begun, done, received))

    def _send(self, both: _Both, deadline: Deadline) -> bool:
        view = memoryview(both.transfer.out or b"")
        while both.sent < len(view) and not deadline.expired:
            both.sent += self._path.send(view[both.sent :], deadline)
        return both.sent == len(view)

    def _receive(self, both: _Both, deadline: Deadline) -> bool:
        assert both.into is not None
        view = both.into.data
        while (due := self._due(both)) is None or both.received < due:
            if deadline.expired:
                return False
            # Of what nobody has sent, one byte shows that it comes, and takes nothing of what is sent meanwhile.
            end = both.received + 1 if due is None else due
            both.received += self._path.receive_into(view[both.received : end], deadline)
        with self._changed:
            if self._units:
                self._units[0] -= both.received
                if self._units[0] <= 0:
                    self._units.popleft()
            last = both.received < len(view) and not self._units and self._started() == self._received + 1
            if last:  # the thread that sends may not know yet that all of it has gone
                last = (
                    self._changed.wait_for(lambda: not self._sends or self._stopping, _SURPLUS_S) and not self._stopping
                )
            self._listening = last
        if last:
            try:
                with deadline.split(at_most_s=_SURPLUS_S) as quiet:
                    both.received += self._path.receive_into(view[both.received :], quiet)
            finally:
                with self._changed:
                    self._listening = False
                    self._changed.notify_all()
        return True

    def _due(self, both: _Both) -> int | None:
        """Bytes that the ticket ends with; None while nothing has been sent and nothing came."""
        assert both.into is not None
        with self._changed:
            if self._units:
                return min(both.into.size, self._units[0])
            return both.received or None


def unlike(out: bytes, room: int) -> np.ndarray:
    """Memory to receive into that holds nothing of what is expected, so that bytes never written do not pass."""
    into = np.full(room, _UNWRITTEN, np.uint8)
    sent = np.frombuffer(out, np.uint8)[:room]
    np.invert(sent, out=into[: sent.size])
    return into
