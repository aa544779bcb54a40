"""What the simulator's tests share: an open slot with a few things changed, and a plain echo loop over its path."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import attrs
import numpy as np
import pytest
from attrs import frozen

from laneproof.clock import Deadline
from laneproof_sim.path import DmaPath
from laneproof_sim.scenario import EchoCard, RootPort, Slot
from laneproof_sim.slot import OpenSlot


@frozen
class Echo:
    """What an echo loop saw: received bytes, completions short of `done`, virtual seconds from start to end."""

    received: bytes
    unfinished: int
    seconds: float


class Bench:
    """One open slot and its path."""

    def __init__(self, slot: Slot, seed: int) -> None:
        self.opened = OpenSlot(slot, seed)
        self.path = DmaPath(self.opened)

    def deadline(self, timeout_s: float = 5.0) -> Deadline:
        return Deadline(timeout_s, self.opened.clock)

    def echo(self, data: bytes, block: int, depth: int = 4, timeout_s: float = 5.0) -> Echo:
        """Send `data` out and back in blocks, at most `depth` at a time; stop at the first empty reap."""
        starts = range(0, len(data), block)
        received = [bytearray(len(data[start : start + block])) for start in starts]
        begin_s = self.opened.clock.now_s()
        submitted = live = unfinished = 0
        while submitted < len(starts) or live:
            while submitted < len(starts) and live < depth:
                start = starts[submitted]
                self.path.submit(submitted, memoryview(data)[start : start + block], memoryview(received[submitted]))
                submitted, live = submitted + 1, live + 1
            done = self.path.reap(self.deadline(timeout_s)) or self.path.quiesce(self.deadline())
            live -= len(done)
            unfinished += sum(completion.status != "done" for completion in done)
            if unfinished:
                break
        return Echo(b"".join(received), unfinished, self.opened.clock.now_s() - begin_s)

    def counts(self, end: str) -> dict[str, int]:
        """Kinds counted at `end` so far and how often, those of zero left out, once the kernel has caught up."""
        self.opened.clock.sleep(1e-4)
        partner = getattr(self.opened.read_errors(), end)
        groups = (partner.correctable, partner.nonfatal, partner.fatal)
        return {name: count.n for group in groups for name, count in group.items() if count.n}


def plain_slot() -> Slot:
    """A healthy slot: 8 GT/s x8, payload 256 bytes."""
    return Slot(
        name="north",
        wiring=8,
        near=RootPort(max_speed=8.0, max_width=8),
        card=EchoCard(max_speed=8.0, max_width=8, model="echo card", serial="invented"),
    )


@pytest.fixture
def slot() -> Callable[..., Slot]:
    """`slot(speed=…, width=…, card={…}, near={…}, **changes)`: the plain slot with changes."""

    def change(
        speed: float = 8.0, width: int = 8, card: dict | None = None, near: dict | None = None, **changes: object
    ) -> Slot:
        plain = plain_slot()
        partner = {"max_speed": speed, "max_width": width}
        return attrs.evolve(
            plain,
            **{
                "wiring": width,
                "near": attrs.evolve(plain.near, **partner | (near or {})),
                "card": attrs.evolve(plain.card, **partner | (card or {})),
                **changes,
            },
        )

    return change


@pytest.fixture
def bench(slot: Callable[..., Slot]) -> Iterator[Callable[..., Bench]]:
    """`bench(seed=…, **changes)`: an open slot, closed after the test."""
    benches: list[Bench] = []

    def open_one(seed: int = 0, **changes: object) -> Bench:
        benches.append(Bench(slot(**changes), seed))
        return benches[-1]

    yield open_one
    for one in benches:
        one.opened.close()


@pytest.fixture
def data() -> Callable[[int], bytes]:
    """`data(nbytes)`: the same arbitrary bytes each time."""
    return lambda nbytes: np.random.default_rng(7).integers(0, 256, nbytes, dtype=np.uint8).tobytes()
