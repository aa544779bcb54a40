"""A carrier over TCP: what `serial:socket://HOST:PORT` opens, a card or a server of frames on a network.

Connects without blocking, so that a deadline and an interrupt end it; so a host is given by number, and no name is
looked up.
"""

from __future__ import annotations

import errno
import ipaddress
import os
import select
import socket
from urllib.parse import urlsplit

from laneproof.clock import Deadline
from laneproof.errors import BadInput, CannotOpen
from laneproof_drivers.framing.carrier import DescriptorCarrier

_WINDOW = 1 << 20
"""Bytes; TCP itself keeps what is not read yet."""


def open_socket(url: str, deadline: Deadline) -> DescriptorCarrier:
    """Connect to socket://HOST:PORT. Raises BadInput for another form, CannotOpen where nobody accepts."""
    address = _address(url)
    connection = socket.socket(socket.AF_INET6 if ":" in address[0] else socket.AF_INET)
    try:
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        number = connection.connect_ex(address)
        if number == errno.EINPROGRESS:
            if not deadline.wait(connection.fileno(), select.POLLOUT):
                raise CannotOpen(f"{url} did not accept a connection in time; see that the way to it is open")
            number = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if number:
            raise CannotOpen(f"{url} cannot be reached: {os.strerror(number)}; see that a server of frames runs there")
        carrier = DescriptorCarrier(url, "TCP", connection.fileno(), connection.close)
        carrier.window = _WINDOW
    except BaseException:
        connection.close()
        raise
    return carrier


def _address(url: str) -> tuple[str, int]:
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        if host != "localhost":
            ipaddress.ip_address(host)
        if not port or parts.path.strip("/") or parts.username:
            raise ValueError
    except ValueError:
        raise BadInput(
            f'"{url}" is not socket://ADDRESS:PORT with a number for an address; write for example '
            "serial:socket://127.0.0.1:7120"
        ) from None
    return "127.0.0.1" if host == "localhost" else host, port
