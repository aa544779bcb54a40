"""What a card says of itself beyond HELLO: caveats, patterns, and what its pattern engine is told and has counted."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from enum import IntEnum

from attrs import frozen

from laneproof.contract import PatternCount
from laneproof.documents import printable
from laneproof_drivers.framing.messages import Malformed, Reader, text

MOST_CAVEATS = 64
MOST_CAVEAT = 1000
"""Bytes of one."""


def packed_caveats(caveats: Sequence[str]) -> bytes:
    """The answer to READ 4: the first ones, each cut where it is too long."""
    cut = [
        caveat.encode("utf-8", "replace")[:MOST_CAVEAT].decode("utf-8", "ignore").encode("utf-8")
        for caveat in caveats[:MOST_CAVEATS]
    ]
    return bytes((len(cut),)) + b"".join(struct.pack("<H", len(caveat)) + caveat for caveat in cut)


def read_caveats(payload: bytes) -> tuple[str, ...]:
    """Made printable: they end up on terminals and in reports. Raises Malformed, also for more than there may be."""
    reader = Reader(payload)
    count = reader.number("B")
    if count > MOST_CAVEATS:
        raise Malformed(f"it has {count} caveats, of at most {MOST_CAVEATS}")
    caveats = tuple(_caveat(reader) for _ in range(count))
    reader.end()
    return caveats


def _caveat(reader: Reader) -> str:
    nbytes = reader.number("H")
    if nbytes > MOST_CAVEAT:
        raise Malformed(f"a caveat has {nbytes} bytes, of at most {MOST_CAVEAT}")
    return printable(reader.piece(nbytes).decode("utf-8", "replace"), most=None)


@frozen
class Patterns:
    """The answer to READ 5: what the card's engine can make and compare, and whether it injects errors."""

    names: tuple[str, ...]
    injects: bool

    def packed(self) -> bytes:
        names = self.names[:255]
        return bytes((self.injects, len(names))) + b"".join(map(text, names))

    @classmethod
    def read(cls, payload: bytes) -> Patterns:
        reader = Reader(payload)
        flags, count = reader.numbers("BB")
        names = tuple(reader.text() for _ in range(count))
        reader.end()
        return cls(names, bool(flags & 1))


class Engine(IntEnum):
    """What a PATTERN asks for, by its first byte."""

    START = 1
    COUNT = 2
    STOP = 3
    INJECT = 4


DIRECTIONS = ("to_card", "from_card")
"""By the number in a START."""


@frozen
class PatternOrder:
    """The payload of PATTERN: what to do, and what it takes. `direction` is of `DIRECTIONS`."""

    what: Engine
    direction: int = 0
    pattern: str = ""
    bits: int = 0

    def packed(self) -> bytes:
        head = bytes((self.what,))
        if self.what == Engine.START:
            return head + bytes((self.direction,)) + text(self.pattern)
        return head + struct.pack("<I", self.bits) if self.what == Engine.INJECT else head

    @classmethod
    def read(cls, payload: bytes) -> PatternOrder:
        reader = Reader(payload)
        number = reader.number("B")
        if number not in tuple(Engine):
            raise Malformed(f"a pattern engine does nothing of number {number}")
        order = cls(Engine(number))
        if order.what == Engine.START:
            order = cls(order.what, reader.number("B"), reader.text())
        elif order.what == Engine.INJECT:
            order = cls(order.what, bits=reader.number("I"))
        reader.end()
        if order.direction >= len(DIRECTIONS):
            raise Malformed(f"a pattern has no direction {order.direction}")
        return order


_COUNT = "QQBI"
_LOCKED, _SATURATED = 1, 2
_MOST = (1 << 64) - 1


def packed_count(count: PatternCount) -> bytes:
    saturated = count.saturated or count.errors > _MOST
    flags = count.locked * _LOCKED | saturated * _SATURATED
    losses = min(count.lock_losses, (1 << 32) - 1)
    return struct.pack("<" + _COUNT, min(count.bits, _MOST), min(count.errors, _MOST), flags, losses)


def read_count(payload: bytes) -> PatternCount:
    reader = Reader(payload)
    bits, errors, flags, lock_losses = reader.numbers(_COUNT)
    reader.end()
    return PatternCount(
        bits=bits,
        errors=errors,
        locked=bool(flags & _LOCKED),
        lock_losses=lock_losses,
        saturated=bool(flags & _SATURATED),
    )
