"""The truth file: what a bench's faults did, one line of JSON for each time one acted. No tester sees it.

Only whoever opens a slot can ask for it, in the URI; nothing in a scenario can. It is added to, never overwritten.
"""

from __future__ import annotations

import json
import os
import stat
from typing import Any

import numpy as np
from attrs import frozen

from laneproof.documents import printable
from laneproof.errors import BadInput, StorageFault

MAX_LINES = 100_000
"""The most lines for each time a slot is opened; one more says that there would have been more."""
MAX_PLACES = 16
"""The most places that a line names, lowest first."""


@frozen
class Opened:
    """What the first line says: which bench and slot, with which seed."""

    bench: str
    slot: str
    seed: int


class Truth:
    """Writes the file. Raises BadInput where it cannot be opened; what goes wrong later is kept for `require`."""

    def __init__(self, path: str, opened: Opened) -> None:
        self._where = f"truth {printable(path)}"
        self._lines = 0
        self._problem = ""
        try:
            # Without waiting for a reader, should it be a FIFO.
            flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NONBLOCK | os.O_CLOEXEC
            self._fd = os.open(path, flags, 0o600)
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else str(error)
            raise BadInput(f"{self._where}: {why}; give the path of a file that can be written") from None
        if not stat.S_ISREG(os.fstat(self._fd).st_mode):
            os.close(self._fd)
            raise BadInput(f"{self._where}: is no ordinary file; give the path of a file that can be written")
        self._write({"bench": opened.bench, "slot": opened.slot, "seed": opened.seed})

    def acted(self, at_s: float, message: int, kind: str, **places: Any) -> None:
        """A fault of that kind acted, at that virtual time, on that message (counted from 1; 0: on none)."""
        if self._lines < MAX_LINES:
            self._write({"time_s": at_s, "message": message, "kind": kind, **places})
        elif self._lines == MAX_LINES:
            self._write({"cut": f"more than {MAX_LINES} lines"})

    def changed(
        self, at_s: float, message: int, kind: str, right: np.ndarray, data: np.ndarray, offset: int = 0, **more: Any
    ) -> None:
        """The same, unless nothing changed: `data` was `right`; its first byte is the message's byte `offset`."""
        wrong = np.flatnonzero(right != data)
        if not wrong.size and not more:
            return
        starts = wrong[np.diff(wrong, prepend=-2) > 1]
        stops = wrong[np.diff(wrong, append=np.iinfo(np.int64).max) > 1] + 1
        places = (np.stack((starts, stops), axis=1)[:MAX_PLACES] + offset).tolist()
        self.acted(at_s, message, kind, changed=int(wrong.size), places=places, **more)

    def require(self) -> None:
        """Raise StorageFault if something could not be written."""
        if self._problem:
            raise StorageFault(f"{self._where}: {self._problem}; what the faults did is not all on record")

    def close(self) -> None:
        """Let go of the file. Idempotent."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _write(self, line: dict[str, Any]) -> None:
        if self._problem or self._fd < 0:
            return
        self._lines += 1
        data = json.dumps(line).encode() + b"\n"
        try:
            if os.write(self._fd, data) < len(data):
                self._problem = "the disk is full"
        except OSError as error:
            self._problem = str(error.strerror)
