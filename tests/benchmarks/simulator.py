"""Rows on the simulator: what it costs to know where errors fall, to pass over days of a pattern, to echo cleanly."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from yardsticks import Row, against, buffer_of, shortest

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, PatternEngine, QueuedPath
from laneproof_sim.chance import Places
from laneproof_sim.driver import SimOptions, driver
from laneproof_sim.line import ErrorSites

LANES = 16
CALLS = 1000
TERABYTE_BITS = 8 * 10**12 // LANES
"""Bits of each lane."""
DAY_S = 86400.0


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


def passing_over(days: int, rounds: int) -> Iterator[Row]:
    """A card's own pattern at 16 GT/s x8 with 1e-12 a bit, for so many virtual days: from its start to one reading.

    The goal is in seconds, for thirty days.
    """

    def once() -> None:
        card = _open("own-pattern")
        engine = card.part(PatternEngine)
        assert engine is not None
        with Deadline(2 * days * DAY_S, card.clock) as deadline:
            engine.start("dma0", "to_card", "prbs31", deadline)
            card.clock.sleep(days * DAY_S)
            count = engine.read(deadline)
        if count.errors or count.bits < days * DAY_S * 100e9:
            raise AssertionError(f"{days} days on the simulated card: {count}")
        card.close()

    taken = shortest(once, min(rounds, 3))
    yield Row(f"virtual days of a pattern, {days}", "any", f"{taken:.2f} s", taken, "s", 5.0, at_most=True)


def clean_loopback(nbytes: int, rounds: int) -> Iterator[Row]:
    """One transfer out and back over a healthy simulated card; a goal of a third is three times a copy's time."""
    card = _open("demo")
    path = card.channels[0].path
    assert isinstance(path, QueuedPath)
    out, into = buffer_of(nbytes), buffer_of(nbytes)

    def loopback() -> None:
        path.submit(1, out.data, into.data)
        with Deadline(DAY_S, card.clock) as deadline:
            if path.reap(deadline)[0].received != nbytes:
                raise AssertionError("the simulated card did not return what was sent")

    taken, ratio = against(loopback, lambda: np.copyto(into, out), rounds)
    card.close()
    speed = f"{nbytes / taken / 1e9:.2f} GB/s"
    yield Row("simulated loopback, clean", "any", speed, ratio, "of C", 0.333)


def _open(bench: str) -> Card:
    with Deadline(DAY_S) as deadline:
        return driver.connect(Address(bench, "north"), SimOptions(), deadline)
