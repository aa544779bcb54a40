"""The load of a soak: steadiness and shifts of its rate, bounded in memory, and a receiver's dwell."""

from __future__ import annotations

import statistics
from collections.abc import Callable

import numpy as np
import pytest

from laneproof.campaign.results import RunResult, StepResult
from laneproof.campaign.steps import load as loads
from laneproof.campaign.steps.load import Load, dwell_said, steadiness_said


def loaded(rates: list[float], *, seconds: float = 1.0, gap_s: float = 0.0) -> Load:
    load = Load()
    for number, rate in enumerate(rates):
        load.add(number * (seconds + gap_s), seconds, round(rate * seconds))
    return load


def noisy(*levels: tuple[int, float]) -> list[float]:
    drawn = np.random.default_rng(7)
    return [level * (1 + 0.01 * drawn.standard_normal()) for count, level in levels for _ in range(count)]


def test_rates_are_those_of_the_portions() -> None:
    rates = [1000.0, 800.0, 1200.0, 900.0]
    assert loaded(rates).measures() == {
        "bytes_per_second": statistics.median(rates),
        "slowest_bytes_per_second": 800.0,
        "fastest_bytes_per_second": 1200.0,
    }
    assert Load().measures() == {}


def test_a_month_of_portions_takes_no_more_room_and_loses_no_extreme(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loads, "SPANS_LIMIT", 64)
    rates = noisy((5000, 1e6))
    rates[1234] = 1e3
    load = loaded(rates, seconds=0.01, gap_s=0.002)
    load.add(100.0, 0.01, 10_000)
    assert len(load._spans) <= 64
    assert load.measures()["slowest_bytes_per_second"] == pytest.approx(1e3)
    assert load.measures()["bytes_per_second"] == pytest.approx(1e6, rel=0.01)
    assert sum(span.nbytes for span in load._spans) == sum(round(rate * 0.01) for rate in rates) + 10_000
    found = load.steadiness()
    assert found is not None
    assert found.longest_gap_at_s == pytest.approx(4999 * 0.012 + 0.01)
    assert found.longest_gap_s == pytest.approx(100 - (4999 * 0.012 + 0.01))


def test_a_steady_load_is_said_to_be_steady_and_a_ragged_one_not() -> None:
    steady, ragged = loaded(noisy((60, 1e6))).steadiness(), loaded(noisy((30, 1e6), (30, 5e5))).steadiness()
    assert steady is not None
    assert ragged is not None
    assert (steady.near_median, steady.longest_gap_s) == (1.0, 0.0)
    assert steady.coefficient_of_variation == pytest.approx(0.01, rel=0.3)
    assert steadiness_said(steady) == (
        "load: 100% of 60 spans of 1 s within 5% of their median, "
        f"{steady.coefficient_of_variation:.1%} variation, no gap"
    )
    assert ragged.coefficient_of_variation > 0.3
    assert Load().steadiness() is loaded([1e6]).steadiness() is None


def test_a_shift_of_the_rate_is_found_where_it_is_and_a_small_one_is_not_told() -> None:
    ((at_s, change),) = loaded(noisy((40, 1e6), (40, 7e5))).changes()
    assert at_s == pytest.approx(40, abs=1)
    assert (change.before, change.after) == pytest.approx((1e6, 7e5), rel=0.02)
    assert loaded(noisy((40, 1e6), (40, 9.7e5))).changes() == []
    assert loaded(noisy((5, 1e6), (5, 7e5))).changes() == []


@pytest.mark.parametrize(("repetition_s", "seen"), [(0.019, True), (0.02, False), (0.5, False)])
def test_portions_must_follow_each_other_faster_than_a_receiver_dwells(repetition_s: float, *, seen: bool) -> None:
    found, text = dwell_said(0.02, repetition_s)
    assert found is seen
    assert "the receiver dwells 20 ms" in text


def test_a_repetition_reaches_from_the_start_of_a_portion_to_that_of_the_next() -> None:
    load = loaded([1e6] * 5, seconds=0.01, gap_s=0.002)
    assert load.longest_repetition_s == pytest.approx(0.012)
    load.add(0.2, 0.01, 1)
    assert load.longest_repetition_s == pytest.approx(0.2 - 4 * 0.012)


def soak(run_plan: Callable[..., RunResult], **keys: str) -> StepResult:
    step = "\n".join(f'{key} = "{value}"' for key, value in keys.items())
    return run_plan(f'[[step]]\nkind = "soak"\n{step}', "sim:demo#south").endpoints[0].steps[0]


@pytest.mark.parametrize(("dwell", "verdict"), [("20 ms", "pass"), ("100 us", "inconc")])
def test_a_soak_with_a_dwell_says_whether_its_load_is_seen(
    run_plan: Callable[..., RunResult], dwell: str, verdict: str
) -> None:
    step = soak(run_plan, bytes="4 MiB", portion="64 KiB", dwell=dwell)
    (said,) = [reason for reason in step.reasons if reason.text.startswith("dwell: ")]
    assert (str(said.verdict), str(step.verdict)) == (verdict, verdict)
    assert step.measures["dwell"]["longest_repetition_s"] > 0
    assert "the load repeats itself within" in said.text


def test_a_soak_of_one_portion_cannot_say_how_often_it_repeats(run_plan: Callable[..., RunResult]) -> None:
    step = soak(run_plan, bytes="64 KiB", dwell="1 s")
    assert str(step.verdict) == "inconc"
    assert "steadiness" not in step.measures


def test_a_soak_puts_the_steadiness_of_its_load_on_record(run_plan: Callable[..., RunResult]) -> None:
    step = soak(run_plan, bytes="4 MiB", portion="64 KiB")
    found = step.measures["steadiness"]
    assert found["near_median"] > 0.9
    assert found["windows"] >= 2
    assert any(reason.text.startswith("load: ") for reason in step.reasons)
