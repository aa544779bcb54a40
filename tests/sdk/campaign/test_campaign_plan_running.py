"""What a plan says of its run: repetitions and order, slots that take turns, rules that end it, declared facts."""

from __future__ import annotations

import datetime
import itertools
import json
import os
import signal
import threading
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign import declared, places, runner
from laneproof.campaign import plan as plans
from laneproof.campaign.events import Event, Opened, Progress, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.order import planned_kinds, turns
from laneproof.campaign.results import RunResult
from laneproof.errors import BadInput
from laneproof.insight.report import render_html

RunPlan = Callable[..., RunResult]
THREE = "".join(
    f'[[step]]\nkind = "{kind}"\n{size} = "64 KiB"\n'
    for kind, size in (("link", "load"), ("integrity", "bytes"), ("soak", "bytes"))
)
BAD_THEN_GOOD = '[[step]]\nkind = "integrity"\nbytes = "{}"\n' + '[[step]]\nkind = "link"\nload = "64 KiB"\n'
ENDLESS = '[[step]]\nkind = "soak"\nduration = "1000 h"\nportion = "1 MiB"\n'


class Killed(BaseException):
    """Ends a run with no word about it in its ledger."""


def plan_of(text: str) -> plans.Plan:
    return plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")


def reasons(result: RunResult, endpoint: int = 0) -> str:
    return "\n".join(f"{reason.verdict}: {reason.text}" for reason in result.endpoints[endpoint].reasons)


# --- repetition and order


def test_repetitions_take_every_step_each_time_and_have_positions_of_their_own(run_plan: RunPlan) -> None:
    result = run_plan(f"repeat = 3\n{THREE}", "sim:demo#south")
    steps = result.endpoints[0].steps
    assert [step.position for step in steps] == list(range(9))
    assert [step.repetition for step in steps] == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    assert [step.kind for step in steps] == ["link", "integrity", "soak"] * 3
    assert [(step["position"], step["repetition"]) for step in result.to_dict()["endpoints"][0]["steps"]][-1] == (8, 3)
    assert "soak, repetition 3" in render_html(result)


def test_a_shuffled_order_is_the_seeds_and_takes_every_step_in_each_repetition() -> None:
    first = list(turns(6, 20, "shuffled", 7))
    assert list(turns(6, 20, "shuffled", 7)) == first
    assert list(turns(6, 20, "shuffled", 8)) != first
    by_repetition = [[turn.step for turn in first[at : at + 6]] for at in range(0, 120, 6)]
    assert all(sorted(one) == list(range(6)) for one in by_repetition)
    assert len({tuple(one) for one in by_repetition}) > 10
    assert [turn.repetition for turn in first[::6]] == list(range(1, 21))


def test_a_run_in_shuffled_order_does_what_the_record_says(run_plan: RunPlan) -> None:
    result = run_plan(f'seed = 3\nrepeat = 4\norder = "shuffled"\n{THREE}', "sim:demo#south")
    kinds = [step.kind for step in result.endpoints[0].steps]
    assert kinds == planned_kinds(result.plan)
    assert kinds != ["link", "integrity", "soak"] * 4


def test_a_resumed_run_goes_on_in_the_same_shuffled_order(run_plan: RunPlan, tmp_path: Path) -> None:
    finished = itertools.count(1)

    def kill(event: Event) -> None:
        if isinstance(event, StepFinished) and next(finished) == 5:
            raise Killed

    with pytest.raises(Killed):
        run_plan(f'seed = 3\nrepeat = 3\norder = "shuffled"\n{THREE}', "sim:demo#south", watch=kill)
    taken: list[int] = []
    result = runner.resume(
        tmp_path / "run.ledger",
        watch=lambda event: taken.append(event.step) if isinstance(event, StepStarted) else None,
    )
    steps = result.endpoints[0].steps
    assert taken == [5, 6, 7, 8]
    assert [step.kind for step in steps] == planned_kinds(result.plan)
    assert [step.repetition for step in steps] == [1, 1, 1, 2, 2, 2, 3, 3, 3]


def test_more_turns_than_a_plan_may_have_are_refused() -> None:
    with pytest.raises(BadInput, match=r"plan: repeat: 5000 × 3 steps are more than 10000; repeat less"):
        plan_of(f"repeat = 5000\n{THREE}")


# --- groups


class Overlap:
    """Which slots were under way at once."""

    def __init__(self) -> None:
        self.now: set[str] = set()
        self.seen: set[frozenset[str]] = set()
        self.order: list[str] = []

    def __call__(self, event: Event) -> None:
        if isinstance(event, Opened):
            self.order.append(event.slot)
            self.now.add(event.slot)
            self.seen.add(frozenset(self.now))
        elif isinstance(event, SlotFinished):
            self.now.discard(event.slot)


def grouped(**groups: str) -> str:
    return "".join(
        f'[[endpoint]]\nuri = "sim:demo#{slot}"\n' + (f'group = "{group}"\n' if group else "")
        for slot, group in groups.items()
    )


def test_endpoints_of_one_group_take_turns_and_others_run_beside_them(run_plan: RunPlan) -> None:
    watch = Overlap()
    result = run_plan(grouped(north="switch", middle="", south="switch") + THREE, watch=watch)
    assert str(result.verdict) == "pass"
    assert not any({"north", "south"} <= one for one in watch.seen)
    assert watch.order.index("north") < watch.order.index("south")


def test_two_groups_run_at_once(run_plan: RunPlan) -> None:
    begun = threading.Event()
    watch = Overlap()
    stop = threading.Event()

    def look(event: Event) -> None:
        watch(event)
        if len(watch.now) == 2:
            begun.set()
            stop.set()

    run_plan(grouped(north="a", south="b") + ENDLESS, watch=look, stop=stop)
    assert begun.is_set()


def test_a_group_named_like_a_lone_endpoint_is_another_line(run_plan: RunPlan) -> None:
    stop = threading.Event()
    watch = Overlap()

    def look(event: Event) -> None:
        watch(event)
        if len(watch.now) == 2:
            stop.set()

    run_plan(grouped(north="", south="north") + ENDLESS, watch=look, stop=stop)
    assert frozenset({"north", "south"}) in watch.seen


@pytest.mark.usefixtures("invented_cards")
def test_a_stuck_slot_does_not_block_its_group_and_is_killed_before_the_next_begins(
    run_plan: RunPlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(places, "STUCK_GRACE_S", 0.5)
    monkeypatch.setattr(places, "KILL_GRACE_S", 0.5)
    pids: list[int] = []
    alive: list[bool] = []

    def hang(event: Event) -> None:
        if isinstance(event, Progress) and event.slot.startswith("physical") and not pids:
            pids.extend(_workers())
            os.kill(pids[0], signal.SIGSTOP)
        if isinstance(event, Opened) and event.slot == "south":
            alive.append(Path(f"/proc/{pids[0]}").exists())

    text = '[[endpoint]]\nuri = "physical:slow"\ngroup = "g"\n' + grouped(south="g")
    timed = '[[step]]\nkind = "integrity"\nbytes = "1 MiB"\nblock = "64 KiB"\ntimeout = "1 s"\n'
    stuck, other = run_plan(text + timed, watch=hang).endpoints
    assert str(stuck.verdict) == "error"
    assert str(other.verdict) == "pass"
    assert alive == [False]


def _workers() -> list[int]:
    found: list[int] = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(path.read_text().rsplit(")", 1)[1].split()[1])
            if parent == os.getpid() and b"laneproof.campaign.worker" in (path.parent / "cmdline").read_bytes():
                found.append(int(path.parent.name))
        except (FileNotFoundError, ProcessLookupError):  # it has ended meanwhile
            continue
    return found


def test_an_operators_stop_leaves_those_whose_turn_has_not_come_to_a_resumed_run(
    run_plan: RunPlan, tmp_path: Path
) -> None:
    stop = threading.Event()

    def once_moving(event: Event) -> None:
        if isinstance(event, Progress):
            stop.set()

    # So much that it cannot have ended before it hears of the stop.
    text = grouped(north="g", south="g") + '[[step]]\nkind = "soak"\nbytes = "64 GiB"\nportion = "64 KiB"\n'
    result = run_plan(text, watch=once_moving, stop=stop)
    assert result.interrupted
    assert reasons(result, 1) == "inconc: interrupted before its turn came; not run: soak"
    stop.clear()
    begun: list[str] = []

    def note(event: Event) -> None:
        if isinstance(event, StepStarted):
            begun.append(event.slot)
            stop.set()

    runner.resume(tmp_path / "run.ledger", watch=note, stop=stop)
    assert begun == ["north"]


# --- stop rules


def test_a_slot_stops_after_a_failed_step_where_the_plan_says_so(run_plan: RunPlan) -> None:
    bad = BAD_THEN_GOOD.format("8 MiB")
    assert len(run_plan(bad, "sim:flipping-card#north", ledger="a").endpoints[0].steps) == 2
    stopped = run_plan(f'stop_slot_on = "fail"\n{bad}', "sim:flipping-card#north", "sim:demo#south", ledger="b")
    first, other = stopped.endpoints
    assert [step.kind for step in first.steps] == ["integrity"]
    assert reasons(stopped) == (
        'none: stopped by the plan (stop_slot_on = "fail", and this slot had a step that ended so); not run: link'
    )
    assert [str(step.verdict) for step in other.steps] == ["pass", "pass"]
    assert (
        len(run_plan(f'stop_slot_on = "error"\n{bad}', "sim:flipping-card#north", ledger="c").endpoints[0].steps) == 2
    )


def test_a_failed_step_stops_every_slot_where_the_plan_says_so_and_no_pass_comes_of_it(
    run_plan: RunPlan, tmp_path: Path
) -> None:
    text = 'stop_run_on = "fail"\n' + '[[step]]\nkind = "integrity"\nbytes = "8 MiB"\n' + ENDLESS
    result = run_plan(text, "sim:flipping-card#north", "sim:demo#south")
    soak = result.endpoints[1].steps[-1]
    assert (str(result.endpoints[0].verdict), str(result.endpoints[1].verdict)) == ("fail", "inconc")
    told = reasons(result, 1) + "".join(reason.text for reason in soak.reasons)
    assert 'stopped by the plan (stop_run_on = "fail", and north had that)' in told
    assert not result.interrupted
    assert result.segments[-1].ended == "finished"


def test_the_time_that_a_plan_gives_ends_the_run_and_is_no_operators_stop(run_plan: RunPlan) -> None:
    result = run_plan('stop_after = "300 ms"\n' + grouped(north="g", south="g") + ENDLESS)
    assert str(result.verdict) == "inconc"
    assert not result.interrupted
    assert "inconc: stopped by the plan (stop_after = 300 ms) " in reasons(result) + "".join(
        f"{reason.verdict}: {reason.text}" for step in result.endpoints[0].steps for reason in step.reasons
    )
    assert reasons(result, 1) == "inconc: stopped by the plan (stop_after = 300 ms) before its turn came; not run: soak"


@pytest.mark.usefixtures("invented_cards")
def test_the_time_that_a_plan_gives_ends_a_physical_slot_too(run_plan: RunPlan) -> None:
    result = run_plan('stop_after = "1 s"\n' + ENDLESS, "physical:slow")
    told = reasons(result) + "".join(reason.text for step in result.endpoints[0].steps for reason in step.reasons)
    assert "stopped by the plan (stop_after = 1 s)" in told
    assert str(result.verdict) == "inconc"


def test_the_time_that_a_plan_gives_counts_what_went_on_before_a_resumption(run_plan: RunPlan, tmp_path: Path) -> None:
    def kill(event: Event) -> None:
        if isinstance(event, Progress) and time.monotonic() > began_s + 1.6:
            raise Killed

    began_s = time.monotonic()
    with pytest.raises(Killed):
        run_plan('stop_after = "1 h"\n' + ENDLESS, "sim:demo#south", watch=kill)
    assert 0.9 < runner.seconds_on_record(tmp_path / "run.ledger") < time.monotonic() - began_s


# --- declared facts

FACTS = """
notes = { "chamber door" = "shut", order = "A-17" }
[operator]
name = "J. Doe"
[sample]
name = "tide-gauge controller"
identity = "invented-0001"
[[equipment]]
name = "thermometer"
identity = "T-4"
calibration_due = 2020-03-31
[[equipment]]
name = "supply"
calibration_due = 2999-01-01
[ambient]
temperature = "23 °C"
[declared]
riser = "<b>ribbon</b>, 20 cm"
bifurcation = "x8x4x4"
"""


def test_declared_facts_are_on_record_and_in_the_report_and_an_overdue_calibration_is_said(
    run_plan: RunPlan, tmp_path: Path
) -> None:
    result = run_plan(FACTS + '[[step]]\nkind = "link"\n', "sim:demo#south")
    assert str(result.verdict) == "pass"
    rows = dict(declared.facts(read_ledger(tmp_path / "run.ledger").plan))
    assert rows["operator"] == "J. Doe"
    assert rows["sample"] == "tide-gauge controller, invented-0001"
    assert rows["notes: chamber door"] == "shut"
    html = render_html(result)
    assert "Declared by the operator, not measured" in html
    assert "&lt;b&gt;ribbon&lt;/b&gt;, 20 cm" in html
    assert html.count("calibration of thermometer, T-4 was due 2020-03-31, before ") == 1
    assert "calibration of supply" not in html


def test_equipment_is_overdue_from_the_day_after() -> None:
    plan = plan_of('[[equipment]]\nname = "a"\ncalibration_due = 2026-05-01').to_dict()
    assert list(declared.overdue(plan, "2026-05-01T23:59:59+00:00")) == []
    assert len(list(declared.overdue(plan, "2026-05-02T00:00:00+00:00"))) == 1


def test_a_plan_on_record_is_the_plan_that_was_read() -> None:
    plan = plan_of('seed = 1\nrepeat = 2\norder = "shuffled"\nstop_after = "8 h"\n' + FACTS + THREE)
    assert plans.kept(json.loads(json.dumps(plan.to_dict())), "the plan") == plan


WRONG_FACTS: dict[str, tuple[dict[str, Any], str]] = {
    "two lines": ({"operator": {"name": "a\nb"}}, "operator.name: write one line of 1 to 200 printable characters"),
    "an escape": ({"sample": {"name": "\x1b[2J"}}, "sample.name: write one line"),
    "endless": ({"ambient": {"temperature": "9" * 201}}, "ambient.temperature: write one line of 1 to 200"),
    "empty": ({"declared": {"riser": " "}}, "declared.riser: write one line"),
    "a number": ({"notes": {"order": 17}}, "notes: order: 17 is not text in quotes"),
    "a wrong name": ({"notes": {"a\x07": "b"}}, "notes: a�: write one line"),
    "no name": ({"operator": {}}, "operator.name: is missing; add it"),
    "a date in quotes": (
        {"equipment": [{"name": "a", "calibration_due": "2026-01-01"}]},
        'equipment[0].calibration_due: "2026-01-01" is not a date; write for example 2027-03-31, without quotes',
    ),
    "a moment": (
        {"equipment": [{"name": "a", "calibration_due": datetime.datetime(2026, 1, 1)}]},
        "equipment[0].calibration_due: 2026-01-01 00:00:00 is not a date",
    ),
    "a group in two lines": (
        {"endpoint": [{"uri": "sim:demo#north", "group": "a\nb"}]},
        "endpoint[0].group: write one",
    ),
}


@pytest.mark.parametrize(("data", "says"), WRONG_FACTS.values(), ids=WRONG_FACTS)
def test_a_wrong_fact_is_told_with_its_key(data: dict[str, Any], says: str) -> None:
    with pytest.raises(BadInput) as caught:
        plans.parse({"schema": 1, **data}, "plan")
    assert str(caught.value).startswith(f"plan: {says}")
    assert str(caught.value).isprintable()
