"""Chance that can be repeated: counter-based generators keyed by what they are for, and gaps between rare events.

Two purposes never share a stream, so that what one draws does not move another. Nothing here knows of links.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np


def generator(*purpose: object) -> np.random.Generator:
    """A Philox generator keyed by `purpose`, for instance (seed, slot, lane, direction)."""
    digest = hashlib.blake2b("/".join(map(repr, purpose)).encode(), digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=np.frombuffer(digest, dtype=np.uint64)))


class Gaps:
    """Distances from one event to the next where each position has one with `probability`: geometric, at least 1.

    Drawn in blocks, since numpy draws many as fast as one; the sequence does not depend on the block's size.
    """

    def __init__(self, probability: float, *purpose: object, block: int = 1024) -> None:
        self._generator = generator(*purpose)
        self._block = block
        self._scale = -1.0 / math.log1p(-probability)
        self._drawn: list[int] = []

    def draw(self) -> int:
        """The next gap."""
        if not self._drawn:
            # An exponential variable, rounded up, is exactly geometric; 2**62 keeps tiny rates within an integer.
            gaps = np.minimum(self._generator.standard_exponential(self._block) * self._scale, 2.0**62)
            self._drawn = (np.floor(gaps).astype(np.int64) + 1)[::-1].tolist()
        return self._drawn.pop()
