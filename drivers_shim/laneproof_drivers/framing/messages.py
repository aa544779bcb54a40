"""What the frames say: types of message, and their payloads as values. Not when which message is sent.

Every integer is little-endian. A text is one byte of length and so many bytes of UTF-8. `laneproof guide frames` has
the same tables.
"""

from __future__ import annotations

import struct
from enum import IntEnum

from attrs import frozen

from laneproof.contract import Limits
from laneproof.documents import printable
from laneproof.readings import Component, Identity
from laneproof_drivers.framing.frame import LEAST_PAYLOAD

CARD = 0xFF
"""The channel of messages about the card as a whole."""
ANSWER = 0x80
"""Added to a request's type in its answer."""
MOST_CHANNELS = 16
MOST_TOKEN = 57
"""Bytes; so that HELLO fits what every card takes."""
LEAST_OF_HOST = 512
"""Bytes of payload that every host takes, so that a FAULT and a DONE fit."""
WRAP = 1 << 32


class Kind(IntEnum):
    """Types of message. Those below 0x10 are requests of the host."""

    HELLO = 0x01
    READ = 0x02
    COUNTS = 0x03
    STOP = 0x04
    RESET = 0x05
    PATTERN = 0x06
    START = 0x10
    DATA = 0x11
    DONE = 0x12
    CREDIT = 0x13
    FAULT = 0x7F


class Why(IntEnum):
    """The code of a FAULT."""

    NOT_UNDERSTOOD = 1
    NOT_OFFERED = 2
    NOT_PERMITTED = 3
    IN_USE = 4
    FRAME_LOST = 5
    FRAME_DAMAGED = 6
    DEVICE_LOST = 7
    FAILED = 8
    LIMIT_PASSED = 9


class What(IntEnum):
    """What a READ asks for."""

    IDENTITY = 1
    LINK = 2
    ERRORS = 3
    CAVEATS = 4
    PATTERNS = 5


STATUSES = ("done", "stopped", "failed")
"""What became of a ticket, by the number in DONE."""

_OUT, _INTO = 1, 2
_LINK, _ERRORS, _SIMULATED, _CAVEATS, _PATTERNS = 1, 2, 1 << 5, 1 << 6, 1 << 7
"""Of what a card says that it has; those between are its resets. A host that does not know one passes it over."""
_FULL_DUPLEX, _MESSAGE = 1, 2
_UNKNOWN = WRAP - 1


class Malformed(ValueError):
    """A payload that is not as the specification has it."""


class Reader:
    """Takes a payload apart from the front. Raises Malformed where it ends too early, or too late for `end`."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._at = 0

    def numbers(self, layout: str) -> tuple[int, ...]:
        """Integers by the letters of `struct`, little-endian."""
        size = struct.calcsize("<" + layout)
        if self._at + size > len(self._payload):
            raise Malformed("it ends too early")
        values = struct.unpack_from("<" + layout, self._payload, self._at)
        self._at += size
        return values

    def number(self, layout: str) -> int:
        return self.numbers(layout)[0]

    def raw(self) -> bytes:
        """One byte of length, and so many bytes."""
        return self.piece(self.number("B"))

    def piece(self, nbytes: int) -> bytes:
        end = self._at + nbytes
        if end > len(self._payload):
            raise Malformed("it ends within a text")
        self._at, start = end, self._at
        return self._payload[start:end]

    def text(self) -> str:
        """What is no UTF-8 or does not print is replaced: it ends up on terminals and in reports."""
        return printable(self.raw().decode("utf-8", "replace"))

    def rest(self) -> bytes:
        start, self._at = self._at, len(self._payload)
        return self._payload[start:]

    def end(self) -> None:
        if self._at != len(self._payload):
            raise Malformed("it is longer than it should be")


def text(words: str) -> bytes:
    """A text as it is sent: cut at 255 bytes, never within a letter."""
    raw = words.encode("utf-8")[:255].decode("utf-8", "ignore").encode("utf-8")
    return bytes((len(raw),)) + raw


# --- requests and their answers -------------------------------------------------------------------------------


@frozen
class Hello:
    """What the host says of itself: the largest payload and the window that it takes, in bytes, and a token."""

    most_payload: int
    window: int
    token: bytes = b""

    def packed(self) -> bytes:
        return struct.pack("<HI", self.most_payload, self.window) + bytes((len(self.token),)) + self.token

    @classmethod
    def read(cls, payload: bytes) -> Hello:
        reader = Reader(payload)
        most_payload, window = reader.numbers("HI")
        token = reader.raw()
        reader.end()
        if most_payload < LEAST_OF_HOST or not 0 < window < WRAP // 2:
            raise Malformed("its sizes cannot be")
        return cls(most_payload, window, token)


@frozen
class ChannelOffer:
    """One channel of a card: its name, its limits, and how many bytes of DATA it has room for at first."""

    name: str
    limits: Limits
    window: int


@frozen
class Offer:
    """What a card says of itself in answer to HELLO. `resets` are numbers of `laneproof.contract.ResetLevel`.

    `simulated`: it is no real card. `caveats` and `patterns`: it has more to READ, `framing.more_of_the_card`.
    """

    most_payload: int
    channels: tuple[ChannelOffer, ...]
    identity: Identity
    link: bool = False
    errors: bool = False
    resets: tuple[int, ...] = ()
    simulated: bool = False
    caveats: bool = False
    patterns: bool = False

    def packed(self) -> bytes:
        parts = self.link * _LINK | self.errors * _ERRORS | sum(2 << level for level in self.resets)
        parts |= self.simulated * _SIMULATED | self.caveats * _CAVEATS | self.patterns * _PATTERNS
        head = struct.pack("<HBB", self.most_payload, parts, len(self.channels))
        return head + b"".join(map(_packed_channel, self.channels)) + packed_identity(self.identity)

    @classmethod
    def read(cls, payload: bytes) -> Offer:
        reader = Reader(payload)
        most_payload, parts, count = reader.numbers("HBB")
        if most_payload < LEAST_PAYLOAD or not 1 <= count <= MOST_CHANNELS:
            raise Malformed("its sizes cannot be")
        channels = tuple(_read_channel(reader) for _ in range(count))
        identity = _identity_from(reader)
        reader.end()
        resets = tuple(level for level in (1, 2, 3) if parts & 2 << level)
        link, errors, simulated, caveats, patterns = (
            bool(parts & bit) for bit in (_LINK, _ERRORS, _SIMULATED, _CAVEATS, _PATTERNS)
        )
        return cls(most_payload, channels, identity, link, errors, resets, simulated, caveats, patterns)


_CHANNEL = "IIIHBQI"


def _packed_channel(offer: ChannelOffer) -> bytes:
    limits = offer.limits
    numbers = (
        limits.max_transfer,
        limits.granularity,
        _UNKNOWN if limits.fifo_depth is None else min(limits.fifo_depth, _UNKNOWN - 1),
        limits.queue_depth,
        limits.full_duplex * _FULL_DUPLEX | (limits.boundary == "message") * _MESSAGE,
        max(1, round(limits.nominal_bytes_per_s)),
        offer.window,
    )
    return struct.pack("<" + _CHANNEL, *numbers) + text(offer.name)


def _read_channel(reader: Reader) -> ChannelOffer:
    max_transfer, granularity, fifo, depth, flags, nominal, window = reader.numbers(_CHANNEL)
    if not max_transfer < WRAP // 2 or not 0 < window < WRAP // 2:
        raise Malformed("the sizes of a channel cannot be")
    try:
        limits = Limits(
            max_transfer=max_transfer,
            granularity=granularity,
            fifo_depth=None if fifo == _UNKNOWN else fifo,
            queue_depth=depth,
            full_duplex=bool(flags & _FULL_DUPLEX),
            boundary="message" if flags & _MESSAGE else "stream",
            nominal_bytes_per_s=nominal,
        )
    except ValueError as error:
        raise Malformed(f"the limits of a channel cannot be: {error.args[0]}") from None
    return ChannelOffer(reader.text(), limits, window)


def packed_identity(identity: Identity) -> bytes:
    components = identity.components[:255]
    listed = b"".join(text(part.name) + text(part.version) for part in components)
    return text(identity.model) + text(identity.serial or "") + bytes((len(components),)) + listed


def read_identity(payload: bytes) -> Identity:
    reader = Reader(payload)
    identity = _identity_from(reader)
    reader.end()
    return identity


def _identity_from(reader: Reader) -> Identity:
    model, serial, count = reader.text(), reader.text(), reader.number("B")
    components = tuple(Component(reader.text(), reader.text()) for _ in range(count))
    return Identity(model=model, serial=serial or None, components=components)


@frozen
class Counts:
    """Frames of START, DATA and DONE that a card has taken from the host and sent to it on a channel, and the bytes of
    DATA that it has given credit for; each since the channel began, modulo 2^32."""

    taken: int
    sent: int
    credit: int

    def packed(self) -> bytes:
        return struct.pack("<III", self.taken, self.sent, self.credit)

    @classmethod
    def read(cls, payload: bytes) -> Counts:
        reader = Reader(payload)
        counts = cls(*reader.numbers("III"))
        reader.end()
        return counts


# --- transfers ------------------------------------------------------------------------------------------------


@frozen
class Start:
    """A ticket: how many bytes DATA brings to the card, and room for how many come back; None where a side has no
    part in it."""

    ticket: int
    out: int | None
    room: int | None

    def packed(self) -> bytes:
        sides = (self.out is not None) * _OUT | (self.room is not None) * _INTO
        return struct.pack("<IBII", self.ticket, sides, self.out or 0, self.room or 0)

    @classmethod
    def read(cls, payload: bytes) -> Start:
        reader = Reader(payload)
        ticket, sides, out, room = reader.numbers("IBII")
        reader.end()
        if sides not in (_OUT, _INTO, _OUT | _INTO):
            raise Malformed("it has no side")
        return cls(ticket, out if sides & _OUT else None, room if sides & _INTO else None)


TICKET = struct.Struct("<I")
"""What stands before the bytes of DATA."""


@frozen
class Done:
    """The end of a ticket; `sent` and `received` as in `laneproof.contract.Completion`."""

    ticket: int
    sent: int
    received: int
    status: int
    why: str

    def packed(self) -> bytes:
        return struct.pack("<IIIB", self.ticket, self.sent, self.received, self.status) + text(self.why)

    @classmethod
    def read(cls, payload: bytes) -> Done:
        reader = Reader(payload)
        ticket, sent, received, status = reader.numbers("IIIB")
        why = reader.text()
        reader.end()
        if status >= len(STATUSES):
            raise Malformed("its status is unknown")
        return cls(ticket, sent, received, status, why)


@frozen
class Fault:
    """Why a request was not done, or what went wrong unasked."""

    code: int
    why: str

    def packed(self) -> bytes:
        return bytes((self.code,)) + text(self.why)

    @classmethod
    def read(cls, payload: bytes) -> Fault:
        reader = Reader(payload)
        return cls(reader.number("B"), reader.text())
