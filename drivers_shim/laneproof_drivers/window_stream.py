"""A memory window as a stream that echoes: what is sent is written to the next place of a ring and received from there.

With a `CopyEngine` bytes are written to one half, the engine copies them to the other, and there they are received.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from laneproof.clock import Deadline
from laneproof.contract import StreamPath, WindowPath
from laneproof.errors import DriverFault

_LOOK_S = 0.001
"""How often one side looks for room, or for bytes, that the other makes, in seconds."""
_MOST_AT_ONCE = 1 << 18
"""Bytes of one call of the window: the other side's waits for it."""


class WindowStream(StreamPath):
    """Over all of a window. Raises DriverFault for one that holds less than `granularity` bytes, the least to move."""

    def __init__(self, window: WindowPath, granularity: int) -> None:
        self._window = window
        self._engine = window.engine
        self._grain = granularity
        room = window.size if window.engine is None else window.size // 2
        self._room = room - room % granularity
        if not self._room:
            raise DriverFault(f"a window of {window.size} bytes has no room for its granularity, {granularity}")
        self._piece = min(self._room, max(granularity, _MOST_AT_ONCE // granularity * granularity))
        self._turn = threading.Lock()
        """Held around each call of the window, none of which may overlap."""
        # Each is written by one thread only.
        self._sent = 0
        self._received = 0

    def send(self, view: memoryview, deadline: Deadline) -> int:
        at, nbytes = self._next(self._sent, len(view), lambda: self._room - (self._sent - self._received), deadline)
        if nbytes:
            with self._turn:
                nbytes = self._window.write(at, view[:nbytes], deadline)
                nbytes -= nbytes % self._grain
                if self._engine is not None and nbytes:
                    nbytes = self._engine.copy(at, self._room + at, nbytes, deadline)
        self._sent += nbytes
        return nbytes

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        at, nbytes = self._next(self._received, len(view), lambda: self._sent - self._received, deadline)
        nbytes -= nbytes % self._grain  # who waits for a first byte asks again for a whole piece
        if nbytes:
            start = 0 if self._engine is None else self._room
            with self._turn:
                nbytes = self._window.read_into(start + at, view[:nbytes], deadline)
        self._received += nbytes
        return nbytes

    def _next(self, position: int, nbytes: int, there: Callable[[], int], deadline: Deadline) -> tuple[int, int]:
        """The offset, and how many bytes go there at once, when there are any; none at the deadline."""
        while not (ready := there()) and not deadline.expired:
            deadline.pause(_LOOK_S)
        at = position % self._room
        return at, min(nbytes, ready, self._room - at, self._piece)
