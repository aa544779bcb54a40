"""The pseudo-random binary sequences of ITU-T O.150, made from any position on at nearly the speed of copying.

A sequence obeys x[t] = x[t-n] ^ x[t-k]. Squaring is linear over GF(2), so it obeys the same rule with both lags
multiplied by any power of two, hence by 8: the rule holds for bytes as it does for bits, and with lags of a power of
two bytes it makes a long stretch out of an earlier one in two vectorised XORs. Bits go into bytes most significant
bit first, in the order in which they leave the generator.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, lru_cache

import numpy as np
from attrs import frozen

from laneproof.integrity.buffers import Bytes
from laneproof.integrity.gf2 import LinearMap
from laneproof.integrity.sources import RepeatedPeriod, Source

# Lags are multiplied by at most this: one tile is then 31 × 16 KiB for PRBS31, the size that measured fastest.
_LAST_UNIT = 1 << 14
# A stretch starts as this many units, looked up; the rest of it is made by XOR.
_FIRST_UNIT = 64
# Tiles that alternate lie this much off a common multiple of 4 KiB, at which a read waits for an unrelated write.
_STAGGER = 192
_LONGEST_KEPT = 15
# Blocks of up to a page are kept, for they are filled and verified one after the other: making one costs ten calls.
_KEPT_BYTES = 1 << 12


@frozen
class Polynomial:
    """x[t] = x[t-n] ^ x[t-k], with the period 2^n - 1. `inverted`: the standard has the output complemented."""

    n: int
    k: int
    inverted: bool = False

    @property
    def period(self) -> int:
        """In bits; in bytes too, since 8 bits and an odd period have no common factor."""
        return 2**self.n - 1

    @property
    def all_ones(self) -> int:
        """The generator state that position 0 has where no other is given."""
        return 2**self.n - 1


# ITU-T O.150 (05/96), clause 5 and table 1; PRBS7 is common practice.
POLYNOMIALS = {
    "prbs7": Polynomial(7, 6),
    "prbs9": Polynomial(9, 5),
    "prbs11": Polynomial(11, 9),
    "prbs15": Polynomial(15, 14, inverted=True),
    "prbs20": Polynomial(20, 3),
    "prbs23": Polynomial(23, 18, inverted=True),
    "prbs29": Polynomial(29, 27, inverted=True),
    "prbs31": Polynomial(31, 28, inverted=True),
}


def prbs_source(polynomial: Polynomial, state: int, inverted: bool) -> Source:
    """The sequence whose first n bits are those of `state`, most significant first, complemented if `inverted`."""
    if polynomial.n > _LONGEST_KEPT:
        return LongPrbs(polynomial, state, inverted)
    period = np.empty(polynomial.period, np.uint8)
    filled = 0
    for tile in LongPrbs(polynomial, state, inverted).tiles(0, period.size):
        period[filled : filled + tile.size] = tile
        filled += tile.size
    return RepeatedPeriod(~period if inverted else period)


class LongPrbs:
    """A sequence too long to be kept. Immutable and safe to share between threads."""

    def __init__(self, polynomial: Polynomial, state: int, inverted: bool) -> None:
        self.period_bytes = polynomial.period
        self.inverted = inverted
        self.polynomial = polynomial
        self._n, self._k = polynomial.n, polynomial.k
        self._state = state
        # The same position is asked for when a buffer is filled and when it is verified.
        self._beginning = lru_cache(maxsize=1024)(self._uncached_beginning)
        self._block = lru_cache(maxsize=256)(self._uncached_block)

    def before(self, position: int) -> Bytes:
        """The n × 64 bytes before `position`, not complemented: what the next follow from."""
        return self._beginning((position - self._n * _FIRST_UNIT) % self.period_bytes)

    def expected(self, position: int, nbytes: int) -> Iterator[Bytes]:
        """The same as `tiles`, but complemented where `inverted`, in larger pieces, each made to be compared.

        The complement costs a third of a pass, not one: of what obeys the rule (x) and its complement (y), any of
        x ^ x, y ^ y and x ^ y is one or the other. So one tile in three is made as both, and the next two need only
        be made as y, each from that x and an earlier y: with the lags of one tile, then with those of two.
        """
        size = self._n * _LAST_UNIT
        if not self.inverted:
            yield from self.tiles(position, nbytes)
        elif nbytes <= size:
            for tile in self.tiles(position, nbytes):
                yield ~tile
        else:
            yield from self._complements(position, nbytes, size)

    def write_complement(self, out: Bytes, position: int) -> int:
        """Write the complement of `tiles` where there is room for some, and return how many bytes were written."""
        size = self._n * _LAST_UNIT
        if out.size < 4 * size:
            return 0
        for tile in self.tiles(position, size):
            np.invert(tile, out=out[:size])
        x, done = np.empty(size, np.uint8), size
        while done + 3 * size <= out.size:
            self._continue_complement(out[done - size : done], x, out[done : done + 3 * size])
            done += 3 * size
        return done

    def _complements(self, position: int, nbytes: int, size: int) -> Iterator[Bytes]:
        three, x = np.empty(3 * size, np.uint8), np.empty(size, np.uint8)
        last = three[2 * size :]
        for tile in self.tiles(position, size):
            np.invert(tile, out=last)
        yield last
        nbytes -= size
        while nbytes > 0:
            self._continue_complement(last, x, three[: -(-nbytes // size) * size])
            yield three[: min(nbytes, 3 * size)]
            nbytes -= 3 * size

    def _continue_complement(self, last: Bytes, x: Bytes, into: Bytes) -> None:
        """Write the tiles, up to three, that follow the tile `last`, which may be the third of them; `x` is scratch."""
        size, near = x.size, self._k * _LAST_UNIT
        # y ^ y is x, and y ^ x is y.
        np.bitwise_xor(last[:near], last[size - near :], out=x[:near])
        np.invert(x[:near], out=into[:near])
        for start in range(near, size, near):
            stop = min(start + near, size)
            np.bitwise_xor(last[start:stop], x[start - near : stop - near], out=into[start:stop])
            np.invert(into[start:stop], out=x[start:stop])
        for first in range(size, into.size, size):
            lag = first // size * near
            for start in range(0, size, lag):
                stop = min(start + lag, size)
                earlier = into[first + start - lag : first + stop - lag]
                np.bitwise_xor(x[start:stop], earlier, out=into[first + start : first + stop])

    def tiles(self, position: int, nbytes: int) -> Iterator[Bytes]:
        if nbytes > _KEPT_BYTES:
            yield from self._made(position, nbytes)
        elif nbytes > self._n * _FIRST_UNIT:
            yield self._block(position)[:nbytes]
        elif nbytes:
            yield self._beginning(position)[:nbytes]

    def _made(self, position: int, nbytes: int) -> Iterator[Bytes]:
        beginning, unit = self._beginning(position), _FIRST_UNIT
        while unit < _LAST_UNIT and self._n * unit < nbytes:
            unit *= 2
        tile_bytes = self._n * unit
        single = nbytes <= tile_bytes
        scratch = np.empty(nbytes if single else 2 * tile_bytes + _STAGGER, np.uint8)
        tile = scratch[: min(nbytes, tile_bytes)]
        tile[: beginning.size] = beginning
        made = _FIRST_UNIT
        while made < unit:
            half = self._n * made
            self._continue(tile[:half], made, tile[half : 2 * half])
            made *= 2
        yield tile
        nbytes -= tile.size
        following = scratch[tile_bytes + _STAGGER :]
        while nbytes:
            following = following[:nbytes]
            self._continue(tile, unit, following)
            yield following
            nbytes -= following.size
            tile, following = following, tile

    def _continue(self, before: Bytes, unit: int, into: Bytes) -> None:
        """Write what follows the n × unit bytes `before`; at most as many again."""
        far, near = self._n * unit, self._k * unit
        start = min(near, into.size)
        np.bitwise_xor(before[:start], before[far - near : far - near + start], out=into[:start])
        # From here on the nearer lag falls into what has just been written, so no further than that lag at a time.
        while start < into.size:
            stop = min(start + near, into.size)
            np.bitwise_xor(before[start:stop], into[start - near : stop - near], out=into[start:stop])
            start = stop

    def _uncached_block(self, position: int) -> Bytes:
        block = np.concatenate([*map(np.copy, self._made(position, _KEPT_BYTES))])
        block.flags.writeable = False
        return block

    def _uncached_beginning(self, position: int) -> Bytes:
        state = self._state
        for jump in _jumps(self.polynomial):
            if not position:
                break
            if position & 1:
                state = jump(state)
            position >>= 1
        made = _unfolding(self.polynomial)(state).to_bytes(self._n * _FIRST_UNIT, "big")
        return np.frombuffer(made, np.uint8)


@cache
def _jumps(polynomial: Polynomial) -> tuple[LinearMap, ...]:
    """Generator state to the state 1, 2, 4, … bytes further on."""
    mask = polynomial.all_ones
    jumps = [LinearMap([_bits(polynomial, 1 << bit, polynomial.n + 8) & mask for bit in range(polynomial.n)])]
    while len(jumps) < polynomial.n:
        jumps.append(jumps[-1].squared())
    return tuple(jumps)


@cache
def _unfolding(polynomial: Polynomial) -> LinearMap:
    """Generator state to the first bytes that follow from it, as one big-endian number."""
    length = polynomial.n * _FIRST_UNIT * 8
    return LinearMap([_bits(polynomial, 1 << bit, length) for bit in range(polynomial.n)])


def _bits(polynomial: Polynomial, state: int, length: int) -> int:
    """The first `length` bits out, the first being the most significant."""
    n, k = polynomial.n, polynomial.k
    bits, known, lag = state, n, 1
    while known < length:
        if 2 * lag * n <= known:
            lag *= 2
        more = min(k * lag, length - known)
        far = bits >> (n * lag - more)
        near = bits >> (k * lag - more)
        bits = bits << more | (far ^ near) & ((1 << more) - 1)
        known += more
    return bits
