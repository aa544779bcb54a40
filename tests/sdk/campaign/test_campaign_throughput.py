"""Rates in each direction and by size, and the times of single round trips: what is measured, and what is claimed."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import attrs
import pytest
from engine_bench import engine_bench
from scipy import stats

from laneproof.campaign import plan as plans
from laneproof.campaign.alone_together import alone_and_together
from laneproof.campaign.planned import planned_steps
from laneproof.campaign.results import EndpointResult, Findings, RunResult, StepResult
from laneproof.campaign.steps import ThroughputStep
from laneproof.campaign.steps.latency import Latency
from laneproof.campaign.verdict import Verdict
from laneproof.documents import Seconds, Size
from laneproof.endpoint import Endpoint
from laneproof.errors import BadInput
from laneproof_sim.pattern_engine import CardPatternEngine

RunPlan = Callable[..., RunResult]
CLEAN = "[slot.bit_error_rate]\nto_card = 0.0\nfrom_card = 0.0\n"
FLIPS = '[[slot.fault]]\nkind = "bit-flips"\nprobability = {}\n'
LINE_BYTES_PER_S = 16e9 * 8 / 8 * 128 / 130
"""Sixteen GT/s on eight lanes, coded 128b/130b (PCI Express Base Specification, 4.2.2, from memory)."""


def throughput(*lines: str) -> str:
    return "\n".join(('[[step]]\nkind = "throughput"', *lines, ""))


def said(step: StepResult | Findings, verdict: str) -> str:
    return "\n".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


@pytest.fixture
def on_engine(run_plan: RunPlan, tmp_path: Path) -> Callable[..., StepResult]:
    """Runs the step on a card with an engine of its own; `more` is added to its slot."""

    def run(*lines: str, more: str = CLEAN) -> StepResult:
        result = run_plan(throughput('bytes = "4 MiB"', *lines), *engine_bench(tmp_path / "one.toml", {"north": more}))
        return result.endpoints[0].steps[0]

    return run


# --- directions


def test_each_direction_has_a_rate_of_its_own(run_plan: RunPlan, tmp_path: Path) -> None:
    directions = {"both": "each way", "to_card": "to the card", "from_card": "from the card"}
    text = "".join(throughput('bytes = "4 MiB"', f'direction = "{direction}"') for direction in directions)
    both, *alone = run_plan(text, *engine_bench(tmp_path / "one.toml", {"north": CLEAN})).endpoints[0].steps
    for step, (direction, way) in zip(alone, list(directions.items())[1:], strict=True):
        # Alone it carries no requests and fewer acknowledgements of the other direction's.
        assert both.measures["bytes_per_second"] < step.measures["bytes_per_second"] < LINE_BYTES_PER_S
        assert both.measures["ceiling_bytes_per_second"] < step.measures["ceiling_bytes_per_second"]
        assert 0.95 < step.measures["share_of_ceiling"] <= 1.0
        assert (str(step.verdict), step.measures["direction"], step.measures["method"]) == ("pass", direction, "card")
        assert f"GB/s {way} in simulated time (median of 5 stretches of 4 MiB" in said(step, "pass")
        assert step.bytes_moved >= 6 * 4 << 20


def test_a_card_without_an_engine_has_no_direction_alone(run_plan: RunPlan) -> None:
    step = run_plan(throughput('direction = "to_card"'), "sim:demo#north").endpoints[0].steps[0]
    assert "the plan asks for what this card cannot do: one direction alone needs a PatternEngine" in said(
        step, "error"
    )


def test_wrong_bits_in_one_direction_give_no_rate(on_engine: Callable[..., StepResult]) -> None:
    step = on_engine('direction = "from_card"', more=FLIPS.format("1e-6"))
    assert "prbs31 from card: the card's checker counted" in said(step, "fail")
    assert "bytes_per_second" not in step.measures


def test_a_checker_that_counts_nothing_gives_no_rate(
    on_engine: Callable[..., StepResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(CardPatternEngine, "inject", lambda *_: None)
    step = on_engine('direction = "to_card"')
    assert str(step.verdict) == "inconc"
    assert "did not count an error that was injected" in said(step, "inconc")


def test_a_rate_says_that_its_checker_was_not_seen_to_count(
    on_engine: Callable[..., StepResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = Endpoint._pattern_engine
    monkeypatch.setattr(Endpoint, "_pattern_engine", lambda card: attrs.evolve(found(card), injector=None))
    step = on_engine('direction = "to_card"')
    assert str(step.verdict) == "pass"
    assert "whose checker was not seen to count an injected error" in said(step, "pass")


def test_a_rate_alone_is_compared_with_none_of_another_direction() -> None:
    def step(direction: str, rate: float, **more: object) -> StepResult:
        measures = {"direction": direction, "bytes_per_second": rate, "links_seen": True, "beside_unknown": [], **more}
        return StepResult(
            position=0,
            kind="throughput",
            verdict=Verdict.PASS,
            reasons=(),
            started_s=0,
            finished_s=1,
            measures=measures,
        )

    steps = [step("to_card", 9.0, alone=True), step("both", 6.0, alone=True), step("to_card", 9.0, beside=["b"])]
    (found,) = alone_and_together([EndpointResult(name="a", uri="sim:demo#north", steps=tuple(steps))])
    assert (found.direction, found.alone_bytes_per_second, found.cause) == ("to_card", 9.0, "none")
    assert str(found).startswith("to the card: 9 B/s alone, 9 B/s together (100%)")
    assert alone_and_together([EndpointResult(name="a", uri="x", steps=tuple(steps[1:]))]) == ()


# --- sizes


def test_limits_hold_for_the_largest_size_and_small_ones_raise_no_alarm(run_plan: RunPlan) -> None:
    lines = ('sizes = ["4 MiB", "512 B", "64 KiB"]', "repeats = 6")
    step = run_plan(throughput(*lines), "sim:demo#north").endpoints[0].steps[0]
    rows = step.measures["rates"]
    assert [row["bytes"] for row in rows] == [512, 64 << 10, 4 << 20]
    rates = [row["bytes_per_second"] for row in rows]
    assert rates == sorted(rates)
    assert rates[0] < 0.5 * rates[-1]  # as of a real device, where 4 KiB at a time bring 0.3 % of what 64 MiB do
    assert (step.measures["bytes_per_second"], step.measures["transfer_bytes"]) == (rates[-1], 4 << 20)
    assert step.measures["share_of_ceiling"] > 0.9
    assert str(step.verdict) == "pass"
    assert step.bytes_moved == 7 * sum(row["bytes"] for row in rows)
    assert "by size, in brackets the quartiles: 512 B " in said(step, "pass")
    for row in rows:
        assert row["slowest"] <= row["lower_quartile"] <= row["bytes_per_second"] <= row["upper_quartile"]
        assert (row["median_lower"], row["median_upper"]) == (row["slowest"], row["fastest"])  # six: 1 to 6
        assert row["confidence"] == pytest.approx(1 - 2 / 64)


def test_a_largest_size_that_misses_its_limit_fails(run_plan: RunPlan) -> None:
    lines = ('sizes = ["512 B", "4 KiB"]', 'min_rate = "900 GB/s"', 'min_share = "1 %"', 'latency_bytes = "64 B"')
    step = run_plan(throughput(*lines, "latency_repeats = 3"), "sim:demo#north").endpoints[0].steps[0]
    (failed,) = [reason.text for reason in step.reasons if str(reason.verdict) == "fail"]
    assert "transfers of 4 KiB" in failed


def test_a_share_that_only_small_transfers_miss_accuses_no_slot(run_plan: RunPlan) -> None:
    step = run_plan(throughput('bytes = "4 KiB"'), "sim:demo#north").endpoints[0].steps[0]
    assert step.measures["share_of_ceiling"] < 0.5
    assert str(step.verdict) == "inconc"
    assert "measures latency and not the link: give 1 MiB or more" in said(step, "inconc")


def test_sizes_that_come_to_one_of_the_cards_are_measured_once(run_plan: RunPlan) -> None:
    text = throughput('sizes = ["1 B", "2 B"]', 'min_share = "0 %"', 'min_rate = "1 B/s"')
    rows = run_plan(text, "sim:demo#north").endpoints[0].steps[0].measures["rates"]
    assert len({row["bytes"] for row in rows}) == len(rows)


def test_slots_at_work_together_have_sizes_round_trips_and_limits_too(run_plan: RunPlan) -> None:
    text = throughput('sizes = ["4 KiB", "1 MiB"]', 'latency_bytes = "64 B"', "latency_repeats = 40")
    for endpoint in run_plan(text, "sim:shared-link#north", "sim:shared-link#middle").endpoints:
        (step,) = endpoint.steps
        assert step.measures["beside"]
        assert step.measures["rates"][-1]["bytes_per_second"] == step.measures["bytes_per_second"]
        assert len(step.measures["latency"]["percentiles"]) == 4
        for text in ("round trips of 64 B", "by size", "of the link's ceiling"):
            assert text in said(step, "pass")


# --- round trips


def test_round_trips_are_put_on_record_as_percentiles_and_said_to_be_simulated(run_plan: RunPlan) -> None:
    text = throughput('bytes = "1 MiB"', 'latency_bytes = "4 KiB"', "latency_repeats = 400", 'max_latency = "1 ms"')
    step = run_plan(text, "sim:demo#north").endpoints[0].steps[0]
    latency = step.measures["latency"]
    assert [row["percentile"] for row in latency["percentiles"]] == [50.0, 90.0, 99.0, 99.9]
    times = [row["seconds"] for row in latency["percentiles"]]
    assert 0 < times[0] <= times[-1] <= latency["worst_s"] < 1e-3
    assert latency["percentiles"][-1]["upper_s"] is None  # 3688 are needed
    assert step.measures["simulated_time"]
    assert "round trips of 4 KiB in simulated time, one at a time: p50 " in said(step, "pass")
    assert "99 % of round trips of 4 KiB take up to " in said(step, "pass")
    assert step.bytes_moved == 401 * 4096 + (6 << 20)


def test_damage_in_a_round_trip_fails_and_gives_no_time(run_plan: RunPlan, tmp_path: Path) -> None:
    uris = engine_bench(tmp_path / "one.toml", {"north": FLIPS.format("1e-3")})
    step = run_plan(throughput('latency_bytes = "4 KiB"', "latency_repeats = 50"), *uris).endpoints[0].steps[0]
    assert "bytes came back wrong" in said(step, "fail")
    assert "damage" in step.measures
    assert "latency" not in step.measures


def judged(times_s: list[float], limit_s: float | None, percentile: float = 99.0) -> Findings:
    latency = Latency(
        nbytes=4096,
        repeats=len(times_s),
        warm_up=0,
        pattern="prbs31",
        limit_s=None if limit_s is None else Seconds(limit_s),
        percentile=percentile,
    )
    findings = Findings(measures={"latency": latency._measures(times_s)})
    latency.judge(findings, virtual=False)
    return findings


TIMES = [1e-6 * (number + 1) for number in range(1000)]


@pytest.mark.parametrize(
    ("end", "beyond_us", "verdict"),
    [("lower", -0.5, "fail"), ("lower", 0.5, "inconc"), ("upper", -0.5, "inconc"), ("upper", 0.5, "pass")],
)
def test_a_limit_decides_outside_the_interval_alone(end: str, beyond_us: float, verdict: str) -> None:
    # How many of 1000 lie below the true p99 is binomial; the n-th of these times is n microseconds.
    below = stats.binom(1000, 0.99)
    end_us = below.ppf(0.025) if end == "lower" else below.isf(0.025) + 1
    findings = judged(TIMES, (end_us + beyond_us) * 1e-6)
    assert str(findings.verdict) == verdict
    assert ("lies within the interval" in said(findings, "inconc")) == (verdict == "inconc")


def test_too_few_round_trips_pass_nothing_and_still_fail_what_is_beyond_them() -> None:
    assert "50 repeats are too few to say; give at least 368" in said(judged(TIMES[:50], 1.0), "inconc")
    assert str(judged(TIMES[:50], 1e-6).verdict) == "fail"


def test_without_a_limit_the_times_are_said_and_judge_nothing() -> None:
    findings = judged(TIMES, None)
    assert [str(reason.verdict) for reason in findings.reasons] == ["pass"]
    assert "p99.9 999 µs (from 997 µs), worst 1 ms of 1000" in said(findings, "pass")


def test_a_tester_that_could_not_run_accuses_no_round_trip() -> None:
    findings = judged(TIMES, 1e-6)
    findings.doubt_rates("the tester itself could not run")
    assert str(findings.verdict) == "inconc"


# --- plans


@pytest.mark.parametrize(
    ("keys", "why"),
    {
        "both kinds of size": ({"sizes": (Size(1),), "bytes": Size(1)}, "give one of the two"),
        "twice": ({"sizes": (Size(1), Size(1))}, "stands there twice"),
        "many": ({"sizes": tuple(Size(size) for size in range(1, 66))}, "65 are more than 64"),
        "limit of nothing": ({"max_latency": Seconds(1.0)}, "give latency_bytes"),
        "sizes of a stream": ({"direction": "to_card", "sizes": (Size(1),)}, "has no transfers of a size"),
        "round trip one way": ({"direction": "from_card", "latency_bytes": Size(1)}, "in a step of its own"),
    }.values(),
)
def test_keys_that_do_not_go_together_are_refused(keys: dict[str, Any], why: str) -> None:
    with pytest.raises(BadInput, match=why):
        ThroughputStep(**keys)


def test_a_percentile_that_so_few_round_trips_cannot_show_is_said_before_the_run() -> None:
    asked = {"latency_bytes": Size(64), "max_latency": Seconds(1.0), "latency_percentile": 99.9}
    ((key, text),) = ThroughputStep(**asked).futile_limits
    assert (key, "give at least 3688" in text) == ("latency_repeats", True)
    assert ThroughputStep(**asked, latency_repeats=3688).futile_limits == ()


def test_a_plan_says_what_a_sweep_of_sizes_and_a_direction_move() -> None:
    lines = throughput('sizes = ["1 KiB", "3 KiB"]', 'latency_bytes = "1 KiB"', "latency_repeats = 9")
    steps = tomllib.loads(lines + throughput('direction = "to_card"', 'bytes = "1 MiB"'))
    plan = plans.parse({"schema": 1, **steps}, "the plan")
    said = [str(step) for step in planned_steps(plan, 1e9)]
    assert said[0].startswith("throughput: at most 34 KiB each way")
    assert said[1].startswith("throughput: at most 6 MiB one way")
