"""Rows on the simulated link's chance: what it costs to know where errors fall, and where none does."""

from __future__ import annotations

from collections.abc import Iterator

from yardsticks import Row, shortest

from laneproof_sim.chance import Places
from laneproof_sim.line import ErrorSites

LANES = 16
CALLS = 1000
TERABYTE_BITS = 8 * 10**12 // LANES
"""Bits of each lane."""


def error_sites(count: int, rounds: int) -> Iterator[Row]:
    """Places of errors, `count` at once and one by one; looking where the next one is; passing terabytes without any.

    The goals are in the unit itself: millions a second, and microseconds.
    """
    rate = 1e-6
    drawn, reached = Places(rate, "drawn"), 0

    def at_once() -> None:
        nonlocal reached
        reached += int(count / rate)
        drawn.take_before(reached)

    speed = count / shortest(at_once, rounds, 1 if rounds == 1 else 20) / 1e6
    yield Row("error sites, at once", "any", f"{speed:.1f} M/s", speed, "M/s", 25.0)

    sites = ErrorSites(dict.fromkeys(range(LANES), rate), "merged")

    def one_by_one() -> None:
        for _ in range(CALLS):
            sites.take()

    speed = CALLS / shortest(one_by_one, rounds) / 1e6
    yield Row(f"error sites of {LANES} lanes, one by one", "any", f"{speed:.1f} M/s", speed, "M/s")

    def look() -> None:
        for _ in range(CALLS):
            sites.peek()

    taken = shortest(look, rounds) / CALLS * 1e6
    yield Row("next error, look-up", "any", f"{taken:.3f} µs", taken, "µs", 0.2, at_most=True)

    quiet, passed = ErrorSites(dict.fromkeys(range(LANES), 1e-30), "quiet"), 0

    def pass_terabytes() -> None:
        nonlocal passed
        for _ in range(CALLS):
            passed += TERABYTE_BITS
            quiet.skip_to(passed)

    taken = shortest(pass_terabytes, rounds) / CALLS * 1e6
    yield Row("a clean terabyte passed", "any", f"{taken:.3f} µs", taken, "µs", 0.2, at_most=True)
