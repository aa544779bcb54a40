"""Whether what changed between runs is more than chance: of measured values by their spread, of counts by exposure.

Pure arithmetic on numbers; where they come from is in `comparison_facts`, what follows from them in `comparison`.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from attrs import frozen

from laneproof.campaign.statistics import LEAST_RUNS, compare_rates, holm
from laneproof.campaign.statistics.checks import checked_chance, checked_count, checked_positive, checked_values

FALSE_ALARM = 0.01
"""The chance that equal runs show any difference at all, all comparisons of them taken together."""
TOLERANCE = 0.02
"""The share of a rate that a difference may have and still be none: less than that matters to nobody."""
LOSS = 0.10
"""The loss of rate whose detection is stated, as a share."""
FOUND = 0.95
"""The share of cases in which it is to be found."""
TAKEN_TOGETHER = 1.0
"""How far all values of a side may lie off together, in standard deviations of one: runs taken one after another, and
repetitions of one run still more, share a state of the computer that the spread among them does not show. On recorded
runs without this allowance 1.7 % of equal pairs looked different by their repetitions, 3.9 % of equal groups of three
consecutive runs; with it 0.4 % and 0.6 %."""


@frozen(kw_only=True)
class Series:
    """One quantity on both sides, a value for each run, or for each repetition of one.

    A difference of up to `tolerated`, in the unit of the values, is none. `exact`: without noise of its own, as
    what is computed in simulated time; then even single values are told apart.
    """

    earlier: tuple[float, ...]
    later: tuple[float, ...]
    tolerated: float
    exact: bool = False

    @property
    def decidable(self) -> bool:
        """Whether its spread is known: three earlier values at least, and one later."""
        return bool(self.later) and (len(self.earlier) >= LEAST_RUNS or (self.exact and bool(self.earlier)))

    @property
    def difference(self) -> float:
        """The later mean less the earlier."""
        return statistics.fmean(self.later) - statistics.fmean(self.earlier)

    @property
    def spread(self) -> float | None:
        """The standard deviation of one value, both sides pooled; None where nothing shows it."""
        freedom = len(self.earlier) + len(self.later) - 2
        if len(self.earlier) < LEAST_RUNS or not self.later:
            return None
        return math.sqrt((_squares(self.earlier) + _squares(self.later)) / freedom)

    def p_value(self) -> float:
        """The chance of such a difference were the true one within `tolerated`: Student's t-test, two-sided.

        Both sides are taken to have one spread, as equal runs have, so that a single later run can be held against
        several earlier ones (Student 1908, Biometrika 6, 1; the form for two samples: Fisher 1925, Metron 5, 90), and
        each to lie off as a whole by as much again (TAKEN_TOGETHER).
        """
        checked_values("earlier values", self.earlier)
        checked_values("later values", self.later)
        beyond, spread = abs(self.difference) - self.tolerated, self.spread
        if beyond <= 0:
            return 1.0
        if not spread:
            return 0.0
        from scipy.special import stdtr  # pyright: ignore[reportMissingTypeStubs]

        error = spread * _error(len(self.earlier), len(self.later))
        return min(1.0, 2 * float(stdtr(len(self.earlier) + len(self.later) - 2, -beyond / error)))

    def most_lost(self) -> float | None:
        """The loss, as a share of the earlier mean, that is not excluded: one-sided, at the confidence FOUND, of this
        quantity alone. None where no spread is known."""
        spread, mean = self.spread, statistics.fmean(self.earlier)
        if spread is None or mean <= 0:
            return None
        from scipy.special import stdtrit  # pyright: ignore[reportMissingTypeStubs]

        reach = float(stdtrit(len(self.earlier) + len(self.later) - 2, FOUND))
        return (reach * spread * _error(len(self.earlier), len(self.later)) - self.difference) / mean


@frozen(kw_only=True)
class Counts:
    """Events on both sides, each over its exposure in one unit."""

    earlier: int
    earlier_exposure: float
    later: int
    later_exposure: float

    @property
    def difference(self) -> float:
        """Of the rates, later less earlier."""
        return self.later / self.later_exposure - self.earlier / self.earlier_exposure

    def p_value(self) -> float:
        """The chance of so unequal counts were their rates one (`rates.compare_rates`): events are taken to be
        independent of each other."""
        return compare_rates(self.earlier, self.earlier_exposure, self.later, self.later_exposure).p_value


def beyond_chance(tests: Sequence[Series | Counts]) -> tuple[float, ...]:
    """The p-value of each, corrected for their number by Holm's method (Holm 1979, Scand. J. Statist. 6, 65).

    What lies below FALSE_ALARM differs. Where nothing differs the chance that any one lies there is FALSE_ALARM at
    most, whatever the number of tests and however they hang together.
    """
    return holm([test.p_value() for test in tests])


def largest_spread(
    earlier: int, later: int, comparisons: int = 1, *, loss: float = LOSS, tolerance: float = TOLERANCE
) -> float | None:
    """The standard deviation of one value, as a share of the earlier mean, up to which a `loss` is found in FOUND of
    cases, from so many values a side and among so many comparisons. None where no spread is small enough.

    By the noncentral t-distribution; as if each comparison had to pass the strictest of Holm's limits.
    """
    before = checked_count("earlier values", earlier)
    after = checked_count("later values", later)
    sought = checked_chance("loss", loss) - checked_positive("tolerance", tolerance)
    if before < LEAST_RUNS or not after or sought <= 0:
        return None
    from scipy.special import nctdtrinc, stdtrit  # pyright: ignore[reportMissingTypeStubs]

    freedom = before + after - 2
    critical = -float(stdtrit(freedom, FALSE_ALARM / checked_count("comparisons", comparisons, least=1) / 2))
    noncentral = float(nctdtrinc(freedom, 1 - FOUND, critical))
    return sought / (noncentral * _error(before, after))


def _error(earlier: int, later: int) -> float:
    """The standard error of a difference of means, in standard deviations of one value."""
    return math.sqrt(1 / earlier + 1 / later + 2 * TAKEN_TOGETHER**2)


def _squares(values: Sequence[float]) -> float:
    """Squared distances from the mean; of equal values none at all, though their mean may be rounded."""
    if min(values) == max(values):
        return 0.0
    mean = math.fsum(values) / len(values)
    return math.fsum((value - mean) ** 2 for value in values)
