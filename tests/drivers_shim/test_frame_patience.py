"""When a request is sent again: after silence, not while its answer is still arriving over a slow line."""

from __future__ import annotations

import time

import pytest

from laneproof.clock import Deadline
from laneproof_drivers.framing.carrier import Carrier
from laneproof_drivers.framing.host_side import HostSide
from laneproof_drivers.framing.link import FramedLink

SILENCE_S = 0.2


class Drip(Carrier):
    """A line on which one byte arrives every `every_s`, or none."""

    name = medium = "memory"

    def __init__(self, every_s: float | None) -> None:
        self._every_s = every_s
        self._last_s = time.monotonic()

    def write(self, data: memoryview) -> int:
        return len(data)

    def read(self) -> bytes:
        if self._every_s is None or time.monotonic() - self._last_s < self._every_s:
            return b""
        self._last_s = time.monotonic()
        return b"\x00"

    def wait(self, deadline: Deadline, *, writing: bool) -> None:
        deadline.pause(0.01)

    def poke(self) -> None:
        pass

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("every_s", "least", "most"),
    [(None, 4, 6), (SILENCE_S / 4, 0, 0), (2 * SILENCE_S, 2, 5)],
    ids=["silent", "slow", "slower than patience"],
)
def test_a_request_is_sent_again_after_silence_only(every_s: float | None, least: int, most: int) -> None:
    link = FramedLink(Drip(every_s), HostSide(1, 1 << 15))
    asked: list[float] = []
    with Deadline(5.5 * SILENCE_S) as deadline:
        link.until(lambda: None, deadline, lambda: asked.append(time.monotonic()), SILENCE_S)
    assert least <= len(asked) <= most


def test_a_line_that_never_falls_silent_is_asked_again_too_lest_the_request_was_lost() -> None:
    link = FramedLink(Drip(0.005), HostSide(1, 1 << 15))
    asked: list[float] = []
    with Deadline(0.6) as deadline:
        link.until(lambda: None, deadline, lambda: asked.append(time.monotonic()), 0.05)
    assert len(asked) == 1
