"""Which stretch of a pattern belongs to which buffer: allocated along the sequence, not hashed."""

from __future__ import annotations

import operator
from typing import SupportsIndex

from attrs import frozen

from laneproof.errors import BadInput

SLOTS = 256
"""Slots are numbered from 0 to this, exclusive: more than a computer has."""

CHANNELS = 64
"""Channels of a card are numbered from 0 to this, exclusive."""

COUNT_LIMIT = 2**64
"""Seeds and sequence numbers are below this."""


def checked_index(what: str, value: SupportsIndex, limit: int) -> int:
    """`value` as a plain whole number from 0 to `limit` - 1. Raises BadInput otherwise, naming `what`."""
    try:
        number = operator.index(value)
    except TypeError:
        raise BadInput(f"{what} is {value!r}; give a whole number from 0 to {limit - 1}") from None
    if not 0 <= number < limit:
        raise BadInput(f"{what} is {number}; give a whole number from 0 to {limit - 1}")
    return number


@frozen
class Allocation:
    """Start positions of stretches along a pattern with `starts` places to start at.

    (slot, channel, sequence) is numbered without gaps or doubles, and the number times `stride`, which has no factor
    in common with `starts`, is the start. Two stretches of one run start at the same place only if their numbers
    differ by a multiple of `starts`: along PRBS31 never while their sequence numbers are less than 131,071 apart, and
    for one slot and channel never within 2^31 - 1 sequence numbers. `seed_stride` does the same for runs: the same
    buffer in runs of different seeds starts elsewhere, unless the seeds differ by a multiple of `starts`.
    """

    starts: int
    stride: int
    seed_stride: int

    def start(self, seed: int, slot: int, channel: int, sequence: int) -> int:
        """Where that buffer's stretch starts, from 0 to `starts` - 1. The numbers are within the bounds above."""
        number = (sequence * SLOTS + slot) * CHANNELS + channel
        return (seed * self.seed_stride + number * self.stride) % self.starts


# The strides below were sought (200,000 random candidates) for the widest gap between the starts of buffers that
# live at one time, so that damage that shifts data by some blocks does not land on another buffer's stretch. Along
# PRBS31 two buffers less than 4 slots, 4 channels and 16 sequence numbers apart start at least 4 MiB apart (no
# choice could do better than 8 MiB for that many); less than 16 slots, 8 channels and 64 sequence numbers apart, at
# least 104 KiB. PRBS29 has a quarter of that, the counter twice. tests/sdk/integrity/test_allocation.py holds these.
PRBS = {
    # Too short to keep stretches apart: strides near the golden section of the period, which spread any number.
    7: Allocation(2**7 - 1, 78, 47),
    9: Allocation(2**9 - 1, 316, 197),
    11: Allocation(2**11 - 1, 1266, 781),
    15: Allocation(2**15 - 1, 20252, 12515),
    20: Allocation(2**20 - 1, 41771, 914269),
    23: Allocation(2**23 - 1, 3157523, 2453610),
    29: Allocation(2**29 - 1, 424337745, 297976584),
    31: Allocation(2**31 - 1, 2053052941, 648218295),
}
"""By the pattern's degree; starts are byte positions."""

PRBS31_ROOM = 1 << 16
"""A buffer may move on along its stretch of PRBS31 by any multiple of `PRBS31_GRAIN` below this many bytes and still
have a place that no other has: the places of two buffers of one channel never meet while their sequence numbers are
less than 131,071 apart, those of any two among 16 slots of 8 channels while they are less than 823 apart."""

PRBS31_GRAIN = 64

# Numbers of starts are prime where the period is a power of two: a number that counts slots in powers of two would
# else lose its sequence in the multiplication.
WALKING = Allocation(31, 19, 12)
"""Starts are word positions; 31 of a walking pattern's 32."""

COUNTER = Allocation(2**32 - 5, 3856453439, 3587015081)
"""Starts are the first word's value; all but five of them."""
