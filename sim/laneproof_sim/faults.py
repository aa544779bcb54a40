"""Faults of a card that the link's own CRC cannot catch: the catalogue, one class a kind, and how it acts on bytes.

A class holds the parameters that a scenario gives, its cause in the field, and what is seen. Which bytes are hit
follows from the seed and from the byte's position in the card's stream alone, never from how a transfer was cut up.
Bit errors on the lanes are no faults in this sense; they stand in `line`.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from attrs import frozen

from laneproof_sim.chance import Places, generator
from laneproof_sim.quantities import BitNumber, ByteCount, Level, Probability, WordBytes


@frozen(kw_only=True)
class BitFlips:
    """Each byte in the card's memory has one wrong bit with this probability."""

    kind: ClassVar[str] = "bit-flips"
    cause: ClassVar[str] = "A weak or badly clocked memory on the card, behind its link."
    seen: ClassVar[str] = "Random wrong bits in the payload; link up, full rate, error counters clean."

    probability: Probability


@frozen(kw_only=True)
class RegularFlips:
    """One wrong bit in every so many bytes that pass the card's memory."""

    kind: ClassVar[str] = "regular-flips"
    cause: ClassVar[str] = "A bad cell or address of the card's memory, met again each time the buffer comes round."
    seen: ClassVar[str] = "One wrong bit at a constant distance; link up, full rate, error counters clean."

    every: ByteCount


@frozen(kw_only=True)
class StuckBit:
    """One bit of a memory word always reads the same; `byte` counts within the word, `bit` 0 is the lowest."""

    kind: ClassVar[str] = "stuck-bit"
    cause: ClassVar[str] = "A broken data line between the card's logic and its memory, or a dead memory part."
    seen: ClassVar[str] = "The same bit wrong at the same place modulo the word, in about half of the words."

    word: WordBytes
    byte: int
    bit: BitNumber
    level: Level


@frozen(kw_only=True)
class DropOff:
    """The card falls off its link once it has taken in so many bytes."""

    kind: ClassVar[str] = "drop-off"
    cause: ClassVar[str] = "Contact, supply or temperature that fails under load."
    seen: ClassVar[str] = "The card's configuration space reads all ones, the near port shows its link down."

    after: ByteCount


@frozen(kw_only=True)
class Stall:
    """The card stops moving data once it has taken in so many bytes; its link stays up."""

    kind: ClassVar[str] = "stall"
    cause: ClassVar[str] = "A DMA engine that waits for something that never comes: a credit, a tag, a full memory."
    seen: ClassVar[str] = "Transfers reach their deadline; link up, error counters clean."

    after: ByteCount


@frozen(kw_only=True)
class Absent:
    """No card in the slot."""

    kind: ClassVar[str] = "absent"
    cause: ClassVar[str] = "An empty slot, a card not seated, or a card without power."
    seen: ClassVar[str] = "The card cannot be opened: no receiver is detected on any lane."


Fault = BitFlips | RegularFlips | StuckBit | DropOff | Stall | Absent
CATALOGUE: tuple[type[Fault], ...] = (BitFlips, RegularFlips, StuckBit, DropOff, Stall, Absent)
"""Every kind of fault, as `[[slot.fault]]` names them by `kind`."""


class CardMemory:
    """Applies the faults of one card's memory to the bytes that pass it, in order.

    `pass_through(data)` changes `data` in place. Bytes are counted from the card's power-on.
    """

    def __init__(self, faults: tuple[Fault, ...], seed: int, slot: str) -> None:
        self._position = 0
        self._stuck = [fault for fault in faults if isinstance(fault, StuckBit)]
        self._flips: list[_Flips] = []
        for number, fault in enumerate(faults):
            where = (seed, slot, "memory", number)
            if isinstance(fault, BitFlips) and fault.probability > 0:
                self._flips.append(_Flips(Places(fault.probability, *where), where))
            elif isinstance(fault, RegularFlips):
                self._flips.append(_Flips(_Regular(fault.every), where))

    def pass_through(self, data: np.ndarray) -> None:
        """Damage `data` (uint8, one-dimensional) as the memory would."""
        start, self._position = self._position, self._position + len(data)
        for flips in self._flips:
            flips.apply(data, start)
        for stuck in self._stuck:
            words = data[(stuck.byte - start) % stuck.word :: stuck.word]
            if stuck.level:
                words |= 1 << stuck.bit
            else:
                words &= 0xFF ^ 1 << stuck.bit


class _Flips:
    """Places of one fault's flips, in order, and the bit that each flips."""

    def __init__(self, places: Places | _Regular, where: tuple[object, ...]) -> None:
        self._places = places
        self._bits = generator(*where, "bit")

    def apply(self, data: np.ndarray, start: int) -> None:
        while self._places.next < start + len(data):
            data[self._places.next - start] ^= 1 << int(self._bits.integers(8))
            self._places.advance()


class _Regular:
    """Every so many bytes, the last one of each stretch."""

    def __init__(self, every: int) -> None:
        self._every = every
        self.next = every - 1

    def advance(self) -> None:
        self.next += self._every
