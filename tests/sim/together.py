"""Benches at work at the same time, each in a thread of its own, and all that is seen of them. Nothing here judges."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from typing import Any

from sim_bench import Bench, Echo

from laneproof_sim.scenario import Scenario

MIB = 1 << 20
SENT = bytes(range(256)) * (8 * MIB // 256)


def in_threads(*works: Callable[[], Any]) -> list[Any]:
    """What each returns, run at the same time; the first error of one is raised."""
    results: dict[int, Any] = {}

    def run(number: int) -> None:
        try:
            results[number] = works[number]()
        except BaseException as error:
            results[number] = error

    threads = [threading.Thread(target=run, args=(number,)) for number in range(len(works))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60.0)
    for result in results.values():
        if isinstance(result, BaseException):
            raise result
    return [results[number] for number in range(len(works))]


def at_once(benches: list[Bench], *works: Callable[[], Any]) -> list[Any]:
    """The same, where each bench is waited for from the start."""
    for one in benches:
        one.opened.read_link()
    return in_threads(*works)


def echoes(benches: list[Bench]) -> list[Echo]:
    """All of them echo at once."""
    return at_once(benches, *(lambda one=one: one.echo(SENT, MIB) for one in benches))


def seen(one: Bench, blocks: list[int], waits: list[float]) -> tuple[object, ...]:
    """Bytes, events, registers and virtual times of echoes in these blocks, with pauses of real time between them."""
    received = []
    for number, block in enumerate(blocks):
        time.sleep(waits[number % len(waits)])
        echo = one.echo(SENT[:MIB], block, depth=1 + number)
        received.append((hashlib.sha256(echo.received).hexdigest(), echo.seconds))
    counts = one.counts("near"), one.counts("far")
    log = one.opened.read_conditions().reported
    return received, counts, log, one.opened.images(), one.opened.history, one.opened.clock.now_s()


def all_seen(scenario: Scenario, blocks: list[list[int]], waits: list[list[float]]) -> list[tuple[object, ...]]:
    """The same of all slots of a bench at once, each in a thread of its own."""
    benches = [Bench(slot, 1, scenario) for slot in scenario.slots]
    try:
        works = (lambda which=which: seen(*which) for which in zip(benches, blocks, waits, strict=True))
        return at_once(benches, *works)
    finally:
        for one in benches:
            one.opened.close()
