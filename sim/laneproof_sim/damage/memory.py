"""Faults of the card's memory, which every byte passes on its way through, in order.

Which bytes are hit follows from the seed and from the byte's position in the card's stream alone, never from how a
transfer was cut up.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from laneproof_sim.chance import Places, generator
from laneproof_sim.damage.when import Conditional, Occasion
from laneproof_sim.quantities import BitNumber, ByteCount, Level, Probability, WordBytes
from laneproof_sim.truth import Truth


@frozen(kw_only=True)
class BitFlips(Conditional):
    """Each byte in the card's memory has one wrong bit with this probability."""

    kind: ClassVar[str] = "bit-flips"
    cause: ClassVar[str] = "A weak or badly clocked memory on the card, behind its link."
    seen: ClassVar[str] = "Random wrong bits in the payload; link up, full rate, error counters clean."

    probability: Probability


@frozen(kw_only=True)
class RegularFlips(Conditional):
    """One wrong bit in every so many bytes that pass the card's memory."""

    kind: ClassVar[str] = "regular-flips"
    cause: ClassVar[str] = "A bad cell or address of the card's memory, met again each time the buffer comes round."
    seen: ClassVar[str] = "One wrong bit at a constant distance; link up, full rate, error counters clean."

    every: ByteCount


@frozen(kw_only=True)
class StuckBit(Conditional):
    """One bit of a memory word always reads the same; `byte` counts within the word, `bit` 0 is the lowest."""

    kind: ClassVar[str] = "stuck-bit"
    cause: ClassVar[str] = "A broken data line between the card's logic and its memory, or a dead memory part."
    seen: ClassVar[str] = "The same bit wrong at the same place modulo the word, in about half of the words."

    word: WordBytes
    byte: int
    bit: BitNumber
    level: Level


MemoryFault = BitFlips | RegularFlips | StuckBit


class CardMemory:
    """Applies the faults of one card's memory to the bytes that pass it, in order.

    `begin(occasion)` announces a message, which settles the faults that act on it; `pass_through(data)` changes `data`
    in place. Bytes are counted from the card's power-on.
    """

    def __init__(self, faults: Sequence[object], seed: int, slot: str, truth: Truth | None = None) -> None:
        self._position = 0
        self._message, self._message_start = 0, 0
        self._truth = truth
        self._acting: list[_Acting] = []
        for number, fault in enumerate(faults):
            where = (seed, slot, "memory", number)
            if isinstance(fault, StuckBit):
                self._acting.append(_Acting(fault, _Stuck(fault), where))
            elif isinstance(fault, BitFlips) and fault.probability > 0:
                self._acting.append(_Acting(fault, Flips(Places(fault.probability, *where), where), where))
            elif isinstance(fault, RegularFlips):
                self._acting.append(_Acting(fault, Flips(_Regular(fault.every), where), where))
        # In this order: a line that is stuck is stuck for a flipped bit too.
        self._acting.sort(key=lambda one: isinstance(one.does, _Stuck))

    def __bool__(self) -> bool:
        return bool(self._acting)

    def begin(self, occasion: Occasion) -> None:
        """The next bytes are of that message."""
        self._message, self._message_start = occasion.number, self._position
        for one in self._acting:
            one.now = one.fault.acts(occasion, *one.where)

    def pass_through(self, data: np.ndarray, at_s: float = 0.0) -> None:
        """Damage `data` (uint8, one-dimensional) as the memory would."""
        start, self._position = self._position, self._position + len(data)
        for one in self._acting:
            if not one.now:
                continue
            right = data.copy() if self._truth else None
            one.does.apply(data, start)
            if self._truth and right is not None:
                offset = start - self._message_start
                self._truth.changed(at_s, self._message, one.fault.kind, right, data, offset)


class _Acting:
    """A fault, what it does, and whether it acts on the present message."""

    def __init__(self, fault: MemoryFault, does: Flips | _Stuck, where: tuple[object, ...]) -> None:
        self.fault, self.does, self.where = fault, does, where
        self.now = fault.when is None


class _Stuck:
    """One bit at one level in every word."""

    def __init__(self, fault: StuckBit) -> None:
        self._fault = fault

    def apply(self, data: np.ndarray, start: int) -> None:
        fault = self._fault
        words = data[(fault.byte - start) % fault.word :: fault.word]
        if fault.level:
            words |= 1 << fault.bit
        else:
            words &= 0xFF ^ 1 << fault.bit


class Flips:
    """Places of one fault's flips, in order, and the bit that each flips."""

    def __init__(self, places: Places | _Regular, where: tuple[object, ...]) -> None:
        self._places = places
        self._bits = generator(*where, "bit")

    def apply(self, data: np.ndarray, start: int) -> None:
        places = self._places.take_before(start + len(data))
        places = places[places >= start]  # some were passed over while the fault did not act
        data[places - start] ^= np.left_shift(1, self._bits.integers(8, size=places.size)).astype(np.uint8)


class _Regular:
    """Every so many bytes, the last one of each stretch."""

    def __init__(self, every: int) -> None:
        self._every = every
        self._next = every - 1

    def take_before(self, place: int) -> NDArray[np.int64]:
        if place <= self._next:  # also where the next is too far for numpy's integers
            return np.empty(0, np.int64)
        found = np.arange(self._next, place, self._every)
        self._next += self._every * found.size
        return found
