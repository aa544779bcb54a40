"""Recovery of positions: where in a pattern's period the words of a buffer stand, found from the words alone.

Which buffer had that place of the period, and what it means, is in `origin`.

A PRBS generator's state is any n bits in a row, so a window of 64 bits both names its place, which is the discrete
logarithm of its state, and proves with the other 64 - n that it is no noise. The logarithms of rare states, those
with leading zeros, are kept in a table made in one pass over the period; any other state is followed until it meets
one. The work is done for all windows of a buffer at once.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import attrs
import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.allocation import CHANNELS, SLOTS
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.pattern import Pattern
from laneproof.integrity.prbs import POLYNOMIALS, Polynomial, prbs_source
from laneproof.integrity.tagged import SEQUENCES, decode_tag

Positions = NDArray[np.int64]

MIN_RUN = 8
"""Bytes that have to agree before a place in the period counts as found: 33 bits more than PRBS31's state has."""

MIN_WEAK_RUN = 6
"""Bytes enough where the place lies in the same buffer: a chance of 2^-17, times the buffer's share of the period."""

_TABLE_BITS = 22  # 16 MiB of positions; a state that is in it comes every 512 bytes of PRBS31
_BATCH = 2048
_BEFORE = 16
_AFTER = 16
# Runs of one alignment this near each other are one, with wrong bits in between.
MAX_GAP = 64
_MAX_SKIP = 4096
_MAX_PLACES = 4
# A bit error makes a word that belongs elsewhere; only its neighbours show that it does not.
_MIN_TAGGED = 17
TAG_PLACE_BITS = 31
"""A buffer of the tagged pattern has 2^31 places of its own."""


class Runs(NamedTuple):
    """Ranges of a buffer, ascending and apart, and where in the pattern's period the first byte of each stands."""

    starts: Positions
    stops: Positions
    places: Positions


NO_RUNS = Runs(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64))


class PrbsRecovery:
    """Finds stretches of one PRBS. Takes 16 MiB, and half a second to make for PRBS31; share it."""

    def __init__(self, polynomial: Polynomial) -> None:
        self._n, self._k = polynomial.n, polynomial.k
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
        n = self._n
        count = data.size // 8
        words = data[: 8 * count].view(">u8").astype(np.uint64)
        own = self._obey(words, 64 - n)
        own &= wrong[: 8 * count].view(np.uint64) != 0
        own &= words >= np.uint64(1 << (64 - n))  # the state 0, which is no state
        if not own.any():
            return NO_RUNS
        # Whether a word goes on where the one before it ended: the last bits of that with the first n of this.
        over = words[:-1] << np.uint64(n)
        over |= words[1:] >> np.uint64(64 - n)
        joined = np.zeros(count + 1, np.bool_)
        joined[1:-1] = self._obey(over, n)
        joined[1:-1] &= own[1:] & own[:-1]
        first = np.flatnonzero(own & ~joined[:-1])
        last = np.flatnonzero(own & ~joined[1:])
        places = self.places(words[first] >> np.uint64(64 - n))
        starts, stops = 8 * first, 8 * last + 8
        places -= starts
        # Runs of one alignment are one.
        together = (places[1:] - places[:-1]) % self._period == 0
        together &= starts[1:] - stops[:-1] <= MAX_GAP
        keep = np.append(True, ~together)
        starts, stops = starts[keep], stops[np.append(keep[1:], True)]
        first, last, places = first[keep], last[np.append(keep[1:], True)], places[keep]
        before = _mapped(self._around, words[first] >> np.uint64(64 - n))[:, :_BEFORE]
        after = _mapped(self._around, words[last] >> np.uint64(64 - n))[:, _BEFORE + 8 :]
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

    def _obey(self, words: NDArray[np.uint64], bits: int) -> NDArray[np.bool_]:
        """Whether the last bits of each word follow from those before them."""
        sums = words >> np.uint64(self._n)
        sums ^= words
        sums ^= words >> np.uint64(self._k)
        sums <<= np.uint64(64 - bits)
        return sums == 0

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


class SearchedRecovery:
    """The same for patterns whose words name their place or whose period is short, stretch by stretch.

    `find` gives the places where 16 bytes may stand, `make` the pattern from a place on.
    """

    def __init__(
        self,
        find: Callable[[bytes], list[int]],
        make: Callable[[int, int], Bytes],
        shortest: int = MIN_RUN,
    ) -> None:
        self._find, self._make, self._shortest = find, make, shortest

    def runs(self, data: Bytes, wrong: NDArray[np.bool_]) -> Runs:
        """Stretches of some bytes without an error, each beginning at or before a wrong byte."""
        found: list[tuple[int, int, int]] = []
        positions = np.flatnonzero(wrong)
        index, skip = 0, 8
        while index < positions.size:
            at = int(positions[index])
            floor = found[-1][1] if found else 0
            best = max((self._extended(data, at, place, floor) for place in self._find(data[at : at + 16].tobytes())),
                       key=lambda run: run[1] - run[0], default=(at, at, 0))  # fmt: skip
            if best[1] - best[0] >= self._shortest:
                found.append(best)
                index, skip = int(np.searchsorted(positions, best[1])), 8
            else:
                # Look less and less closely at what goes on being noise; what begins there is extended backwards.
                index = int(np.searchsorted(positions, at + skip))
                skip = min(2 * skip, _MAX_SKIP)
        columns = np.array(found, np.int64).reshape(-1, 3)
        return Runs(columns[:, 0], columns[:, 1], columns[:, 2])

    def _extended(self, data: Bytes, at: int, place: int, floor: int) -> tuple[int, int, int]:
        stop, size = at, 16
        while stop < data.size:
            made = self._make(place + stop - at, min(size, data.size - stop))
            differing = np.flatnonzero(made != data[stop : stop + made.size])
            if differing.size:
                stop += int(differing[0])
                break
            stop += made.size
            size = min(8 * size, 1 << 18)
        if stop - at < MIN_RUN:
            return at, stop, place
        back = min(at - floor, _MAX_SKIP, place)
        differing = np.flatnonzero(self._make(place - back, back) != data[at - back : at])
        begin = at - back + (int(differing[-1]) + 1 if differing.size else 0)
        return begin, stop, place - (at - begin)

    def short_runs(self, data: Bytes, starts: Positions, stops: Positions) -> Runs:
        """None: what is to be found is found by `runs`."""
        return NO_RUNS


def recovery(pattern: Pattern) -> PrbsRecovery | SearchedRecovery:
    """What finds the places of that pattern; for a PRBS one for all its buffers, made once."""
    if pattern.name in POLYNOMIALS:
        return _prbs_recovery(pattern.name)
    if pattern.name == "tagged":
        return SearchedRecovery(
            _tagged_places, lambda place, nbytes: _tagged_bytes(pattern, place, nbytes), _MIN_TAGGED
        )
    period, first = pattern.period_bytes, pattern.period_position()

    def make(place: int, nbytes: int) -> Bytes:
        made = np.empty(nbytes, np.uint8)
        pattern.fill(made, (place - first) % period)
        return made

    if pattern.name == "counter":
        return SearchedRecovery(_counter_places, make)
    whole = make(0, period + MIN_RUN).tobytes()
    return SearchedRecovery(lambda window: _all_found(whole, window[:MIN_RUN]), make)


@lru_cache(maxsize=2)
def _prbs_recovery(name: str) -> PrbsRecovery:
    return PrbsRecovery(POLYNOMIALS[name])


def _all_found(whole: bytes, window: bytes) -> list[int]:
    places: list[int] = []
    place = whole.find(window)
    while place >= 0 and len(places) < _MAX_PLACES:
        places.append(place)
        place = whole.find(window, place + 1)
    return places


def _counter_places(window: bytes) -> list[int]:
    return [
        (4 * int.from_bytes(window[phase : phase + 4], "little") - phase) % (4 << 32)
        for phase in range(4)
        if len(window) >= phase + 4
    ]


def _tagged_places(window: bytes) -> list[int]:
    """Places are 2^31 for each buffer, which is named as in a tag, and its offset."""
    places: list[int] = []
    for phase in range(8):
        tag = decode_tag(int.from_bytes(window[phase : phase + 8], "little"))
        if tag is not None and len(window) >= phase + 8 and tag.offset >= phase:
            buffer = (tag.sequence * SLOTS + tag.slot) * CHANNELS + tag.channel
            places.append(buffer << TAG_PLACE_BITS | tag.offset - phase)
    return places


def tagged_buffer(pattern: Pattern, place: int) -> tuple[int, int, int]:
    """Slot, channel and sequence number of a place; of the numbers that look alike the nearest to the pattern's."""
    number, channel = divmod(place >> TAG_PLACE_BITS, CHANNELS)
    sequence, slot = divmod(number, SLOTS)
    half = SEQUENCES // 2
    nearest = pattern.sequence + (sequence - pattern.sequence + half) % SEQUENCES - half
    return slot, channel, nearest if nearest >= 0 else nearest + SEQUENCES


def _tagged_bytes(pattern: Pattern, place: int, nbytes: int) -> Bytes:
    slot, channel, sequence = tagged_buffer(pattern, place)
    made = np.empty(nbytes, np.uint8)
    source = attrs.evolve(pattern, slot=slot, channel=channel, sequence=sequence)
    source.fill(made, place % (1 << TAG_PLACE_BITS))
    return made


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
