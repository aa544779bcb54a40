"""What a count of errors lets one claim: exact bounds, at a stated confidence. Pure arithmetic over scipy."""

from __future__ import annotations

from decimal import ROUND_UP, Context, Decimal

from laneproof.errors import BadInput

CONFIDENCE = 0.95
"""The confidence at which bounds are stated unless asked otherwise."""


def error_rate_bound(errors: int, exposure_bits: int, confidence: float = CONFIDENCE) -> float:
    """The upper bound on the error rate per bit after `errors` wrong bits in `exposure_bits`, one-sided.

    Half the chi-squared quantile at 2(errors + 1) degrees of freedom, over the exposure (Poisson counts; Gehrels 1986,
    ApJ 303, 336). Assumes errors independent of each other. Raises BadInput without exposure.
    """
    if exposure_bits <= 0 or errors < 0 or not 0 < confidence < 1:
        raise BadInput("a bound needs bits, a count of errors from 0 up, and a confidence between 0 and 1")
    # Costs a tenth of a second, and only results need it. scipy ships no types.
    from scipy.special import gammaincinv  # pyright: ignore[reportMissingTypeStubs]

    return min(1.0, float(gammaincinv(errors + 1, confidence)) / exposure_bits)


def format_bound(bound: float) -> str:
    """An upper bound for a reader, two digits, never rounded down: 2.232e-08 is "2.3e-08"."""
    return f"{Context(prec=2, rounding=ROUND_UP).create_decimal(Decimal(bound)):.1e}"
