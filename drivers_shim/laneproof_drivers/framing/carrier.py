"""What carries frames: bytes out and in without blocking, and one place to wait. Knows nothing of frames.

`DescriptorCarrier` is for anything with a descriptor, a terminal or a socket; other ways in bring a `Carrier` of their
own.
"""

from __future__ import annotations

import errno
import os
import select
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from typing import NoReturn

from laneproof.clock import Deadline
from laneproof.errors import DeviceLost, DriverFault

READ_SIZE = 1 << 17


class Carrier(ABC):
    """One thread at a time is in `wait`; `read` and `write` may be called beside it, one at a time."""

    name: str
    """For errors: a path, an address."""
    medium: str = ""
    """What it is, in words: "TCP"; the rate of a card behind it is the rate of that."""
    window: int = 1 << 15
    """Bytes of DATA that may be under way to the host at a time: what is surely kept while nobody reads."""

    bytes_per_s: float | None = None
    """What it carries at most, where that is known; a card behind it is no faster."""

    @abstractmethod
    def write(self, data: memoryview) -> int:
        """Hand over as many bytes as go at once, or within a slice; 0 if none do. Raises DeviceLost, DriverFault."""

    @abstractmethod
    def read(self) -> bytes:
        """What has arrived; nothing if nothing has. Raises DeviceLost, DriverFault."""

    @abstractmethod
    def wait(self, deadline: Deadline, *, writing: bool) -> None:
        """Until there is something to read, or room to write if `writing`, or `poke`, or a slice, or the deadline."""

    @abstractmethod
    def poke(self) -> None:
        """End another thread's `wait` at once, or leave it to its slice."""

    @abstractmethod
    def close(self) -> None:
        """Give everything back. Idempotent; raises nothing."""


_GONE = {
    *(errno.EPIPE, errno.ECONNRESET, errno.ENOTCONN, errno.ESHUTDOWN, errno.ENODEV, errno.ENXIO, errno.EIO),
    *(errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ENETDOWN, errno.ENETRESET, errno.ECONNABORTED),
}
"""What a write or read says once the far side, the device or the way to it is gone (Linux tty drivers, tcp(7))."""


class DescriptorCarrier(Carrier):
    """Over a descriptor that does not block. `release` gives it back."""

    def __init__(self, name: str, medium: str, fd: int, release: Callable[[], object]) -> None:
        self.name = name
        self.medium = medium
        self._fd = fd
        self._release = release
        self._wake = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        # One descriptor that shows either: a deadline waits for one, and another thread may have more to send.
        self._both = select.epoll()
        self._both.register(self._wake, select.EPOLLIN)
        self._both.register(fd, select.EPOLLIN)
        self._events = select.EPOLLIN

    def write(self, data: memoryview) -> int:
        try:
            return os.write(self._fd, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            self._raise(error, "writing to")

    def read(self) -> bytes:
        try:
            data = os.read(self._fd, READ_SIZE)
        except BlockingIOError:
            return b""
        except OSError as error:
            self._raise(error, "reading from")
        if not data:
            raise DeviceLost(f"{self.name} has come to its end: the far side closed it; {_AFTER_A_LOSS}")
        return data

    def wait(self, deadline: Deadline, *, writing: bool) -> None:
        events = select.EPOLLIN | (select.EPOLLOUT if writing else 0)
        if events != self._events:
            self._both.modify(self._fd, events)
            self._events = events
        deadline.wait(self._both.fileno(), select.POLLIN)
        with suppress(BlockingIOError):
            os.eventfd_read(self._wake)

    def poke(self) -> None:
        os.eventfd_write(self._wake, 1)

    def close(self) -> None:
        if self._fd < 0:
            return
        self._fd = -1
        self._both.close()
        os.close(self._wake)
        self._release()

    def _raise(self, error: OSError, doing: str) -> NoReturn:
        what = f"{doing} {self.name} failed with {error.strerror}"
        if error.errno in _GONE:
            raise DeviceLost(f"{what}: the far side is gone; {_AFTER_A_LOSS}") from error
        raise DriverFault(f"{what}; see the kernel log for its driver's reason") from error


_AFTER_A_LOSS = "see that it runs and is connected, then open it again"
