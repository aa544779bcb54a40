"""One message that has arrived in the host's buffer, as a fault sees and changes it; and what kinds of fault share.

A message is the echo of one `out` in one `into`, whatever the segments in which it was moved.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from typing import Literal

import numpy as np
from attrs import define, frozen
from numpy.typing import NDArray

from laneproof_sim.damage.when import Conditional

Bytes = NDArray[np.uint8]

Shows = Literal["before", "earlier"]
"""What stands where nothing new was written: what the buffer held before, or what an earlier message had there."""


@define(eq=False, kw_only=True)
class Message:
    """`into` is the host's whole buffer: the message in its first `size` bytes, behind them what it held before.

    `received` is what the card will report; bytes from there on are put back as they were once all faults have acted.
    """

    into: Bytes
    size: int
    received: int
    before: Bytes
    """What the whole buffer held before the message came."""
    since_reset: int
    """Which message it is since power-on or the last data reset, from 1 on."""
    earlier: Sequence[Bytes]
    """What the messages before it had been sent as, the latest first; as many as some fault looks back."""
    beside: Sequence[Bytes]
    """What the other transfers that are out at the same time send, the next one first."""
    others: Sequence[Bytes] = ()
    """What the card's other channels send at the same time, the next channel first."""
    payload: int
    """The largest payload of a write on this link, in bytes."""
    completion: int
    """The largest completion."""

    @property
    def data(self) -> Bytes:
        """The message as it stands, to be changed in place."""
        return self.into[: self.size]

    def old(self, start: int, stop: int, shows: Shows, back: int = 1) -> Bytes:
        """What stands at `start` to `stop` - 1 if nothing new was written there.

        Where there was no earlier message, or a shorter one, it is what the buffer held before.
        """
        found = self.before[start:stop].copy()
        if shows == "earlier" and len(self.earlier) >= back:
            held = self.earlier[back - 1][start:stop]
            found[: len(held)] = held
        return found


@frozen(kw_only=True)
class MessageFault(Conditional):
    """A fault that acts on messages, one at a time."""

    @property
    def looks_back(self) -> int:
        """How many earlier messages it may look at."""
        return 0

    @abstractmethod
    def strike(self, message: Message, chance: np.random.Generator) -> None:
        """Do to `message` what this fault does. `chance` is fresh, and this message's and this fault's alone."""


@frozen(kw_only=True)
class OldDataFault(MessageFault):
    """A fault that leaves places of the host's buffer unwritten, or writes old data to them."""

    shows: Shows = "before"

    @property
    def looks_back(self) -> int:
        return int(self.shows == "earlier")


def drawn(chance: np.random.Generator, units: int, wanted: int) -> list[int]:
    """`wanted` different numbers below `units`, ascending; all of them where there are no more."""
    return sorted(chance.choice(units, min(units, wanted), replace=False).tolist())
