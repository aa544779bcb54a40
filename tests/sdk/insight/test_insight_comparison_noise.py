"""What counts as more than chance: on noise recorded from real runs, against scipy, and by simulation."""

from __future__ import annotations

import math
import statistics
from itertools import combinations

import numpy as np
import pytest
from recorded_noise import recorded_runs
from scipy.stats import nct, t, ttest_ind

from laneproof.insight import comparison_noise
from laneproof.insight.comparison import compare_runs
from laneproof.insight.comparison_noise import (
    FALSE_ALARM,
    FOUND,
    LOSS,
    TOLERANCE,
    Counts,
    Series,
    beyond_chance,
    largest_spread,
)

RUNS = recorded_runs()


def changed(earlier: range | list[int], later: range | list[int]) -> bool:
    """Whether recorded runs are said to differ in anything, for better or worse."""
    found = compare_runs([RUNS[number] for number in earlier], [RUNS[number] for number in later])
    return bool(found.of("worse") or found.of("better"))


def pairs(count: int) -> list[tuple[int, int]]:
    """So many different pairs of recorded runs, from all over the record."""
    every = list(combinations(range(len(RUNS)), 2))
    return [every[int(index)] for index in np.random.default_rng(5).permutation(len(every))[:count]]


def test_of_500_pairs_of_equal_runs_one_in_a_hundred_at_most_seems_changed() -> None:
    found = [changed([first], [second]) for first, second in pairs(500)]
    assert len(found) == 500
    assert sum(found) <= FALSE_ALARM * len(found)


@pytest.mark.long
def test_of_all_pairs_of_equal_runs_one_in_a_hundred_at_most_seems_changed() -> None:
    found = [changed([first], [second]) for first, second in pairs(780)]
    assert len(found) == 780
    assert sum(found) <= FALSE_ALARM * len(found)


@pytest.mark.long
@pytest.mark.parametrize(("before", "now"), [(3, 3), (3, 1), (5, 3)])
def test_of_groups_of_equal_runs_one_in_a_hundred_at_most_seems_changed(before: int, now: int) -> None:
    """Consecutive ones, so that what drifted along the record lies between them."""
    starts = [
        (first, second)
        for first in range(len(RUNS) - before + 1)
        for second in range(len(RUNS) - now + 1)
        if first + before <= second or second + now <= first
    ]
    found = [changed(range(first, first + before), range(second, second + now)) for first, second in starts]
    assert len(found) > 500
    assert sum(found) <= FALSE_ALARM * len(found)


def test_without_its_allowance_for_a_shared_state_the_record_would_raise_false_alarms(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Which shows that the test above can fail, and what the allowance is for."""
    monkeypatch.setattr(comparison_noise, "TAKEN_TOGETHER", 0.0)
    found = [changed([first], [second]) for first, second in pairs(200)]
    assert sum(found) > FALSE_ALARM * len(found)


def shapes() -> list[list[float]]:
    """The recorded rates of each step of each slot, a mean for each run, as multiples of their spread around 0."""
    rows: dict[tuple[str, str], list[float]] = {}
    for run in RUNS:
        for slot in run.endpoints:
            for kind in ("throughput", "soak"):
                rates = [step.measures["bytes_per_second"] for step in slot.steps if step.kind == kind]
                rows.setdefault((slot.name, kind), []).append(statistics.fmean(rates))
    return [[(rate - statistics.fmean(row)) / statistics.stdev(row) for rate in row] for row in rows.values()]


def share_found(spread: float, comparisons: int, times: int) -> float:
    """How often a loss of LOSS is found from three runs a side, whose rates lie around their mean as those recorded."""
    generator, rows, found = np.random.default_rng(7), shapes(), 0
    for number in range(times):
        drawn = generator.choice(rows[number % len(rows)], 6, replace=False)
        earlier, later = 1 + spread * drawn[:3], (1 - LOSS) + spread * drawn[3:]
        series = Series(earlier=tuple(earlier), later=tuple(later), tolerated=TOLERANCE * float(np.mean(earlier)))
        found += series.p_value() * comparisons < FALSE_ALARM
    return found / times


@pytest.mark.parametrize("comparisons", [1, 6])
def test_a_loss_of_a_tenth_is_found_up_to_the_spread_that_is_stated(comparisons: int) -> None:
    stated = largest_spread(3, 3, comparisons)
    assert stated is not None
    assert share_found(stated, comparisons, 500) >= FOUND
    assert share_found(6 * stated, comparisons, 500) < FOUND


@pytest.mark.parametrize(("before", "now", "comparisons"), [(3, 3, 1), (3, 1, 4), (8, 3, 12)])
def test_the_spread_that_is_stated_is_the_largest_where_sides_share_a_state(
    before: int, now: int, comparisons: int
) -> None:
    """scipy.stats.nct: the chance to find it is FOUND there, whose noise is that of the model."""
    stated = largest_spread(before, now, comparisons)
    assert stated is not None
    error = stated * math.sqrt(1 / before + 1 / now + 2)
    freedom = before + now - 2
    critical = t.isf(FALSE_ALARM / comparisons / 2, freedom)
    assert nct.sf(critical, freedom, (LOSS - TOLERANCE) / error) == pytest.approx(FOUND, abs=1e-6)


def test_fewer_than_three_earlier_values_state_no_spread() -> None:
    assert largest_spread(2, 5) is None
    assert not Series(earlier=(1.0, 1.1), later=(1.0,) * 5, tolerated=0.0).decidable


def test_students_test_is_that_of_scipy_but_for_the_shared_state(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(comparison_noise, "TAKEN_TOGETHER", 0.0)
    earlier, later = (10.1, 10.4, 9.7, 10.0), (9.1, 9.9, 9.3)
    outside = ttest_ind(earlier, later, equal_var=True)
    assert Series(earlier=earlier, later=later, tolerated=0.0).p_value() == pytest.approx(outside.pvalue)


def test_what_lies_within_the_tolerance_is_no_difference_however_sure() -> None:
    assert Series(earlier=(100.0,) * 3, later=(98.1,) * 3, tolerated=2.0).p_value() == 1.0
    assert Series(earlier=(100.0,) * 3, later=(97.9,) * 3, tolerated=2.0).p_value() == 0.0


def test_a_loss_that_is_not_excluded_shrinks_with_more_runs() -> None:
    few, many = (
        Series(earlier=(95.0, 100.0, 105.0) * n, later=(95.0, 100.0, 105.0) * n, tolerated=2.0).most_lost()
        for n in (1, 10)
    )
    assert few is not None
    assert many is not None
    assert many < few


def test_limits_are_corrected_for_all_comparisons_together() -> None:
    one = Counts(earlier=0, earlier_exposure=1e9, later=9, later_exposure=1e9)
    alone, *_ = beyond_chance([one])
    among, *_ = beyond_chance([one, *[Series(earlier=(1.0, 1.1, 0.9), later=(1.0,), tolerated=0.0)] * 9])
    assert alone == pytest.approx(2 * 0.5**9)
    assert among == pytest.approx(10 * alone)
