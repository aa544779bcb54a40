"""The tagged pattern: words that say which buffer they belong to and where in it, and how to read one back.

A word is 64 bits, least significant byte first. Written as one number, in hexadecimal `MMSSCCQQQOOOOOOO`, it holds

| bits | digits | field | wraps |
| --- | --- | --- | --- |
| 0–27 | O | offset: the word's number in the stretch | after 2^28 words, 2 GiB |
| 28–39 | Q | sequence number | after 4,096 |
| 40–47 | C | channel, 0 to 63 | never |
| 48–55 | S | slot | never |
| 56–63 | M | mark: a byte of seed and sequence number, XOR A5 | the 16 bytes take turns |

The mark of word number i is byte i mod 16 of the seed (8 bytes) and the whole sequence number (8 bytes), both least
significant byte first. So a stretch of 128 bytes says its buffer completely: no two buffers, of whatever runs, agree
over 128 bytes at the same position.
"""

from __future__ import annotations

import operator
from collections.abc import Iterator
from functools import lru_cache
from typing import SupportsIndex

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from laneproof.errors import BadInput
from laneproof.integrity.allocation import CHANNELS
from laneproof.integrity.buffers import Bytes

WORD_BYTES = 8
"""Bytes in a word."""

SEQUENCES = 1 << 12
"""Sequence numbers that one word tells apart."""

_OFFSET_BITS, _SEQUENCE_AT, _CHANNEL_AT, _SLOT_AT, _MARK_AT = 28, 28, 40, 48, 56
_MARK = 0xA5
_ROW_BYTES = 1 << 12
_TILE_BYTES = 1 << 18
# The numbers of a tile's words, in rows; what differs from tile to tile is the same for all words of a tile or for
# the words of each row in turn.
_NUMBERS: NDArray[np.uint64] = np.arange(_TILE_BYTES // WORD_BYTES, dtype="<u8").reshape(-1, _ROW_BYTES // WORD_BYTES)


@frozen(kw_only=True)
class Tag:
    """What one word says: which buffer, and where in it.

    `sequence` is modulo `SEQUENCES`, `offset`, in bytes, modulo 2 GiB. `mark` is byte `offset / 8 mod 16` of the seed
    and the sequence number.
    """

    slot: int
    channel: int
    sequence: int
    offset: int
    mark: int


def decode_tag(word: SupportsIndex) -> Tag | None:
    """Read one received word of the tagged pattern; None where its channel shows that it is none.

    Of words of noise one in four passes for a tag: trust only neighbours that agree. Raises BadInput for anything but
    a whole number of 64 bits.
    """
    try:
        number = operator.index(word)
    except TypeError:
        raise BadInput(f"word is {word!r}; give a whole number of 64 bits") from None
    if not 0 <= number < 1 << 64:
        raise BadInput(f"word is {number}; give a whole number of 64 bits, 0 to 2^64 - 1")
    channel = number >> _CHANNEL_AT & 0xFF
    if channel >= CHANNELS:
        return None
    return Tag(
        slot=number >> _SLOT_AT & 0xFF,
        channel=channel,
        sequence=number >> _SEQUENCE_AT & SEQUENCES - 1,
        offset=(number & (1 << _OFFSET_BITS) - 1) * WORD_BYTES,
        mark=number >> _MARK_AT ^ _MARK,
    )


class Tagged:
    """One buffer's words. Immutable and safe to share between threads."""

    inverted = False
    period_bytes = WORD_BYTES << _OFFSET_BITS

    def __init__(self, seed: int, slot: int, channel: int, sequence: int) -> None:
        buffer = slot << _SLOT_AT | channel << _CHANNEL_AT | sequence % SEQUENCES << _SEQUENCE_AT
        marks = np.frombuffer((seed | sequence << 64).to_bytes(16, "little"), np.uint8) ^ np.uint8(_MARK)
        words = marks.astype("<u8") << np.uint64(_MARK_AT) | np.uint64(buffer)
        self._row: NDArray[np.uint64] = np.tile(words, _ROW_BYTES // WORD_BYTES // words.size)

    def tiles(self, position: int, nbytes: int) -> Iterator[Bytes]:
        words, row = _NUMBERS, self._row
        if nbytes > _TILE_BYTES:
            # Put together once, so that a tile's own number is all that is left to do, which is faster.
            words, row = words | row, np.uint64(0)
        scratch = np.empty((min(nbytes // _ROW_BYTES + 2, len(_NUMBERS)), self._row.size), "<u8")
        while nbytes:
            tile, inside = divmod(position, _TILE_BYTES)
            first, skipped = divmod(inside, _ROW_BYTES)
            size = min(nbytes, _TILE_BYTES - inside)
            rows = scratch[: -(-(skipped + size) // _ROW_BYTES)]
            number = np.uint64(tile * (_TILE_BYTES // WORD_BYTES))
            np.bitwise_or(words[first : first + len(rows)], row | number, out=rows)
            yield rows.reshape(-1).view(np.uint8)[skipped : skipped + size]
            position = (position + size) % self.period_bytes
            nbytes -= size


tagged = lru_cache(maxsize=256)(Tagged)
"""The words of a buffer (seed, slot, channel, sequence), made once for its fill and its verification."""
