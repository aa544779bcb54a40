"""A good card in memory with two queued channels and every part, to be broken one change at a time."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from attrs import frozen
from card_parts import ALIGNMENT, Hardware, Patterns, Readings, Regions, Resets

from laneproof.clock import Deadline
from laneproof.conformance import Rig
from laneproof.contract import Address, Card, Channel, Completion, Driver, Found, Limits, Part, QueuedPath, ResetLevel
from laneproof.errors import BadInput, CannotOpen

DEPTH = 8
LIMITS = Limits(
    max_transfer=1 << 16,
    alignment=ALIGNMENT,
    granularity=4,
    queue_depth=DEPTH,
    boundary="message",
    nominal_bytes_per_s=400e6,
)


@frozen
class NoOptions:
    """Takes none."""


class Transfer:
    """A ticket that is out."""

    def __init__(self, out: memoryview | None, into: memoryview | None) -> None:
        self.out = out
        self.into = into
        self.sent = 0


class MemoryQueue(QueuedPath):
    """Messages wait in the card in order; the next ticket with room takes the next message."""

    depth = DEPTH

    def __init__(self, hardware: Hardware) -> None:
        self.hardware = hardware
        self.lock = threading.RLock()
        self.messages: deque[bytes] = deque()
        self.waiting: dict[int, Transfer] = {}
        self.done: list[Completion] = []

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        with self.lock:
            self.hardware.require()
            if len(self.waiting) + len(self.done) >= self.depth:
                raise BadInput(f"the card takes {self.depth} transfers at a time; reap one first")
            self.waiting[ticket] = Transfer(out, into)
            self.advance()

    def advance(self) -> None:
        """Do all that can be done now."""
        for ticket, transfer in list(self.waiting.items()):
            if transfer.out is not None:
                self.messages.append(bytes(transfer.out))
                transfer.sent, transfer.out = len(transfer.out), None
            if transfer.into is None:
                self.complete(ticket, 0)
            elif self.messages and not self.hardware.silent:
                self.complete(ticket, self.deliver(ticket, transfer.into, self.messages.popleft()))

    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        count = min(len(into), len(message))
        into[:count] = message[:count]
        return count

    def complete(self, ticket: int, received: int) -> None:
        transfer = self.waiting.pop(ticket)
        self.done.append(Completion(ticket=ticket, sent=transfer.sent, received=received))

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while True:
            deadline.check()
            with self.lock:
                self.hardware.require()
                self.advance()
                done, self.done = self.done, []
            if done or deadline.expired:
                return done
            deadline.pause(0.002)

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        with self.lock:
            done, self.done = self.done, []
            for ticket, transfer in self.waiting.items():
                done.append(Completion(ticket=ticket, sent=transfer.sent, received=0, status="stopped"))
            self.waiting.clear()
        return done

    def clear(self) -> None:
        with self.lock:
            self.messages.clear()

    def stop(self) -> None:
        """The card is closed: no buffer is anybody's any more."""
        with self.lock:
            self.waiting.clear()

    def uses(self, memory: object) -> bool:
        """Whether a ticket that is out has a view of that memory."""
        with self.lock:
            views = [view for transfer in self.waiting.values() for view in (transfer.out, transfer.into)]
            return any(view is not None and view.obj is memory for view in views)


class QueueDriver(Driver):
    """Cards "one" and "two", each with two channels. What a mistake changes is an attribute."""

    options = NoOptions
    physical = False
    path_type: Callable[[Hardware], MemoryQueue] = MemoryQueue
    readings_type: Callable[[Hardware], Readings] = Readings
    resets_type: Callable[..., Resets] = Resets
    regions_type: Callable[..., Regions] = Regions
    patterns_type: Callable[[], Patterns] = Patterns
    limits = LIMITS

    def __init__(self) -> None:
        self.hardware = {"one": Hardware(), "two": Hardware()}

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return [Found(address=Address(name)) for name in self.hardware]

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        hardware = self.hardware.get(address.text)
        if hardware is None or hardware.gone:
            raise CannotOpen(f'there is no card "{address.text}"; there are {", ".join(self.hardware)}')
        return self.card(hardware, self.paths(hardware))

    def paths(self, hardware: Hardware) -> list[MemoryQueue]:
        return [self.path_type(hardware), self.path_type(hardware)]

    def card(self, hardware: Hardware, paths: list[MemoryQueue]) -> Card:
        def clear() -> None:
            for path in paths:
                path.clear()

        def close() -> None:
            for path in paths:
                path.stop()

        parts: tuple[Part, ...] = (
            self.readings_type(hardware),
            self.resets_type(hardware, clear),
            self.regions_type(lambda memory: any(path.uses(memory) for path in paths)),
            self.patterns_type(),
        )
        channels = tuple(
            Channel(name=f"dma{number}", path=path, limits=self.limits) for number, path in enumerate(paths)
        )
        return Card(channels=channels, close=close, parts=parts)


class QueueRig(Rig):
    """All that can be done to the queue card."""

    uri = "queue:one"
    second_uri = "queue:two"
    largest = 1 << 14
    quiet_s = 0.4
    patience_s = 1.0
    open_s = 1.0
    wait_s = 0.1
    budget_s = 0.3
    resets = (ResetLevel.DATA, ResetLevel.FUNCTION)

    def __init__(self, driver: QueueDriver) -> None:
        super().__init__()
        self._hardware = driver.hardware["one"]

    def silence(self) -> None:
        self._hardware.silent = True

    def resume(self) -> None:
        self._hardware.silent = False

    def lose(self) -> None:
        self._hardware.gone = True

    def restore(self) -> None:
        self._hardware.gone = False

    def cause_errors(self) -> None:
        self._hardware.bad_tlp += 1
