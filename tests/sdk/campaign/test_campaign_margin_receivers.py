"""The step `margin` over receivers of other kinds than the simulator's: stand-ins behind the contract's part.

Each has an eye of so many steps to each side, and remembers where it was moved.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import attrs
import pytest

import laneproof
from laneproof import registry
from laneproof.campaign.results import Findings, RunResult, StepResult
from laneproof.campaign.steps import MarginStep
from laneproof.campaign.steps.margins import margin_table
from laneproof.clock import Deadline
from laneproof.contract import Card, Channel, LaneMargining, Limits, ObserverSource, Part, StreamPath
from laneproof.errors import DriverFault, Interrupted, NotOffered
from laneproof.observing import observed
from laneproof.on_request import MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.readings import ErrorReading, Exact, PartnerErrors, Unavailable
from laneproof_sim import driver

Run = Callable[..., RunResult]
BOTH = 'receivers = ["near", "far"]\n'
LIMITS = 'min_timing = "10 %"\nmin_voltage = "15 mV"\n'


def only(result: RunResult) -> StepResult:
    ((step,),) = (endpoint.steps for endpoint in result.endpoints)
    return step


def said(step: StepResult, verdict: str) -> str:
    return " ".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


class Receivers(LaneMargining):
    """Two receivers of two lanes; `eye` is steps to each side. Remembers where it was moved."""

    def __init__(self, **changes: Any) -> None:
        self.eye = {"left": 5, "right": 6, "down": 9, "up": 10}
        self.moves: list[tuple[int, int, str, int]] = []
        self.answers: Callable[[int, str], MarginPoint | None] = lambda step, side: None
        plain = MarginingReceiver(
            number=1,
            name="a port",
            lanes=(0, 1),
            timing_steps=10,
            timing_offset_ui=0.5,
            voltage_steps=20,
            voltage_offset_v=0.2,
            independent_timing=True,
            independent_voltage=True,
            independent_sampler=True,
        )
        self.receivers = tuple(attrs.evolve(plain, number=number, **changes) for number in (1, 6))

    def offered(self, deadline: Deadline) -> MarginingOffer | Unavailable:
        return MarginingOffer(receivers=self.receivers, speed_gtps=16.0, wrote="a bit")

    def margin(
        self,
        receiver: MarginingReceiver,
        lane: int,
        direction: str,
        step: int,
        *,
        dwell_s: float,
        error_limit: int,
        deadline: Deadline,
    ) -> MarginPoint:
        self.moves.append((receiver.number, lane, direction, step))
        own = self.answers(step, direction)
        if own is not None:
            return own
        return MarginPoint(
            outcome="within" if step <= self.eye[direction] else "beyond",
            errors=0 if step <= self.eye[direction] else error_limit + 1,
            seconds=dwell_s,
        )


@pytest.fixture
def over(monkeypatch: pytest.MonkeyPatch, run_plan: Run) -> Callable[..., RunResult]:
    """Runs a margin step on a simulated card that has these receivers."""

    def run(part: Receivers, keys: str = BOTH + LIMITS) -> RunResult:
        monkeypatch.setattr(driver, "EyeMargining", lambda _: part)
        return run_plan(f'[[step]]\nkind = "margin"\n{keys}', "sim:demo#north", ledger=f"{id(part)}.ledger")

    return run


def test_every_lane_is_searched_outward_step_by_step(over: Callable[..., RunResult]) -> None:
    part = Receivers()
    over(part, 'receivers = ["far"]\nlanes = [1]\n' + LIMITS)
    assert part.moves == [
        *((6, 1, "left", step) for step in range(1, 7)),
        *((6, 1, "right", step) for step in range(1, 8)),
        *((6, 1, "down", step) for step in range(1, 11)),
        *((6, 1, "up", step) for step in range(1, 12)),
    ]


def test_a_receiver_that_moves_to_both_sides_at_once_has_one_margin_for_both(
    over: Callable[..., RunResult],
) -> None:
    part = Receivers(independent_timing=False, independent_voltage=False)
    step = only(over(part, 'receivers = ["near"]\nlanes = [0]\n' + LIMITS))
    assert [(one["side"], one["steps"]) for one in step.measures["margins"]] == [("both", 6), ("both", 10)]
    assert {direction for _, _, direction, _ in part.moves} == {"right", "up"}
    table = margin_table(step.measures["margins"])
    assert table[1].split()[-4:] == ["30", "30", "100", "100"]


def test_the_end_of_the_steps_is_a_lower_bound(over: Callable[..., RunResult]) -> None:
    part = Receivers()
    part.eye["left"] = 99
    step = only(over(part))
    assert str(step.verdict) == "pass"
    assert {one["at_least"] for one in step.measures["margins"] if one["side"] == "left"} == {True}
    assert ">=50" in margin_table(step.measures["margins"])[1]


def test_steps_that_end_before_the_limit_tell_nothing(over: Callable[..., RunResult]) -> None:
    part = Receivers(timing_offset_ui=0.08)
    part.eye = dict.fromkeys(part.eye, 99)
    step = only(over(part, 'receivers = ["near"]\nlanes = [0]\n' + LIMITS))
    assert str(step.verdict) == "inconc"
    assert "at least 10 steps, 8 % of a UI, and the plan asks for 10 % of a UI; its steps end there" in said(
        step, "inconc"
    )


@pytest.mark.parametrize(
    ("point", "why"),
    [
        (MarginPoint(outcome="refused", errors=0, seconds=0.0), "step 1 was refused"),
        (MarginPoint(outcome="not begun", errors=0, seconds=0.0), "step 1 was not begun in time"),
        (MarginPoint(outcome="within", errors=0, seconds=0.01), "step 1 was held for 0.01 s only"),
    ],
)
def test_a_step_that_was_not_made_is_no_margin(over: Callable[..., RunResult], point: MarginPoint, why: str) -> None:
    part = Receivers()
    part.answers = lambda step, side: point
    step = only(over(part))
    assert str(step.verdict) == "inconc"
    assert why in said(step, "inconc")
    assert {(one["steps"], one["at_least"]) for one in step.measures["margins"]} == {(0, True)}


def test_offsets_that_are_not_reported_are_held_to_no_limit(over: Callable[..., RunResult]) -> None:
    step = only(over(Receivers(timing_offset_ui=None), 'receivers = ["near"]\nlanes = [0]\n' + LIMITS))
    assert "lane 0 of a port, left: 5 steps, and the plan asks for 10 % of a UI; it reports no offsets" in said(
        step, "inconc"
    )
    assert "5 st" in margin_table(step.measures["margins"])[1]


def test_a_receiver_without_voltage_margining_leaves_its_limit_open(over: Callable[..., RunResult]) -> None:
    part = Receivers(voltage_steps=0, voltage_offset_v=None)
    step = only(over(part))
    assert "a port has no voltage margining, so min_voltage is not judged there" in said(step, "inconc")
    assert "8 timing margins" in said(step, "pass")


def test_a_receiver_that_fails_leaves_what_was_measured_on_record(over: Callable[..., RunResult]) -> None:
    part = Receivers()

    def fail(step: int, side: str) -> None:
        if len(part.moves) > 40:
            raise DriverFault("lane 1 did not answer")

    part.answers = fail
    step = only(over(part))
    assert str(step.verdict) == "error"
    assert "lane 1 did not answer" in said(step, "error")
    assert len(step.measures["margins"]) > 3


def test_an_interrupted_step_keeps_what_it_measured_and_passes_nothing(over: Callable[..., RunResult]) -> None:
    part = Receivers()

    def interrupt(step: int, side: str) -> None:
        if len(part.moves) > 40:
            raise Interrupted("interrupted before it was finished")

    part.answers = interrupt
    step = only(over(part))
    assert str(step.verdict) == "error"  # nobody had asked the run to stop: the driver made that up
    assert len(step.measures["margins"]) > 3


def test_errors_of_a_sampler_that_data_go_through_are_said_and_not_judged(over: Callable[..., RunResult]) -> None:
    added = ErrorReading(
        near=PartnerErrors(name="a port", epoch="1", nonfatal={"CmpltTO": Exact(2)}), far=Unavailable("not read")
    )
    for own, verdict in ((False, "pass"), (True, "fail")):
        step, findings = MarginStep(receivers=("near",)), Findings()
        findings.measures["disturbs_data"] = not own
        step.judge_errors(added, findings)
        assert [str(reason.verdict) for reason in findings.reasons] == [verdict]
    assert only(over(Receivers(independent_sampler=False))).measures["disturbs_data"] is True
    assert only(over(Receivers())).measures["disturbs_data"] is False


def bare(*parts: Part) -> Card:
    class Silent(StreamPath):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            return 0

        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            return 0

    channel = Channel(name="one", path=Silent(), limits=Limits(max_transfer=1))
    return Card(channels=(channel,), close=lambda: None, parts=parts)


class Source(ObserverSource):
    """Observes nothing; has receivers to margin."""

    def __init__(self, part: LaneMargining) -> None:
        self._part = part

    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        return ()

    def margining(self, address: str, deadline: Deadline) -> LaneMargining:
        return self._part


def test_a_card_is_margined_by_what_observes_it_unless_it_can_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    seen, own = Receivers(), Receivers()
    monkeypatch.setattr(registry, "observers_for", lambda _: Source(seen))
    with Deadline(5) as deadline:
        assert observed(bare(), "seen:it", deadline).part(LaneMargining) is seen
        assert observed(bare(own), "seen:it", deadline).part(LaneMargining) is own


def test_a_card_without_margining_says_how_to_have_it() -> None:
    card = bare()
    with (
        laneproof.Endpoint("a:card", card, lambda _: card, physical=False, caveats=()) as opened,
        pytest.raises(NotOffered, match="no LaneMargining; open it with observe="),
    ):
        opened.margining()
