"""Recovery of positions: where in a pattern's period the words of a buffer stand, found from the words alone.

How it is done for a PRBS is in `prbs_recovery`; here it is for patterns whose words name their place or whose period
is short. Which buffer had that place of the period, and what it means, is in `origin`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import attrs
import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.allocation import CHANNELS, SLOTS
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.pattern import Pattern
from laneproof.integrity.prbs import POLYNOMIALS
from laneproof.integrity.prbs_recovery import NO_RUNS, Positions, PrbsRecovery, Runs
from laneproof.integrity.tagged import SEQUENCES, decode_tag

MIN_RUN = 8
"""Bytes that have to agree before a place in the period counts as found: 33 bits more than PRBS31's state has."""

_MAX_SKIP = 4096
_MAX_PLACES = 4
# A bit error makes a word that belongs elsewhere; only its neighbours show that it does not.
_MIN_TAGGED = 17
TAG_PLACE_BITS = 31
"""A buffer of the tagged pattern has 2^31 places of its own."""


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
