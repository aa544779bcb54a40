"""In which order a plan's steps are taken, and how often: the step and the repetition that each position stands for."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from attrs import frozen

Order = Literal["as written", "shuffled"]


@frozen
class Turn:
    """One step's turn; its position among all of them is its index."""

    step: int
    """Which of the plan's steps, from 0 on."""
    repetition: int
    """From 1 on."""


def turns(steps: int, repeat: int, order: Order, seed: int) -> Iterator[Turn]:
    """All steps, `repeat` times over; where shuffled, each repetition in an order of its own that the seed decides.

    The order follows from digests, so that a resumed run finds it again under any version of Python.
    """
    for repetition in range(1, repeat + 1):
        indices = list(range(steps))
        if order == "shuffled":
            indices.sort(key=lambda index: hashlib.sha256(f"{seed} {repetition} {index}".encode()).digest())
        yield from (Turn(index, repetition) for index in indices)


def planned_kinds(plan: Mapping[str, Any]) -> list[str]:
    """The kind of step at each position of a plan on record, of which earlier versions kept no order."""
    steps = plan.get("step", [])
    order: Order = plan.get("order", "as written")
    return [steps[turn.step]["kind"] for turn in turns(len(steps), plan.get("repeat", 1), order, plan.get("seed") or 0)]
