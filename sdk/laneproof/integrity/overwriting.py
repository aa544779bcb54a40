"""Verifying a buffer and overwriting it with what must not come next, in one pass over memory where that is possible.

Comparing is `verification`'s, writing `generation`'s; here they only take turns while a piece is in the caches.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.comparison import Comparison
from laneproof.integrity.generation import write
from laneproof.integrity.prbs import LongPrbs
from laneproof.integrity.sources import Source
from laneproof.integrity.verification import compare, nothing_wrong

TellWrong = Callable[[int, Bytes, Comparison], Any]
"""Is told of a wrong piece: where it begins in the buffer, its bytes as they came, and what was found in it."""

_PIECE_BYTES = 4 << 20
_ALIGNMENT = 64


def compare_and_overwrite(
    received: Bytes,
    source: Source,
    position: int,
    other: Source,
    other_position: int,
    *,
    caution: str,
    wrong: TellWrong | None = None,
) -> Comparison:
    """Compare with the bytes of `source`, and overwrite with the complement of those of `other`."""
    done = _in_one_pass(received, source, position, other, other_position)
    found = nothing_wrong(done, caution) if done else None
    while done < received.size or found is None:
        piece = received[done : done + _PIECE_BYTES]
        at, other_at = (position + done) % source.period_bytes, (other_position + done) % other.period_bytes
        here = compare(piece, source, at, caution=caution)
        if wrong is not None and here.mismatched_bytes:
            wrong(done, piece, here)
        part = here.shifted(done)
        write(other, piece, other_at, complement=True)
        found = part if found is None else found.combined(part)
        done += piece.size
    return found


def _in_one_pass(received: Bytes, source: Source, position: int, other: Source, other_position: int) -> int:
    """How many bytes, from the first on, were right and are overwritten; 0 where that cannot be tried."""
    compiled = kernels.for_bytes(received.size)
    if compiled is None or received.ctypes.data % _ALIGNMENT:
        return 0
    if not isinstance(source, LongPrbs) or not isinstance(other, LongPrbs):
        return 0
    if (source.polynomial, source.inverted) != (other.polynomial, other.inverted):
        return 0
    polynomial, flip = source.polynomial, -1 if source.inverted else 0
    before, after = source.before(position), other.before(other_position)
    return compiled.verify_and_overwrite(received, before, after, polynomial.n, polynomial.k, flip)
