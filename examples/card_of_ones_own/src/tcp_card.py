"""The scheme `tcpcard`, as in tcpcard:127.0.0.1:7110?nominal_mb_s=400: a card that echoes over TCP.

The first line that it sends, its hello, is "echo-card MODEL SERIAL FIRMWARE" and a newline.
"""

import ipaddress
import select
import socket
from collections.abc import Callable
from contextlib import suppress

from attrs import field, frozen, validators

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Channel, Driver, Found, IdentitySource, Limits, StreamPath
from laneproof.errors import BadInput, CannotOpen, DeviceLost
from laneproof.readings import Component, Identity


@frozen(kw_only=True)
class Options:
    """`nominal_mb_s`: the rate to expect, in 10^6 bytes per second; default timeouts and sizes follow from it."""

    nominal_mb_s: float = field(default=100.0, validator=[validators.gt(0.0), validators.le(1e6)])


class Connection(StreamPath, IdentitySource):
    """One connection to a card. Never blocks but in `deadline.wait`, which a timeout and an interrupt both end."""

    def __init__(self, address: tuple[str, int], deadline: Deadline) -> None:
        self._socket = socket.socket()
        self.close = self._socket.close
        try:
            self._socket.setblocking(False)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with suppress(BlockingIOError):  # it goes on by itself; the first read shows what became of it
                self._socket.connect(address)
            self._identity = self._read_hello(deadline)
        except BaseException:
            self.close()
            raise

    def send(self, view: memoryview, deadline: Deadline) -> int:
        return self._move(self._socket.send, view, select.POLLOUT, deadline) or 0

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = self._move(self._socket.recv_into, view, select.POLLIN, deadline)
        if moved == 0 and len(view):
            raise DeviceLost("the card closed the connection; see that it runs")
        return moved or 0

    def read_identity(self, deadline: Deadline) -> Identity:
        return self._identity  # a card cannot become another one without this connection breaking

    def _move(self, call: Callable[[memoryview], int], view: memoryview, events: int, deadline: Deadline) -> int | None:
        """Bytes moved, or None at the deadline."""
        while True:
            deadline.check()
            try:
                return call(view)
            except BlockingIOError:
                if not deadline.wait(self._socket.fileno(), events):
                    return None
            except (ConnectionError, TimeoutError) as error:
                raise DeviceLost(f"the connection broke ({error.strerror}); see that the card runs") from error

    def _read_hello(self, deadline: Deadline) -> Identity:
        hello, byte = b"", bytearray(1)
        while not hello.endswith(b"\n") and len(hello) < 200 and self.receive_into(memoryview(byte), deadline):
            hello += byte
        match hello.decode("ascii", "replace").split():
            case ["echo-card", model, serial, firmware] if hello.endswith(b"\n"):
                return Identity(model=model, serial=serial, components=(Component("firmware", firmware),))
        raise CannotOpen(f"no echo card's hello came, but {hello!r}; see what listens there")


class TcpCardDriver(Driver):
    options = Options

    def discover(self, deadline: Deadline) -> tuple[Found, ...]:
        return ()  # a network is not searched unasked

    def connect(self, address: Address, options: Options, deadline: Deadline) -> Card:
        host, _, port = address.text.rpartition(":")
        try:
            where = str(ipaddress.IPv4Address(host)), int(port)  # no name: looking it up would block
            if not 0 < where[1] < 65536:
                raise ValueError
        except ValueError:
            raise BadInput(f'"{address.text}" is not IPV4-ADDRESS:PORT; write for example 127.0.0.1:7110') from None
        try:
            path = Connection(where, deadline)
        except DeviceLost as lost:
            raise CannotOpen(str(lost)) from lost
        limits = Limits(max_transfer=1 << 20, nominal_bytes_per_s=options.nominal_mb_s * 1e6)
        return Card(channels=(Channel(name="echo", path=path, limits=limits),), close=path.close, parts=(path,))


driver = TcpCardDriver()
