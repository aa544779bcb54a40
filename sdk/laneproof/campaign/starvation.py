"""Whether the tester itself could run: a computer that is too busy, stopped or paused makes a slot look slow or stuck.

Two views of it, since neither sees everything. The kernel counts how long a thread was ready to run and had to wait
(`schedstat`, proc(5) and Documentation/scheduler/sched-stats.rst); it does not count a process that is stopped or a
virtual machine that is paused. A thread that only sleeps sees those by waking up late.
"""

from __future__ import annotations

import math
import threading
import time
from pathlib import Path

STARVED_SHARE = 0.05
"""Of a stretch of time; a tester that could not run for more of it says nothing about rates. Our choice: it is below
the share of the ceiling that limits usually leave, and far above what an idle computer shows."""
STARVED_S = 0.2
"""No less than this counts: on a busy computer a short step loses as much by chance."""
STANDSTILL_S = 0.5
"""A sleeper that wakes up so late has stood still; less is scheduling, which the kernel counts better."""
RECENT_S = 60.0
"""A transfer stalls when its deadline passes: a standstill longer ago than most deadlines has nothing to do with it."""

_BEAT_S = 0.1
_WAITED = Path("/proc/thread-self/schedstat")


class Wakefulness:
    """Watches the thread that enters it, which moves the data, while its block lasts."""

    def __init__(self) -> None:
        self.starved = ""
        """Once left: one sentence that says so, or nothing where the tester could run. No rate means anything then."""
        self.stood_still = ""
        """Once left: the same where it did not run at all for a while, just before. No stall means anything then."""
        self.lost_s = 0.0
        """Once left: seconds in which it could not, as far as can be seen."""
        self._stood_until_s = -math.inf
        self._over = threading.Event()
        self._stood_s = 0.0
        self._sleeper = threading.Thread(target=self._sleep, name="laneproof-wakefulness", daemon=True)
        self._started_s = 0.0
        self._waited_before_s = 0.0

    def __enter__(self) -> Wakefulness:
        self._started_s, self._waited_before_s = time.monotonic(), _waited_s()
        self._sleeper.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._sleeper.join()
        now_s = time.monotonic()
        passed_s = now_s - self._started_s
        self.lost_s = max(self._stood_s, _waited_s() - self._waited_before_s)
        said = (
            f"the tester itself could not run for {self.lost_s:.1f} s of {passed_s:.1f} s (a busy computer, a stopped "
            "process, a paused virtual machine): what was slow or stuck meanwhile accuses nobody"
        )
        if self.lost_s > max(STARVED_S, STARVED_SHARE * passed_s):
            self.starved = said
        if now_s - self._stood_until_s < RECENT_S:
            self.stood_still = said

    def _sleep(self) -> None:
        before_s, over = time.monotonic(), False
        while not over:  # the last wait counts too: who is woken together with this thread may end it first
            over = self._over.wait(_BEAT_S)
            now_s = time.monotonic()
            late_s = now_s - before_s - _BEAT_S
            if late_s >= STANDSTILL_S:
                self._stood_s += late_s
                self._stood_until_s = now_s
            before_s = now_s


def _waited_s() -> float:
    """Seconds for which this thread was ready to run and waited for a processor; 0 where the kernel says nothing."""
    try:
        return int(_WAITED.read_text().split()[1]) / 1e9
    except (OSError, ValueError, IndexError):
        return 0.0
