"""`laneproof run --check`: what would run, for how long, with what claim, and which limits decide nothing.

Bounds: no error in N bits is below 2.9957 / N at 95 % (Gehrels 1986, ApJ 303, 336); no bad one in n trainings is below
1 - 0.05^(1/n) (Clopper and Pearson 1934, Biometrika 26, 404). Both worked out by hand below.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import laneproof as package
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.planned import futile_limits, planned_steps
from laneproof.campaign.steps import IntegrityStep, LinkStep, SoakStep, Step, ThroughputStep, TrainStep
from laneproof.documents import Rate, Seconds, Share, Size

Run = Callable[..., Any]
MIB = 1 << 20


def planned(step: Step, bytes_per_s: float | None = 1e9) -> tuple[int | None, float | None, tuple[str, ...]]:
    (one,) = planned_steps(plans.Plan(step=(step,)), bytes_per_s)
    return one.nbytes, one.seconds, one.claims


def test_bytes_and_time_follow_from_the_nominal_rate() -> None:
    assert planned(IntegrityStep(patterns=("prbs31", "prbs29"), bytes=Size(500_000_000)))[:2] == (10**9, 1.0)
    assert planned(IntegrityStep(), 1e6)[:2] == (10_000_000, 10.0)  # ten seconds' worth is less than 64 MiB
    assert planned(SoakStep(), 1e6)[:2] == (20_000_000, 20.0)
    assert planned(SoakStep(duration=Seconds(60)))[:2] == (60 * 10**9, 60.0)
    assert planned(SoakStep(duration=Seconds(60), bytes=Size(10**9)))[:2] == (10**9, 1.0)
    assert planned(ThroughputStep(repeats=3, warm_up=1), 1e6)[:2] == (8_000_000, 8.0)
    assert planned(TrainStep(by="retrain", count=3))[1] is None


def test_without_a_nominal_rate_only_what_the_plan_itself_says_is_known() -> None:
    assert planned(SoakStep(duration=Seconds(60)), None)[:2] == (None, 60.0)
    assert planned(IntegrityStep(bytes=Size(MIB)), None)[:2] == (MIB, None)


def test_a_claim_is_the_bound_of_a_step_without_an_error() -> None:
    bits, one = 8 * MIB, "without a wrong bit fewer than"
    # 2.9957 / 8388608 = 3.5712e-7, which a bound may not round down
    assert planned(IntegrityStep(bytes=Size(MIB)))[2] == (
        f"{one} 3.6e-7 wrong per bit at 95% confidence ({bits} bits, one way)",
    )
    # 1 - 0.05^(1/300) = 0.99361 %
    (trained,) = planned(TrainStep(by="retrain"))[2]
    assert trained.startswith("without a bad one in 300, a chance of a bad training below 1.0 %")
    assert planned(LinkStep())[2] == ()
    assert planned(SoakStep(duration=Seconds(9)), None)[2] == (
        "a bound on wrong bits that follows from what will have moved",
    )


@pytest.mark.parametrize(
    ("step", "says"),
    [
        (ThroughputStep(min_share=Share(0)), "step[0].min_share: 0 % can never fail"),
        (ThroughputStep(min_rate=Rate(0)), "step[0].min_rate: 0 B/s can never fail"),
        (ThroughputStep(bytes=Size(0)), "step[0].bytes: 0 B moves nothing"),
        (IntegrityStep(bytes=Size(0)), "step[0].bytes: 0 B moves nothing"),
        (SoakStep(duration=Seconds(0)), "step[0].duration: duration of 0 moves nothing"),
        (LinkStep(max_link_errors=8 * 4 * MIB), "step[0].max_link_errors: 33554432 can never fail"),
        (SoakStep(duration=Seconds(9), max_link_errors=1 << 32), "step[0].max_link_errors: 4294967296 can never"),
        (TrainStep(by="retrain", max_link_errors=1 << 19), "step[0].max_link_errors: 524288 can never fail"),
    ],
)
def test_a_limit_that_decides_nothing_is_said_with_its_key_and_the_remedy(step: Step, says: str) -> None:
    (said,) = futile_limits(plans.Plan(step=(step,)))
    assert said.startswith(says)
    assert "; give" in said


@pytest.mark.parametrize(
    "step",
    [
        ThroughputStep(min_share=Share(0), min_rate=Rate(1e6)),
        LinkStep(max_link_errors=8 * 4 * MIB - 1),
        LinkStep(load=Size(0), max_link_errors=10),
        SoakStep(duration=Seconds(9), max_link_errors=(1 << 32) - 1),
        TrainStep(by="retrain", verify=Size(0), max_link_errors=10),
    ],
)
def test_a_limit_that_can_fail_is_let_alone(step: Step) -> None:
    assert list(futile_limits(plans.Plan(step=(step,)))) == []


def test_a_width_that_the_wiring_has_not_is_said() -> None:
    plan = plans.parse(
        {"schema": 1, "endpoint": [{"uri": "sim:demo#north", "expect": {"width": 8, "wiring": 4}}]}, "plan"
    )
    (said,) = futile_limits(plan)
    assert said.startswith("endpoint[0].expect.width: 8 lanes can never train over a wiring of 4; give")


def test_only_simulated_cards_are_asked_for_their_rate() -> None:
    plan = plans.Plan().over(["sim:demo#south", "chardev:/dev/no_such_device"])
    with package.open("sim:demo#south") as card:
        assert runner.nominal_rates(plan) == {"sim:demo#south": card.limits.nominal_bytes_per_s}


PLAN = """
schema = 1
repeat = 3
order = "shuffled"
stop_run_on = "fail"
stop_after = "8 h"
[[equipment]]
name = "thermometer"
calibration_due = 2020-01-01
[[endpoint]]
uri = "sim:demo#north"
group = "switch"
[[endpoint]]
uri = "chardev:/dev/no_such_device"
name = "bench"
[[step]]
kind = "throughput"
min_share = "0 %"
[[step]]
kind = "soak"
duration = "1 h"
"""


def test_all_of_it_is_shown_and_nothing_runs(laneproof: Run, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    done = laneproof("run", path, "--check")
    said = " ".join(done.out.split())
    assert (done.status, done.err) == (0, "")
    assert "nothing was run. Each endpoint takes 2 steps, 3 times, shuffled." in said
    assert (
        "endpoint north: sim:demo#north, in turn with group switch throughput: at most 96 MiB each way, about" in said
    )
    assert "endpoint bench: chardev:/dev/no_such_device throughput: at most 96 MiB each way, time open-ended" in said
    assert "soak: open-ended, about 1 h 0 min" in said
    assert 'stop_run_on = "fail": no slot goes on' in said
    assert "stop_after: the run ends after 8 h 0 min" in said
    assert "limit step[0].min_share: 0 % can never fail" in said
    assert "overdue calibration of thermometer was due 2020-01-01" in said
    assert list(tmp_path.iterdir()) == [path]


def test_a_run_says_limits_and_overdue_equipment_too_and_numbers_its_repetitions(
    laneproof: Run, tmp_path: Path
) -> None:
    (tmp_path / "plan.toml").write_text(
        PLAN.split("[[endpoint]]")[0] + '[[step]]\nkind = "throughput"\nbytes = "64 KiB"\nmin_share = "0 %"\n'
    )
    done = laneproof("run", "plan.toml", "--endpoint", "sim:demo#south", "--ledger", "run.ledger")
    assert done.status == 0
    assert "limit     step[0].min_share: 0 % can never fail" in done.out
    assert "overdue calibration of thermometer was due 2020-01-01" in done.out
    assert [line for line in done.out.splitlines() if "repetition" in line] == [f"  repetition {n}" for n in (1, 2, 3)]


def test_check_shows_what_is_declared_of_power_and_what_would_end_a_slot(laneproof: Run, tmp_path: Path) -> None:
    keys = 'power = "60 W"\nslot_power = "75 W"\nstop_above_temperature = "85 °C"\nstop_sensors = "card"\n'
    (tmp_path / "mine.toml").write_text(f'schema = 1\n[[endpoint]]\nuri = "sim:demo#north"\n{keys}', "utf-8")
    done = laneproof("run", "mine.toml", "--check")
    assert done.status == 0
    assert "power     north: card 60 W; slot 75 W, riser not known, auxiliary not known\n" in done.out
    assert "power     all cards: 60 W; supply not known: not held against each other\n" in done.out
    rule = 'stop      north: stop_above_temperature = 85 °C: the slot ends once a sensor in °C whose name holds "card"'
    assert rule in done.out


def test_preflight_shows_what_a_plan_declares_of_power(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('schema = 1\nsupply_power = "300 W"\n')
    assert "power     all cards: 0 W; supply 300 W\n" in laneproof("preflight", "mine.toml").out


@pytest.mark.parametrize("verb", ["run", "run --check", "preflight"])
def test_a_power_budget_that_does_not_fit_is_refused_by_each_verb(laneproof: Run, tmp_path: Path, verb: str) -> None:
    keys = 'power = "80 W"\nslot_power = "75 W"\n'
    (tmp_path / "mine.toml").write_text(f'schema = 1\n[[endpoint]]\nuri = "sim:demo#north"\n{keys}')
    name, *options = verb.split()
    done = laneproof(name, "mine.toml", *options)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(
        "laneproof: plan mine.toml: endpoint[0].power: the card may draw 80 W, slot_power is 75 W"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]
