"""Consistent overhead byte stuffing: bytes without a zero, so that a zero can stand between frames.

Cheshire and Baker, "Consistent overhead byte stuffing", IEEE/ACM Transactions on Networking 7(2), 1999. Knows nothing
of what is inside a frame.
"""

from __future__ import annotations

import re

import numpy as np

_FULL = 254
"""The most bytes without a zero that one code byte can stand before."""
_CODES = tuple(bytes((code,)) for code in range(256))
_MANY = 160
_DENSE = 24
"""With more zeros than so many, and one in so many bytes, working on the array is quicker than joining pieces."""
_ROW = b"\x01" * 8
_WHOLE_ROW = re.compile(rb"\x01+")


def stuffed(data: bytes) -> bytes:
    """`data` without its zeros, one byte longer, and one more for every 254 in a row that are no zero."""
    if data.count(0) > _MANY + len(data) // _DENSE:
        return _stuffed_array(np.frombuffer(data, np.uint8))
    parts: list[bytes] = []
    whole, rest = 0, b""
    for piece in data.split(b"\0"):
        whole = len(piece) // _FULL * _FULL
        for at in range(0, whole, _FULL):
            parts += (_CODES[_FULL + 1], piece[at : at + _FULL])
        rest = piece[whole:]
        parts += (_CODES[len(rest) + 1], rest)
    if whole and not rest:  # a full stretch at the very end needs no code after it
        del parts[-2:]
    return b"".join(parts)


def _stuffed_array(raw: np.ndarray) -> bytes:
    """The same where zeros are many."""
    out = np.empty(raw.size + 1, np.uint8)
    out[0] = 0
    out[1:] = raw
    # Each zero, and the one put before everything, becomes the distance to the next; the end counts as a zero.
    codes = np.flatnonzero(out == 0)
    gaps = np.diff(codes, append=out.size)
    more = (gaps - 1) // _FULL
    more[-1] = max(int(gaps[-1]) - 2, 0) // _FULL
    if more.any():
        long = np.flatnonzero(more)
        counts = more[long]
        nth = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + 1
        out = np.insert(out, np.repeat(codes[long], counts) + 1 + _FULL * nth, 0)
        codes = np.flatnonzero(out == 0)
        gaps = np.diff(codes, append=out.size)
    out[codes] = gaps
    return out.tobytes()


def unstuffed(data: bytes) -> bytes | None:
    """What `stuffed` was given; None for bytes that it never returns because they end too early or hold a zero."""
    nbytes = len(data)
    if not nbytes or 0 in data:
        return None
    parts: list[bytes] = []
    at, code = 0, _FULL + 1
    while at < nbytes:
        if code <= _FULL:  # the code byte stands for a zero, but at the start and after a full stretch
            parts.append(b"\0")
        code = data[at]
        if code > 1:
            parts.append(data[at + 1 : at + code])
            at += code
        elif data.startswith(_ROW, at):  # a row of zeros has most code bytes for its length
            end = _WHOLE_ROW.match(data, at).end()  # pyright: ignore[reportOptionalMemberAccess]
            parts.append(bytes(end - at - 1))
            at = end
        else:
            at += 1
    return b"".join(parts) if at == nbytes else None


def longest_stuffed(nbytes: int) -> int:
    """The most bytes that so many can become."""
    return nbytes + max(1, -(-nbytes // _FULL))
