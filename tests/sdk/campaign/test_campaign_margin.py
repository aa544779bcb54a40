"""The step `margin`: how far each lane is from errors, what it is held to, and that nothing unmeasured passes.

Eyes are the simulator's: 16 timing steps of 2.5 % of a unit interval, 32 voltage steps of 5 mV.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

import laneproof
from laneproof import cli
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.planned import futile_limits
from laneproof.campaign.results import RunResult, StepResult
from laneproof.campaign.steps import MarginStep
from laneproof.documents import Share, Volts
from laneproof.errors import BadInput, EndpointBusy
from laneproof.insight.report import render_html
from laneproof.on_request import MarginingOffer

Run = Callable[..., RunResult]
BOTH = 'receivers = ["near", "far"]\n'
LIMITS = 'min_timing = "10 %"\nmin_voltage = "15 mV"\n'


def margin(more: str = BOTH + LIMITS) -> str:
    return f'[[step]]\nkind = "margin"\n{more}'


def only(result: RunResult) -> StepResult:
    ((step,),) = (endpoint.steps for endpoint in result.endpoints)
    return step


def said(step: StepResult, verdict: str) -> str:
    return " ".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


def events(result: RunResult, kind: str) -> list[str]:
    return [event["text"] for event in result.endpoints[0].events if event["kind"] == kind]


@pytest.fixture(scope="module")
def weak(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run over the slot with a weak eye."""
    plan = plans.parse({"schema": 1, **tomllib.loads(margin())}, "plan").over(["sim:weak-eye#north"])
    return runner.run(plan, tmp_path_factory.mktemp("weak") / "run.ledger")


# --- on the bench


def test_a_healthy_link_passes_with_its_least_margin_named(run_plan: Run) -> None:
    result = run_plan(margin(), "sim:weak-eye#middle")
    step = only(result)
    assert (str(step.verdict), str(result.verdict)) == ("pass", "pass")
    assert "16 timing margins, the least 7 steps, 17.5 % of a UI" in said(step, "pass")
    assert "16 voltage margins, the least 6 steps, 30 mV" in said(step, "pass")
    assert step.bytes_moved == 64 << 10


def test_a_weak_eye_fails_and_names_lane_receiver_and_side(weak: RunResult) -> None:
    step = only(weak)
    assert str(step.verdict) == "fail"
    wrong = said(step, "fail")
    assert "2 of 32 timing margins are too small, the plan asks for 10 % of a UI" in wrong
    assert "lane 2 of card in slot north, left: 1 step, 2.5 % of a UI" in wrong
    assert "lane 2 of card in slot north, up: 1 step, 5 mV" in wrong
    assert "lane 2 of root port" not in wrong
    assert len(events(weak, "weak margin")) == 1


def test_the_weak_eye_is_seen_by_no_other_step(run_plan: Run) -> None:
    text = '[[step]]\nkind = "link"\n[[step]]\nkind = "soak"\nbytes = "8 MiB"\n'
    assert str(run_plan(text, "sim:weak-eye#north").verdict) == "pass"


def test_each_lane_of_each_receiver_is_on_record_with_steps_share_and_volts(weak: RunResult) -> None:
    found = only(weak).measures["margins"]
    assert {(one["receiver"], one["lane"]) for one in found} == {
        (number, lane) for number in (1, 6) for lane in range(8)
    }
    (left,) = [one for one in found if (one["receiver"], one["lane"], one["side"]) == (6, 3, "left")]
    assert (left["steps"], left["offset_ui"], left["at_least"]) == (7, pytest.approx(0.175), False)
    assert left["bits"] == pytest.approx(16e9 * 0.1)
    (down,) = [one for one in found if (one["receiver"], one["lane"], one["side"]) == (6, 2, "down")]
    assert (down["steps"], down["offset_v"]) == (1, pytest.approx(0.005))
    assert len(events(weak, "margin")) == 15


def test_what_was_written_is_on_record(weak: RunResult) -> None:
    (written,) = events(weak, "write")
    assert "Margining Lane Control of the simulated root port" in written


def test_without_a_limit_it_measures_and_does_not_pass(run_plan: Run) -> None:
    step = only(run_plan(margin(BOTH + 'lanes = [0, 2]\nverify = "0 B"\n'), "sim:weak-eye#north"))
    assert str(step.verdict) == "none"
    assert "margins of 4 lanes were measured and none was judged; give min_timing" in said(step, "none")
    assert len(step.measures["margins"]) == 16
    moved = 'receivers = ["near"]\nlanes = [0]\nvoltage = false\n'
    assert str(only(run_plan(margin(moved), "sim:weak-eye#north", ledger="two.ledger")).verdict) == "inconc"


def test_a_quantity_without_a_limit_is_said_to_have_none(run_plan: Run) -> None:
    step = only(run_plan(margin(BOTH + 'min_timing = "10 %"\n'), "sim:weak-eye#middle"))
    assert str(step.verdict) == "pass"
    assert "Measured and held to no limit: voltage" in said(step, "pass")


def test_only_what_is_asked_for_is_measured(run_plan: Run) -> None:
    step = only(run_plan(margin(BOTH + 'voltage = false\nmin_timing = "10 %"\n'), "sim:weak-eye#middle"))
    assert {one["quantity"] for one in step.measures["margins"]} == {"timing"}


def test_a_link_that_cannot_be_margined_is_inconclusive_and_nothing_is_written(run_plan: Run) -> None:
    result = run_plan(margin(), "sim:demo#north")
    assert str(only(result).verdict) == "inconc"
    assert "nothing was margined: the scenario of slot north gives its link no eye" in said(only(result), "inconc")
    assert events(result, "write") == []


def test_a_lane_that_is_not_there_is_the_plans_fault(run_plan: Run) -> None:
    step = only(run_plan(margin(BOTH + "lanes = [4]\n" + LIMITS), "sim:weak-eye#middle"))
    assert str(step.verdict) == "error"
    assert "has no lane 4, the link has 4 lanes" in said(step, "error")


def test_retimers_that_no_link_shows_are_said_and_pass_nothing(run_plan: Run) -> None:
    step = only(run_plan(margin('receivers = ["retimers"]\nverify = "0 B"\n' + LIMITS), "sim:weak-eye#middle"))
    assert str(step.verdict) == "inconc"
    assert 'receivers = "retimers": none is shown' in said(step, "inconc")


def test_the_table_of_a_run_fits_80_columns(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('schema = 1\n[[endpoint]]\nuri = "sim:weak-eye#north"\n' + margin())
    assert cli.main(["run", str(path), "--ledger", str(tmp_path / "run.ledger")]) == 1
    printed = capsys.readouterr().out.splitlines()
    (head,) = [number for number, line in enumerate(printed) if line.split()[:2] == ["receiver", "lane"]]
    rows = printed[head + 1 : head + 17]
    assert max(map(len, printed[head : head + 18])) <= 80
    assert [row.split()[-5:] for row in rows[10:12]] == [
        ["2", "2.5", "2.5", "5", "5"],
        ["3", "17.5", "17.5", "30", "30"],
    ]


def test_the_report_has_the_table_too(weak: RunResult) -> None:
    shown = render_html(weak)
    assert "card in slot north                  2      2.5      2.5        5        5" in shown


# --- what a plan may say


@pytest.mark.parametrize(
    ("keys", "wrong"),
    [
        ("", "step[0].receivers: is missing"),
        ("receivers = []", "receivers"),
        ('receivers = ["both"]', '"both" is not one of near, far, retimers'),
        ('receivers = ["near", "near"]', "receivers: one of them stands there twice"),
        (BOTH + "lanes = [1, 1]", "lanes: one of them stands there twice"),
        (BOTH + "timing = false\nvoltage = false", "timing and voltage are both false"),
        (BOTH + 'timing = false\nmin_timing = "10 %"', "min_timing is a limit for what timing = false leaves out"),
        (BOTH + 'min_voltage = "15"', '"15" is not a quantity in mV, V; write for example "15 mV"'),
        (BOTH + "max_errors = 63", "max_errors"),
        (BOTH + 'dwell = "0 s"', "dwell"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(keys: str, wrong: str) -> None:
    with pytest.raises(BadInput) as caught:
        plans.parse({"schema": 1, **tomllib.loads(margin(keys))}, "plan")
    assert wrong in str(caught.value)


def test_limits_that_decide_nothing_are_said() -> None:
    step = MarginStep(receivers=("far",), min_timing=Share(0.6), min_voltage=Volts(0.0))
    texts = list(futile_limits(plans.Plan(step=(step,))))
    assert texts == [
        "step[0].min_timing: no receiver can be moved further than 50 % of a UI; give less",
        "step[0].min_voltage: 0 can never fail; give a margin that a bad lane misses, or leave it out",
    ]


def test_a_checked_plan_says_what_it_could_claim(
    run_plan: Run, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('schema = 1\n[[endpoint]]\nuri = "sim:weak-eye#north"\n' + margin())
    assert cli.main(["run", str(path), "--check"]) == 0
    assert "at least 10 % of a UI and 15 mV on each lane" in " ".join(capsys.readouterr().out.split())


# --- the endpoint's own call


def test_an_endpoint_measures_one_step_and_refuses_what_is_not_there() -> None:
    with laneproof.open("sim:weak-eye#north") as card:
        part = card.margining()
        offer = part.offered()
        assert isinstance(offer, MarginingOffer)
        near = offer.receivers[0]
        assert part.measure(near, 0, "left", 7).outcome == "within"
        assert part.measure(near, 0, "left", 9).outcome == "beyond"
        for lane, direction, step, limit in ((8, "left", 1, 4), (0, "left", 17, 4), (0, "up", 33, 4), (0, "up", 1, 64)):
            with pytest.raises(BadInput):
                part.measure(near, lane, direction, step, error_limit=limit)  # type: ignore[arg-type]


def test_nothing_is_margined_while_data_are_under_way() -> None:
    with laneproof.open("sim:weak-eye#north") as card:
        tried: list[BaseException] = []

        def meanwhile(verified: int) -> None:
            try:
                card.margining().offered()
            except EndpointBusy as busy:
                tried.append(busy)

        assert card.check("prbs31", 1 << 20, progress=meanwhile).ok
        assert tried
