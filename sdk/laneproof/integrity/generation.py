"""Writing a source's bytes into a buffer, by numpy or by compiled kernels, in one thread or several."""

from __future__ import annotations

import numpy as np

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes, in_pieces, whole_words
from laneproof.integrity.prbs import LongPrbs
from laneproof.integrity.sources import Source


def write(source: Source, out: Bytes, position: int, *, complement: bool, threads: int = 1) -> None:
    """Fill `out` with the bytes from `position` on, or with their complement."""
    compiled = kernels.for_bytes(out.size) if isinstance(source, LongPrbs) else None

    def write_piece(start: int, stop: int) -> None:
        piece, at = out[start:stop], (position + start) % source.period_bytes
        if compiled is not None and isinstance(source, LongPrbs):
            _write_compiled(compiled, source, piece, at, complement)
        else:
            _write_tiles(source, piece, at, complement)

    in_pieces(write_piece, out.size, threads, most=kernels.most_threads(compiled))


def _write_compiled(compiled: kernels.Compiled, source: LongPrbs, out: Bytes, position: int, complement: bool) -> None:
    words, before, after = whole_words(out)
    _write_tiles(source, out[:before], position, complement)
    lead = source.before((position + before) % source.period_bytes)
    flip = np.uint64(0 if source.inverted == complement else 2**64 - 1)
    polynomial = source.polynomial
    compiled.fill(words, ~lead if complement else lead, polynomial.n, polynomial.k, flip)
    _write_tiles(source, out[out.size - after :], (position + out.size - after) % source.period_bytes, complement)


def _write_tiles(source: Source, out: Bytes, position: int, complement: bool) -> None:
    done = 0
    for tile in source.tiles(position, out.size):
        piece = out[done : done + tile.size]
        if source.inverted != complement:
            np.invert(tile, out=piece)
        else:
            # Not copyto: the C library's copy is at times four times slower between unequal alignments.
            np.positive(tile, out=piece)
        done += tile.size
