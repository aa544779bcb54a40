"""Wrong bits of a pattern that the card's memory makes: how many there are up to a byte, however far that is.

The faults of the card's memory act by their rates, each by itself. Those that act on messages find none here, and
one with a `when` asks for them, so neither acts. Which bits are wrong is not settled, only how many.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from laneproof_sim.chance import generator
from laneproof_sim.damage.memory import BitFlips, MemoryFault, RegularFlips, StuckBit

COUNTED_AT_MOST = 2**32 - 1
"""The checker's counter of wrong bits has 32 bits and stays at its largest value."""
_FLIPS_OF_A_STRETCH = 1 << 16
_LARGEST_STRETCH = 1 << 62
_RARE = 1e-4
"""Below this the number of flips is drawn as if there were no end of bytes (Poisson)."""


class PatternErrors:
    """All faults of one card's memory, on one pattern. `purpose` keys the chance."""

    def __init__(self, faults: Sequence[object], *purpose: object) -> None:
        acting = [fault for fault in faults if isinstance(fault, MemoryFault) and fault.when is None]
        self._regular = [fault.every for fault in acting if isinstance(fault, RegularFlips)]
        self._words = [fault.word for fault in acting if isinstance(fault, StuckBit)]
        self._flips = [
            _Flips(fault.probability, *purpose, number)
            for number, fault in enumerate(acting)
            if isinstance(fault, BitFlips) and fault.probability > 0
        ]

    @property
    def share(self) -> float:
        """Of all bits that are wrong in the long run."""
        flipped = sum(one.probability for one in self._flips) + sum(1 / every for every in self._regular)
        return flipped / 8 + sum(1 / word for word in self._words) / 16

    def up_to(self, nbytes: int) -> int:
        """Wrong bits among the first `nbytes`, no fewer than asked for before; at most COUNTED_AT_MOST."""
        regular = sum(nbytes // every for every in self._regular)
        stuck = sum(nbytes // word // 2 for word in self._words)  # a pattern has as many zeros as ones
        return min(COUNTED_AT_MOST, regular + stuck + sum(one.up_to(nbytes) for one in self._flips))


class _Flips:
    """Flips that each byte has with one probability, counted stretch by stretch."""

    def __init__(self, probability: float, *purpose: object) -> None:
        self.probability = probability
        self._purpose = purpose
        self._generator = generator(*purpose, "stretches")
        exponent = math.ceil(math.log2(_FLIPS_OF_A_STRETCH / probability))
        self._nbytes = min(_LARGEST_STRETCH, 1 << exponent)
        self._passed = 0
        """Stretches that are behind."""
        self._behind = 0
        """Flips in them."""
        self._here = self._draw()
        """Flips in the one after them."""
        self._places: NDArray[np.int64] | None = None
        """Where those are, once that is asked for."""

    def up_to(self, nbytes: int) -> int:
        stretches, within = divmod(nbytes, self._nbytes)
        while self._passed < stretches and self._behind < COUNTED_AT_MOST:
            self._passed += 1
            self._behind += self._here
            self._here, self._places = self._draw(), None
        if self._passed < stretches:
            return COUNTED_AT_MOST
        if self._places is None:
            chance = generator(*self._purpose, "places", self._passed)
            self._places = np.sort(chance.choice(self._nbytes, self._here, replace=False, shuffle=False))
        return self._behind + int(np.searchsorted(self._places, within))

    def _draw(self) -> int:
        if self.probability < _RARE:
            return int(self._generator.poisson(self.probability * self._nbytes))
        return int(self._generator.binomial(self._nbytes, self.probability))
