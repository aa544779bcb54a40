"""The state that every view of a run draws: what each event makes of a slot, and what is not known stays unknown."""

from __future__ import annotations

from collections.abc import Iterable

import attrs
import pytest

from laneproof.campaign.events import (
    Counted,
    Event,
    Expecting,
    Noted,
    Opened,
    Progress,
    SlotFinished,
    StepFinished,
    StepStarted,
)
from laneproof.campaign.link_errors import plain_errors
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.results import EndpointResult, Reason, RunResult, StepResult
from laneproof.campaign.steps.link import LinkStep
from laneproof.campaign.steps.soak import SoakStep
from laneproof.campaign.verdict import Verdict
from laneproof.cli.live.state import RunState, SlotState
from laneproof.readings import AtLeast, Count, ErrorReading, Exact, PartnerErrors, Unavailable

NOT_SEEN = Unavailable("nobody looks")


def reading(near: dict[str, Count] | None, far: dict[str, Count] | None, fatal: dict[str, Count] | None = None):
    def end(counts: dict[str, Count] | None) -> PartnerErrors | Unavailable:
        if counts is None:
            return NOT_SEEN
        return PartnerErrors(name="end", epoch="1", correctable=counts, fatal=fatal or {})

    return plain_errors(ErrorReading(near=end(near), far=end(far)))


NONE_YET: dict[str, Count] = {"RxErr": Exact(0)}


def opened(ambient: object, *, virtual: bool = False) -> Opened:
    return Opened("a", virtual, {"ambient_errors": ambient}, physical=True, caveats=())


def result(position: int, verdict: Verdict, nbytes: int, errors: object) -> StepFinished:
    return StepFinished(
        "a",
        StepResult(
            position=position,
            kind="soak",
            verdict=verdict,
            reasons=(Reason(verdict, "why"),),
            started_s=0.0,
            finished_s=1.0,
            bytes_moved=nbytes,
            errors=errors,
        ),
    )


def slot(*events: Event) -> SlotState:
    state = SlotState(name="a", steps=3)
    for event in events:
        state = state.after(event)
    return state


def test_the_phases_of_a_slot_follow_its_events() -> None:
    events = [
        Expecting("a", 30.0),
        opened(reading(NONE_YET, NONE_YET)),
        StepStarted("a", 0, "link"),
        Expecting("a", 5.0),
        result(0, Verdict.PASS, 10, {}),
        SlotFinished("a"),
    ]
    phases = [slot(*events[:count]).phase for count in range(len(events) + 1)]
    assert phases == ["waiting", "opening", "open", "step", "step", "step", "finished"]


def test_rate_share_and_time_left_follow_the_cards_clock() -> None:
    state = slot(
        StepStarted("a", 1, "soak", clock_s=100.0),
        Progress("a", 1, 200, 1000, 101.0),
        Progress("a", 1, 400, 1000, 103.0),
    )
    assert (state.bytes_per_s, state.share, state.left_s) == (100.0, 0.4, 6.0)
    assert state.exposure_bits == 8 * 400


def test_the_rate_is_that_of_the_last_points_alone() -> None:
    slow = [Progress("a", 0, count, None, float(count)) for count in range(100)]
    fast = [Progress("a", 0, 99 + 7 * count, None, 99.0 + count) for count in range(1, 33)]
    assert slot(StepStarted("a", 0, "soak"), *slow, *fast).bytes_per_s == 7.0


@pytest.mark.parametrize(
    ("planned_s", "total", "share", "left_s"),
    [(60.0, None, 0.5, 30.0), (60.0, 200, 0.5, 30.0), (60.0, 120, 0.75, 10.0), (None, None, None, None)],
)
def test_a_step_ends_by_time_or_bytes_whichever_comes_first(
    planned_s: float | None, total: int | None, share: float | None, left_s: float | None
) -> None:
    state = slot(
        StepStarted("a", 0, "soak", clock_s=10.0, left_s=planned_s),
        Progress("a", 0, 30, total, 20.0),
        Progress("a", 0, 90, total, 40.0),
    )
    assert (state.share, state.left_s) == (share, left_s)


@pytest.mark.parametrize(
    "points",
    [[], [Progress("a", 0, 5, 10, 1.0)], [Progress("a", 0, 5, 10, 1.0), Progress("a", 0, 6, 10, 1.0)]],
    ids=["none", "one", "a clock that stands still"],
)
def test_without_two_moments_there_is_no_rate_and_no_time_left(points: Iterable[Event]) -> None:
    state = slot(StepStarted("a", 0, "soak"), *points)
    assert (state.bytes_per_s, state.left_s) == (None, None)


def test_errors_of_all_steps_add_up_and_what_was_there_before_does_not_count() -> None:
    state = slot(
        opened(reading({"RxErr": Exact(1000)}, NONE_YET)),
        StepStarted("a", 0, "link"),
        Counted("a", 0, reading({"RxErr": Exact(1)}, NONE_YET)),
        result(0, Verdict.PASS, 10, reading({"RxErr": Exact(2)}, NONE_YET)),
        StepStarted("a", 1, "soak"),
        Counted("a", 1, reading({"RxErr": Exact(3)}, {"BadTLP": Exact(4)}, fatal={"DLP": Exact(1)})),
    )
    assert (state.near.counts, state.far.counts) == ((5, 0, 1), (4, 0, 1))
    assert (state.near.exact, state.near.harmful, state.near.known) == (True, True, True)


def test_counters_that_start_anew_take_nothing_back() -> None:
    state = slot(
        opened(reading(NONE_YET, NONE_YET)),
        StepStarted("a", 0, "soak"),
        Counted("a", 0, reading({"RxErr": Exact(9)}, NONE_YET)),
        Counted("a", 0, reading({"RxErr": AtLeast(2, "started anew")}, NONE_YET)),
    )
    assert (state.near.total, state.near.exact) == (9, False)


@pytest.mark.parametrize(
    ("counts", "total", "known", "exact"),
    [
        (None, 0, False, False),
        ({}, 0, False, False),
        ({"RxErr": Exact(0)}, 0, True, True),
        ({"RxErr": AtLeast(0, "coalesced")}, 0, True, True),
        ({"RxErr": AtLeast(3, "coalesced")}, 3, True, False),
        ({"RxErr": Exact(3), "BadTLP": Unavailable("blind")}, 3, True, False),
    ],
    ids=["unseen", "no counters", "none", "none of coalesced ones", "a lower bound", "one counter missing"],
)
def test_unavailable_is_not_zero(counts: dict[str, Count] | None, total: int, known: bool, exact: bool) -> None:
    state = slot(opened(reading(NONE_YET if counts is not None and counts else counts, NONE_YET)))
    state = state.after(StepStarted("a", 0, "soak")).after(Counted("a", 0, reading(counts, NONE_YET)))
    assert (state.near.total, state.near.known, state.near.exact) == (total, known, exact)
    assert (state.far.total, state.far.known, state.far.exact) == (0, True, True)


def test_errors_that_could_not_be_read_after_a_step_leave_a_lower_bound() -> None:
    state = slot(
        opened(reading(NONE_YET, NONE_YET)),
        StepStarted("a", 0, "soak"),
        Counted("a", 0, reading({"RxErr": Exact(9)}, NONE_YET)),
        result(0, Verdict.FAIL, 10, {}),
    )
    assert (state.near.total, state.near.exact, state.near.known) == (9, False, True)


def test_the_verdict_is_the_worst_so_far_and_none_before_anything_was_judged() -> None:
    events = [
        StepStarted("a", 0, "link"),
        result(0, Verdict.PASS, 10, {}),
        StepStarted("a", 1, "soak"),
        result(1, Verdict.FAIL, 10, {}),
        StepStarted("a", 2, "soak"),
        result(2, Verdict.PASS, 10, {}),
        SlotFinished("a", (Reason(Verdict.ERROR, "lost"),)),
    ]
    verdicts = [slot(*events[:count]).verdict for count in range(len(events) + 1)]
    assert verdicts == [None, None, *2 * [Verdict.PASS], *3 * [Verdict.FAIL], Verdict.ERROR]


def test_a_slot_that_moved_nothing_does_not_pass() -> None:
    assert slot(StepStarted("a", 0, "link"), result(0, Verdict.PASS, 0, {}), SlotFinished("a")).verdict is Verdict.NONE


def test_exposure_never_shrinks_when_a_step_ends_or_another_begins() -> None:
    events: list[Event] = [
        StepStarted("a", 0, "link"),
        Progress("a", 0, 10, 10, 1.0),
        result(0, Verdict.PASS, 8, {}),
        StepStarted("a", 1, "soak"),
        Progress("a", 1, 5, 10, 1.0),
        result(1, Verdict.FAIL, 6, {}),
        SlotFinished("a"),
    ]
    seen = [slot(*events[:count]).exposure_bits for count in range(len(events) + 1)]
    assert seen == sorted(seen)
    assert seen[-1] == 8 * 16


def test_what_happened_last_is_kept_with_its_time() -> None:
    state = slot(Noted("a", 0, 2.5, "link", "fell to 2.5 GT/s"), Noted("a", 0, 3.5, "link", "came back"))
    assert (state.note_s, state.note) == (3.5, "link: came back")


PLAN = Plan(
    endpoint=(PlannedEndpoint(uri="sim:demo#north", name="a"), PlannedEndpoint(uri="sim:demo#south", name="b")),
    step=(LinkStep(), SoakStep()),
)


def test_a_run_holds_the_slots_of_its_plan_in_its_order() -> None:
    state = RunState(PLAN)
    assert [(slot.name, slot.phase) for slot in state.slots] == [("a", "waiting"), ("b", "waiting")]
    assert state.verdict is None
    state.take(result(0, Verdict.FAIL, 8, {}))
    assert (state.slots[0].verdict, state.slots[1].verdict, state.verdict) == (Verdict.FAIL, None, Verdict.FAIL)


def test_a_resumed_run_begins_with_what_was_measured_and_counts_a_step_begun_anew_once() -> None:
    earlier = [attrs.evolve(result(position, Verdict.FAIL, 100, {}).result, position=position) for position in (0, 1)]
    before = RunResult(
        plan={},
        started_utc="",
        finished_utc=None,
        interrupted=True,
        environment={},
        endpoints=(EndpointResult(name="a", uri="sim:demo#north", steps=tuple(earlier)),),
    )
    state = RunState(PLAN, before)
    assert (state.slots[0].exposure_bits, state.verdict) == (1600, Verdict.FAIL)
    state.take(StepStarted("a", 1, "soak"))
    state.take(Progress("a", 1, 30, None, 1.0))
    assert state.slots[0].exposure_bits == 8 * (100 + 30)
    assert state.slots[0].verdict is Verdict.FAIL
