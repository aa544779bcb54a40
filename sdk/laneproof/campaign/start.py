"""`CommonStart`: where the simulated slots of a run wait for each other before their first steps, and for how long."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable

LONGEST_S = 30.0
"""Real seconds after which a slot begins without those that have not opened."""
_SLICE_S = 0.05


class CommonStart:
    """Slots that begin once each of them has opened or has failed to.

    Cards behind one link share virtual time. If one moved before another has opened, what each gets of the link would
    depend on whose thread came first, and no run would give the same figures twice.
    """

    def __init__(self, slots: Iterable[str]) -> None:
        self._awaited = set(slots)
        self._came = threading.Condition()

    def leave_out(self, slot: str) -> None:
        """Nobody need wait for this slot: it has begun, or never will. May be repeated."""
        with self._came:
            self._awaited.discard(slot)
            self._came.notify_all()

    def wait(self, slot: str, stop: threading.Event) -> None:
        """The slot is open: wait for the others until all are, `stop` is set or `LONGEST_S` have passed."""
        self.leave_out(slot)
        until_s = time.monotonic() + LONGEST_S
        with self._came:
            while self._awaited and not stop.is_set() and time.monotonic() < until_s:
                self._came.wait(_SLICE_S)
