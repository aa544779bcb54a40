"""Recovery of positions in a PRBS: where in its period the words of a buffer stand, found from the words alone.

A generator's state is any n bits in a row, so a window of 64 bits both names its place, which is the discrete
logarithm of its state, and proves with the other 64 - n that it is no noise. The logarithms of rare states, those
with leading zeros, are kept in a table made in one pass over the period; any other state is followed until it meets
one. The work is done for all windows of a buffer at once, by numpy or by the compiled kernels of `places`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.prbs import Polynomial, prbs_source

Positions = NDArray[np.int64]

MIN_WEAK_RUN = 6
"""Bytes enough where the place lies in the same buffer: a chance of 2^-17, times the buffer's share of the period."""

MAX_GAP = 64
"""Runs of one alignment this near each other are one, with wrong bits in between."""

_TABLE_BITS = 22  # 16 MiB of positions; a state that is in it comes every 512 bytes of PRBS31
_BATCH = 2048
_BEFORE = 16
_AFTER = 16
_TILE_WORDS = 1 << 14
_MOST_DISPLACED = 1 << 14
# From so many runs on, rare states are looked for in all of the data rather than made for each run.
_MANY_RUNS = 24


class Runs(NamedTuple):
    """Ranges of a buffer, ascending and apart, and where in the pattern's period the first byte of each stands."""

    starts: Positions
    stops: Positions
    places: Positions


class Displaced(NamedTuple):
    """How many bytes hold no other damage than these ranges, where those start and stop, the place of each start less
    the start, and how many bytes of each are wrong."""

    nbytes: int
    starts: Positions
    stops: Positions
    alignments: Positions
    wrong: Positions


NO_RUNS = Runs(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64))


class PrbsRecovery:
    """Finds stretches of one PRBS. Takes 16 MiB, and half a second to make for PRBS31; share it."""

    def __init__(self, polynomial: Polynomial) -> None:
        self._n, self._k = polynomial.n, polynomial.k
        self._rule = np.uint64(polynomial.n), np.uint64(polynomial.k)
        self._period = polynomial.period
        self._bits = min(self._n, _TABLE_BITS)
        # The largest first byte of a state that is in the table.
        self._leading = (1 << max(0, min(8, self._bits - self._n + 8))) - 1
        self._table = self._indexed(polynomial)
        # Twice as far as such a state is away on average.
        self._followed = max(16, 2 << (self._n - self._bits))
        columns = [_column(polynomial, bit, 0, self._followed + 4) for bit in range(self._n)]
        self._following = _images(columns)
        around = _BEFORE + 8 + _AFTER
        self._around = _images(
            [_column(polynomial, bit, polynomial.period - _BEFORE, around) for bit in range(self._n)]
        )
        # The same as the kernels take it: tables of 256 rows each, the last one's padded.
        self._around_words = np.zeros(len(self._around) * 256 * around // 8, np.uint64)
        together = np.concatenate(self._around).reshape(-1)
        self._around_words.view(np.uint8)[: together.size] = together

    def _indexed(self, polynomial: Polynomial) -> NDArray[np.uint32]:
        table = np.zeros(1 << self._bits, np.uint32)
        position = -3
        carried = np.zeros(3, np.uint8)
        for tile in prbs_source(polynomial, polynomial.all_ones, False).tiles(0, polynomial.period):
            data = np.concatenate((carried, tile))
            self._enter(table, data, position)
            position += tile.size
            carried = data[-3:].copy()
        # What begins in the last three bytes of the period ends in its first.
        first = np.concatenate([*prbs_source(polynomial, polynomial.all_ones, False).tiles(0, 3)])
        self._enter(table, np.concatenate((carried, first)), position)
        return table

    def _enter(self, table: NDArray[np.uint32], data: Bytes, position: int) -> None:
        at = np.flatnonzero(data[:-3] <= self._leading) if self._bits < self._n else np.arange(data.size - 3)
        at = at[np.searchsorted(at, -position) :]
        states = _states(data, at, self._n)
        kept = states < (1 << self._bits)
        table[states[kept]] = (at[kept] + position).astype(np.uint32)

    def places(self, states: NDArray[np.uint64]) -> Positions:
        """Byte positions in the period of generator states, none of them 0, counted from the state of all ones."""
        found = np.empty(states.size, np.int64)
        compiled = kernels.places_for_bytes(found.nbytes)
        if compiled is not None:
            compiled.places(states, *self._rule, self._table, np.uint64(self._bits), found)
            return found
        for begin in range(0, states.size, _BATCH):
            found[begin : begin + _BATCH] = self._batch(states[begin : begin + _BATCH])
        return found

    def _batch(self, states: NDArray[np.uint64]) -> Positions:
        found = np.empty(states.size, np.int64)
        direct = states < (1 << self._bits)
        found[direct] = self._table[states[direct]]
        left = np.flatnonzero(~direct)
        state = states[left]
        gone = 0
        while left.size:
            rows = _mapped(self._following, state)
            # One byte is enough to look for; the 32 bits are checked where it is found.
            hits = np.flatnonzero(rows[:, : self._followed] <= self._leading)
            row, column = np.divmod(hits, self._followed)
            met = _states(rows.reshape(-1), row * rows.shape[1] + column, self._n)
            kept = met < (1 << self._bits)
            row, column, met = row[kept], column[kept], met[kept]
            row, first = np.unique(row, return_index=True)
            found[left[row]] = (self._table[met[first]] - column[first].astype(np.int64) - gone) % self._period
            missed = np.ones(left.size, np.bool_)
            missed[row] = False
            ends = np.flatnonzero(missed) * rows.shape[1] + self._followed
            state = _states(rows.reshape(-1), ends, self._n).astype(np.uint64)
            left = left[missed]
            gone += self._followed
        return found

    def runs(self, data: Bytes, wrong: NDArray[np.bool_]) -> Runs:
        """Stretches of the sequence, not complemented, that hold wrong bytes; sparse bit errors inside them allowed.

        A stretch is found if somewhere 8 bytes of it, at a multiple of 8 in `data`, are all wrong or at least not all
        right, and free of errors. `wrong` has one truth for each byte. Ends are exact but where a bit error falls
        on them.
        """
        count = data.size // 8
        words = np.require(data[: 8 * count].view(np.uint64), requirements="A")
        damaged = np.require(wrong[: 8 * count].view(np.uint64), requirements="A")
        compiled = kernels.places_for_bytes(data.size)
        if compiled is not None:
            starts, stops, places = np.empty((3, count), np.int64)
            found = compiled.runs(
                data, words, damaged, *self._rule, self._table, np.uint64(self._bits), self._around_words, MAX_GAP,
                starts, stops, places,
            )  # fmt: skip
            return Runs(starts[:found].copy(), stops[:found].copy(), places[:found].copy())
        first, last, states = self._scan(words, damaged)
        if not first.size:
            return NO_RUNS
        starts, stops = 8 * first, 8 * last + 8
        places = self._places_in(data, starts, stops, states) - starts
        # Runs of one alignment are one.
        together = (places[1:] - places[:-1]) % self._period == 0
        together &= starts[1:] - stops[:-1] <= MAX_GAP
        keep = np.append(True, ~together)
        starts, stops = starts[keep], stops[np.append(keep[1:], True)]
        states, places = states[keep], places[keep]
        before = _mapped(self._around, states)[:, :_BEFORE]
        ends = _states(data, stops - 8, self._n).astype(np.uint64)
        after = _mapped(self._around, ends)[:, _BEFORE + 8 :]
        padded = np.pad(data, (_BEFORE, _AFTER + 8))
        around = np.arange(_BEFORE)
        agree = before == padded[starts[:, None] + around]
        agree &= starts[:, None] + around >= _BEFORE
        starts = starts - _extent(agree[:, ::-1])
        agree = after == padded[stops[:, None] + (around + _BEFORE)]
        agree &= stops[:, None] + around < data.size
        stops = stops + _extent(agree)
        # Where two meet, bytes that suit both are the first one's.
        starts[1:] = np.maximum(starts[1:], stops[:-1])
        kept = starts < stops
        return Runs(starts[kept], stops[kept], (places[kept] + starts[kept]) % self._period)

    def displaced(
        self, data: Bytes, before: Bytes, inverted: bool, chunk_bytes: int, limit: int, last: tuple[int, int] | None
    ) -> Displaced | None:
        """What is wrong in the first chunks of `data`, as long as it is all displaced: the same that `runs` finds in
        each of them, in less than two passes. None where there are no compiled kernels to do it.

        `before` are the n × 64 bytes expected before the data; `last` the alignment of a run that ends where they
        begin, and the next 8 bytes of it. Looks no further than to the end of the chunk with the range of that limit.
        """
        compiled = kernels.displaced_for_bytes(data.size)
        if compiled is None:
            return None
        rows = np.empty((4, _MOST_DISPLACED), np.int64)
        alignment, going_on = last or (-1, 0)
        done, found = compiled.displaced(
            data, before, self._n, self._k, -1 if inverted else 0, self._table, np.uint64(self._bits),
            self._around_words, MAX_GAP, chunk_bytes, limit, alignment, going_on, *rows,
        )  # fmt: skip
        return Displaced(done, *rows[:, :found])

    def _scan(
        self, data: NDArray[np.uint64], wrong: NDArray[np.uint64]
    ) -> tuple[Positions, Positions, NDArray[np.uint64]]:
        """The first and the last word of each run, and the first one's state; tile by tile, for the cache's sake."""
        firsts: list[Positions] = []
        lasts: list[Positions] = []
        states: list[NDArray[np.uint64]] = []
        n, up = np.uint64(self._n), np.uint64(64 - self._n)
        before, inside = np.uint64(0), False
        for at in range(0, data.size, _TILE_WORDS):
            words = data[at : at + _TILE_WORDS].view(">u8").astype(np.uint64)
            near = words >> np.uint64(self._k)
            near ^= words
            breaks = words >> n
            breaks ^= near
            breaks <<= n
            own = breaks == 0
            own &= wrong[at : at + _TILE_WORDS] != 0
            own &= words >= np.uint64(1 << (64 - self._n))  # the state 0, which is no state
            # Whether a word goes on where the one before it ended: its first n bits with the last of that.
            near >>= up
            carried = words << np.uint64(self._n - self._k)
            carried ^= words
            near[1:] ^= carried[:-1]
            near[0] ^= before << np.uint64(self._n - self._k) ^ before
            near <<= up
            goes_on = near == 0
            goes_on &= own
            goes_on[1:] &= own[:-1]
            goes_on[0] &= inside
            first = np.flatnonzero(own > goes_on)
            firsts.append(first + at)
            states.append(words[first] >> up)
            # A run ends before a word that does not go on: also before one of the next tile.
            ends = np.append(inside, own[:-1])
            lasts.append(np.flatnonzero(ends > goes_on) + (at - 1))
            before, inside = words[-1], bool(own[-1])
        if inside:
            lasts.append(np.array([data.size - 1]))
        if not firsts:
            return NO_RUNS.starts, NO_RUNS.starts, np.empty(0, np.uint64)
        return np.concatenate(firsts), np.concatenate(lasts), np.concatenate(states)

    def _places_in(self, data: Bytes, starts: Positions, stops: Positions, states: NDArray[np.uint64]) -> Positions:
        """Places of the runs' first states. Most runs hold a state that is in the table: none has to be made."""
        if starts.size < _MANY_RUNS or self._followed <= _AFTER:
            return self.places(states)
        at = np.flatnonzero(data[:-3] <= self._leading)
        rare = _states(data, at, self._n)
        kept = rare < (1 << self._bits)
        at, rare = np.append(at[kept], data.size), np.append(rare[kept], np.uint32(0))
        first = np.searchsorted(at, starts)
        found = (self._table[rare[first]] - (at[first] - starts)) % self._period
        unmet = np.flatnonzero(at[first] + 4 > stops)
        found[unmet] = self.places(states[unmet])
        return found

    def short_runs(self, data: Bytes, starts: Positions, stops: Positions) -> Runs:
        """The same for ranges too short for `runs`: the places whose sequence starts each, at least 6 bytes of it."""
        states = _states(np.pad(data, (0, 4)), starts, self._n).astype(np.uint64)
        kept = (states != 0) & (stops - starts >= MIN_WEAK_RUN)
        starts, stops, states = starts[kept], stops[kept], states[kept]
        if not starts.size:
            return NO_RUNS
        width = 8 + _AFTER
        made = _mapped(self._around, states)[:, _BEFORE:]
        agree = made == np.pad(data, (0, width))[starts[:, None] + np.arange(width)]
        agree &= starts[:, None] + np.arange(width) < stops[:, None]
        lengths = np.logical_and.accumulate(agree, axis=1).sum(axis=1)
        kept = lengths >= MIN_WEAK_RUN
        return Runs(starts[kept], (starts + lengths)[kept], self.places(states[kept]))


def _extent(agree: NDArray[np.bool_]) -> Positions:
    """How far each row agrees, rare errors allowed: as far as most of what lies behind an error agrees again."""
    score = np.cumsum(np.where(agree, 1, -3), axis=1)
    best = score.argmax(axis=1)
    return np.where(score[np.arange(len(score)), best] > 0, best + 1, 0)


def _states(data: Bytes, at: NDArray[np.intp], n: int) -> NDArray[np.uint32]:
    """The first n bits from each of those bytes on; four bytes have to be there."""
    words = data[at].astype(np.uint32)
    for byte in (1, 2, 3):
        words = words << np.uint32(8) | data[at + byte]
    return words >> np.uint32(32 - n)


def _column(polynomial: Polynomial, bit: int, position: int, nbytes: int) -> Bytes:
    """What follows, from `position` on, from the state that has that bit alone."""
    tiles = prbs_source(polynomial, 1 << bit, False).tiles(position % polynomial.period, nbytes)
    return np.concatenate([tile.copy() for tile in tiles])


def _images(columns: list[Bytes]) -> list[Bytes]:
    """Of a linear map given by the images of single bits: the image of every value of each byte of the argument."""
    tables: list[Bytes] = []
    for low in range(0, len(columns), 8):
        table = np.zeros((1, columns[0].size), np.uint8)
        for column in columns[low : low + 8]:
            table = np.concatenate((table, table ^ column))
        tables.append(table)
    return tables


def _mapped(tables: list[Bytes], states: NDArray[np.uint64]) -> Bytes:
    """The image of each state, in rows."""
    rows = tables[0][states & np.uint64(255)]
    for byte, table in enumerate(tables[1:], 1):
        rows ^= table[states >> np.uint64(8 * byte) & np.uint64(255)]
    return rows
