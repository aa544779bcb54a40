"""How the tests of character devices hold a card that echoes: open it, send, receive, both at once."""

from __future__ import annotations

import random
import threading
from pathlib import Path

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, StreamPath
from laneproof_drivers.chardev import CharDeviceOptions, driver

MIB = 2**20
SHORT_S = 0.2
"""A deadline that is meant to pass."""
LONG_S = 20.0
"""A deadline that is not."""
AT_ONCE_S = 0.8
"""Far from the deadline that would end the call otherwise, with room for a busy computer."""


def connect(address: str, timeout_s: float = LONG_S, **options: object) -> Card:
    with Deadline(timeout_s) as deadline:
        return driver.connect(Address(address), CharDeviceOptions(**options), deadline)


def random_bytes(nbytes: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(nbytes)


def send_all(path: StreamPath, data: bytes, timeout_s: float = LONG_S) -> int:
    """Bytes that went before the deadline."""
    left = memoryview(data)
    with Deadline(timeout_s) as deadline:
        while left:
            sent = path.send(left, deadline)
            if sent == 0:
                break
            left = left[sent:]
    return len(data) - len(left)


def receive(path: StreamPath, nbytes: int, timeout_s: float = LONG_S) -> bytes:
    """What came before the deadline, at most `nbytes`."""
    buffer = bytearray(nbytes)
    left = memoryview(buffer)
    with Deadline(timeout_s) as deadline:
        while left:
            got = path.receive_into(left, deadline)
            if got == 0:
                break
            left = left[got:]
    return bytes(buffer[: nbytes - len(left)])


def echoed(path: StreamPath, data: bytes) -> bytes:
    """`data` sent from a thread of its own while what comes back is received here."""
    sender = threading.Thread(target=send_all, args=(path, data))
    sender.start()
    back = receive(path, len(data))
    sender.join()
    return back


def arguments_for(transport: str, folder: Path) -> tuple[object, ...]:
    return {
        "terminal": (),
        "fifos": ("--fifos", folder / "out", folder / "in"),
        "socket": ("--socket", folder / "socket"),
    }[transport]


TRANSPORTS = ("terminal", "fifos", "socket")
