"""Writing a source's bytes into a buffer, by numpy or by compiled kernels, in one thread or several."""

from __future__ import annotations

import numpy as np

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes, in_pieces
from laneproof.integrity.prbs import LongPrbs
from laneproof.integrity.sources import Source


def write(source: Source, out: Bytes, position: int, *, complement: bool, threads: int = 1) -> None:
    """Fill `out` with the bytes from `position` on, or with their complement."""
    compiled = kernels.for_bytes(out.size) if isinstance(source, LongPrbs) else None

    def write_piece(start: int, piece: Bytes) -> None:
        at = (position + start) % source.period_bytes
        if compiled is not None and isinstance(source, LongPrbs):
            polynomial = source.polynomial
            flip = 0 if source.inverted == complement else -1
            compiled.fill(piece, source.before(at), polynomial.n, polynomial.k, flip)
        else:
            _write_tiles(source, piece, at, complement)

    if threads == 1:
        write_piece(0, out)
    else:
        in_pieces(write_piece, out, threads, most=kernels.most_threads(compiled))


def _write_tiles(source: Source, out: Bytes, position: int, complement: bool) -> None:
    done, flipped = 0, source.inverted != complement
    if flipped and isinstance(source, LongPrbs):
        done = source.write_complement(out, position)
    for tile in source.tiles((position + done) % source.period_bytes, out.size - done):
        piece = out[done : done + tile.size]
        if flipped:
            np.invert(tile, out=piece)
        else:
            # Not copyto: the C library's copy is at times four times slower between unequal alignments.
            np.positive(tile, out=piece)
        done += tile.size
