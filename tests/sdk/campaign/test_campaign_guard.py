"""Limits of temperature and power that end a slot: on the simulated bench, on an invented card in real time, and the
guard by itself. When the invented bench is too hot follows from the straight line of its points, by hand.
"""

from __future__ import annotations

import threading
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest

from laneproof.campaign import guard as guards
from laneproof.campaign import plan as plans
from laneproof.campaign.declared import Text
from laneproof.campaign.guard import MISSES, Guard
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.steps import observation
from laneproof.campaign.steps.observation import Observation
from laneproof.clock import MonotonicClock
from laneproof.documents import Celsius, Watts
from laneproof.errors import BadInput
from laneproof.readings import Conditions, LinkReading, PartnerLink, Sensor, Unavailable

SOAK_AND_LINK = (
    '[[step]]\nkind = "soak"\nbytes = "3 MiB"\nportion = "64 KiB"\n[[step]]\nkind = "link"\nload = "64 KiB"\n'
)
INTEGRITY = '[[step]]\nkind = "integrity"\nbytes = "1 MiB"\nblock = "32 KiB"\n'
SLOT = """
[[slot]]
name = "{}"
wiring = 4
near = {{ max_speed = "8 GT/s", max_width = 4 }}
card = {{ max_speed = "8 GT/s", max_width = 4, model = "echo card", serial = "invented" }}
"""
BENCH = (
    'schema = 1\nname = "own"\ninvented = "invented"\ndescription = "One card warms by 10 degrees in 100 us."\n'
    + SLOT.format("warm")
    + 'temperature = [{ at = "19 ms", card = "30 °C" }, { at = "19600 us", card = "90 °C" }]\n'
    + SLOT.format("thirsty")
    + 'power = { at_rest = "10 W", under_load = "20 W" }\n'
    + SLOT.format("bare")
)


@pytest.fixture
def on_bench_of_own(
    run_plan: Callable[..., RunResult], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[EndpointResult, ...]]:
    """Runs steps over slots, each with its keys; conditions are read as often as it goes."""
    monkeypatch.setattr(observation, "SAMPLE_EVERY_S", 0.0)
    (tmp_path / "own.toml").write_text(BENCH)

    def run(*slots: tuple[str, str], steps: str = SOAK_AND_LINK) -> tuple[EndpointResult, ...]:
        endpoints = (f'[[endpoint]]\nuri = "sim:{tmp_path}/own.toml#{slot}"\n{keys}\n' for slot, keys in slots)
        return run_plan("".join(endpoints) + steps).endpoints

    return run


OnBench = Callable[..., tuple[EndpointResult, ...]]


def texts(endpoint: EndpointResult) -> str:
    parts = [*(reason for step in endpoint.steps for reason in step.reasons), *endpoint.reasons]
    return "\n".join(f"{reason.verdict}: {reason.text}" for reason in parts)


# --- in a run


def test_a_card_that_gets_too_hot_ends_its_slot_and_no_other(on_bench_of_own: OnBench) -> None:
    warm, bare = on_bench_of_own(("warm", 'stop_above_temperature = "50 °C"'), ("bare", ""))
    assert [(step.kind, str(step.verdict)) for step in warm.steps] == [("soak", "inconc")]
    assert "inconc: stopped by the plan (stop_above_temperature = 50 °C, and card showed " in texts(warm)
    assert "s of the card's clock) after " in texts(warm)
    assert warm.reasons[-1].text.endswith("not run: link")
    assert 0 < warm.steps[0].bytes_moved < 3 << 20
    (event,) = [event for event in warm.events if event["kind"] == "guard"]
    shown = float(event["text"].split("showed ")[1].split(" °C")[0])
    # A portion of 64 KiB takes about 40 us at 8 GT/s x4, there and back, in which the card warms by 4 degrees.
    assert 50 < shown < 56
    assert [str(step.verdict) for step in bare.steps] == ["pass", "pass"]


def test_a_limit_that_is_not_passed_changes_nothing(on_bench_of_own: OnBench) -> None:
    (warm,) = on_bench_of_own(("warm", 'stop_above_temperature = "90 °C"'))
    assert (str(warm.verdict), warm.reasons) == ("pass", ())
    assert max(sensor["highest"] for sensor in warm.steps[0].conditions["sensors"]) > 50


def test_a_card_that_draws_too_much_under_load_ends_its_slot(on_bench_of_own: OnBench) -> None:
    (thirsty,) = on_bench_of_own(("thirsty", 'stop_above_power = "15 W"'), steps=INTEGRITY)
    assert "stopped by the plan (stop_above_power = 15 W, and card power showed 20 W at " in texts(thirsty)


def test_a_card_that_is_too_hot_before_the_first_step_gets_no_load(on_bench_of_own: OnBench) -> None:
    (warm,) = on_bench_of_own(("warm", 'stop_above_temperature = "-10 degC"'))
    assert (str(warm.verdict), warm.steps) == ("inconc", ())
    assert "stop_above_temperature = -10 °C, and card showed" in warm.reasons[0].text
    assert "not run: soak, link" in warm.reasons[0].text


def test_a_limit_that_is_passed_once_all_has_run_is_said_all_the_same(run_plan: Any, invented_cards: None) -> None:
    # The invented card's sensor counts its readings: at open, and before and after the step.
    text = (
        '[[endpoint]]\nuri = "imitated:fine"\nstop_above_temperature = "2 °C"\n[[step]]\nkind = "link"\nload="64 KiB"\n'
    )
    (endpoint,) = run_plan(text).endpoints
    assert str(endpoint.steps[0].verdict) == "pass"
    assert [str(reason.verdict) for reason in endpoint.reasons] == ["inconc"]
    assert "a limit of the plan's was passed (stop_above_temperature = 2 °C, and readings showed 3 °C" in texts(
        endpoint
    )


@pytest.mark.parametrize(
    ("slot", "keys", "said"),
    [
        ("bare", 'stop_above_temperature = "85 °C"', "this slot's scenario says nothing of temperature or power; make"),
        (
            "warm",
            'stop_above_power = "70 W"',
            "stop_above_power = 70 W cannot be watched: no sensor in W is shown; load",
        ),
        (
            "warm",
            'stop_above_temperature = "85 °C"\nstop_sensors = "0000:65:00.0"',
            'no sensor has "0000:65:00.0" in its name; those in °C are card: correct stop_sensors',
        ),
    ],
)
def test_a_guard_that_cannot_watch_ends_the_slot_before_any_load(
    on_bench_of_own: OnBench, slot: str, keys: str, said: str
) -> None:
    (endpoint,) = on_bench_of_own((slot, keys))
    assert (str(endpoint.verdict), endpoint.steps) == ("error", ())
    assert said in endpoint.reasons[0].text


def test_sensors_without_a_limit_are_refused() -> None:
    text = '[[endpoint]]\nuri = "sim:demo#north"\nstop_sensors = "card"\n'
    with pytest.raises(BadInput, match=r"endpoint\[0\]\.stop_sensors: no limit is set for them; give stop_above"):
        plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")


# --- in real time, in the middle of a transfer


class Warming:
    """An open card whose sensor shows one degree more at each reading."""

    def __init__(self) -> None:
        self.clock = MonotonicClock()
        self.reads = 0

    def read_link(self) -> LinkReading:
        return LinkReading(near=PartnerLink(name="port"), far=Unavailable("not shown"))

    def read_conditions(self) -> Conditions:
        self.reads += 1
        gone = Unavailable("not shown")
        sensors = (Sensor(name="card", value=float(self.reads), unit="°C"),)
        return Conditions(near=gone, far=gone, sensors=sensors, memory_errors=gone, iommu_faults=gone, reported=gone)


@pytest.mark.parametrize("guarded", [True, False])
def test_one_long_transfer_does_not_keep_a_guard_from_looking(monkeypatch: pytest.MonkeyPatch, guarded: bool) -> None:
    monkeypatch.setattr(observation, "SAMPLE_EVERY_S", 0.001)
    monkeypatch.setattr(observation, "LOOK_EVERY_S", 0.001)
    card, stopped, looked = Warming(), threading.Event(), threading.Event()
    monkeypatch.setattr(guards, "GRACE_S", 0.01)
    asked: list[tuple[str, bool]] = []

    def stop(rule: str, at_once: bool) -> None:
        asked.append((rule, at_once))
        if len(asked) > 2:  # again and again, for a call may have begun just after it was asked
            stopped.set()

    def read_link() -> LinkReading:
        looked.set()
        return Warming.read_link(card)

    guard = guard_of(stop, stop_above_temperature=Celsius(5.0)) if guarded else None
    if guard is not None:
        guard.begin(0.0, (Sensor(name="card", value=0.0, unit="°C"),))
    beside = Observation(cast("Any", card), card.clock.now_s, lambda *_: None, lambda _: None, guard)
    with beside:
        beside.begin(None, None)
        monkeypatch.setattr(card, "read_link", read_link)
        with beside.load(0):
            assert (stopped if guarded else looked).wait(10)
    if guarded:
        rule = asked[0][0]
        assert rule.startswith("stop_above_temperature = 5 °C, and card showed 6 °C at ")
        assert asked[:3] == [(rule, False), (rule, True), (rule, True)]
    else:
        assert card.reads == 1


# --- by itself


def guard_of(stop: Callable[[str, bool], None], **keys: Any) -> Guard:
    guard = Guard.of(plans.PlannedEndpoint(uri="sim:demo#north", **keys), stop)
    assert guard is not None
    return guard


def sensors(*values: tuple[str, float, str]) -> tuple[Sensor, ...]:
    return tuple(Sensor(name=name, value=value, unit=unit) for name, value, unit in values)


def test_an_endpoint_without_a_limit_has_no_guard() -> None:
    assert Guard.of(plans.PlannedEndpoint(uri="sim:demo#north"), lambda *_: None) is None


def test_only_sensors_of_the_unit_and_of_the_name_count() -> None:
    rules: list[str] = []
    guard = guard_of(
        lambda rule, _: rules.append(rule), stop_above_temperature=Celsius(60.0), stop_sensors=Text("card")
    )
    guard.begin(0.0, sensors(("card temp1", 40.0, "°C"), ("processor", 95.0, "°C"), ("card in0", 99.0, "V")))
    assert rules == []
    assert guard.look(1.0, sensors(("card temp1", 60.0, "°C"), ("processor", 99.0, "°C"))) == ""
    said = guard.look(2.0, sensors(("card temp1", 60.5, "°C")))
    assert said == "stop_above_temperature = 60 °C, and card temp1 showed 60.5 °C at 2.000 s of the card's clock"
    assert rules == [said]


def test_the_hottest_of_several_is_named_once() -> None:
    rules: list[str] = []
    guard = guard_of(
        lambda rule, _: rules.append(rule), stop_above_temperature=Celsius(60.0), stop_above_power=Watts(70.0)
    )
    guard.begin(0.0, sensors(("one", 40.0, "°C"), ("two", 40.0, "°C"), ("drawn", 10.0, "W")))
    hot = sensors(("one", 61.0, "°C"), ("two", 62.0, "°C"), ("drawn", 80.0, "W"))
    assert "and two showed 62 °C" in guard.look(1.0, hot)
    assert guard.look(2.0, hot) == ""
    assert len(rules) == 1


@pytest.mark.parametrize("gone", [(), Unavailable("no permission")])
def test_a_sensor_that_is_lost_ends_the_slot_and_one_that_was_busy_does_not(gone: Any) -> None:
    rules: list[str] = []
    guard = guard_of(lambda rule, _: rules.append(rule), stop_above_temperature=Celsius(60.0))
    there = sensors(("card", 40.0, "°C"))
    guard.begin(0.0, there)
    for reading in ([gone] * (MISSES - 1) + [there]) * 3:
        assert guard.look(1.0, reading) == ""
    assert [bool(guard.look(2.0, gone)) for _ in range(MISSES)] == [False] * (MISSES - 1) + [True]
    assert rules == [
        f"stop_above_temperature = 60 °C, and card showed nothing {MISSES} times up to 2.000 s of the card's clock"
    ]


def test_one_sensor_of_two_that_is_lost_is_not_made_up_for_by_the_other() -> None:
    rules: list[str] = []
    guard = guard_of(lambda rule, _: rules.append(rule), stop_above_temperature=Celsius(60.0))
    guard.begin(0.0, sensors(("one", 40.0, "°C"), ("two", 40.0, "°C")))
    for _ in range(MISSES):
        guard.look(1.0, sensors(("one", 40.0, "°C")))
    assert "and two showed nothing" in rules[0]
