"""Chance that can be repeated: counter-based generators keyed by what they are for, and where rare events fall.

Two purposes never share a stream, so that what one draws does not move another. Nothing here knows of links.
"""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_left
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

_BULK = 1 << 15
"""The most gaps drawn at a time, so that they stay in cache while they become places."""


def generator(*purpose: object) -> np.random.Generator:
    """A Philox generator keyed by `purpose`, for instance (seed, slot, lane, direction)."""
    digest = hashlib.blake2b("/".join(map(repr, purpose)).encode(), digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=np.frombuffer(digest, dtype=np.uint64)))


class Places:
    """Where events fall, if each place from 0 on has one with `probability`: in order, one at a time or many at once.

    The gaps are geometric, drawn in blocks, since numpy draws many as fast as one; the places do not depend on the
    block's size, nor on which of them are taken at once. `next` is the place of the next event.
    """

    def __init__(self, probability: float, *purpose: object, block: int = 512) -> None:
        self._generator = generator(*purpose)
        self._block = block
        self._scale = -1.0 / math.log1p(-probability)
        self._places = [-1]
        self._index = 0
        self.next = -1
        self.advance()

    def advance(self) -> None:
        """Go on to the event after the next."""
        self._index += 1
        if self._index == len(self._places):
            self._draw()
        self.next = self._places[self._index]

    def skip_to(self, place: int) -> None:
        """Pass over the events before `place`."""
        while self._places[-1] < place:
            self._draw()
        self._index = bisect_left(self._places, place, lo=self._index)
        self.next = self._places[self._index]

    def take_before(self, place: int) -> NDArray[np.int64]:
        """Take away all events before `place`, which is below 2^62, and go on to the one after; their places."""
        if place <= self.next:
            return np.empty(0, np.int64)
        stop = bisect_left(self._places, place, lo=self._index)
        found = [np.array(self._places[self._index : stop], np.int64)]
        while stop == len(self._places):
            # Fewer than are to be expected, so that what is left over stays little.
            count = min(_BULK, int((place - self._places[-1]) / self._scale))
            if count <= self._block:
                self._draw()
                stop = bisect_left(self._places, place)
                found.append(np.array(self._places[:stop], np.int64))
                continue
            places = np.cumsum(self._gaps(count))
            places += self._places[-1]
            taken = int(np.searchsorted(places, place))
            found.append(places[:taken])
            # Only the last of those that were taken is looked at again.
            self._places = places[max(0, taken - 1) :].tolist()
            stop = min(taken, 1)
        self._index = stop
        self.next = self._places[stop]
        return np.concatenate(found)

    def _gaps(self, count: int) -> NDArray[np.int64]:
        # An exponential variable, rounded down, plus one is exactly geometric.
        drawn = self._generator.standard_exponential(count)
        drawn *= self._scale
        np.minimum(drawn, 2.0**62, out=drawn)
        gaps = drawn.astype(np.int64)
        gaps += 1
        return gaps

    def _draw(self) -> None:
        # Python's integers do not overflow at tiny rates.
        self._places = list(accumulate(self._gaps(self._block).tolist(), initial=self._places[-1]))[1:]
        self._index = 0
