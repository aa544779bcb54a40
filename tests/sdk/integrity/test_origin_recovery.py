"""Recovery of positions: the discrete logarithm of a generator's state, from the definition of the sequence."""

from __future__ import annotations

import numpy as np
import pytest

from laneproof.integrity import pattern
from laneproof.integrity.prbs import POLYNOMIALS
from laneproof.integrity.prbs_recovery import PrbsRecovery
from laneproof.integrity.recovery import recovery

# ITU-T O.150 (05/96), table 1; PRBS7 common practice. Written here a second time, not taken from the code.
TAPS = {7: 6, 9: 5, 11: 9, 15: 14, 20: 3, 23: 18, 29: 27, 31: 28}


def stepped(state: int, n: int, nbytes: int) -> int:
    """The state so many bytes on, bit by bit: each bit is the sum of those n and k before it."""
    for _ in range(8 * nbytes):
        bit = state >> (n - 1) ^ state >> (TAPS[n] - 1) & 1
        state = (state << 1 | bit & 1) & (1 << n) - 1
    return state


@pytest.fixture(scope="module", params=TAPS)
def finder(request: pytest.FixtureRequest) -> tuple[int, PrbsRecovery]:
    found = recovery(pattern(f"prbs{request.param}"))
    assert isinstance(found, PrbsRecovery)
    return request.param, found


def test_the_state_of_all_ones_is_the_beginning(finder):
    n, found = finder
    first = np.array([stepped(2**n - 1, n, nbytes) for nbytes in range(200)], np.uint64)
    assert found.places(first).tolist() == [nbytes % (2**n - 1) for nbytes in range(200)]


def test_a_byte_further_is_a_place_further(finder):
    n, found = finder
    states = np.random.default_rng(n).integers(1, 2**n, 500, np.uint64)
    places = found.places(states)
    further = np.array([stepped(int(state), n, 3) for state in states], np.uint64)
    assert np.array_equal(found.places(further), (places + 3) % (2**n - 1))


def test_a_place_is_where_the_pattern_has_that_state(finder):
    n, found = finder
    source = pattern(f"prbs{n}", inverted=False)
    states = np.random.default_rng(n).integers(1, 2**n, 300, np.uint64)
    window = np.zeros(4, np.uint8)
    for state, place in zip(states.tolist(), found.places(states).tolist(), strict=True):
        source.fill(window, place)  # the stretch of all zeros starts with all ones
        assert int.from_bytes(window.tobytes(), "big") >> (32 - n) == state


def test_every_state_of_a_short_sequence_has_a_place_of_its_own():
    found = PrbsRecovery(POLYNOMIALS["prbs15"])
    places = found.places(np.arange(1, 2**15, dtype=np.uint64))
    assert np.array_equal(np.sort(places), np.arange(2**15 - 1))
