"""How many packets may be under way at once: reads by their tags, posted writes by the receiver's buffer. Times alone.

Each packet waits for the one that held its place before; no rate is computed.
"""

from __future__ import annotations

from collections import deque


class Window:
    """Places for `size` packets, each of which a packet holds from when it is sent until it is given back."""

    def __init__(self, size: int) -> None:
        self._back: deque[float] = deque([0.0] * size, maxlen=size)
        """When each place is free again, in the order in which they were taken."""

    def arrival(
        self, count: int, ready_s: float, free_s: float, *, each_s: float, lead_s: float = 0.0, lag_s: float = 0.0
    ) -> float:
        """When the last of `count` packets has arrived that are ready to be sent at `ready_s`.

        The line on which they arrive is free from `free_s` on, and each takes `each_s` on it, beginning `lead_s` after
        it was sent at the soonest. Its place is given back `lag_s` after it has arrived.
        """
        back, last_s = self._back, free_s
        for _ in range(count):
            last_s = max(last_s, max(ready_s, back[0]) + lead_s) + each_s
            back.append(last_s + lag_s)
        return last_s

    def delay(self, count: int, by_s: float) -> None:
        """The last `count` packets came that much later than they were to."""
        if by_s > 0:
            for place in range(1, min(count, len(self._back)) + 1):
                self._back[-place] += by_s
