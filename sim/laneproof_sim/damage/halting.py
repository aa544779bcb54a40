"""Faults in which the card stops: it falls off its link, or moves no more data; and after how many bytes it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import ClassVar

from attrs import frozen

from laneproof_sim.damage.when import Conditional, Occasion
from laneproof_sim.quantities import ByteCount


@frozen(kw_only=True)
class DropOff(Conditional):
    """The card falls off its link once it has taken in so many bytes, from when its conditions first hold."""

    kind: ClassVar[str] = "drop-off"
    cause: ClassVar[str] = "Contact, supply or temperature that fails under load."
    seen: ClassVar[str] = "The card's configuration space reads all ones, the near port shows its link down."

    after: ByteCount


@frozen(kw_only=True)
class Stall(Conditional):
    """The card stops moving data once it has taken in so many bytes, counted in the same way; its link stays up."""

    kind: ClassVar[str] = "stall"
    cause: ClassVar[str] = "A DMA engine that waits for something that never comes: a credit, a tag, a full memory."
    seen: ClassVar[str] = "Transfers reach their deadline; link up, error counters clean."

    after: ByteCount


class Halts:
    """The bytes that the card takes in before it falls off its link or stalls. False where it never will."""

    def __init__(self, faults: Sequence[object], seed: int, slot: str) -> None:
        self._waiting: list[tuple[DropOff | Stall, tuple[object, ...]]] = [
            (fault, (seed, slot, "halt", number))
            for number, fault in enumerate(faults)
            if isinstance(fault, DropOff | Stall)
        ]
        self._any = bool(self._waiting)
        self.drop_after = self.stall_after = math.inf
        for fault, key in [one for one in self._waiting if one[0].when is None]:
            self._arm(fault, key, 0)

    def __bool__(self) -> bool:
        return self._any

    def begin(self, occasion: Occasion) -> None:
        """A message begins: conditions may hold from here on."""
        for fault, key in [one for one in self._waiting if one[0].acts(occasion, *one[1])]:
            self._arm(fault, key, occasion.passed)

    def _arm(self, fault: DropOff | Stall, key: tuple[object, ...], passed: int) -> None:
        self._waiting.remove((fault, key))
        if isinstance(fault, DropOff):
            self.drop_after = min(self.drop_after, passed + fault.after)
        else:
            self.stall_after = min(self.stall_after, passed + fault.after)
