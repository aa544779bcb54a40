"""What the simulator's tests share as fixtures: slots with a few things changed, open if wanted, and data."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import attrs
import numpy as np
import pytest
from sim_bench import Bench, plain_slot

from laneproof_sim.scenario import Scenario, Slot


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


@pytest.fixture
def together() -> Iterator[Callable[..., list[Bench]]]:
    """`together(scenario, seed=…)`: every slot of a bench, opened; closed after the test."""
    benches: list[Bench] = []

    def open_all(scenario: Scenario, seed: int = 0) -> list[Bench]:
        opened = [Bench(slot, seed, scenario) for slot in scenario.slots]
        benches.extend(opened)
        return opened

    yield open_all
    for one in benches:
        one.opened.close()
