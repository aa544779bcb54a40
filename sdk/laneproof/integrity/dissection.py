"""Cuts the wrong bytes of a received buffer into ranges, each of one origin. What the origins are is in `origin`."""

from __future__ import annotations

from functools import cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity import kernels
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.pattern import Pattern
from laneproof.integrity.prbs import POLYNOMIALS
from laneproof.integrity.prbs_recovery import MAX_GAP, Positions, PrbsRecovery, Runs
from laneproof.integrity.recovery import MIN_RUN, recovery

Kind = Literal[
    "shifted",
    "swapped",
    "repeated",
    "stale",
    "early",
    "foreign",
    "elsewhere",
    "reversed-bytes",
    "reversed-words",
    "reversed-bits",
    "pre-fill",
    "ones",
    "zeros",
    "noise",
]
"""What a range of wrong bytes is:

- `shifted`: the buffer's own data, displaced, and not standing at its own place too;
- `swapped`: own data whose own place is taken by own data displaced otherwise, as by one another or in a ring;
- `repeated`: own data that stands, for the most part, at its own place as well;
- `stale`, `early`: of an earlier or later sequence number of the same slot and channel;
- `foreign`: of another slot or channel;
- `elsewhere`: of the pattern, but of no buffer that the past names, as that of an earlier run;
- `reversed-bytes`, `-words`, `-bits`: data of a buffer with the order reversed inside each unit;
- `pre-fill`: never written, if the buffer had been filled with the pattern's complement;
- `ones`, `zeros`: nothing but them; `noise`: none of all these.
"""

# Units within which order is tried reversed: bytes of an element, and of a unit.
_REVERSALS: tuple[tuple[Kind, int, int], ...] = (
    ("reversed-bytes", 1, 8),
    ("reversed-bytes", 1, 4),
    ("reversed-bytes", 1, 2),
    ("reversed-words", 4, 16),
    ("reversed-words", 4, 8),
    ("reversed-bits", 0, 1),
)
_CHUNK_BYTES = 1 << 19
_MIN_CONSTANT = 4
# Data reversed in one way can look right for some words when reversed in another.
_MIN_REVERSED = 48
_NOISE_GAP = 16
_MAX_CARRIED = 128
_FIRST_BYTES = 64
_MAX_PIECES = 1 << 20
"""Ranges that are looked at, at some 300 bytes each; the buffer behind them is not, which the map says."""
CODES: dict[Kind, int] = {kind: code for code, kind in enumerate(get_args(Kind))}
OF_PATTERN = CODES["elsewhere"]
IS_PLACED = np.array([kind == "elsewhere" or kind.startswith("reversed") for kind in CODES])
"""By code, whether ranges of that kind have a place in the pattern's period."""

_MIRRORED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1)[:, ::-1], axis=1)[:, 0]


class Pieces:
    """Ranges as columns: start, stop, code of kind, place of start less start, unit, wrong bytes."""

    def __init__(self, columns: NDArray[np.int64]) -> None:
        self.columns = columns
        self.start: Positions
        self.stop: Positions
        self.start, self.stop, self.code, self.alignment, self.unit, self.wrong = columns

    @staticmethod
    def of(starts: Positions, stops: Positions, kind: Kind, alignments: Positions | int = 0, unit: int = 0) -> Pieces:
        columns = np.zeros((6, starts.size), np.int64)
        for column, values in enumerate((starts, stops, CODES[kind], alignments, unit)):
            columns[column] = values
        return Pieces(columns)

    @staticmethod
    def together(pieces: list[Pieces]) -> Pieces:
        columns = np.concatenate([np.zeros((6, 0), np.int64), *(piece.columns for piece in pieces)], axis=1)
        if (columns[0, 1:] >= columns[0, :-1]).all():
            return Pieces(columns)
        return Pieces(columns[:, np.argsort(columns[0], kind="stable")])

    def ends_short(self, start: int, stop: int) -> bool:
        """Whether the last range is a little noise where what was looked at, from `start` on, stops."""
        first, last = int(self.start[-1]), int(self.stop[-1])
        little = stop - first <= _MAX_CARRIED and stop - last < _NOISE_GAP
        return little and first > start and int(self.code[-1]) == CODES["noise"]

    def apart(self) -> Pieces:
        """Without overlap: what a merged range encloses belongs to it."""
        columns = self.columns.copy()
        columns[0, 1:] = np.maximum(self.start[1:], np.maximum.accumulate(self.stop)[:-1])
        return Pieces(columns[:, columns[0] < columns[1]])

    def merged(self, gap: int) -> Pieces:
        """Neighbours of one origin, at most `gap` apart, as one."""
        if self.start.size < 2:
            return self
        same = (self.columns[2:5, 1:] == self.columns[2:5, :-1]).all(axis=0)
        same &= self.start[1:] - self.stop[:-1] <= gap
        first = np.flatnonzero(np.append(True, ~same))
        columns = self.columns[:, first]
        columns[1] = np.maximum.reduceat(self.stop, first)
        columns[5] = np.add.reduceat(self.wrong, first)
        return Pieces(columns)


def dissected(pattern: Pattern, at: int, data: Bytes) -> tuple[Pieces, int]:
    """The ranges of wrong bytes of a buffer, and how many of its bytes they are of: all, unless ranges are too many."""
    return _Dissection(pattern, at, data).pieces()


class _Dissection:
    """Cuts what is wrong into ranges of one origin each, chunk by chunk."""

    def __init__(self, pattern: Pattern, at: int, data: Bytes) -> None:
        self._pattern, self._at, self._data = pattern, at, data
        self._period = place_period(pattern)
        self._finder = cache(lambda: recovery(pattern))
        # Kind, unit and alignment of the last chunk's last range.
        self._last: tuple[int, int, int] | None = None

    def pieces(self) -> tuple[Pieces, int]:
        """All ranges, and how many bytes they are of."""
        found: list[Pieces] = []
        count = done = 0
        # Verifying is the fastest where all is right, and slow where much is wrong, which goes on where it was.
        right_before = True
        # Chunks are too small to be worth the import of the compiled kernels; all together may not be.
        kernels.for_bytes(self._data.size)
        while done < self._data.size and count < _MAX_PIECES:
            size = min(_CHUNK_BYTES, self._data.size - done)
            chunk = self._data[done : done + size]
            if right_before and not self._pattern.verify(chunk, self._at + done).mismatched_bytes:
                done += size
                continue
            nbytes, piece = self._displaced(done, _MAX_PIECES - count)
            if nbytes:
                size = nbytes
            else:
                difference = np.empty(size, np.uint8)
                self._pattern.fill(difference, self._at + done)
                difference ^= chunk
                if difference.any():
                    piece = self._chunk(chunk, difference, done)
            if piece.start.size and done + size < self._data.size and piece.ends_short(done, done + size):
                # Too little to be told by itself: it is looked at again with what follows.
                size = int(piece.start[-1]) - done
                piece = Pieces(piece.columns[:, :-1])
            done += size
            self._last = None
            if piece.start.size and piece.stop[-1] >= done - MAX_GAP:
                self._last = (int(piece.code[-1]), int(piece.unit[-1]), int(piece.alignment[-1]))
            right_before = not piece.start.size
            found.append(piece)
            count += piece.start.size
        return _over_borders(Pieces.together(found)), done

    def _displaced(self, done: int, limit: int) -> tuple[int, Pieces]:
        """How many of the next bytes hold no damage but displaced data, and the ranges of these."""
        nothing = 0, Pieces.together([])
        polynomial = POLYNOMIALS.get(self._pattern.name)
        if polynomial is None or self._pattern.state is not None or not kernels.displaced_for_bytes(_CHUNK_BYTES):
            return nothing
        finder = self._finder()
        if not isinstance(finder, PrbsRecovery):
            return nothing
        before = np.empty(polynomial.n * 64, np.uint8)
        self._pattern.fill(before, (self._at + done - before.size) % self._period)
        last = None
        if self._last is not None and self._last[0] == OF_PATTERN:
            next_bytes = np.empty(8, np.uint8)
            self._pattern.fill(next_bytes, (self._last[2] + done - self._pattern.period_position()) % self._period)
            last = self._last[2] + done, int(next_bytes.view(np.int64)[0])
        found = finder.displaced(self._data[done:], before, self._pattern.inverted, _CHUNK_BYTES, limit, last)
        if found is None or not found.nbytes:
            return nothing
        columns = np.zeros((6, found.starts.size), np.int64)
        columns[0], columns[1], columns[2] = found.starts + done, found.stops + done, OF_PATTERN
        columns[3], columns[5] = (found.alignments - done) % self._period, found.wrong
        return found.nbytes, Pieces(columns)

    def _chunk(self, chunk: Bytes, difference: Bytes, done: int) -> Pieces:
        wrong = difference != 0
        left = wrong.copy()
        found: list[Pieces] = []

        def add(pieces: Pieces) -> None:
            if pieces.start.size:
                pieces = pieces.merged(MAX_GAP)
                _clear(left, pieces)
                found.append(pieces)

        if self._last is not None and self._last[0] == OF_PATTERN:
            place = self._last[2] + done
            stop = self._going_on(chunk, place)
            going_on = Runs(np.array([0]), np.array([stop]), np.array([place]))
            add(self._of_runs(going_on, wrong))
            if stop == chunk.size:
                return self._finished(found, wrong, left, done)
        finder = self._finder()
        add(self._of_runs(finder.runs(self._plain(chunk), left), left))
        if not left.any():
            return self._finished(found, wrong, left, done)
        constants: tuple[tuple[Kind, NDArray[np.bool_]], ...] = (
            ("zeros", chunk == 0),
            ("ones", chunk == 255),
            ("pre-fill", difference == 255),
        )
        for kind, alike in constants:
            if (alike & left).any():
                starts, stops = _ranges(alike, 1)
                kept = stops - starts >= _MIN_CONSTANT
                if self._last is not None and self._last[0] == CODES[kind]:
                    kept |= starts == 0
                starts, stops = _trimmed(starts[kept], stops[kept], left)
                kept = starts < stops
                add(Pieces.of(starts[kept], stops[kept], kind))
        starts, stops = _ranges(left, 1, 4)
        for kind, element, unit in _REVERSALS:
            if not (stops - starts >= MIN_RUN).any():
                break
            pieces = self._reversed(chunk, left, done, kind, element, unit)
            if pieces.start.size:
                add(pieces)
                starts, stops = _ranges(left, 1, 4)
        if starts.size:
            add(self._of_runs(finder.short_runs(self._plain(chunk), starts, stops), left))
        return self._finished(found, wrong, left, done)

    def _going_on(self, chunk: Bytes, place: int) -> int:
        """How many bytes of a chunk go on where the last one stopped, told at the cost of making them.

        A few at its beginning, or else all: what lies between is for others to find.
        """
        if self._pattern.name == "tagged" or self._pattern.state is not None:
            return 0
        at = (place - self._pattern.period_position()) % self._period
        for size in (min(_FIRST_BYTES, chunk.size), chunk.size):
            source = np.empty(size, np.uint8)
            self._pattern.fill(source, at)
            if not np.array_equal(chunk[:size], source):
                differing = np.flatnonzero(chunk[:_FIRST_BYTES] != source[:_FIRST_BYTES])
                return int(differing[0]) if differing.size else min(_FIRST_BYTES, size)
        return chunk.size

    def _finished(self, found: list[Pieces], wrong: NDArray[np.bool_], left: NDArray[np.bool_], done: int) -> Pieces:
        """The chunk's ranges and what is left as noise, with positions in the buffer."""
        # What was found at one go is in order, merged and apart.
        pieces = found[0] if len(found) == 1 else Pieces.together(found).merged(MAX_GAP).apart()
        if left.any():
            _clear(left, pieces)
            pieces = Pieces.together([pieces, Pieces.of(*_ranges(left, 1, _NOISE_GAP), "noise")])
        pieces.columns[5] = _counted(wrong, pieces)
        pieces.columns[:2] += done
        pieces.columns[3] = np.where(IS_PLACED[pieces.code], (pieces.alignment - done) % self._period, 0)
        return pieces

    def _plain(self, chunk: Bytes) -> Bytes:
        """As the generator has it, before inversion."""
        return ~chunk if self._pattern.inverted else chunk

    def _of_runs(self, runs: Runs, wrong: NDArray[np.bool_]) -> Pieces:
        """Runs cut to begin and end with a wrong byte."""
        starts, stops = _trimmed(runs.starts, runs.stops, wrong)
        kept = starts < stops
        starts, stops = starts[kept], stops[kept]
        return Pieces.of(starts, stops, "elsewhere", (runs.places - runs.starts)[kept] % self._period)

    def _reversed(
        self, chunk: Bytes, left: NDArray[np.bool_], done: int, kind: Kind, element: int, unit: int
    ) -> Pieces:
        """Runs found with the order in each unit put right, cut to whole units, of which the outer ones are wrong."""
        skipped = -(self._at + done) % unit
        whole = slice(skipped, skipped + (chunk.size - skipped) // unit * unit)
        # The wrong bytes may keep their order: what counts is in which words they are.
        data = _in_reverse(chunk[whole], element, unit)
        runs = self._finder().runs(self._plain(data), left[whole])
        wrong: NDArray[np.bool_] = np.logical_or.reduce(left[whole].reshape(-1, unit), axis=1)
        starts, stops = _trimmed(-(-runs.starts // unit), runs.stops // unit, wrong)
        starts, stops = starts * unit, stops * unit
        alignments = (runs.places - runs.starts - skipped) % self._period
        kept = stops - starts >= _MIN_REVERSED
        if self._last is not None and self._last[:2] == (CODES[kind], unit):
            kept |= (starts < stops) & ((alignments - done) % self._period == self._last[2])
        return Pieces.of(starts[kept] + skipped, stops[kept] + skipped, kind, alignments[kept], unit)


def _clear(left: NDArray[np.bool_], pieces: Pieces) -> None:
    starts, stops = pieces.columns[:2].copy()
    compiled = kernels.places_for_bytes(left.size)
    if compiled is not None:
        compiled.clear(left.view(np.uint8), starts, stops)
        return
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        left[start:stop] = False


def _counted(wrong: NDArray[np.bool_], pieces: Pieces) -> Positions:
    """How many bytes of each range are wrong."""
    counts = np.empty(pieces.start.size, np.int64)
    starts, stops = pieces.columns[:2].copy()
    compiled = kernels.places_for_bytes(wrong.size)
    if compiled is not None:
        compiled.count(wrong.view(np.uint8), starts, stops, counts)
        return counts
    for index, (start, stop) in enumerate(zip(starts.tolist(), stops.tolist(), strict=True)):
        counts[index] = np.count_nonzero(wrong[start:stop])
    return counts


def _over_borders(pieces: Pieces) -> Pieces:
    """Ranges that a border between chunks cut made whole, with what looked like noise at the border."""
    is_noise = pieces.code == CODES["noise"]
    noise = Pieces(pieces.columns[:, is_noise])
    whole = Pieces(pieces.columns[:, ~is_noise]).merged(MAX_GAP)
    if whole.start.size and noise.start.size:
        around = np.searchsorted(whole.start, noise.start, side="right") - 1
        enclosed = (around >= 0) & (noise.start < whole.stop[around])
        np.add.at(whole.wrong, around[enclosed], noise.wrong[enclosed])
        noise = Pieces(noise.columns[:, ~enclosed])
    return Pieces.together([whole, noise.merged(_NOISE_GAP - 1)])


def _trimmed(starts: Positions, stops: Positions, wrong: NDArray[np.bool_]) -> tuple[Positions, Positions]:
    """Ranges cut to begin and end with a wrong byte; of one without any nothing is left."""
    starts, stops = starts.copy(), stops.copy()
    # Seldom more than a step or two: not worth a list of all wrong bytes.
    while (early := (starts < stops) & ~wrong[np.minimum(starts, wrong.size - 1)]).any():
        starts[early] += 1
    while (late := (starts < stops) & ~wrong[stops - 1]).any():
        stops[late] -= 1
    return starts, stops


def _in_reverse(data: Bytes, element: int, unit: int) -> Bytes:
    if element == 0:
        return _MIRRORED[data]
    if element == 1:
        return data.view(f"u{unit}").byteswap().view(np.uint8)
    return data.view(f"u{element}").reshape(-1, unit // element)[:, ::-1].copy().reshape(-1).view(np.uint8)


def _ranges(true: NDArray[np.bool_], shortest: int, gap: int = 0) -> tuple[Positions, Positions]:
    """Starts and stops of the runs of truths, those less than `gap` apart as one, without those too short."""
    edges = np.flatnonzero(np.diff(np.pad(true.view(np.int8), 1)))
    starts, stops = edges[0::2], edges[1::2]
    if starts.size:
        apart = starts[1:] - stops[:-1] >= max(gap, 1)
        starts, stops = starts[np.append(True, apart)], stops[np.append(apart, True)]
    kept = stops - starts >= shortest
    return starts[kept], stops[kept]


def place_period(pattern: Pattern) -> int:
    # A tagged buffer has places of its own, which never run into the next buffer's.
    return 1 << 62 if pattern.name == "tagged" else pattern.period_bytes
