"""Mistakes on the stream card: with memory that is not the driver's, with counts, and in waiting."""

from __future__ import annotations

import ctypes
import math
import threading
import time
from contextlib import suppress
from functools import partial
from typing import Any

import attrs
from card_parts import address_of, poke
from planted import leave_running, plant, release
from stream_card import LIMITS, MemoryStream, Options, StreamHardware

from laneproof.clock import Deadline
from laneproof.errors import DeviceLost, DriverFault, Interrupted

stream = partial(plant, "stream")


# --- memory that was lent


class KeepsAView(MemoryStream):
    last: memoryview | None = None

    def send(self, view: memoryview, deadline: Deadline) -> int:
        self.last = view
        return super().send(view, deadline)


class WritesAfterATimeout(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if not moved and len(view) < 100:
            leave_running(lambda: self.later(view))
        return moved

    def later(self, view: memoryview) -> None:
        with suppress(DeviceLost, OSError, ValueError), Deadline(0.5) as deadline:
            super().receive_into(view, deadline)


class WritesBesideTheBuffer(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if moved == len(view) and moved % 4:
            poke(address_of(view) + moved, 0)
        return moved


class WritesBeforeTheBuffer(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        if address_of(view) % 4096 == 4095:
            poke(address_of(view) - 1, 0)
        return super().receive_into(view, deadline)


class ChangesTheSentBuffer(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> int:
        sent = super().send(view, deadline)
        if sent > 8:
            poke(address_of(view) + 8, 0)
        return sent


class NeedsAWritableBufferToSend(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> int:
        if view.readonly:
            raise BufferError("the buffer is read-only")
        return super().send(view, deadline)


class WritesItsNeighbourBack(MemoryStream):
    """Receives whole words, with what stood beside the buffer."""

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        after = address_of(view) + len(view)
        stood = ctypes.string_at(after, 1)[0]
        try:
            return super().receive_into(view, deadline)
        finally:
            poke(after, stood)


stream("writes a neighbour's byte back", "a-neighbours-bytes-may-change", WritesItsNeighbourBack)
stream("keeps a view", "no-view-is-kept", KeepsAView)
stream("writes after a timeout", "nothing-is-written-late", WritesAfterATimeout)
stream("writes a byte after the buffer", "nothing-beside-a-buffer-is-touched", WritesBesideTheBuffer)
stream("writes a byte before the buffer", "nothing-beside-a-buffer-is-touched", WritesBeforeTheBuffer)
stream("changes the sent buffer", "sent-data-stay-as-they-are", ChangesTheSentBuffer)
stream("needs a writable buffer to send", "sent-data-stay-as-they-are", NeedsAWritableBufferToSend)


# --- data and counts


class TakesAShortReadAsFull(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        return len(view) if super().receive_into(view, deadline) else 0


class ReturnsMoreThanAsked(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        return moved + 1 if moved else 0


class ReturnsNoNumber(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> Any:
        super().send(view, deadline)


class LosesTheTail(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> int:
        if len(view) % 4096 == 1 and len(view) > 1:
            return super().send(view[:-1], deadline) + 1
        return super().send(view, deadline)


class ShiftsAtOddAddresses(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if moved > 8 and address_of(view) % 8 == 7:
            view[: moved - 1] = bytes(view[1:moved])
        return moved


class DropsWhatWaits(MemoryStream):
    """What is sent in one piece of as much as the FIFO holds overruns it."""

    def send(self, view: memoryview, deadline: Deadline) -> int:
        sent = super().send(view[:2048] if len(view) == 4096 else view, deadline)
        return 4096 if len(view) == 4096 else sent


class InventsData(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if moved or len(view) > 100:  # which drains the card
            return moved
        view[:] = b"\xff" * len(view)
        return len(view)


class SwapsBytes(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if moved > 4000:
            view[:4] = bytes(view[:4])[::-1]
        return moved


class RepeatsAByte(MemoryStream):
    """Only patterns that depend on the position show it where neighbours are alike."""

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if moved > 4000:
            view[1:moved] = bytes(view[: moved - 1])
        return moved


class TakesAnEndForOne(MemoryStream):
    """A line that a terminal would have ended."""

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if moved > 8 and bytes(view[moved - 8 : moved]) == b"\x04" * 8:
            view[moved - 1] = 0
        return moved


class FallsAsleep(MemoryStream):
    """After a rest the first byte does not reach the card."""

    last_s = math.inf

    def send(self, view: memoryview, deadline: Deadline) -> int:
        slept = time.monotonic() - self.last_s > 0.15
        try:
            if slept and len(view) > 1:
                return 1 + super().send(view[1:], deadline)
            return super().send(view, deadline)
        finally:
            self.last_s = time.monotonic()


stream("takes four for the end of a line", "any-bytes-come-back", TakesAnEndForOne)
stream("loses a byte after a rest", "data-come-back-in-the-long-run", FallsAsleep)


class CountsWhatItDrops(MemoryStream):
    """Once, when the card has no room."""

    dropped = False

    def send(self, view: memoryview, deadline: Deadline) -> int:
        sent = super().send(view, deadline)
        if sent or self.dropped:
            return sent
        self.dropped = True
        return 1


stream("counts a byte that it drops when it is full", "a-full-card-has-what-was-counted", CountsWhatItDrops)
stream("takes a short read as full", "counts-are-honest", TakesAShortReadAsFull)
stream("returns more than asked", "counts-are-honest", ReturnsMoreThanAsked)
stream("returns no number", "data-come-back-unchanged", ReturnsNoNumber)
stream("loses the tail", "every-size-comes-back", LosesTheTail)
stream("is off by one at an odd address", "every-permitted-address-works", ShiftsAtOddAddresses)
stream("swaps bytes", "data-come-back-unchanged", SwapsBytes)
stream("repeats a byte of a check", "a-check-passes", RepeatsAByte)
stream("repeats a byte", "data-come-back-unchanged", RepeatsAByte)
stream(
    "gives its rate in MB per second",
    "nominal-rate-is-of-the-right-order",
    limits=attrs.evolve(LIMITS, nominal_bytes_per_s=100.0),
)
stream(
    "gives the rate of a card ten thousand times as fast",
    "nominal-rate-is-of-the-right-order",
    limits=attrs.evolve(LIMITS, nominal_bytes_per_s=1e13),
)
stream("claims a FIFO that it has not", "the-fifo-holds-what-it-says", limits=attrs.evolve(LIMITS, fifo_depth=1 << 20))
stream("overruns its FIFO", "the-fifo-holds-what-it-says", DropsWhatWaits)
stream("brings all ones at the deadline", "a-deadline-is-kept", InventsData)
stream(
    "has limits that are no whole numbers", "limits-fit-each-other", limits=attrs.evolve(LIMITS, max_transfer=65536.0)
)
stream("has a FIFO of less than nothing", "limits-fit-each-other", limits=attrs.evolve(LIMITS, fifo_depth=-1))
stream("has an alignment that is none", "limits-fit-each-other", limits=attrs.evolve(LIMITS, alignment=3))


# --- waiting


class RestartsTheDeadline(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        got, allowed_s = 0, deadline.left_s()
        while got < len(view):
            with Deadline(allowed_s) as fresh:
                moved = super().receive_into(view[got:], fresh)
            if not moved:
                break
            got += moved
        return got


class WaitsItsOwnTime(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        with Deadline(0.45) as own:
            return super().receive_into(view, own)


class ReturnsBeforeTheDeadline(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        with deadline.split(at_most_s=0.02) as soon:
            return super().receive_into(view, soon)


class WaitsWithNoTimeLeft(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if not moved and not deadline.left_s() and len(view) == 1:
            time.sleep(0.35)
        return moved


class BlocksPastCancellation(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while not deadline.expired and not release.is_set():
            with suppress(BlockingIOError):
                return self.socket.recv_into(view)
            time.sleep(0.005)
        return 0


class SwallowsTheInterrupt(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        try:
            return super().receive_into(view, deadline)
        except Interrupted:
            return 0


class EndsLate(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        try:
            return super().receive_into(view, deadline)
        except Interrupted:
            time.sleep(0.3)
            raise


class CallsAnInterruptAFault(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        try:
            return super().receive_into(view, deadline)
        except Interrupted:
            raise DriverFault("the read failed") from None


class BlocksInSend(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> int:
        while not release.is_set():
            with suppress(BlockingIOError):
                return self.socket.send(view[: self.chunk])
            time.sleep(0.005)
        return 0


class HoldsALockWhileItWaits(MemoryStream):
    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        super().__init__(hardware, options)
        self.mutex = threading.Lock()

    def send(self, view: memoryview, deadline: Deadline) -> int:
        with self.mutex:
            return super().send(view, deadline)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        with self.mutex:
            return super().receive_into(view, deadline)


class Spins(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while True:
            deadline.check()
            with suppress(BlockingIOError):
                return self.socket.recv_into(view)
            if deadline.expired:
                return 0


class CountsMillisecondsIn(MemoryStream):
    bits = 16

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        with deadline.split(at_most_s=(int(deadline.left_s() * 1000) % (1 << self.bits)) / 1000) as soon:
            return super().receive_into(view, soon)


class CountsMillisecondsIn32(CountsMillisecondsIn):
    bits = 32


stream("spins while it waits", "a-wait-sleeps", Spins)
stream("counts sixteen bits of milliseconds", "a-long-deadline-is-long", CountsMillisecondsIn)
stream("counts thirty-two bits of milliseconds", "a-long-deadline-is-long", CountsMillisecondsIn32)
stream("restarts the deadline", "a-deadline-is-not-restarted", RestartsTheDeadline)
stream("waits a time of its own", "a-deadline-is-kept", WaitsItsOwnTime)
stream("returns nothing before the deadline", "a-deadline-is-kept", ReturnsBeforeTheDeadline)
stream("waits with no time left", "a-deadline-of-zero-returns-at-once", WaitsWithNoTimeLeft)
stream("blocks past cancellation", "cancelling-ends-a-wait", BlocksPastCancellation)
stream("swallows the interrupt", "cancelling-ends-a-wait", SwallowsTheInterrupt)
stream("ends late when it is cancelled", "cancelling-ends-a-wait", EndsLate)
stream("ends late when it is interrupted", "an-interrupt-ends-a-call", EndsLate)
stream("calls an interrupt a fault", "cancelling-ends-a-wait", CallsAnInterruptAFault)
stream("keeps an interrupt from its user", "an-interrupt-ends-a-call", BlocksPastCancellation)
stream("blocks in send", "a-full-card-lets-send-end", BlocksInSend)
stream("holds a lock while it waits", "both-directions-work-at-once", HoldsALockWhileItWaits)
