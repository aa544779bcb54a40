"""A good card in memory whose bytes flow through a pair of sockets, to be broken one change at a time."""

from __future__ import annotations

import itertools
import select
import socket
import threading
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from typing import Any

from attrs import field, frozen, validators

from laneproof.clock import Deadline
from laneproof.conformance import Rig
from laneproof.contract import Address, Card, Channel, Driver, Found, IdentitySource, Limits, StreamPath
from laneproof.errors import CannotOpen, DeviceLost
from laneproof.readings import Identity

FIFO = 4096
_serials = itertools.count(1)
LIMITS = Limits(max_transfer=1 << 18, fifo_depth=FIFO, nominal_bytes_per_s=100e6)


@frozen(kw_only=True)
class Options:
    chunk: int = field(default=1 << 14, validator=validators.ge(1))


class StreamHardware:
    """The card itself, which is there whether it is open or not."""

    def __init__(self) -> None:
        self.echoing = threading.Event()
        self.echoing.set()
        self.gone = False
        self.serial = f"invented {next(_serials)}"
        self.stray = b""
        self.ends: list[socket.socket] = []
        """The card's ends of its connections."""

    def echo(self, end: socket.socket, stray: bytes) -> None:
        """Give back what comes, until the other end closes."""
        with end, suppress(OSError):
            if stray:
                end.sendall(stray)
            while data := end.recv(65536):
                while not self.echoing.wait(0.01) and end in self.ends:
                    pass
                end.sendall(data)

    def vanish(self) -> None:
        self.gone = True
        for end in self.ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


class MemoryStream(StreamPath):
    """One opening of the card."""

    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        self.chunk = options.chunk
        self.socket, end = socket.socketpair()
        self.socket.setblocking(False)
        self._end = end
        self.hardware = hardware
        hardware.ends.append(end)
        stray, hardware.stray = hardware.stray, b""
        self._echo = threading.Thread(target=hardware.echo, args=(end, stray), name="stream-card", daemon=True)
        self._echo.start()

    def send(self, view: memoryview, deadline: Deadline) -> int:
        return self._move(self.socket.send, view, select.POLLOUT, deadline) or 0

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = self._move(self.socket.recv_into, view, select.POLLIN, deadline)
        if moved == 0:
            raise DeviceLost("the card has gone")
        return moved or 0

    def _move(self, call: Callable[[memoryview], int], view: memoryview, events: int, deadline: Deadline) -> int | None:
        while True:
            deadline.check()
            try:
                return call(view[: self.chunk])
            except BlockingIOError:
                if not deadline.wait(self.socket.fileno(), events):
                    return None
            except ConnectionError as error:
                raise DeviceLost("the card has gone") from error

    def drain(self, deadline: Deadline) -> None:
        """Drop what an earlier user left, until nothing comes."""
        scratch = memoryview(bytearray(65536))
        while True:
            with deadline.split(at_most_s=0.005) as soon:
                if not self.receive_into(scratch, soon):
                    return

    def close(self) -> None:
        if self._end in self.hardware.ends:
            self.hardware.ends.remove(self._end)
        self.socket.close()
        self._echo.join()


class StreamParts(IdentitySource):
    """What one card says of itself."""

    def __init__(self, hardware: StreamHardware) -> None:
        self.hardware = hardware

    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model="stream card", serial=self.hardware.serial)


class StreamDriver(Driver):
    """Cards "one" and "two". What a mistake changes is an attribute, or a method of the path."""

    options: type[Any] = Options
    physical = False
    path_type: Callable[[StreamHardware, Options], MemoryStream] = MemoryStream
    parts_type: Callable[[StreamHardware], StreamParts] = StreamParts
    limits = LIMITS

    def __init__(self) -> None:
        self.hardware = {"one": StreamHardware(), "two": StreamHardware()}

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return [Found(address=Address(name)) for name in self.hardware]

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        hardware = self.hardware.get(address.text)
        if hardware is None or hardware.gone:
            raise CannotOpen(f'there is no card "{address.text}"; there are {", ".join(self.hardware)}')
        with ExitStack() as undo:
            path = self.path_type(hardware, options)
            undo.callback(path.close)
            path.drain(deadline)
            undo.pop_all()
        return self.card(path)

    def card(self, path: MemoryStream) -> Card:
        channel = Channel(name="echo", path=path, limits=self.limits)
        return Card(channels=(channel,), close=path.close, parts=(self.parts_type(path.hardware),))


class StreamRig(Rig):
    """All that can be done to the stream card."""

    uri = "stream:one"
    second_uri = "stream:two"
    largest = 1 << 18
    quiet_s = 0.4
    patience_s = 1.0
    open_s = 1.0
    wait_s = 0.1
    budget_s = 0.3

    def __init__(self, driver: StreamDriver) -> None:
        super().__init__()
        self._hardware = driver.hardware["one"]

    def silence(self) -> None:
        self._hardware.echoing.clear()

    def resume(self) -> None:
        self._hardware.echoing.set()

    def lose(self) -> None:
        self._hardware.vanish()

    def restore(self) -> None:
        self._hardware.gone = False

    def stray(self, nbytes: int) -> None:
        self._hardware.stray = bytes(nbytes)
