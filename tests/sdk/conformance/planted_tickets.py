"""Mistakes on the queue card: with the numbers of tickets, messages that are too long, and stops beside a reap."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from functools import partial

import attrs
from planted import plant
from queue_card import DEPTH, MemoryQueue, Transfer

from laneproof.clock import Deadline
from laneproof.contract import Completion
from laneproof.errors import BadInput, DriverFault

queue = partial(plant, "queue")


# --- numbers


class SixteenBits(MemoryQueue):
    def complete(self, ticket: int, received: int) -> None:
        super().complete(ticket, received)
        self.done[-1] = attrs.evolve(self.done[-1], ticket=ticket & 0xFFFF)


class ThroughAFloat(MemoryQueue):
    def complete(self, ticket: int, received: int) -> None:
        super().complete(ticket, received)
        self.done[-1] = attrs.evolve(self.done[-1], ticket=int(float(ticket)))


class RefusesANumberItHasSeen(MemoryQueue):
    seen: frozenset[int] = frozenset()

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if ticket in self.seen:
            raise BadInput(f"ticket {ticket} has been used")
        self.seen |= {ticket}
        super().submit(ticket, out, into)


class KeepsTheFirstCompletion(MemoryQueue):
    """Finds completions by their number, and so the one of before."""

    def __init__(self, *arguments: object) -> None:
        super().__init__(*arguments)  # type: ignore[arg-type]
        self.known: dict[int, Completion] = {}

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        done = super().reap(deadline)
        return [self.known.setdefault(one.ticket, one) for one in done]

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        if ticket in self.known:
            return 0
        return super().deliver(ticket, into, message)


class StopsANumberForGood(MemoryQueue):
    stopped: frozenset[int] = frozenset()

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.stopped |= set(self.waiting)
        return super().quiesce(deadline)

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        super().submit(ticket, out, None if ticket in self.stopped else into)


queue("keeps sixteen bits of a ticket", "a-ticket-number-is-the-callers", SixteenBits)
queue("keeps a ticket as a float", "a-ticket-number-is-the-callers", ThroughAFloat)
queue("refuses a ticket that it has seen", "a-ticket-may-be-used-again", RefusesANumberItHasSeen)
queue("completes a ticket as it did before", "a-ticket-may-be-used-again", KeepsTheFirstCompletion)
queue("stops a ticket for good", "a-ticket-may-be-used-again", StopsANumberForGood)


# --- messages that are too long


class LosesWhatIsTooLong(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        return 0 if len(message) > len(into) else super().deliver(ticket, into, message)


class ClaimsTheWholeMessage(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        return max(super().deliver(ticket, into, message), len(message))


class KeepsTheEnd(MemoryQueue):
    """Of a message that is too long, the last bytes are in the buffer."""

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        return super().deliver(ticket, into, message[-len(into) :])


class GoesOnWithTheWrongByte(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        if len(message) > len(into):
            self.messages.appendleft(message[len(into) - 1 : -1])
        return super().deliver(ticket, into, message)


class JoinsMessages(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        while self.messages and len(message) + len(self.messages[0]) <= len(into):
            message += self.messages.popleft()
        return super().deliver(ticket, into, message)


class GivesUpOnAShortBuffer(MemoryQueue):
    """A ticket whose echo does not fit stops the engine for good."""

    broken = False

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        self.broken |= out is not None and into is not None and len(into) < len(out)
        if self.broken:
            raise DriverFault("the ring has overrun")
        super().submit(ticket, out, into)


queue("joins messages where there is room", "messages-stay-apart", JoinsMessages)
queue("loses a message that is too long", "a-message-may-be-too-long", LosesWhatIsTooLong)
queue("claims all of a message that is too long", "a-message-may-be-too-long", ClaimsTheWholeMessage)
queue("keeps the end of a message that is too long", "a-message-may-be-too-long", KeepsTheEnd)
queue("goes on with the wrong byte of a message", "a-message-may-be-too-long", GoesOnWithTheWrongByte)
queue("breaks down over a message that is too long", "a-message-may-be-too-long", GivesUpOnAShortBuffer)


# --- stops beside a reap, and again and again


class StopsWhenReapHasEnded(MemoryQueue):
    """Submitting is free of the lock that reap holds, and stopping is not."""

    def __init__(self, *arguments: object) -> None:
        super().__init__(*arguments)  # type: ignore[arg-type]
        self.taking = threading.Lock()

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        with self.taking:
            return super().reap(deadline)

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        with self.taking:
            return super().quiesce(deadline)


class EndsAReapWithAStop(MemoryQueue):
    stops = 0

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        stops = self.stops
        while stops == self.stops:
            with deadline.split(at_most_s=0.01) as soon:
                done = super().reap(soon)
            if done or deadline.expired:
                return done
        return []

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.stops += 1
        return super().quiesce(deadline)


class StopsWithoutTheLock(MemoryQueue):
    """A ticket that was stopped beside a reap completes there too."""

    reaping = False

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        self.reaping = True
        try:
            return super().reap(deadline)
        finally:
            self.reaping = False

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        done = super().quiesce(deadline)
        if self.reaping:
            self.done += done
        return done


class LosesASlotInAStop(MemoryQueue):
    lost = 0

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if len(self.waiting) + len(self.done) + self.lost >= DEPTH:
            raise BadInput("the ring is full")
        super().submit(ticket, out, into)

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.lost += bool(self.waiting)
        return super().quiesce(deadline)


class ForgetsWhatWasSent(MemoryQueue):
    """Of a ticket with both sides."""

    def complete(self, ticket: int, received: int) -> None:
        if received:
            self.waiting[ticket] = Transfer(None, None)
        super().complete(ticket, received)


queue("stops when reap has ended", "a-stop-does-not-wait-for-a-reap", StopsWhenReapHasEnded)
queue("ends a reap with a stop", "a-stop-does-not-wait-for-a-reap", EndsAReapWithAStop)
queue("completes in a stop and beside it", "a-stop-does-not-wait-for-a-reap", StopsWithoutTheLock)
queue("loses a slot of its ring in each stop", "quiesce-completes-all", LosesASlotInAStop)
queue("forgets that it sent", "each-ticket-completes-once", ForgetsWhatWasSent)
