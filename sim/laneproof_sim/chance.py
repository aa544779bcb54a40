"""Chance that can be repeated: counter-based generators keyed by what they are for, and where rare events fall.

Two purposes never share a stream, so that what one draws does not move another. Nothing here knows of links.
"""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_left
from itertools import accumulate

import numpy as np


def generator(*purpose: object) -> np.random.Generator:
    """A Philox generator keyed by `purpose`, for instance (seed, slot, lane, direction)."""
    digest = hashlib.blake2b("/".join(map(repr, purpose)).encode(), digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=np.frombuffer(digest, dtype=np.uint64)))


class Places:
    """Where events fall, if each place from 0 on has one with `probability`: in order, one at a time.

    The gaps are geometric, drawn in blocks, since numpy draws many as fast as one; the places do not depend on the
    block's size. `next` is the place of the next event.
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

    def _draw(self) -> None:
        # An exponential variable, rounded down, plus one is exactly geometric; places are Python's integers, which
        # do not overflow at tiny rates.
        gaps = np.minimum(self._generator.standard_exponential(self._block) * self._scale, 2.0**62)
        whole = np.floor(gaps).astype(np.int64) + 1
        self._places = list(accumulate(whole.tolist(), initial=self._places[-1]))[1:]
        self._index = 0
