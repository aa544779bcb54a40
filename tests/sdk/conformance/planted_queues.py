"""Mistakes on the queue card: with tickets, and in stopping the engine."""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial
from typing import cast

import attrs
from card_parts import Hardware
from planted import leave_running, plant
from queue_card import DEPTH, MemoryQueue

from laneproof.clock import Deadline
from laneproof.contract import Completion
from laneproof.errors import BadInput, DriverFault

queue = partial(plant, "queue")


# --- tickets


class LosesATicket(MemoryQueue):
    completed = 0

    def complete(self, ticket: int, received: int) -> None:
        super().complete(ticket, received)
        self.completed += 1
        if self.completed == 5:
            self.done.pop()


class DoublesATicket(MemoryQueue):
    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        done = list(super().reap(deadline))
        return done + done[2:3]


class InventsAStatus(MemoryQueue):
    def complete(self, ticket: int, received: int) -> None:
        super().complete(ticket, received)
        object.__setattr__(self.done[-1], "status", "ok")


class ClaimsMoreThanItHad(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        super().deliver(ticket, into, message)
        return len(into)


class ClaimsMoreThanItSent(MemoryQueue):
    """Only where one ticket does both, the buffer is said to be full."""

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        count = super().deliver(ticket, into, message)
        return len(into) if self.waiting[ticket].sent else count


class SwapsTickets(MemoryQueue):
    """With several tickets out, a message goes to another one."""

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        if len(message) > 388 and self.done:
            message = message[:-4] + message[:4]
        return super().deliver(ticket, into, message)


class TakesHalfAsMany(MemoryQueue):
    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if len(self.waiting) + len(self.done) >= DEPTH // 2:
            raise BadInput("the ring is full")
        super().submit(ticket, out, into)


class BlocksInSubmit(MemoryQueue):
    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        time.sleep(0.05)
        super().submit(ticket, out, into)


class CompletesBeforeTheData(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        if len(message) < 1000:
            return super().deliver(ticket, into, message)
        half = len(message) // 2
        into[:half] = message[:half]

        def later() -> None:
            time.sleep(0.02)
            into[half : len(message)] = message[half:]

        leave_running(later)
        return len(message)


class WaitsForAll(MemoryQueue):
    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while self.waiting and not deadline.expired:
            deadline.pause(0.002)
            self.advance()
        return super().reap(deadline)


class ReapsNothingEarly(MemoryQueue):
    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        with deadline.split(at_most_s=0.02) as soon:
            return super().reap(soon)


class RefusesOneSide(MemoryQueue):
    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if out is None or into is None:
            raise DriverFault("this ring needs both buffers")
        super().submit(ticket, out, into)


class LastInFirstOut(MemoryQueue):
    """Of what waits in the card; an echo is its own."""

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        if not self.waiting[ticket].sent and self.messages:
            self.messages.appendleft(message)
            message = self.messages.pop()
        return super().deliver(ticket, into, message)


class BoundToReap(MemoryQueue):
    """Keeps its lock while it waits in reap."""

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        with self.lock:
            return super().reap(deadline)


class KeepsBuffers(MemoryQueue):
    def __init__(self, hardware: Hardware) -> None:
        super().__init__(hardware)
        self.ring: list[memoryview | None] = []

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        self.ring = [*self.ring[-3:], into]
        super().submit(ticket, out, into)


class WaitsForRoomInSubmit(MemoryQueue):
    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        until_s = time.monotonic() + 0.4
        while self.hardware.silent and time.monotonic() < until_s:
            time.sleep(0.005)
        super().submit(ticket, out, into)


class FetchesAfterCompletion(MemoryQueue):
    """A ticket that only sends completes when it is queued; its buffer is read when the message is delivered."""

    def advance(self) -> None:
        for ticket, transfer in list(self.waiting.items()):
            if transfer.out is not None and transfer.into is None:
                self.messages.append(cast("bytes", transfer.out))
                transfer.sent, transfer.out = len(transfer.out), None
                self.complete(ticket, 0)
        super().advance()


class TakesThenLooks(MemoryQueue):
    """Looks whether it was cancelled once it has taken the completions, which are lost then."""

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        with self.lock:
            self.advance()
            taken, self.done = self.done, []
        deadline.check()
        return taken or super().reap(deadline)


class ForgetsTicketsInAReset(MemoryQueue):
    def clear(self) -> None:
        super().clear()
        self.waiting.clear()


class SeesALossInSubmit(MemoryQueue):
    """Never while it waits."""

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while not self.done and not deadline.expired:
            deadline.pause(0.002)
            self.advance()
        done, self.done = self.done, []
        return done


queue("waits for room in submit", "submit-does-not-wait-for-the-card", WaitsForRoomInSubmit)
queue("fetches a buffer after its completion", "a-sent-buffer-is-free", FetchesAfterCompletion)
queue("loses tickets to an interrupt", "an-interrupt-loses-no-ticket", TakesThenLooks)
queue("forgets tickets in a reset", "a-reset-loses-no-ticket", ForgetsTicketsInAReset)
queue("does not see a loss in reap", "a-loss-ends-a-wait", SeesALossInSubmit)
queue("loses a ticket", "each-ticket-completes-once", LosesATicket)
queue("completes a ticket twice", "each-ticket-completes-once", DoublesATicket)
queue("invents a status", "each-ticket-completes-once", InventsAStatus)
queue("mixes up transfers under way", "each-ticket-completes-once", SwapsTickets)
queue("claims a full buffer for a short message", "counts-are-honest", ClaimsMoreThanItHad)
queue("claims a full buffer for a short echo", "counts-are-honest", ClaimsMoreThanItSent)
queue("takes half as many tickets as it says", "the-queue-is-as-deep-as-it-says", TakesHalfAsMany)
queue("blocks in submit", "the-queue-is-as-deep-as-it-says", BlocksInSubmit)
queue("completes before the data are there", "completions-do-not-overtake-data", CompletesBeforeTheData)
queue("reaps only all tickets together", "reap-returns-with-the-first-completion", WaitsForAll)
queue("reaps nothing before the deadline", "a-deadline-is-kept", ReapsNothingEarly)
queue("refuses a ticket with one side", "one-side-alone-works", RefusesOneSide)
queue("gives out last what came first", "one-side-alone-works", LastInFirstOut)
queue("keeps its lock in reap", "both-directions-work-at-once", BoundToReap)
queue("keeps buffers in its ring", "no-view-is-kept", KeepsBuffers)


# --- stopping


class ForgetsTicketsInQuiesce(MemoryQueue):
    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        return list(super().quiesce(deadline))[1:]


class WritesAfterQuiesce(MemoryQueue):
    def __init__(self, hardware: Hardware) -> None:
        super().__init__(hardware)
        self.stopped: list[memoryview] = []

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.stopped += [transfer.into for transfer in self.waiting.values() if transfer.into is not None]
        return super().quiesce(deadline)

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        for old in self.stopped:
            super().deliver(ticket, old, message)
        return super().deliver(ticket, into, message)


class SaysDoneInQuiesce(MemoryQueue):
    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        return [attrs.evolve(completion, status="done") for completion in super().quiesce(deadline)]


class FailsEachTicket(MemoryQueue):
    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        return [attrs.evolve(done, status="failed", why="the engine is tired") for done in super().reap(deadline)]


class StaysStopped(MemoryQueue):
    stopped = False

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.stopped = True
        return super().quiesce(deadline)

    def advance(self) -> None:
        if not self.stopped:
            super().advance()


class LandsAfterTheDeadline(MemoryQueue):
    """What was stopped is delivered once the card speaks again."""

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        stopped = [transfer.into for transfer in self.waiting.values() if transfer.into is not None]
        done = super().quiesce(deadline)

        def later() -> None:
            until_s = time.monotonic() + 0.5
            while self.hardware.silent and time.monotonic() < until_s:
                time.sleep(0.005)
            for into in stopped:
                if self.messages:
                    self.deliver(0, into, self.messages.popleft())

        leave_running(later)
        return done


class ErrsAfterAStop(MemoryQueue):
    """The first transfer after a stop is wrong, whatever was reset in between."""

    stopped = False

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.stopped |= bool(self.waiting or self.done)
        return super().quiesce(deadline)

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        moved = super().deliver(ticket, into, message)
        if self.stopped:
            into[0] ^= 1
        self.stopped = False
        return moved


class TiresAfterAThousand(MemoryQueue):
    delivered = 0

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        moved = super().deliver(ticket, into, message)
        self.delivered += 1
        if self.delivered == 300:
            into[moved - 1] ^= 0x80
        return moved


queue("forgets a ticket in quiesce", "quiesce-completes-all", ForgetsTicketsInQuiesce)
queue("says done of what it stopped", "quiesce-completes-all", SaysDoneInQuiesce)
queue("fails each ticket", "each-ticket-completes-once", FailsEachTicket)
queue("stays stopped", "quiesce-completes-all", StaysStopped)
queue("writes after quiesce", "quiesce-ends-all-writing", WritesAfterQuiesce)
queue("delivers to a buffer of old", "a-silent-card-writes-nothing-late", LandsAfterTheDeadline)
queue("errs once it was stopped", "any-sequence-of-calls-is-right", ErrsAfterAStop)
queue("tires after three hundred transfers", "data-come-back-in-the-long-run", TiresAfterAThousand)
queue("errs after a stop", "a-card-recovers-from-a-timeout", ErrsAfterAStop)
queue("cannot be recovered", "a-card-recovers-from-a-timeout", StaysStopped)
queue("loses a ticket of a check", "a-check-passes", LosesATicket)
