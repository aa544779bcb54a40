"""What every function of this package asks of the numbers it is given. Nothing is computed here."""

from __future__ import annotations

import operator
from collections.abc import Iterable
from numbers import Real

import numpy as np
import numpy.typing as npt

from laneproof.errors import BadInput

MOST_COUNTED = 10**15
"""The largest count taken: whole numbers that far are exact in the arithmetic behind the bounds."""
MOST_MEASURED = 1e100
"""The largest size of a measured value or exposure taken: its square still is a number."""

Floats = npt.NDArray[np.float64]


def checked_count(what: str, count: int, least: int = 0) -> int:
    """`count` as an int, if it is a whole number from `least` to MOST_COUNTED."""
    try:
        whole = operator.index(count)
    except TypeError:
        whole = -1
    if not least <= whole <= MOST_COUNTED:
        raise BadInput(f"{what}: give a whole number from {least} to {MOST_COUNTED:.0e}")
    return whole


def checked_positive(what: str, value: float) -> float:
    """`value` as a float, if it is above zero and at most MOST_MEASURED."""
    if not isinstance(value, Real) or not 0 < value <= MOST_MEASURED:
        raise BadInput(f"{what}: give a number above 0 and up to {MOST_MEASURED:.0e}")
    return float(value)


def checked_chance(what: str, value: float) -> float:
    """`value` as a float, if it lies between 0 and 1, both left out."""
    if not isinstance(value, Real) or not 0 < value < 1:
        raise BadInput(f"{what}: give a number between 0 and 1, both left out")
    return float(value)


def checked_values(what: str, values: Iterable[float]) -> Floats:
    """`values` as one row of finite floats."""
    try:
        row = np.array(list(values), dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise BadInput(f"{what}: give a list of numbers") from None
    if row.ndim != 1 or not bool(np.all(np.abs(row) <= MOST_MEASURED)):
        raise BadInput(f"{what}: give one list of finite numbers, none larger than {MOST_MEASURED:.0e}")
    return row
