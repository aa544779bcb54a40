"""One device as a path in the file system: opened without blocking, made 8-bit clean, drained, and put back as found.

Knows character devices, terminals, FIFOs and UNIX-domain stream sockets, and what each way of failing to open one
means. Moving bytes afterwards is `descriptor_stream`'s.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
import stat
import termios
from typing import Any, Literal

from laneproof.clock import Deadline
from laneproof.errors import BadInput, CannotOpen, CardInUse
from laneproof.units import format_bytes

Kind = Literal["character device", "FIFO", "socket"]

_QUIET_S = 0.02
"""An input that brings nothing for this long counts as drained."""
_MOST_STALE = 64 * 2**20
"""Bytes; beyond it a device is not holding leftovers but sends by itself."""

_OPEN_FLAGS = os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC


class DeviceNode:
    """An open, non-blocking descriptor, and how to give it back. `fd` is -1 once closed."""

    def __init__(self, path: str, fd: int) -> None:
        self.path = path
        self.fd = fd
        self.is_tty = os.isatty(fd)
        self._found: list[Any] | None = None

    def claim(self) -> None:
        """Keep other openers out, and put a terminal in raw mode. Raises CardInUse."""
        try:
            # An advisory lock holds between laneproof's own openers even as root, whom TIOCEXCL lets pass.
            fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise CardInUse(_in_use(self.path)) from None
        if self.is_tty:
            fcntl.ioctl(self.fd, termios.TIOCEXCL)
            self._found = termios.tcgetattr(self.fd)
            # Now, not after pending output has drained: that could wait for ever.
            termios.tcsetattr(self.fd, termios.TCSANOW, _raw(self._found))
            termios.tcflush(self.fd, termios.TCIOFLUSH)

    def close(self) -> None:
        """Give the descriptor back, a terminal with the settings it had. Idempotent; raises nothing."""
        fd, self.fd = self.fd, -1
        if fd < 0:
            return
        if self._found is not None:
            with contextlib.suppress(OSError, termios.error):
                # Closing a terminal may wait for output that nobody takes; what is left is of no use to the next user.
                termios.tcflush(fd, termios.TCIOFLUSH)
                termios.tcsetattr(fd, termios.TCSANOW, self._found)
                fcntl.ioctl(fd, termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            os.close(fd)


def kind_of(path: str) -> Kind:
    """What lies at `path`, without opening it. Raises CannotOpen for anything that cannot echo."""
    try:
        mode = os.stat(path).st_mode
    except ValueError as error:
        raise BadInput(f"{path!r} is no path: {error}") from None
    except OSError as error:
        raise cannot_open(path, error) from error
    if stat.S_ISCHR(mode):
        return "character device"
    if stat.S_ISFIFO(mode):
        return "FIFO"
    if stat.S_ISSOCK(mode):
        return "socket"
    for test, what in (
        (stat.S_ISDIR, "a directory"),
        (stat.S_ISREG, "a regular file, which stores bytes and echoes none"),
        (stat.S_ISBLK, "a block device, whose contents a test would overwrite"),
    ):
        if test(mode):
            raise CannotOpen(f"{path} is {what}; name a character device, a pair of FIFOs or a socket")
    raise CannotOpen(f"{path} is of a kind that cannot echo; name a character device, a pair of FIFOs or a socket")


def open_node(path: str, access: int, deadline: Deadline) -> DeviceNode:
    """Open a character device or one end of a FIFO with `access` (os.O_RDWR, O_RDONLY or O_WRONLY), and claim it.

    A FIFO opened for writing needs a reader (fifo(7)): waited for until the deadline. Raises CannotOpen, CardInUse.
    """
    while True:
        try:
            fd = os.open(path, access | _OPEN_FLAGS)
            break
        except OSError as error:
            if error.errno != errno.ENXIO or access != os.O_WRONLY or kind_of(path) != "FIFO":
                raise cannot_open(path, error) from error
        if deadline.expired:
            raise CannotOpen(f"no process has opened {path} for reading; start the one that echoes, then open it again")
        deadline.pause()
    return _claimed(DeviceNode(path, fd))


def connect_socket(path: str, deadline: Deadline) -> DeviceNode:
    """Connect to a UNIX-domain stream socket. Raises CannotOpen."""
    with contextlib.ExitStack() as undo:
        connection = undo.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK))
        while True:
            try:
                connection.connect(path)
                break
            except BlockingIOError:  # the listener's queue is full
                if deadline.expired:
                    raise CannotOpen(f"nobody accepts connections at {path}; see what the process there does") from None
            except OSError as error:
                raise cannot_open(path, error) from error
            deadline.pause()
        return DeviceNode(path, connection.detach())


def drain(node: DeviceNode, deadline: Deadline) -> None:
    """Read and drop what an earlier user left, so that it is not taken for an echo, until nothing comes for 20 ms.

    On a FIFO also waits for its writer. Raises CannotOpen for an input that ends, or that never falls silent.
    """
    scratch = bytearray(65536)
    dropped = 0
    quiet = False
    while True:
        deadline.check()
        try:
            got = os.readv(node.fd, [scratch])
        except BlockingIOError:
            if quiet or deadline.expired:
                return
            quiet = True
            deadline.pause(_QUIET_S)
            continue
        except OSError as error:
            raise cannot_open(node.path, error) from error
        quiet = False
        if got == 0:
            _wait_for_writer(node, deadline)
        dropped += got
        if dropped > _MOST_STALE or (got and deadline.expired):
            raise CannotOpen(
                f"{node.path} sent {format_bytes(dropped)} before anything was sent to it; it does not echo, "
                "or is still busy for an earlier user"
            )


def _wait_for_writer(node: DeviceNode, deadline: Deadline) -> None:
    """A FIFO without a writer reads as ended; any other device that does so echoes nothing."""
    if not stat.S_ISFIFO(os.fstat(node.fd).st_mode):
        raise CannotOpen(
            f"{node.path} is at its end before anything was sent; its other side is closed, or it never echoes"
        )
    if deadline.expired:
        raise CannotOpen(
            f"no process has opened {node.path} for writing; start the one that echoes, then open it again"
        )
    deadline.pause()


def _claimed(node: DeviceNode) -> DeviceNode:
    try:
        node.claim()
    except (OSError, termios.error) as error:
        node.close()
        reason = os.strerror(error.args[0])
        raise CannotOpen(
            f"{node.path} cannot be set up: {reason}; see the kernel log for its driver's reason"
        ) from error
    except CardInUse:
        node.close()
        raise
    return node


def _raw(found: list[Any]) -> list[Any]:
    """Settings under which every byte passes as it is: no line mode, eight bits, no flow characters (POSIX termios)."""
    _, oflag, cflag, _, ispeed, ospeed, control = found
    cflag = cflag & ~(termios.CSIZE | termios.PARENB) | termios.CS8 | termios.CREAD | termios.CLOCAL
    control = list(control)
    # With VMIN 0 a read without input would return as if the device had ended.
    control[termios.VMIN], control[termios.VTIME] = 1, 0
    return [0, oflag & ~termios.OPOST, cflag, 0, ispeed, ospeed, control]


def _in_use(path: str) -> str:
    return f"{path} is in use by another process; end that one first, laneproof takes no device away"


_REMEDIES = {
    errno.ENOENT: "does not exist; check the path, and that the card's kernel driver is loaded",
    errno.ENOTDIR: "does not exist: part of the path is no directory; check the path",
    errno.EACCES: "is not permitted to this user; join the group that owns it, or have a udev rule grant it",
    errno.EPERM: "is not permitted to this user; join the group that owns it, or have a udev rule grant it",
    errno.ENXIO: "has no device behind it; check that the card is in its slot and its kernel driver bound",
    errno.ENODEV: "has no device behind it; check that the card is in its slot and its kernel driver bound",
    errno.ECONNREFUSED: "has no process listening; start the one that echoes, then open it again",
    errno.EPROTOTYPE: "is not a stream socket; the process that echoes has to listen with SOCK_STREAM",
}


def cannot_open(path: str, error: OSError) -> CannotOpen:
    """What it means that opening `path` failed so, and what to do."""
    if error.errno == errno.EBUSY:
        return CardInUse(_in_use(path))
    remedy = _REMEDIES.get(error.errno or 0)
    return CannotOpen(f"{path} {remedy}" if remedy else f"{path} cannot be opened: {error.strerror or error}")
