"""Linear maps over GF(2) on whole numbers taken as bit vectors. What they are maps of is said by their users."""

from __future__ import annotations

from collections.abc import Sequence


class LinearMap:
    """A linear map: `map(a ^ b) == map(a) ^ map(b)`. Immutable.

    `columns[j]` is the image of 1 << j; there are at most 32. Images may be of any width. Arguments must be below
    1 << len(columns).
    """

    def __init__(self, columns: Sequence[int]) -> None:
        self._width = len(columns)
        # One table for each byte of the argument: applying the map costs a look-up a byte, not an XOR a bit.
        self._tables = tuple(_images(columns[low : low + 8]) for low in (0, 8, 16, 24))

    def __call__(self, vector: int) -> int:
        """The image of `vector`."""
        # Written out, for it is what a stretch's start waits for.
        first, second, third, fourth = self._tables
        return first[vector & 255] ^ second[vector >> 8 & 255] ^ third[vector >> 16 & 255] ^ fourth[vector >> 24]

    def squared(self) -> LinearMap:
        """The map applied twice; only for a map of a space onto itself."""
        return LinearMap([self(self(1 << bit)) for bit in range(self._width)])


def _images(columns: Sequence[int]) -> list[int]:
    """The image of every vector of as many bits as there are columns."""
    images = [0]
    for column in columns:
        images += [image ^ column for image in images]
    return images
