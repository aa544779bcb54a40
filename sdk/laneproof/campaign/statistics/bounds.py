"""What a count of errors, or of bad trials, lets one claim: exact bounds at a stated confidence. Nothing on planning.

All of them suppose that errors, or trials, are independent of each other and that their rate, or chance, is steady.
"""

from __future__ import annotations

from decimal import ROUND_UP, Context, Decimal

from attrs import frozen

from laneproof.campaign.statistics.checks import checked_chance, checked_count, checked_positive
from laneproof.errors import BadInput

CONFIDENCE = 0.95
"""The confidence at which bounds are stated unless asked otherwise."""


@frozen
class Interval:
    """Two ends between which a quantity lies, at `confidence`; at most half the rest lies beyond either end."""

    lower: float
    upper: float
    confidence: float


def error_rate_bound(errors: int, exposure_bits: int, confidence: float = CONFIDENCE) -> float:
    """The upper bound on the error rate per bit after `errors` wrong bits in `exposure_bits`, one-sided.

    Half the chi-squared quantile at 2(errors + 1) degrees of freedom, over the exposure (Poisson counts; Gehrels 1986,
    ApJ 303, 336). Raises BadInput without exposure, and for more errors than bits.
    """
    _check_bits(errors, exposure_bits)
    return min(1.0, expected_bound(errors, confidence) / exposure_bits)


def error_rate_interval(errors: int, exposure_bits: int, confidence: float = CONFIDENCE) -> Interval:
    """What the error rate per bit lies between, two-sided. Raises BadInput as `error_rate_bound` does."""
    _check_bits(errors, exposure_bits)
    counted = expected_interval(errors, confidence)
    return Interval(min(1.0, counted.lower / exposure_bits), min(1.0, counted.upper / exposure_bits), confidence)


def chance_bound(bad: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """The upper bound on the chance that a trial is bad, after `bad` of `trials`, one-sided.

    Clopper and Pearson 1934, Biometrika 26, 404: a quantile of the beta distribution, to seven digits. 0 of 300 is
    below 1 %. Raises BadInput without a trial, and for more bad ones than there were.
    """
    bad, trials = _checked_trials(bad, trials)
    confidence = checked_chance("confidence", confidence)
    from scipy.special import betaincinv  # pyright: ignore[reportMissingTypeStubs]

    return 1.0 if bad == trials else float(betaincinv(bad + 1, trials - bad, confidence))


def chance_interval(bad: int, trials: int, confidence: float = CONFIDENCE) -> Interval:
    """What the chance that a trial is bad lies between, two-sided. Raises BadInput as `chance_bound` does."""
    bad, trials = _checked_trials(bad, trials)
    beyond = (1 - checked_chance("confidence", confidence)) / 2
    from scipy.special import betainccinv, betaincinv  # pyright: ignore[reportMissingTypeStubs]

    lower = 0.0 if bad == 0 else float(betaincinv(bad, trials - bad + 1, beyond))
    upper = 1.0 if bad == trials else float(betainccinv(bad + 1, trials - bad, beyond))
    return Interval(lower, upper, confidence)


def expected_bound(counted: int, confidence: float = CONFIDENCE) -> float:
    """The upper bound on how many events were to be expected where `counted` came, one-sided; 3.0 where none did."""
    counted, confidence = checked_count("events", counted), checked_chance("confidence", confidence)
    # Costs a third of a second, and only results need it. scipy ships no types.
    from scipy.special import gammaincinv  # pyright: ignore[reportMissingTypeStubs]

    return float(gammaincinv(counted + 1, confidence))


def expected_interval(counted: int, confidence: float = CONFIDENCE) -> Interval:
    """What the number of events to be expected lies between where `counted` came, two-sided.

    Garwood 1936, Biometrika 28, 437: quantiles of the chi-squared distribution, halved.
    """
    counted, beyond = checked_count("events", counted), (1 - checked_chance("confidence", confidence)) / 2
    from scipy.special import gammainccinv, gammaincinv  # pyright: ignore[reportMissingTypeStubs]

    lower = 0.0 if counted == 0 else float(gammaincinv(counted, beyond))
    return Interval(lower, float(gammainccinv(counted + 1, beyond)), confidence)


def format_bound(bound: float) -> str:
    """An upper bound for a reader, two digits, never rounded down: 2.232e-8 is "2.3e-8"."""
    return f"{Context(prec=2, rounding=ROUND_UP).create_decimal(Decimal(bound)):.1e}"


def _check_bits(errors: int, exposure_bits: int) -> None:
    checked_positive("bits", exposure_bits)
    if checked_count("errors", errors) > exposure_bits:
        raise BadInput(f"{errors} errors: there cannot be more wrong bits than bits; give both of one exposure")


def _checked_trials(bad: int, trials: int) -> tuple[int, int]:
    trials, bad = checked_count("trials", trials, least=1), checked_count("bad trials", bad)
    if bad > trials:
        raise BadInput(
            f"{bad} bad of {trials} trials: there cannot be more bad ones than there were; give both of one run"
        )
    return bad, trials
