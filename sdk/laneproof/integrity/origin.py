"""Where wrong data came from: a map from ranges of a received buffer to ranges of the buffers they stood in.

How places are found again from the words alone is in `recovery`, how a buffer is cut into ranges in
`dissection`; what may have caused it is for the diagnosis.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import SupportsIndex, get_args

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from laneproof.errors import BadInput
from laneproof.integrity import kernels
from laneproof.integrity.allocation import (
    CHANNELS,
    SLOTS,
    checked_index,
)
from laneproof.integrity.buffers import Bytes, byte_view
from laneproof.integrity.dissection import CODES, IS_PLACED, OF_PATTERN, Kind, Pieces, dissected, place_period
from laneproof.integrity.pattern import Pattern, start_bytes
from laneproof.integrity.prbs import POLYNOMIALS
from laneproof.integrity.prbs_recovery import Positions, PrbsRecovery
from laneproof.integrity.recovery import MIN_RUN, TAG_PLACE_BITS, recovery
from laneproof.integrity.tagged import SEQUENCES

MAX_ORIGINS = 4096
"""The most ranges that an `OriginMap` lists, lowest first."""

MAX_CANDIDATES = 16
"""The most sources that are named for one range, likeliest first."""

MAX_BUFFERS = 1 << 16
"""The most buffers that a `Past` may name."""

# Eight bytes of noise in a gigabyte may look like the pattern, if any buffer may have held them.
_MIN_ELSEWHERE = 16
_SAMPLE_BYTES = 1024
_POSITION_LIMIT = 1 << 60


@frozen
class Source:
    """Position `position` of the stretch of one buffer."""

    slot: int
    channel: int
    sequence: int
    position: int


@frozen(kw_only=True)
class Origin:
    """Bytes `start` to `stop` - 1 of a received buffer and where they came from.

    `source` is where the first of them stands; the others follow it, in each `unit_bytes` reversed where the kind
    says so (0 where not). Where several sources suit, it is the likeliest: this buffer, then the same slot and
    channel, then the nearest sequence number; `candidates` names them all, up to `MAX_CANDIDATES`, then they are
    `candidates_cut`. No source: noise, constants, and what no buffer of the past holds; pre-fill has its own place.
    `wrong_bytes` of the range differ from what was expected; bytes in between may be right, or bear errors of a bit.
    """

    start: int
    stop: int
    kind: Kind
    wrong_bytes: int
    source: Source | None = None
    candidates: tuple[Source, ...] = ()
    candidates_cut: bool = False
    unit_bytes: int = 0

    @property
    def nbytes(self) -> int:
        return self.stop - self.start


@frozen(kw_only=True)
class OriginMap:
    """All wrong bytes of a received buffer, by origin; positions count from the buffer's first byte.

    `origins` is ascending, without overlap, and holds every wrong byte unless `cut`. `wrong_bytes_by_kind` counts all,
    also those of ranges that are not listed, up to `analysed_bytes` of the buffer. `caution` is what the pattern
    cannot tell.
    """

    origins: tuple[Origin, ...]
    cut: bool
    analysed_bytes: int
    wrong_bytes_by_kind: dict[Kind, int]
    caution: str = ""
    kernels: str = field(default="numpy", eq=False)
    """What did the work, numpy or numba."""


@frozen(kw_only=True)
class Past:
    """Buffers whose data could turn up: which have been live, of how many bytes each.

    They are all of the given slots and channels (the pattern's own where None), with the pattern's own sequence
    number, `earlier` before it and `later` after it. Raises BadInput for numbers out of bounds, or more than
    `MAX_BUFFERS` buffers.
    """

    nbytes: int
    earlier: int = 64
    later: int = 0
    slots: tuple[int, ...] | None = None
    channels: tuple[int, ...] | None = None

    def __attrs_post_init__(self) -> None:
        checked_index("nbytes", self.nbytes, _POSITION_LIMIT)
        checked_index("earlier", self.earlier, MAX_BUFFERS)
        checked_index("later", self.later, MAX_BUFFERS)
        for slot in self.slots or ():
            checked_index("slot", slot, SLOTS)
        for channel in self.channels or ():
            checked_index("channel", channel, CHANNELS)
        count = (self.earlier + 1 + self.later) * len(self.slots or (0,)) * len(self.channels or (0,))
        if count > MAX_BUFFERS:
            raise BadInput(f"the past names {count} buffers; name at most {MAX_BUFFERS}")


def trace(pattern: Pattern, received: object, at: SupportsIndex = 0, *, past: Past | None = None) -> OriginMap:
    """Compare a buffer with the stretch from position `at` on, and say where what is wrong came from.

    `past` names the buffers to look for; where None, this one and the 64 sequence numbers before it, as long as what
    was received. The first trace of a long PRBS makes a table, about a second's work for prbs31, and keeps its 16 MiB.
    Raises BadInput for a buffer that is none.
    """
    data = byte_view(received)
    start = checked_index("at", at, _POSITION_LIMIT)
    pieces, analysed = dissected(pattern, start, data)
    places = _Places(pattern, past or Past(nbytes=start + data.size), start, data)
    return places.map(pieces, analysed)


class _Places:
    """Which buffers of the past hold a place of the pattern, likeliest first."""

    def __init__(self, pattern: Pattern, past: Past, at: int, data: Bytes) -> None:
        self._pattern, self._past, self._at, self._data = pattern, past, at, data
        self._period = place_period(pattern)
        self._buffers = _likeliest_first(pattern, past)
        self._known = {buffer: rank for rank, buffer in enumerate(self._buffers)}
        self._starts = np.array([self._start(*buffer) for buffer in self._buffers], np.int64)
        self._by_start = np.argsort(self._starts, kind="stable")
        self._ascending = self._starts[self._by_start]

    def _start(self, slot: int, channel: int, sequence: int) -> int:
        pattern = self._pattern
        if pattern.name == "tagged":
            return ((sequence % SEQUENCES * SLOTS + slot) * CHANNELS + channel) << TAG_PLACE_BITS
        if pattern.state is None:  # not by a Pattern for each: thousands of buffers are asked for
            return start_bytes(pattern.name, pattern.seed, slot, channel, sequence) % self._period
        return _place_of_state(pattern)

    def _holders(self, places: Positions) -> Iterator[list[int]]:
        """For each place the ranks of the buffers that hold it, ascending: likeliest first."""
        if self._past.nbytes >= self._period:
            everyone = list(range(len(self._buffers)))
            yield from (everyone for _ in places)
            return
        ranks = self._by_start.tolist()
        for batch in np.split(places, range(MAX_ORIGINS, places.size, MAX_ORIGINS)):
            # The buffers that start at most their length before it; over the period's end, those near that.
            low = batch - self._past.nbytes
            edges = [np.searchsorted(self._ascending, edge, side="right") for edge in (low, batch, low + self._period)]
            for first, last, turned in np.stack(edges, axis=1).tolist():
                yield sorted(ranks[first:last] + ranks[turned:])

    def _candidates(self, place: int, near: int, holders: list[int]) -> tuple[tuple[Source, ...], bool]:
        """Sources of a place that was found at position `near` of this buffer, and whether there are more."""
        sources: list[Source] = []
        for rank in holders:
            first = (place - int(self._starts[rank])) % self._period
            positions = range(first, self._past.nbytes, self._period)
            if len(positions) > 1:
                middle = 0 if near < first else (near - first) // self._period
                positions = positions[max(0, middle - MAX_CANDIDATES) : middle + MAX_CANDIDATES + 1]
                positions = sorted(positions, key=lambda position: abs(position - near))
            sources += [Source(*self._buffers[rank], position) for position in positions]
            if len(sources) > MAX_CANDIDATES:
                return tuple(sources[:MAX_CANDIDATES]), True
        return tuple(sources), False

    def map(self, pieces: Pieces, analysed: int) -> OriginMap:
        """Give each range its sources and its kind."""
        placed = IS_PLACED[pieces.code]
        places = (pieces.alignment + pieces.start) % self._period
        here = pieces.start + self._at
        own = (places - self._starts[0]) % self._period
        # Of several positions in this buffer the nearest.
        own += np.clip(np.rint((here - own) / self._period), 0, None).astype(np.int64) * self._period
        own -= np.where(own >= self._past.nbytes, self._period, 0)
        inside = placed & (own >= 0) & (own < self._past.nbytes)
        moved = own - here
        code = self._of_own(pieces, inside & (pieces.code == OF_PATTERN), moved)
        weak = (pieces.code == OF_PATTERN) & ~inside & (pieces.stop - pieces.start < MIN_RUN)
        code[weak] = CODES["noise"]
        others = np.flatnonzero((code == OF_PATTERN) & ~inside)
        for index, holders in zip(others.tolist(), self._holders(places[others]), strict=True):
            if not holders and pieces.stop[index] - pieces.start[index] < _MIN_ELSEWHERE:
                code[index] = CODES["noise"]
            elif holders:
                code[index] = CODES[self._kind_of(self._buffers[holders[0]])]
        kinds = get_args(Kind)
        totals = np.bincount(code, pieces.wrong, len(kinds)).astype(np.int64).tolist()
        origins: list[Origin] = []
        listed = slice(min(MAX_ORIGINS, code.size))
        rows = pieces.columns[:, listed].T.tolist()
        for index, (row, holders) in enumerate(zip(rows, self._holders(places[listed]), strict=True)):
            kind: Kind = kinds[code[index]]
            sources, cut = (), False
            if placed[index] and kind != "noise":
                sources, cut = self._candidates(int(places[index]), int(here[index]), holders)
            elif kind == "pre-fill":
                sources = (Source(*self._buffers[0], int(here[index])),)
            start, stop, _, _, unit, wrong = row
            origins.append(
                Origin(
                    start=start,
                    stop=stop,
                    kind=kind,
                    wrong_bytes=wrong,
                    source=sources[0] if sources else None,
                    candidates=sources,
                    candidates_cut=cut,
                    unit_bytes=unit,
                )
            )
        return OriginMap(
            origins=tuple(origins),
            cut=code.size > MAX_ORIGINS,
            analysed_bytes=analysed,
            wrong_bytes_by_kind={kind: total for kind, total in zip(kinds, totals, strict=True) if total},
            caution=self._pattern.caution,
            kernels="numba" if self._pattern.name in POLYNOMIALS and kernels.places_for_bytes(analysed) else "numpy",
        )

    def _of_own(self, pieces: Pieces, own: NDArray[np.bool_], moved: Positions) -> NDArray[np.int64]:
        """Codes of kinds, with shifted, swapped and repeated told apart where data are of this very buffer."""
        code = pieces.code.copy()
        if not own.any():
            return code
        nbytes = self._data.size
        before = np.append(0, np.cumsum(pieces.wrong))
        start, stop = pieces.start + moved, pieces.stop + moved
        # Searching in ascending order, or nearly so, spares most of the waiting for memory.
        ascending = np.argsort(start)

        def piece_at(position: Positions) -> NDArray[np.intp]:
            piece = np.empty(position.size, np.intp)
            piece[ascending] = np.searchsorted(pieces.start, position[ascending], side="right") - 1
            return piece

        def wrong_before(position: Positions) -> NDArray[np.float64]:
            piece = piece_at(position)
            length = pieces.stop[piece] - pieces.start[piece]
            share = np.clip((position - pieces.start[piece]) / length, 0, 1)
            return np.where(piece < 0, 0, before[piece] + share * pieces.wrong[piece])

        wrong = wrong_before(np.clip(stop, 0, nbytes)) - wrong_before(np.clip(start, 0, nbytes))
        there = (start >= 0) & (stop <= nbytes)
        repeated = there & (2 * wrong < pieces.stop - pieces.start)
        # Where right and wrong bytes alternate, their numbers do not say whose source is right.
        sparse = own & there & (10 * pieces.wrong < 9 * (pieces.stop - pieces.start))
        for index in np.flatnonzero(sparse)[:MAX_ORIGINS].tolist():
            first, last = pieces.columns[:2, index].tolist()
            repeated[index] = self._stands_there_too(first, last, int(moved[index]))
        middle: Positions = (start + stop) // 2
        at_source = piece_at(middle)
        swapped = (at_source >= 0) & (middle < pieces.stop[at_source]) & own[at_source]
        swapped &= moved[at_source] != moved
        code[own] = CODES["shifted"]
        code[own & swapped] = CODES["swapped"]
        code[own & repeated] = CODES["repeated"]
        return code

    def _stands_there_too(self, start: int, stop: int, moved: int) -> bool:
        """Whether what is wrong in the middle of a range is, for the most part, right where it came from."""
        middle = (start + stop) // 2
        start, stop = max(start, middle - _SAMPLE_BYTES // 2), min(stop, middle + _SAMPLE_BYTES // 2)
        wrong = self._wrong(start, stop)
        wrong_there_too = wrong & self._wrong(start + moved, stop + moved)
        return 2 * int(np.count_nonzero(wrong_there_too)) < int(np.count_nonzero(wrong))

    def _wrong(self, start: int, stop: int) -> NDArray[np.bool_]:
        expected = np.empty(stop - start, np.uint8)
        self._pattern.fill(expected, self._at + start)
        return expected != self._data[start:stop]

    def _kind_of(self, buffer: tuple[int, int, int]) -> Kind:
        slot, channel, sequence = buffer
        if (slot, channel) != (self._pattern.slot, self._pattern.channel):
            return "foreign"
        return "stale" if sequence < self._pattern.sequence else "early"


def _likeliest_first(pattern: Pattern, past: Past) -> list[tuple[int, int, int]]:
    """Slot, channel and sequence number of all buffers of the past; the pattern's own is the first."""
    buffers = {
        (slot, channel, sequence)
        for slot in past.slots or (pattern.slot,)
        for channel in past.channels or (pattern.channel,)
        for sequence in range(max(0, pattern.sequence - past.earlier), pattern.sequence + past.later + 1)
    }
    own = (pattern.slot, pattern.channel)
    buffers.add((*own, pattern.sequence))

    def unlikely(buffer: tuple[int, int, int]) -> tuple[object, ...]:
        apart = buffer[2] - pattern.sequence
        # Of what is as far off, the past is likelier than the future.
        return buffer[:2] != own, abs(apart), apart > 0, buffer

    return sorted(buffers, key=unlikely)


def _place_of_state(pattern: Pattern) -> int:
    """Where the generator's given state stands in the period that starts with all ones."""
    finder = recovery(pattern)
    if not isinstance(finder, PrbsRecovery) or pattern.state is None:
        raise AssertionError(f"{pattern} has no state")
    return int(finder.places(np.array([pattern.state], np.uint64))[0])
