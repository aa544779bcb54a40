"""Faults on the last stretch, from the card's DMA into the host's memory: data not written, written late or elsewhere.

Whether such a place shows what the buffer held before (the tester's pre-fill) or an earlier message depends on whose
memory is stale, the host's or the card's; `shows` says which.
"""

from __future__ import annotations

from typing import ClassVar, Literal

import numpy as np
from attrs import frozen

from laneproof_sim.damage.message import Message, MessageFault, OldDataFault, Shows, drawn
from laneproof_sim.quantities import BitNumber, ByteCount, ByteOffset, MessagesBack, Probability, Several

PAGE = ByteCount(4096)
CACHE_LINE = ByteCount(64)
LATE = ByteCount(64 * 1024)
ONE = Several(1)
THE_LAST = MessagesBack(1)


@frozen(kw_only=True)
class NeverWritten(MessageFault):
    """Nothing of a message is written, and it is reported as done."""

    kind: ClassVar[str] = "never-written"
    cause: ClassVar[str] = "A DMA write that goes nowhere: not started, refused by the IOMMU, or to a wrong address."
    seen: ClassVar[str] = (
        "The whole buffer still holds its pre-fill; link up, error counters clean, full rate. An IOMMU that refused "
        "it counts that."
    )

    refused_by_iommu: bool = False
    """The host has an IOMMU, which refused the writes and says so."""

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        message.data[:] = message.before[: message.size]


@frozen(kw_only=True)
class AllOnes(MessageFault):
    """The card sends ones, as it reads them where nobody answers it."""

    kind: ClassVar[str] = "all-ones"
    cause: ClassVar[str] = "The card's memory is switched off or not decoded behind a link that is up: reads give ones."
    seen: ClassVar[str] = "Data are all ones, while the card still says who it is; link up, error counters clean."

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        message.data[:] = 0xFF


@frozen(kw_only=True)
class StaleMessage(MessageFault):
    """What arrives is the message of `back` messages ago, as far as that is long enough."""

    kind: ClassVar[str] = "stale-message"
    cause: ClassVar[str] = "A ring slot of the card that is given out again before it was filled anew."
    seen: ClassVar[str] = "The whole buffer is an earlier transfer; link up, error counters clean, full rate."

    back: MessagesBack = THE_LAST

    @property
    def looks_back(self) -> int:
        return self.back

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        if len(message.earlier) >= self.back:
            old = message.earlier[self.back - 1][: message.size]
            message.data[: len(old)] = old


@frozen(kw_only=True)
class EarlyCompletion(OldDataFault):
    """A message is reported as done while up to `behind` bytes at its end are not written yet; how many, varies."""

    kind: ClassVar[str] = "early-completion"
    cause: ClassVar[str] = "A completion that overtakes the data: relaxed ordering, or a flag raised too early."
    seen: ClassVar[str] = "Head new, tail old, and the split moves; link up, error counters clean, full rate."

    behind: ByteCount = LATE

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        split = message.size - 1 - int(chance.integers(min(self.behind, message.size)))
        message.data[split:] = message.old(split, message.size, self.shows)


@frozen(kw_only=True)
class LostPages(OldDataFault):
    """`count` pages of each message are not written; which, varies."""

    kind: ClassVar[str] = "lost-pages"
    cause: ClassVar[str] = "A lost scatter-gather descriptor, or a page that the IOMMU does not map."
    seen: ClassVar[str] = "Whole pages of 4 KiB hold old data; link up, error counters clean."

    count: Several = ONE
    page: ByteCount = PAGE

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        for number in drawn(chance, -(-message.size // self.page), self.count):
            start, stop = number * self.page, min((number + 1) * self.page, message.size)
            message.data[start:stop] = message.old(start, stop, self.shows)


@frozen(kw_only=True)
class SwappedPages(MessageFault):
    """`count` pairs of whole pages of each message stand in each other's place; which, varies."""

    kind: ClassVar[str] = "swapped-pages"
    cause: ClassVar[str] = "A scatter-gather list whose entries are taken out of order."
    seen: ClassVar[str] = "Pages of 4 KiB in each other's place; link up, error counters clean."

    count: Several = ONE
    page: ByteCount = PAGE

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        pages = message.size // self.page
        places = message.data[: pages * self.page].reshape(pages, self.page)
        chosen = chance.choice(pages, 2 * min(self.count, pages // 2), replace=False) if pages > 1 else ()
        for one, two in zip(chosen[::2], chosen[1::2], strict=True):
            places[[one, two]] = places[[two, one]]


@frozen(kw_only=True)
class StaleLines(OldDataFault):
    """Each cache line of a message is old with this probability."""

    kind: ClassVar[str] = "stale-lines"
    cause: ClassVar[str] = "Writes that do not snoop, to memory that a cache holds: lines are read from the cache."
    seen: ClassVar[str] = "Old data in units of 64 B; link up, error counters clean."

    probability: Probability
    line: ByteCount = CACHE_LINE
    shows: Shows = "earlier"

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        lines = -(-message.size // self.line)
        for number in drawn(chance, lines, int(chance.binomial(lines, self.probability))):
            start, stop = number * self.line, min((number + 1) * self.line, message.size)
            message.data[start:stop] = message.old(start, stop, self.shows)


@frozen(kw_only=True)
class BoundaryDamage(OldDataFault):
    """The first `length` bytes behind each boundary are old.

    Boundaries lie in the buffer, the same each run, or in the host's addresses, so that moving the buffer moves them.
    """

    kind: ClassVar[str] = "boundary-damage"
    cause: ClassVar[str] = "A request of the card that crosses a 4 KiB boundary, which the standard forbids."
    seen: ClassVar[str] = "Damage at every 4 KiB; link up, error counters clean."

    boundary: ByteCount = PAGE
    length: ByteCount = CACHE_LINE
    counted_in: Literal["buffer", "addresses"] = "buffer"
    shows: Shows = "earlier"

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        address = message.into.ctypes.data if self.counted_in == "addresses" else 0
        first = self.boundary - address % self.boundary
        for start in range(first, message.size, self.boundary):
            stop = min(start + self.length, message.size)
            message.data[start:stop] = message.old(start, stop, self.shows)


@frozen(kw_only=True)
class SplitDamage(OldDataFault):
    """`count` packets' worth of each message is not written: a whole payload of a write, or a whole completion."""

    kind: ClassVar[str] = "split-damage"
    cause: ClassVar[str] = "Payloads cut or completions joined wrongly: a tag freed too early, a counter off by one."
    seen: ClassVar[str] = "Damage in units of the largest payload or completion; link up, error counters clean."

    unit: Literal["payload", "completion"] = "payload"
    count: Several = ONE

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        nbytes = message.payload if self.unit == "payload" else message.completion
        for number in drawn(chance, -(-message.size // nbytes), self.count):
            start, stop = number * nbytes, min((number + 1) * nbytes, message.size)
            message.data[start:stop] = message.old(start, stop, self.shows)


@frozen(kw_only=True)
class HostBitFlips(MessageFault):
    """The same bit of each receive buffer is flipped; `at` counts from its first byte. The source stays right.

    `counted` says what ECC makes of it: nothing where there is none; one wrong bit is corrected, so that data are
    right; two in one word, the next bit with it, are not, and are counted so.
    """

    kind: ClassVar[str] = "host-bit-flips"
    cause: ClassVar[str] = "A bad cell in the host's memory, where the receive buffer lies; without ECC nobody counts."
    seen: ClassVar[str] = (
        "The same bits wrong in each transfer, the source buffer right; the link's error counters clean. "
        "With ECC the host counts: one wrong bit is corrected, and data are right; two in a word are not."
    )

    at: ByteOffset
    bit: BitNumber
    counted: Literal["nowhere", "corrected", "uncorrected"] = "nowhere"

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        if self.counted != "corrected":
            both = self.counted == "uncorrected"
            message.data[self.at : self.at + 1] ^= 1 << self.bit | (1 << (self.bit + 1) % 8 if both else 0)
