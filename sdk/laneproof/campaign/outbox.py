"""What a slot's own process tells the parent: several events in one message where they come thick and fast.

To wake the parent for each takes as long as checking a few megabytes, on a computer with no processor to spare the
load's own time.
"""

from __future__ import annotations

import threading
import time
from multiprocessing.connection import Connection
from typing import Any

from laneproof.campaign.events import Event, Expecting, Progress, Sampled

HOLD_S = 0.05
"""Seconds for which samples and progress are held at most, once another message has just gone."""
TOLERANCE_S = 1.0
"""By so much may differ what the parent knows of when a call ends. Far below the grace that it gives."""


class Outbox:
    """Sends lists of events, in their order, from any thread. One that is gone for good loses what was held."""

    def __init__(self, connection: Connection[list[Event], Any]) -> None:
        self._connection = connection
        self._lock = threading.Lock()
        self._held: list[Event] = []
        self._sent_s = 0.0
        self._told_until_s = 0.0

    def put(self, event: Event) -> None:
        """Send it now, with what is held, or hold it for a moment."""
        with self._lock:
            now_s = time.monotonic()
            if isinstance(event, Expecting):
                if abs(now_s + event.seconds - self._told_until_s) <= TOLERANCE_S:
                    return
                self._told_until_s = now_s + event.seconds
            self._held.append(event)
            if not isinstance(event, Sampled | Progress) or now_s - self._sent_s >= HOLD_S:
                self._send(now_s)

    def flush(self) -> None:
        """Send what was held long enough; to be called now and then."""
        with self._lock:
            now_s = time.monotonic()
            if self._held and now_s - self._sent_s >= HOLD_S:
                self._send(now_s)

    def _send(self, now_s: float) -> None:
        held, self._held, self._sent_s = self._held, [], now_s
        try:
            self._connection.send(held)
        except OSError:
            pass  # the parent is gone; the thread that listens to it notices too, and ends this
        except BaseException:
            self._held = held[:-1]  # the last one cannot cross, and those before it were not sent with it
            raise
