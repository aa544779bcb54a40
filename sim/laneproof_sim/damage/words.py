"""Faults in how the words of a bus are taken: width, order, and one byte lane of it."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from attrs import frozen

from laneproof.errors import BadInput
from laneproof_sim.damage.message import Message, MessageFault
from laneproof_sim.quantities import BusBytes, LaneOfBus, Probability, WordBytes

BYTE = WordBytes(1)
DWORD = WordBytes(4)
HALF = Probability(0.5)


@frozen(kw_only=True)
class HalfWidth(MessageFault):
    """Every other word of `word` bytes is zero."""

    kind: ClassVar[str] = "half-width"
    cause: ClassVar[str] = "Two parts of the card that do not agree on the width of the bus between them."
    seen: ClassVar[str] = "Alternate words are zero; link up, error counters clean."

    word: WordBytes = DWORD

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        for byte in range(self.word, 2 * self.word):
            message.data[byte :: 2 * self.word] = 0


@frozen(kw_only=True)
class ReversedWords(MessageFault):
    """Words of `word` bytes stand in reverse order inside each unit; a rest shorter than a unit stays."""

    kind: ClassVar[str] = "reversed-words"
    cause: ClassVar[str] = "A byte order, or an order of words on a wider bus, that two parts read differently."
    seen: ClassVar[str] = "Bytes or words reversed in each unit; link up, error counters clean."

    word: WordBytes = BYTE
    unit: WordBytes = DWORD

    def __attrs_post_init__(self) -> None:
        if self.word >= self.unit:
            raise BadInput(f"a word of {self.word} B is no part of a unit of {self.unit} B; make word less than unit")

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        whole = message.data[: message.size - message.size % self.unit]
        units = whole.reshape(-1, self.unit // self.word, self.word)
        units[:] = units[:, ::-1].copy()


@frozen(kw_only=True)
class ByteLane(MessageFault):
    """One byte in every `width` has wrong bits with this probability."""

    kind: ClassVar[str] = "byte-lane"
    cause: ClassVar[str] = "One byte lane of a memory or internal bus of the card: a strobe, a skewed group of wires."
    seen: ClassVar[str] = "Wrong bytes recur modulo 8, 16, 32 or 64; link up, error counters clean."

    width: BusBytes
    lane: LaneOfBus
    probability: Probability = HALF

    def __attrs_post_init__(self) -> None:
        if self.lane >= self.width:
            raise BadInput(f"lane {self.lane} is not on a bus of {self.width} B; use 0 to {self.width - 1}")

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        lane = message.data[self.lane :: self.width]
        masks = chance.integers(1, 256, size=len(lane), dtype=np.uint8)
        lane ^= np.where(chance.random(len(lane)) < self.probability, masks, 0).astype(np.uint8)
