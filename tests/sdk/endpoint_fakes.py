"""Small drivers for tests of the endpoint: a card in memory that echoes rightly, to be broken method by method.

They show what an endpoint does with a driver that has a part, or misbehaves. What happens to data on the way is
tested on the simulator and on real character devices.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from attrs import frozen

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import (
    Address,
    Card,
    Channel,
    Completion,
    Driver,
    Found,
    Limits,
    Part,
    QueuedPath,
    StreamPath,
)

AT_ONCE_S = 1.0
"""Far from the 30 s that a call would take otherwise, with room for a busy computer."""


@frozen
class NoOptions:
    """Takes none."""


class EchoStream(StreamPath):
    """Echoes through a FIFO of `fifo` bytes."""

    def __init__(self, fifo: int = 1 << 16) -> None:
        self.fifo = fifo
        self.held = bytearray()
        self.lock = threading.Lock()

    def send(self, view: memoryview, deadline: Deadline) -> int:
        while True:
            with self.lock:
                moved = min(len(view), self.fifo - len(self.held))
                self.held += view[:moved]
            if moved or deadline.expired:
                return moved
            deadline.pause(0.001)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while True:
            with self.lock:
                moved = min(len(view), len(self.held))
                view[:moved] = self.held[:moved]
                del self.held[:moved]
            if moved or deadline.expired:
                return moved
            deadline.pause(0.001)


class EchoQueue(QueuedPath):
    """Echoes each transfer when it is reaped. `out` alone is held for the next `into` alone."""

    def __init__(self) -> None:
        self.waiting: dict[int, tuple[memoryview | None, memoryview | None]] = {}
        self.held = bytearray()
        self.submitted = 0

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        self.submitted += 1
        self.waiting[ticket] = (out, into)

    def finish(self, ticket: int) -> Completion:
        out, into = self.waiting.pop(ticket)
        if out is not None:
            self.held += out
        got = 0
        if into is not None:
            got = min(len(into), len(self.held))
            into[:got] = self.held[:got]
            del self.held[:got]
        return Completion(ticket=ticket, sent=len(out or b""), received=got)

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while not self.waiting:
            if deadline.expired:
                return []
            deadline.pause(0.001)
        return [self.finish(ticket) for ticket in list(self.waiting)]

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        tickets, self.waiting = list(self.waiting), {}
        return [Completion(ticket=ticket, sent=0, received=0, status="stopped") for ticket in tickets]


class FakeDriver(Driver):
    """Gives out the cards that `make` makes, one each time that it connects."""

    options = NoOptions
    physical = False

    def __init__(self, make: Callable[[Deadline], Card]) -> None:
        self.make = make
        self.connected = 0

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return ()

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        self.connected += 1
        return self.make(deadline)


class Untouchable(EchoStream):
    """Fails the test that lets a byte get as far as the driver."""

    def send(self, view: memoryview, deadline: Deadline) -> int:
        raise AssertionError("something was written")


LIMITS = Limits(max_transfer=1 << 16, queue_depth=4)


def card_of(
    *paths: Any,
    limits: Limits = LIMITS,
    parts: tuple[Part, ...] = (),
    close: Callable[[], None] = lambda: None,
    **more: Any,
) -> Card:
    channels = tuple(Channel(name=f"dma{number}", path=path, limits=limits) for number, path in enumerate(paths))
    return Card(channels=channels, close=close, parts=parts, **more)


@contextmanager
def opened(install: Callable[..., None], *paths: Any, **card: Any) -> Iterator[laneproof.Endpoint]:
    """An endpoint on a card with these paths; the same objects again when it is connected anew."""
    install(FakeDriver(lambda _: card_of(*paths, **card)), "fake")
    with laneproof.open("fake:card") as endpoint:
        yield endpoint


class InThread:
    """Runs a call in a thread of its own and keeps what came of it."""

    def __init__(self, call: Callable[[], Any]) -> None:
        self.result: Any = None
        self.error: BaseException | None = None
        self._call = call
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.result = self._call()
        except BaseException as error:
            self.error = error

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def join(self, timeout_s: float = 10.0) -> InThread:
        self._thread.join(timeout_s)
        assert not self._thread.is_alive(), "the call did not come back"
        return self


def until(condition: Callable[[], bool]) -> None:
    """Wait for another thread to have come that far."""
    until_s = time.monotonic() + 5.0
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.001)


def raises(error: BaseException) -> Callable[..., Any]:
    """A method that raises."""

    def fail(*_: object) -> Any:
        raise error

    return fail
