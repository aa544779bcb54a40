"""The clock of one simulated slot: it moves when the simulation, or a caller that sleeps, moves it."""

from __future__ import annotations

import threading

from laneproof.clock import Clock


class VirtualClock(Clock):
    """Seconds since the slot's power-on. Safe to use from several threads."""

    virtual = True

    def __init__(self) -> None:
        self._now_s = 0.0
        self.aside = False
        """Whether its user makes no call for now, so that it goes along with the clocks of others."""
        self._lock = threading.Lock()

    def now_s(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        with self._lock:
            self._now_s += max(0.0, seconds)

    def stand_aside(self) -> None:
        self.aside = True

    def come_back(self) -> None:
        self.aside = False

    def advance_to(self, at_s: float) -> None:
        """Move on to `at_s`; a time already past changes nothing."""
        with self._lock:
            self._now_s = max(self._now_s, at_s)
