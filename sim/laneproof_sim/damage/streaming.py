"""Faults on the way through the card, where a message is a stream of beats: FIFOs, rings, widths, end of packet."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from attrs import frozen

from laneproof.errors import BadInput
from laneproof_sim.damage.message import Message, MessageFault, drawn
from laneproof_sim.quantities import ByteCount, Displacement, Several

ONE = Several(1)
DWORD = ByteCount(4)
BEAT = ByteCount(8)
HEADER = ByteCount(16)
"""Four words, as a packet of the link has them."""
BURST = ByteCount(64)
BLOCK = ByteCount(256)
CHUNK = ByteCount(512)
PAGE = ByteCount(4096)


@frozen(kw_only=True)
class DroppedBeats(MessageFault):
    """`length` bytes are dropped at a place that varies; what follows comes early, and the end stays unwritten."""

    kind: ClassVar[str] = "dropped-beats"
    cause: ClassVar[str] = "A FIFO of the card that overflows under back-pressure."
    seen: ClassVar[str] = "Later data come early, the end of the buffer is pre-fill; link up, error counters clean."

    length: ByteCount = BURST
    beat: ByteCount = BEAT

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        length, data = min(self.length, message.size), message.data
        at = self.beat * int(chance.integers((message.size - length) // self.beat + 1))
        data[at : message.size - length] = data[at + length :]
        data[message.size - length :] = message.before[message.size - length : message.size]


@frozen(kw_only=True)
class Shifted(MessageFault):
    """The message is written `by` bytes too far; its last bytes are lost, the buffer's first stay unwritten."""

    kind: ClassVar[str] = "shifted"
    cause: ClassVar[str] = "A buffer that is not aligned to the card's bus, or a residue in a width converter."
    seen: ClassVar[str] = "All data at a constant distance from their place; link up, error counters clean."

    by: Displacement

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        by = min(self.by, message.size)
        message.data[by:] = message.data[: message.size - by]
        message.data[:by] = message.before[:by]


@frozen(kw_only=True)
class UnflushedFifo(MessageFault):
    """The first `length` bytes are those that the message before ended with."""

    kind: ClassVar[str] = "unflushed-fifo"
    cause: ClassVar[str] = "Words left over in the card's output FIFO or its registers, sent in place of the new ones."
    seen: ClassVar[str] = "The head is the tail of the transfer before; link up, error counters clean."

    length: ByteCount = BURST

    @property
    def looks_back(self) -> int:
        return 1

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        for before in message.earlier[:1]:
            left = before[-min(self.length, message.size) :]
            message.data[: len(left)] = left


@frozen(kw_only=True)
class ShortTail(MessageFault):
    """The last `length` bytes are not written. `reported`: the card says so; otherwise it reports the whole length."""

    kind: ClassVar[str] = "short-tail"
    cause: ClassVar[str] = "The last beat, or a rule for lengths that are no multiple of it, is wrong in the card."
    seen: ClassVar[str] = "Up to 64 B missing at the end; link up, error counters clean."

    length: ByteCount = DWORD
    reported: bool = False

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        stop = max(0, message.size - self.length)
        message.data[stop:] = message.before[stop : message.size]
        if self.reported:
            message.received = min(message.received, stop)


@frozen(kw_only=True)
class ExtraBeat(MessageFault):
    """The last `beat` bytes come twice, as far as the host's buffer has room: never beyond it."""

    kind: ClassVar[str] = "extra-beat"
    cause: ClassVar[str] = "An end of packet that the card sees one beat too late."
    seen: ClassVar[str] = "More bytes than were sent, where the buffer has room; link up, error counters clean."
    steps: ClassVar[tuple[str, ...]] = ("integrity", "soak")

    beat: ByteCount = BEAT

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        extra = message.data[-self.beat :][: len(message.into) - message.size]
        message.into[message.size : message.size + len(extra)] = extra
        if message.received == message.size:
            message.received += len(extra)


@frozen(kw_only=True)
class SecondShort(MessageFault):
    """The second message after power-on or a data reset ends `length` bytes early, and the card says so."""

    kind: ClassVar[str] = "second-short"
    cause: ClassVar[str] = "State that the first transfer leaves behind in the card's engine."
    seen: ClassVar[str] = "Only the second transfer is short; link up, error counters clean."

    length: ByteCount = BURST

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        if message.since_reset == 2:
            message.received = max(0, message.size - self.length)


@frozen(kw_only=True)
class RepeatedBeat(MessageFault):
    """At the end of each stretch of `every` bytes, a beat is given out twice in place of the one after it."""

    kind: ClassVar[str] = "repeated-beat"
    cause: ClassVar[str] = "The card's memory answers later than its reader expects, and the last word is taken again."
    seen: ClassVar[str] = "A few bytes repeated in place, at a constant distance; link up, error counters clean."

    beat: ByteCount = BEAT
    every: ByteCount = PAGE

    def __attrs_post_init__(self) -> None:
        if self.every < 2 * self.beat:
            raise BadInput("every is less than two beats; make it longer")

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        for stop in range(self.every, message.size + 1, self.every):
            message.data[stop - self.beat : stop] = message.data[stop - 2 * self.beat : stop - self.beat]


@frozen(kw_only=True)
class PointerWrap(MessageFault):
    """The first `length` bytes are overwritten by the last."""

    kind: ClassVar[str] = "pointer-wrap"
    cause: ClassVar[str] = "A FIFO whose write pointer comes round before its first words are read."
    seen: ClassVar[str] = "The first words equal the last; link up, error counters clean."

    length: ByteCount = BURST

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        last = message.data[-self.length :].copy()
        message.data[: len(last)] = last


@frozen(kw_only=True)
class StrippedHeader(MessageFault):
    """The first `length` bytes are zero."""

    kind: ClassVar[str] = "stripped-header"
    cause: ClassVar[str] = "A card that takes the first words of the data for a header, or does not skip its own."
    seen: ClassVar[str] = "The first 16 B are zero; link up, error counters clean."

    length: ByteCount = HEADER

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        message.data[: self.length] = 0


@frozen(kw_only=True)
class AddressMask(MessageFault):
    """The second block is written to the place of the first too, in messages of more than `above` bytes."""

    kind: ClassVar[str] = "address-mask"
    cause: ClassVar[str] = "An address bit that the card's memory leaves out of its decoding."
    seen: ClassVar[str] = "The first block is the second, in transfers of more than 64 B; error counters clean."

    block: ByteCount = BLOCK
    above: ByteCount = BURST

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        if message.size > self.above:
            second = message.data[self.block : 2 * self.block]
            message.data[: len(second)] = second


@frozen(kw_only=True)
class SkippedChunks(MessageFault):
    """`count` chunks of each message are skipped, the chunk before each given out again; which, varies."""

    kind: ClassVar[str] = "skipped-chunks"
    cause: ClassVar[str] = "A ring on the card that runs freely, so that a paced reader meets the same chunk twice."
    seen: ClassVar[str] = "Chunks that stand twice, in place of the next; link up, error counters clean."

    chunk: ByteCount = CHUNK
    count: Several = ONE

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        chunks = message.size // self.chunk
        for number in drawn(chance, max(0, chunks - 1), self.count):
            start = (number + 1) * self.chunk
            message.data[start : start + self.chunk] = message.data[start - self.chunk : start]


@frozen(kw_only=True)
class Spliced(MessageFault):
    """A piece of a message is that of the next one out; where, varies. With one message out there is none."""

    kind: ClassVar[str] = "spliced"
    cause: ClassVar[str] = "A completion tag used again while its first request is still open."
    seen: ClassVar[str] = "Part of another transfer, only at queue depth 2 or more; link up, error counters clean."
    steps: ClassVar[tuple[str, ...]] = ("integrity", "soak")

    length: ByteCount = BLOCK

    def strike(self, message: Message, chance: np.random.Generator) -> None:
        for other in message.beside[:1]:
            pieces = min(message.size, len(other)) // self.length
            for number in drawn(chance, pieces, 1):
                piece = slice(number * self.length, (number + 1) * self.length)
                message.data[piece] = other[piece]
