"""Why the simulator lets no damaged packet through: what escapes an LCRC, by arithmetic over all damage of a kind.

A CRC sees only the difference between what was sent and what arrived: its syndrome, a linear map of the wrong bits to
32 bits, which is 0 where the damage escapes. The syndromes are those of `laneproof.lcrc`, which is held against
published vectors elsewhere; distances of this polynomial are those published by P. Koopman ("32-bit cyclic redundancy
codes for Internet applications", DSN 2002: Hamming distance 4 up to 91607 data bits).
"""

from __future__ import annotations

import numpy as np
import pytest

from laneproof.integrity import lcrc
from laneproof_sim.packets import WRITE_OVERHEAD_NBYTES

KOOPMAN_BITS = 91607 + 32
"""The longest code word, CRC included, in which any three wrong bits are seen."""
LARGEST_PAYLOAD = 4096
TLP_BITS = 8 * (LARGEST_PAYLOAD + WRITE_OVERHEAD_NBYTES + 4 * 4)
"""With its framing, an ECRC and prefixes: more than any packet has."""


def syndrome(wrong: list[int], nbytes: int) -> int:
    """That of wrong bits, counted from the first on the wire, in `nbytes` bytes before the CRC."""
    damage = bytearray(nbytes)
    for bit in wrong:
        damage[bit // 8] ^= 1 << bit % 8
    return lcrc(bytes(damage)) ^ lcrc(bytes(nbytes))


@pytest.fixture(scope="module")
def single() -> np.ndarray:
    """The syndrome of one wrong bit, by how many bits from the end of the code word it is; uint32.

    Those of the CRC's own bits are one bit each; from there on each follows from the one before it, since a code is
    cyclic: what one bit earlier does is the same one step further in the division.
    """
    polynomial = 0xEDB88320  # 04C11DB7 with its bits in the order in which they are sent
    states = np.empty(KOOPMAN_BITS + 2, np.uint32)
    state = 1 << 31
    for place in range(states.size):
        states[place] = state
        state = state >> 1 ^ (polynomial if state & 1 else 0)
    return states


def test_the_recurrence_gives_the_syndromes_of_the_lcrc(single: np.ndarray) -> None:
    nbytes = 2 + LARGEST_PAYLOAD  # a sequence number before it
    for bit in (0, 1, 7, 8, 100, 8 * LARGEST_PAYLOAD - 1):
        assert syndrome([8 * nbytes - 1 - bit], nbytes) == single[32 + bit]
    assert syndrome([5, 77], nbytes) == single[32 + 8 * nbytes - 6] ^ single[32 + 8 * nbytes - 78]


def test_any_legal_packet_is_shorter_than_what_is_covered() -> None:
    assert TLP_BITS < KOOPMAN_BITS


def test_no_single_wrong_bit_escapes_nor_any_two(single: np.ndarray) -> None:
    covered = single[:KOOPMAN_BITS]
    assert np.count_nonzero(covered) == covered.size
    assert np.unique(covered).size == covered.size


def test_no_three_wrong_bits_escape_up_to_the_published_length_and_some_do_beyond(single: np.ndarray) -> None:
    """By the cycle, three that escape may be moved to the end: one of them is then the last bit."""

    def third_is_among(bits: int) -> bool:
        others = single[1:bits]
        return bool(np.isin(others ^ single[0], others).any())

    assert not third_is_among(KOOPMAN_BITS)
    assert third_is_among(KOOPMAN_BITS + 1)


def rank(syndromes: np.ndarray) -> int:
    """Over GF(2)."""
    left, found = [int(each) for each in syndromes], 0
    while left:
        pivot = left.pop()
        if pivot:
            found += 1
            low = pivot & -pivot
            left = [each ^ pivot if each & low else each for each in left]
    return found


def test_no_burst_of_up_to_32_bits_escapes(single: np.ndarray) -> None:
    """The syndromes of any 32 bits in a row are independent, so that no choice of them adds up to 0."""
    for start in (0, 1, 31, 1000, TLP_BITS - 32):
        assert rank(single[start : start + 32]) == 32


def test_of_packets_garbled_beyond_recognition_one_in_two_to_the_32_escapes(single: np.ndarray) -> None:
    """All 2^32 syndromes are reached (rank 32) by equally many of the 2^n patterns of wrong bits: 2^(n - 32) each."""
    nbits = 8 * (64 + WRITE_OVERHEAD_NBYTES)
    assert 2 ** (nbits - rank(single[:nbits])) / 2**nbits == 2.0**-32
