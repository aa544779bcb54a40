"""Frames: a header, a payload and a CRC, stuffed, with a zero after each. What a message means is in `messages`.

`FrameDecoder` takes bytes in any pieces, from anybody, and never raises: what is no frame comes out as a `FrameError`,
and the next zero starts anew.
"""

from __future__ import annotations

import struct
import zlib
from typing import Literal

from attrs import frozen

from laneproof_drivers.framing.cobs import longest_stuffed, stuffed, unstuffed

VERSION = 1
DELIMITER = b"\0"
MOST_PAYLOAD = 65535
"""Bytes; a side may take less, and says so in HELLO."""
LEAST_PAYLOAD = 64
"""Bytes; what every side takes."""

_HEADER = struct.Struct("<BBBxI")
_CRC = struct.Struct("<I")
_AROUND = _HEADER.size + _CRC.size


@frozen
class Frame:
    """One message: its type, the channel that it is about, its number, and up to 65535 bytes of payload."""

    kind: int
    channel: int
    sequence: int
    payload: bytes = b""


@frozen
class FrameError:
    """Bytes between two zeros that are no frame, and how many they were.

    `truncated`: too short, or byte stuffing that does not end where it says. `oversized`: longer than the receiver
    takes. `crc`: damaged. `version`: whole, but of another version than 1.
    """

    what: Literal["truncated", "oversized", "crc", "version"]
    nbytes: int


def encoded(frame: Frame) -> bytes:
    """The frame as it goes over the line, with the zero that ends it."""
    body = _HEADER.pack(VERSION, frame.kind, frame.channel, frame.sequence) + frame.payload
    return stuffed(body + _CRC.pack(zlib.crc32(body))) + DELIMITER


class FrameDecoder:
    """Takes bytes as they come; holds no more than the longest frame of `most_payload` bytes."""

    def __init__(self, most_payload: int = MOST_PAYLOAD) -> None:
        self._most_payload = most_payload
        self._longest = longest_stuffed(_AROUND + most_payload)
        self._begun = bytearray()
        self._skipping = False
        """Within a frame that was too long, up to the next zero."""

    def feed(self, data: bytes | bytearray | memoryview) -> list[Frame | FrameError]:
        """The frames, and what is none, that these bytes complete."""
        first, *others = bytes(data).split(DELIMITER)
        found: list[Frame | FrameError] = []
        self._keep(first, found)
        for piece in others:
            if self._begun:
                found.append(_decoded(bytes(self._begun), self._most_payload))
                self._begun.clear()
            self._skipping = False
            self._keep(piece, found)
        return found

    def _keep(self, piece: bytes, found: list[Frame | FrameError]) -> None:
        if self._skipping:
            return
        if len(self._begun) + len(piece) > self._longest:  # said at once: its end may never come
            found.append(FrameError("oversized", len(self._begun) + len(piece)))
            self._begun.clear()
            self._skipping = True
        else:
            self._begun += piece


def _decoded(piece: bytes, most_payload: int) -> Frame | FrameError:
    body = unstuffed(piece)
    if body is None or len(body) < _AROUND:
        return FrameError("truncated", len(piece))
    if len(body) > _AROUND + most_payload:
        return FrameError("oversized", len(piece))
    (crc,) = _CRC.unpack_from(body, len(body) - _CRC.size)
    if crc != zlib.crc32(memoryview(body)[: -_CRC.size]):
        return FrameError("crc", len(piece))
    version, kind, channel, sequence = _HEADER.unpack_from(body)
    if version != VERSION:
        return FrameError("version", len(piece))
    return Frame(kind, channel, sequence, body[_HEADER.size : -_CRC.size])
