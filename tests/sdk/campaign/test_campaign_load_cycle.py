"""A soak whose load is switched on and off: its edges on a grid, its rests, and what is judged of it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from laneproof.campaign import runner
from laneproof.campaign.events import Event, Expecting, Noted, Sampled
from laneproof.campaign.results import Findings, RunResult, StepResult
from laneproof.campaign.steps import SoakStep
from laneproof.campaign.steps.load import Load, dwell_said
from laneproof.campaign.steps.load_cycle import EDGES_LISTED, PORTIONS, LoadCycle
from laneproof.documents import Seconds, Size
from laneproof.errors import BadInput

RunPlan = Callable[..., RunResult]
UTC = "2026-03-01T10:00:00.000000+00:00"


def cycle(on_s: float = 2.0, off_s: float = 1.0, *, largest: int = 1 << 20, rate: float = 1e6) -> LoadCycle:
    return LoadCycle(
        on_s=on_s,
        off_s=off_s,
        largest=largest,
        nominal_bytes_per_s=rate,
        began_utc=UTC,
        began_s=10.0,
        began_within_s=0.0,
        virtual=False,
    )


def drive(one: LoadCycle, until_s: float, rate: float, latency_s: float = 0.0) -> float:
    """Loads a card of that rate, without a slot around it; returns when it has ended."""
    now_s = one.began_s
    while now_s < until_s:
        if one.is_on(now_s):
            seconds = one.next_portion(now_s) / rate + latency_s
            one.moved(now_s, seconds)
            now_s += seconds
        else:
            now_s = max(now_s, one.switch_off(now_s))
    one.close()
    return now_s


@pytest.mark.parametrize(("rate", "latency_s"), [(1e6, 0.0), (1e6, 2e-3), (1e4, 0.0), (1e8, 1e-4)])
def test_edges_lie_on_a_grid_whatever_the_card_makes_of_its_nominal_rate(rate: float, latency_s: float) -> None:
    one = cycle()
    drive(one, 10.0 + 29.9, rate, latency_s)
    found = one.measures()
    assert (found["on_times"], found["missed"]) == (10, 0)
    for edge in found["edges"]:
        planned_s = 10.0 + 3.0 * edge["number"]
        assert 0 <= edge["on_s"] - planned_s <= found["latest_on_s"] < 1e-9
        assert -1e-9 <= edge["off_s"] - planned_s - 2.0 <= found["latest_off_s"] + 1e-9
    assert found["latest_off_s"] < 2.0 / PORTIONS / 8 + latency_s + 1e-9
    assert found["edge_within_s"] < 2 * 2.0 / PORTIONS
    assert found["loaded_s"] == pytest.approx(20.0, rel=0.02)


def test_a_portion_is_never_larger_than_the_plan_lets_it_be() -> None:
    one = cycle(largest=1000, rate=1e9)
    sizes: list[int] = []
    now_s = 10.0
    while one.is_on(now_s):
        sizes.append(one.next_portion(now_s))
        one.moved(now_s, 1e-3)
        now_s += 1e-3
    assert max(sizes) == 1000


def test_an_on_time_that_could_not_begin_is_missed_and_the_grid_stays() -> None:
    one, findings = cycle(), Findings()
    one.next_portion(10.0)
    one.moved(10.0, 4.5)  # past the next edge, at 13
    assert not one.is_on(14.5)
    assert one.switch_off(14.5) == 16.0
    one.next_portion(16.0)
    one.moved(16.0, 1.0)
    one.close()
    found = one.measures()
    assert [(edge["number"], edge["on_s"]) for edge in found["edges"]] == [(0, 10.0), (2, 16.0)]
    assert (found["missed"], found["edge_within_s"]) == (1, 4.5)
    one.judge(findings)
    assert str(findings.verdict) == "inconc"
    assert "1 on-times were left out" in findings.reasons[0].text


def test_edges_that_are_known_no_better_than_the_times_themselves_are_no_claim() -> None:
    coarse, fine = Findings(), Findings()
    one = cycle(0.02, 0.01)
    drive(one, 11.0, 1e6, latency_s=8e-3)
    one.judge(coarse)
    assert "too long for such times" in coarse.reasons[0].text
    assert str(coarse.verdict) == "inconc"
    one = cycle()
    drive(one, 20.0, 1e6)
    one.judge(fine)
    assert str(fine.verdict) == "pass"
    assert f"4 times from {UTC}; an edge of the data lies within" in fine.reasons[0].text


def test_however_many_edges_there_are_a_bounded_number_is_listed() -> None:
    one = cycle(1.0, 1.0)
    drive(one, 10.0 + 2.0 * 500 - 0.5, 1e6)
    found = one.measures()
    assert (found["on_times"], found["edges_not_listed"]) == (500, 500 - 2 * EDGES_LISTED)
    numbers = [edge["number"] for edge in found["edges"]]
    assert numbers == [*range(EDGES_LISTED), *range(500 - EDGES_LISTED, 500)]


def test_rests_are_left_out_of_steadiness_gaps_and_repetition() -> None:
    load = Load()
    for number in range(40):
        load.add(number * 1.5, 1.0, 1_000_000 if number < 20 else 700_000)
        load.rest(0.5)
    found = load.steadiness()
    assert found is not None
    assert (found.windows, found.longest_gap_s) == (40, 0.0)
    assert load.longest_repetition_s == pytest.approx(1.0)
    assert load.longest_rest_s == 0.5
    ((at_s, change),) = load.changes()
    assert at_s == pytest.approx(20 * 1.5)
    assert (change.before, change.after) == pytest.approx((1e6, 7e5))


def test_what_an_on_time_begins_too_late_is_a_gap_and_its_place_is_the_cards_clock() -> None:
    load = Load()
    load.add(0.0, 1.0, 1000)
    load.rest(0.5)
    load.add(1.75, 1.0, 1000)
    load.add(2.75, 1.0, 1000)
    found = load.steadiness()
    assert found is not None
    assert (found.longest_gap_s, found.longest_gap_at_s) == (0.25, 1.5)


@pytest.mark.parametrize(("rest_s", "seen"), [(0.0, True), (0.9, True), (1.0, False), (5.0, False)])
def test_a_rest_is_no_gap_to_a_receiver_unless_it_fills_a_dwell(rest_s: float, *, seen: bool) -> None:
    found, text = dwell_said(1.0, 0.01, rest_s)
    assert found is seen
    assert ("nothing but a rest" in text) is not seen


@pytest.mark.parametrize("key", ["load_on", "load_off"])
def test_times_that_no_clock_tells_apart_are_refused(key: str) -> None:
    with pytest.raises(ValueError, match=f"'{key}' must be >= 1e-06"):
        SoakStep(**{"load_on": Seconds(1.0), "load_off": Seconds(1.0), key: Seconds(1e-22)})


@pytest.mark.parametrize("keys", [{"load_on": Seconds(1.0)}, {"load_off": Seconds(1.0)}])
def test_on_and_off_are_given_both_or_not_at_all(keys: dict[str, Seconds]) -> None:
    with pytest.raises(BadInput, match="load_on and load_off belong together"):
        SoakStep(**keys)


def test_what_a_plan_would_run_counts_the_rests() -> None:
    step = SoakStep(duration=Seconds(30.0), load_on=Seconds(2.0), load_off=Seconds(1.0))
    assert (step.bytes_at(3e6), step.seconds_at(3e6)) == (60_000_000, 30.0)
    step = SoakStep(bytes=Size(60_000_000), load_on=Seconds(2.0), load_off=Seconds(1.0))
    assert step.seconds_at(3e6) == pytest.approx(30.0)
    step = SoakStep(duration=Seconds(2.0), load_on=Seconds(2.0), load_off=Seconds(1.0))
    assert [key for key, _ in step.futile_limits] == ["load_off"]


def soak(**keys: object) -> str:
    shown = (f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}" for key, value in keys.items())
    return "\n".join(('[[step]]\nkind = "soak"', *shown))


CYCLED = soak(duration="100 ms", load_on="20 ms", load_off="10 ms", portion="256 KiB")


def one_step(result: RunResult) -> StepResult:
    return result.endpoints[0].steps[0]


def test_a_soak_is_switched_on_and_off_on_record(run_plan: RunPlan) -> None:
    events: list[Event] = []
    step = one_step(run_plan(f'{CYCLED}\ndwell = "15 ms"', "sim:demo#south", watch=events.append))
    assert str(step.verdict) == "pass"
    found = step.measures["load_cycle"]
    assert (found["on_times"], found["missed"]) == (4, 0)
    (noted,) = [event for event in events if isinstance(event, Noted) and event.kind == "load"]
    assert noted.clock_s == found["began_clock_s"]
    assert datetime.fromisoformat(found["began_utc"]).utcoffset() is not None
    assert found["began_utc"] in noted.text
    for edge in found["edges"]:
        assert edge["on_s"] - found["began_clock_s"] == pytest.approx(0.03 * edge["number"], abs=1e-6)
    samples = [event for event in events if isinstance(event, Sampled)]
    for sample in samples:  # nothing moves in a rest
        within_s = (sample.clock_s - sample.seconds - found["began_clock_s"]) % 0.03
        assert within_s < 0.02 or within_s > 0.03 - 1e-6
    assert sum(sample.seconds for sample in samples) == pytest.approx(found["loaded_s"], rel=1e-3)
    assert step.measures["steadiness"]["near_median"] > 0.9
    assert step.measures["steadiness"]["longest_gap_s"] < 1e-3
    assert step.measures["dwell"]["longest_rest_s"] < 0.015
    assert step.measures["seconds"] == pytest.approx(0.1, abs=2e-3)


def test_a_dwell_that_may_meet_nothing_but_a_rest_is_said(run_plan: RunPlan) -> None:
    step = one_step(run_plan(f'{CYCLED}\ndwell = "9 ms"', "sim:demo#south"))
    assert str(step.verdict) == "inconc"
    assert any("it may meet nothing but a rest" in reason.text for reason in step.reasons)


class Killed(BaseException):
    """Ends a run with no word about it in its ledger."""


def test_a_soak_that_is_resumed_lasts_as_long_as_was_planned_rests_included(run_plan: RunPlan, tmp_path: Path) -> None:
    loaded_s: list[float] = []

    def watch(event: Event) -> None:
        if isinstance(event, Sampled):
            loaded_s.append(event.seconds)
            if event.clock_s > 0.032:
                raise Killed

    with pytest.raises(Killed):
        run_plan(CYCLED, "sim:demo#south", watch=watch)
    result = runner.resume(tmp_path / "run.ledger")
    step = one_step(result)
    assert step.finished_s - step.started_s == pytest.approx(0.1 - sum(loaded_s) * 1.5, abs=5e-3)
    assert [event["kind"] for event in result.endpoints[0].events].count("load") == 2  # each segment has its own
    assert step.measures["load_cycle"]["began_utc"] > result.segments[1].started_utc[:23]


@pytest.mark.usefixtures("invented_cards")
def test_a_stop_ends_a_rest_at_once_and_a_long_rest_is_no_hang(run_plan: RunPlan) -> None:
    """It would last an hour; whoever watches over the slot is told so beforehand."""
    stop = threading.Event()
    expected: list[float] = []

    def watch(event: Event) -> None:
        if isinstance(event, Expecting):
            expected.append(event.seconds)
            if event.seconds > 3000:
                stop.set()

    text = soak(bytes="1 GiB", load_on="50 ms", load_off="1 h")
    result = run_plan(text, "imitated:healthy", watch=watch, stop=stop)
    assert max(expected) == pytest.approx(3600, abs=5)
    assert result.interrupted
    step = one_step(result)
    assert str(step.verdict) == "inconc"
    (edge,) = step.measures["load_cycle"]["edges"]
    assert edge["off_s"] >= step.measures["load_cycle"]["began_clock_s"] + 0.05
    assert step.bytes_moved > 0


def test_a_card_that_stalls_within_an_on_time_still_fails(run_plan: RunPlan) -> None:
    step = one_step(run_plan(soak(bytes="64 MiB", load_on="20 ms", load_off="10 ms"), "sim:stalling-card#north"))
    assert str(step.verdict) == "fail"
    assert step.measures["stalled"]
    assert step.measures["load_cycle"]["on_times"] >= 1


def test_a_link_that_is_watched_with_little_load_is_seen_to_fall_at_the_next_load(
    run_plan: RunPlan, tmp_path: Path
) -> None:
    slow = 'max_speed = "2.5 GT/s", max_width = 4, max_payload = "128 B"'  # so that each portion is one block
    bench = tmp_path / "falls.toml"
    bench.write_text(
        f"""schema = 1
name = "falls"
invented = "invented: the shore station of a chain of tide gauges"
description = "A lane dies while the load rests."
[[slot]]
name = "north"
wiring = 4
near = {{ {slow} }}
card = {{ {slow}, model = "echo card, four lanes", serial = "invented-0001" }}
fault = [{{ kind = "failing-lane", lane = 3, when = {{ at = "5.5 s" }} }}]
""",
        "utf-8",
    )
    result = run_plan(soak(duration="10 s", load_on="10 ms", load_off="990 ms"), f"sim:{bench}#north")
    (fell,) = [event for event in result.endpoints[0].events if event["kind"] == "link"]
    assert "from 2.5 GT/s x4 to 2.5 GT/s x2" in fell["text"]
    assert fell["clock_s"] == pytest.approx(6.0, abs=0.02)
    assert str(result.verdict) == "fail"
