"""Before a run: how much exposure or how many trials a claim needs, and what a planned exposure would miss.

What a planned exposure can show at best is no function of its own: it is the bound with no error in it,
`error_rate_bound(0, bits)`.
"""

from __future__ import annotations

import math

from laneproof.campaign.statistics.bounds import CONFIDENCE, expected_bound
from laneproof.campaign.statistics.checks import MOST_COUNTED, checked_chance, checked_count, checked_positive
from laneproof.errors import BadInput


def exposure_needed(bound: float, errors: int = 0, confidence: float = CONFIDENCE) -> int:
    """Bits, all verified, that show an error rate of at most `bound` per bit if no more than `errors` are wrong.

    The inverse of `error_rate_bound`; without an error it is -ln(1 - confidence) / bound.
    """
    bound = checked_chance("bound", bound)
    expected = expected_bound(errors, confidence)
    bits = max(1, errors, math.ceil(checked_positive("bits needed for this bound", expected / bound)))
    while expected / bits > bound:  # what rounding of the quotient took
        bits += max(1, bits >> 52)
    return bits


def seconds_needed(bound: float, bytes_per_s: float, errors: int = 0, confidence: float = CONFIDENCE) -> float:
    """Seconds in which bytes at `bytes_per_s` come to `exposure_needed`."""
    seconds = exposure_needed(bound, errors, confidence) / 8 / checked_positive("bytes per second", bytes_per_s)
    return checked_positive("seconds needed at this rate", seconds)


def trials_needed(chance: float, bad: int = 0, confidence: float = CONFIDENCE) -> int:
    """The fewest trials that show a chance of at most `chance` per trial if no more than `bad` are bad.

    The inverse of `chance_bound`. Raises BadInput where that is more than 1e15 trials.
    """
    chance, confidence = checked_chance("chance", chance), checked_chance("confidence", confidence)
    bad = checked_count("bad trials", bad)
    enough = bad + 1
    while 1 - chance_unseen_in_trials(chance, enough, bad) < confidence:
        enough *= 2
        if enough > MOST_COUNTED:
            raise BadInput(f"a chance of {chance:g} per trial needs more than {MOST_COUNTED:.0e} trials; allow more")
    short = bad  # as many bad as trials show nothing
    while enough - short > 1:
        middle = (short + enough) // 2
        if 1 - chance_unseen_in_trials(chance, middle, bad) < confidence:
            short = middle
        else:
            enough = middle
    return enough


def chance_unseen(rate: float, exposure_bits: int, errors: int = 0) -> float:
    """The chance that a true error rate of `rate` per bit shows no more than `errors` in the exposure (Poisson)."""
    expected = checked_chance("rate", rate) * checked_positive("bits", exposure_bits)
    errors = checked_count("errors", errors)
    from scipy.special import gammaincc  # pyright: ignore[reportMissingTypeStubs]

    return float(gammaincc(errors + 1, expected))


def chance_unseen_in_trials(chance: float, trials: int, bad: int = 0) -> float:
    """The chance that no more than `bad` of `trials` are bad, where each is with `chance` (binomial)."""
    chance, trials = checked_chance("chance", chance), checked_count("trials", trials, least=1)
    bad = checked_count("bad trials", bad)
    from scipy.special import betaincc  # pyright: ignore[reportMissingTypeStubs]

    return 1.0 if bad >= trials else float(betaincc(bad + 1, trials - bad, chance))
