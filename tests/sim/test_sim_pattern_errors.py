"""How many bits of a pattern the card's memory spoils: as many as chance has it, however often one looks.

The references are distributions of scipy. Seeds are fixed; a right count fails for one set of seeds in ten thousand.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from laneproof_sim.damage.memory import BitFlips, RegularFlips, StuckBit
from laneproof_sim.pattern_errors import COUNTED_AT_MOST, PatternErrors

SMALLEST_P = 1e-4


@pytest.mark.parametrize("probability", [1e-9, 1e-6, 1e-3, 0.3])
def test_flips_come_at_their_rate(probability: float) -> None:
    # Binomial: one bit in each byte that is hit.
    nbytes = int(1000 / probability) if probability < 0.1 else 10_000
    seen = [PatternErrors((BitFlips(probability=probability),), seed).up_to(nbytes) for seed in range(100)]
    expected = stats.binom(nbytes, probability)
    z = (np.array(seen) - expected.mean()) / expected.std()
    assert abs(z.mean()) < 4 / np.sqrt(len(seen))
    assert stats.chi2(len(seen)).cdf((z**2).sum()) == pytest.approx(0.5, abs=0.5 - SMALLEST_P)


def test_flips_never_become_fewer_and_do_not_depend_on_how_often_one_looks() -> None:
    faults = (BitFlips(probability=1e-5), RegularFlips(every=12_345))
    often, once = PatternErrors(faults, 1), PatternErrors(faults, 1)
    places = sorted(np.random.default_rng(1).integers(0, 1 << 36, 300).tolist())
    seen = [often.up_to(place) for place in places]
    assert seen == sorted(seen)
    assert seen[-1] == once.up_to(places[-1])


def test_far_beyond_its_end_the_counter_stands_at_once() -> None:
    assert PatternErrors((BitFlips(probability=0.3),), 1).up_to(1 << 60) == COUNTED_AT_MOST


def test_the_share_of_wrong_bits_is_that_of_all_faults() -> None:
    faults = (BitFlips(probability=0.1), RegularFlips(every=4), StuckBit(word=2, byte=0, bit=0, level=0))
    share = PatternErrors(faults, 1).share
    assert share == pytest.approx((0.1 + 1 / 4 + 1 / 2 / 2) / 8)
    nbytes = 1 << 22
    assert PatternErrors(faults, 1).up_to(nbytes) / (8 * nbytes) == pytest.approx(share, rel=0.01)
