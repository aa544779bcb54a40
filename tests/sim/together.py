"""Benches at work at the same time, each in a thread of its own, and all that is seen of them. Nothing here judges."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sim_bench import Bench, Echo

from laneproof_sim import hierarchy
from laneproof_sim.scenario import Scenario

MIB = 1 << 20
SENT = bytes(range(256)) * (8 * MIB // 256)


@contextmanager
def patience() -> Iterator[None]:
    """Nobody is left behind, however long this machine keeps a thread waiting: sameness is promised for no less."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hierarchy, "GRACE_S", 60.0)
        yield


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
        thread.join(120.0)
    for result in results.values():
        if isinstance(result, BaseException):
            raise result
    return [results[number] for number in range(len(works))]


def at_once(benches: list[Bench], *works: Callable[[], Any]) -> list[Any]:
    """The same, where each work uses one bench, which is waited for from the start."""
    start = threading.Barrier(len(works))

    def work(one: Bench, use: Callable[[], Any]) -> Any:
        one.opened.read_link()
        start.wait(60.0)
        return use()

    with patience():
        return in_threads(*(lambda pair=pair: work(*pair) for pair in zip(benches, works, strict=True)))


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


def all_seen(
    scenario: Scenario, blocks: list[list[int]], waits: list[list[float]], *, last_first: bool = False
) -> list[tuple[object, ...]]:
    """The same of all slots of a bench at once, each in a thread of its own; opened in the bench's order or back."""
    benches = [Bench(slot, 1, scenario) for slot in (reversed(scenario.slots) if last_first else scenario.slots)]
    benches.sort(key=lambda one: scenario.slots.index(one.opened.slot))
    try:
        works = (lambda which=which: seen(*which) for which in zip(benches, blocks, waits, strict=True))
        return at_once(benches, *works)
    finally:
        for one in benches:
            one.opened.close()
