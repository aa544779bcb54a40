"""Faults between the channels of one card, and what each channel has sent, for those faults to look at.

Two messages are in the card at the same time if one is fetched while the other one's transfer is out.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import ClassVar

import numpy as np
from attrs import define, frozen

from laneproof_sim.damage.message import Bytes, Message, MessageFault
from laneproof_sim.quantities import ByteCount

PAGE = ByteCount(4096)
_MOST_KEPT = 16
"""Messages of each channel; more are not out at once with one of another."""


@frozen(kw_only=True)
class BetweenChannels(MessageFault):
    """A fault that takes data from other channels. The built-in steps use one channel at a time, and so see nothing."""

    steps: ClassVar[tuple[str, ...]] = ()


@frozen(kw_only=True)
class ForeignChannel(BetweenChannels):
    """What arrives is the message that the next channel sends at the same time, as far as that is long enough."""

    kind: ClassVar[str] = "foreign-channel"
    cause: ClassVar[str] = "Data that the card routes to the wrong channel while another one is in use."
    seen: ClassVar[str] = (
        "Another channel's data, only while that one is in use; one channel at a time is clean. Link up, error "
        "counters clean, full rate."
    )

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        if message.others:
            foreign = message.others[0][: message.size]
            message.data[: len(foreign)] = foreign


@frozen(kw_only=True)
class RotatedChannels(BetweenChannels):
    """Each `chunk` of a message is that of the next channel in turn, among those that send at the same time."""

    kind: ClassVar[str] = "rotated-channels"
    cause: ClassVar[str] = "An arbiter that serves the channels in turn and loses count of whose turn it is."
    seen: ClassVar[str] = (
        "Pieces of all channels in turn, each at its own place, as far as the others' messages reach; one channel at a "
        "time is clean. Link up, error counters clean, full rate."
    )

    chunk: ByteCount = PAGE

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        for number, start in enumerate(range(0, message.size, self.chunk)):
            turn = number % (1 + len(message.others))
            if turn:
                piece = message.others[turn - 1][start : min(start + self.chunk, message.size)]
                message.data[start : start + len(piece)] = piece


@define(eq=False)
class _Sent:
    data: Bytes
    begun_s: float
    fetched_s: float = math.inf


class Channels:
    """What each channel of a card has sent lately. False where no fault asks."""

    def __init__(self, faults: Sequence[object], count: int) -> None:
        self._asked = any(isinstance(fault, BetweenChannels) for fault in faults)
        self._sent: list[deque[_Sent]] = [deque(maxlen=_MOST_KEPT) for _ in range(count)]

    def __bool__(self) -> bool:
        return self._asked

    def begun(self, channel: int, data: Bytes, at_s: float) -> None:
        """The card begins to fetch a message of that channel."""
        if self._asked:
            self._sent[channel].append(_Sent(data.copy(), at_s))

    def fetched(self, channel: int, at_s: float) -> None:
        """It has fetched all of it."""
        if self._asked:
            self._sent[channel][-1].fetched_s = at_s

    def beside(self, channel: int, from_s: float, until_s: float) -> list[Bytes]:
        """The last message of each other channel, the next one first, that was in the card between these times."""
        found: list[Bytes] = []
        for step in range(1, len(self._sent)):
            sent = self._sent[(channel + step) % len(self._sent)]
            there = [one for one in sent if one.begun_s < until_s and one.fetched_s > from_s]
            if there:
                found.append(there[-1].data)
        return found
