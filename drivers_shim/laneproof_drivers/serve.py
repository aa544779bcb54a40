"""`python -m laneproof_drivers.serve URI`: any card, a simulated one too, behind frames on the loopback address.

    $ python -m laneproof_drivers.serve sim:demo#north
    serial:socket://127.0.0.1:7120

Whoever opens what it prints, with laneproof or a program of their own, has the card; one at a time. It lives beside the
drivers, since it needs what a driver may import: the contract, and drivers by their entry points. What a host asks is
done in `served_card`.
"""

from __future__ import annotations

import argparse
import ipaddress
import os
import select
import socket
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from importlib.metadata import entry_points
from urllib.parse import parse_qsl, unquote

from laneproof import safety
from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Driver
from laneproof.documents import printable, structure_text
from laneproof.errors import BadInput, CannotOpen, DriverFault, LaneproofError
from laneproof_drivers.framing.card_side import refusal
from laneproof_drivers.framing.framed_card import read_token
from laneproof_drivers.framing.messages import Why
from laneproof_drivers.served_card import ServedCard, left_out

PORT = 7120
_OPEN_S = 10.0
_HELLO_S = 10.0
"""Who has not said HELLO by then makes room for another."""
_REFUSAL_S = 0.2
_READ_SIZE = 1 << 18
_MOST_UNSENT = 1 << 20
"""Bytes; nothing more is read from a host that does not take its answers."""


def opener(uri: str) -> tuple[Callable[[Deadline], Card], Driver]:
    """How to open the card at `uri`, and its driver. Raises BadInput, CannotOpen."""
    rest, _, slot = uri.partition("#")
    rest, _, query = rest.partition("?")
    scheme, _, address = rest.partition(":")
    found = [entry for entry in entry_points(group="laneproof.endpoints") if entry.name == scheme]
    if not address or len(found) != 1:
        raise BadInput(f'"{printable(uri)}" names no card; `laneproof endpoints` lists what can be opened')
    try:
        driver = found[0].load()
    except Exception as error:  # an outside package may raise anything at import
        raise CannotOpen(f"the driver of {scheme} cannot be imported: {printable(str(error))}") from error
    if not isinstance(driver, Driver):
        raise CannotOpen(f"the driver of {scheme} is no laneproof.contract.Driver")
    try:
        given = dict(parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query)))
    except ValueError:
        raise BadInput(f'"{printable(uri)}": write options as ?name=value&name=value') from None
    options = structure_text(given, driver.options, "options")
    where = Address(unquote(address), unquote(slot))
    return lambda deadline: driver.connect(where, options, deadline), driver


class Server:
    """Listens, and has at most one host at a time. `close` ends everything."""

    def __init__(self, uri: str, address: str, port: int, token: bytes, *, acknowledged: bool) -> None:
        self._uri = uri
        self._connect, self._driver = opener(uri)
        if self._driver.physical and not self._driver.may_be_simulated:
            safety.surface(acknowledged=acknowledged)
        self._token = token
        card = self._opened()  # what cannot be opened is said now, and not to the first host
        card.close()
        if self._driver.may_be_simulated and not card.simulated:
            safety.surface(acknowledged=acknowledged)
        self.left_out = left_out(card)
        with ExitStack() as undo:
            family = socket.AF_INET6 if ":" in address else socket.AF_INET
            try:
                self._listener = undo.enter_context(socket.create_server((address, port), family=family))
            except OSError as error:
                raise CannotOpen(f"cannot listen at {address} port {port}: {error.strerror}; give another") from error
            self._listener.setblocking(False)
            self._wake = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
            undo.callback(os.close, self._wake)
            self._undo = undo.pop_all()
        host = f"[{address}]" if ":" in address else address
        self.endpoint = f"serial:socket://{host}:{self._listener.getsockname()[1]}"
        self._client: _Client | None = None

    def run(self, ended: Callable[[], bool] = lambda: False) -> None:
        """Serve until KeyboardInterrupt, or until `ended` after a `wake`."""
        while not ended():
            self._round()

    def wake(self) -> None:
        """End the server's wait, from any thread."""
        os.eventfd_write(self._wake, 1)

    def close(self) -> None:
        self._leave()
        self._undo.close()

    def _round(self) -> None:
        poller = select.poll()
        poller.register(self._listener.fileno(), select.POLLIN)
        poller.register(self._wake, select.POLLIN)
        client = self._client
        if client is not None:
            poller.register(client.connection.fileno(), client.events())
        ready = dict(poller.poll(1000))
        if self._wake in ready:
            with suppress(BlockingIOError):
                os.eventfd_read(self._wake)
        if client is not None:
            try:
                client.turn(ready.get(client.connection.fileno(), 0))
            except (OSError, LaneproofError):
                self._leave()
        if self._listener.fileno() in ready:
            self._accept()

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:  # it went away again
            return
        connection.setblocking(False)
        if self._client is not None:
            _refuse(connection, Why.IN_USE, "another program has this card; end that one first")
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            card = self._opened()
            try:
                served = ServedCard(card, self._uri, self._driver, self._token, self.wake)
            except BaseException:
                card.close()
                raise
        except LaneproofError as error:
            why = f"{self._uri} could not be opened: {printable(str(error))}"
            print(why, file=sys.stderr, flush=True)
            _refuse(connection, Why.FAILED, why)
            return
        self._client = _Client(connection, served)

    def _opened(self) -> Card:
        with Deadline(_OPEN_S) as deadline:
            try:
                return self._connect(deadline)
            except LaneproofError:
                raise
            except Exception as error:  # an outside driver may raise anything
                raise DriverFault(f"its driver failed with {type(error).__name__}: {printable(str(error))}") from error

    def _leave(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()


def _refuse(connection: socket.socket, code: Why, why: str) -> None:
    with connection, suppress(OSError):
        connection.send(refusal(code, why))
        connection.shutdown(socket.SHUT_WR)
        # Closed with a HELLO unread, the connection would be reset, and the refusal lost with it (RFC 1122, 4.2.2.13).
        connection.settimeout(_REFUSAL_S)
        connection.recv(_READ_SIZE)


class _Client:
    """One host's connection."""

    def __init__(self, connection: socket.socket, served: ServedCard) -> None:
        self.connection = connection
        self._served = served
        self._unsent = memoryview(b"")
        self._greet_until_s = time.monotonic() + _HELLO_S

    def events(self) -> int:
        waiting = bool(self._unsent) or self._served.side.pending
        return (self.unsent < _MOST_UNSENT) * select.POLLIN | waiting * select.POLLOUT

    @property
    def unsent(self) -> int:
        """Bytes of answers that the host has not taken."""
        return len(self._unsent) + self._served.side.queued

    def turn(self, ready: int) -> None:
        """Read, do, and send as much as goes at once. Raises OSError once the host is gone."""
        if ready & (select.POLLIN | select.POLLHUP | select.POLLERR):
            data = self.connection.recv(_READ_SIZE)
            if not data:
                raise ConnectionResetError
            self._served.take(data)
        if not self._served.side.greeted and time.monotonic() > self._greet_until_s:
            raise TimeoutError
        self._served.settle()
        with suppress(BlockingIOError):
            while self._unsent or self._served.side.pending:
                if not self._unsent:
                    self._unsent = memoryview(self._served.side.outgoing(_READ_SIZE))
                self._unsent = self._unsent[self.connection.send(self._unsent) :]

    def close(self) -> None:
        self._served.close()
        self.connection.close()


def _arguments(given: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m laneproof_drivers.serve",
        description="Put a card behind frames on a TCP port; prints what to open. Ctrl-C ends it.",
    )
    parser.add_argument("uri", help="the card, for example sim:demo#north")
    parser.add_argument(
        "--address", default="127.0.0.1", help="where to listen; beyond this computer with a token only"
    )
    parser.add_argument("--port", type=int, default=PORT, help=f"default {PORT}; 0 picks a free one")
    parser.add_argument("--token-file", default="", metavar="FILE", help="hosts have to give what stands in it")
    parser.add_argument("--acknowledge-cautions", action="store_true", help="the cautions on a physical card are known")
    return parser.parse_args(given)


def _address(text: str, token: bytes) -> str:
    try:
        loopback = ipaddress.ip_address(text).is_loopback
    except ValueError:
        raise BadInput(f"--address {printable(text)} is no IP address; write for example 127.0.0.1") from None
    if not loopback and not token:
        raise BadInput(f"--address {text} lets other computers in; give --token-file too, or leave it out")
    return text


def main(given: Sequence[str] | None = None) -> int:
    """Returns the exit status: 2 wrong use, 4 error, 130 interrupted."""
    chosen = _arguments(given)
    server: Server | None = None
    try:
        token = read_token(chosen.token_file)
        if not 0 <= chosen.port < 65536:
            raise BadInput(f"--port {chosen.port} is no port; give 0 to 65535")
        where = _address(chosen.address, token)
        server = Server(chosen.uri, where, chosen.port, token, acknowledged=chosen.acknowledge_cautions)
        if server.left_out:
            print(server.left_out, file=sys.stderr, flush=True)
        print(server.endpoint, flush=True)
        server.run()
    except LaneproofError as error:
        print(error, file=sys.stderr)
        return 2 if isinstance(error, BadInput) else 4
    except KeyboardInterrupt:
        return 130
    else:
        return 0
    finally:
        if server is not None:
            server.close()


if __name__ == "__main__":
    sys.exit(main())
