"""A byte stream over non-blocking descriptors: one to write, one to read, which may be the same.

Tries the system call first and waits only in the deadline. Knows what an error number means for a device that was
already open; how a device is opened and put back is `device_node`'s.
"""

from __future__ import annotations

import errno
import os
import select
from typing import NoReturn

from laneproof.clock import Deadline
from laneproof.contract import StreamPath
from laneproof.errors import DeviceLost, DriverFault
from laneproof_drivers.device_node import DeviceNode

_GONE = frozenset((errno.EPIPE, errno.ECONNRESET, errno.ENOTCONN, errno.ESHUTDOWN, errno.ENODEV, errno.ENXIO))
"""What a write or read says once the other side or the device itself has left (Linux pipe(7), unix(7), read(2))."""

_RETRY_S = 0.001
"""Pause where poll says ready but the call would block: a device whose kernel driver has no poll of its own."""


class DescriptorStream(StreamPath):
    """Bytes out through one node, bytes in through another or the same; at most `chunk` bytes a system call.

    A device whose kernel driver ignores O_NONBLOCK can block in the system call itself, where no deadline reaches.
    """

    def __init__(self, out: DeviceNode, into: DeviceNode, chunk: int) -> None:
        self._out = out
        self._into = into
        self._chunk = chunk

    def send(self, view: memoryview, deadline: Deadline) -> int:
        piece = view[: self._chunk]
        polled_ready = False
        while len(piece):
            deadline.check()
            try:
                moved = os.write(self._out.fd, piece)
            except BlockingIOError:
                moved = 0
            except OSError as error:
                _raise(error, self._out, "writing to")
            if moved:
                return moved
            if not _wait(self._out.fd, select.POLLOUT, deadline, polled_ready):
                break
            polled_ready = True
        return 0

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        piece = view[: self._chunk]
        polled_ready = False
        while len(piece):
            deadline.check()
            try:
                moved = os.readv(self._into.fd, [piece])
            except BlockingIOError:
                pass
            except OSError as error:
                _raise(error, self._into, "reading from")
            else:
                if moved:
                    return moved
                raise DeviceLost(f"{self._into.path} has come to its end: the echoing side closed it; {_AFTER_A_LOSS}")
            if not _wait(self._into.fd, select.POLLIN, deadline, polled_ready):
                break
            polled_ready = True
        return 0


_AFTER_A_LOSS = "see that it runs and is connected, then open it again"


def _wait(fd: int, events: int, deadline: Deadline, polled_ready: bool) -> bool:
    """True when the call is worth another try, False at the deadline."""
    if polled_ready:
        deadline.pause(_RETRY_S)
    return bool(deadline.wait(fd, events)) and not (polled_ready and deadline.expired)


def _raise(error: OSError, node: DeviceNode, doing: str) -> NoReturn:
    what = f"{doing} {node.path} failed with {error.strerror}"
    # A terminal says EIO once its other side hung up (Linux tty drivers); elsewhere EIO is one failed transfer.
    if error.errno in _GONE or (error.errno == errno.EIO and node.is_tty):
        raise DeviceLost(f"{what}: the echoing side is gone; {_AFTER_A_LOSS}") from error
    if error.errno == errno.EBADF:
        raise DriverFault(f"{what}: it is closed; open it again") from error
    raise DriverFault(f"{what}; see the kernel log for its driver's reason") from error
