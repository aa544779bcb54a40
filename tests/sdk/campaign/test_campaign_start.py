"""The common start of simulated slots: what they measure does not depend on whose thread comes first."""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from laneproof import endpoint as endpoints
from laneproof.campaign import start
from laneproof.campaign.events import Event, Opened, StepStarted
from laneproof.campaign.results import RunResult
from laneproof.campaign.start import CommonStart
from laneproof.endpoint import Endpoint

RunPlan = Callable[..., RunResult]
PLAN = """
step = [
    { kind = "integrity", bytes = "1 MiB", block = "64 KiB" },
    { kind = "throughput", bytes = "256 KiB", min_share = "25 %" },
    { kind = "soak", duration = "1 ms", portion = "256 KiB" },
]
"""
SHARED = ["sim:shared-link#north", "sim:shared-link#middle"]
LINK = '[[step]]\nkind = "link"\n'


@pytest.fixture
def unsteady(monkeypatch: pytest.MonkeyPatch) -> random.Random:
    """Threads that open and work late by chance, so that now the one and now the other comes first."""
    chance = random.Random(0)

    def late(call: Callable[..., Any], most_s: float) -> Callable[..., Any]:
        def act(*arguments: Any, **options: Any) -> Any:
            time.sleep(chance.uniform(0.0, most_s))
            return call(*arguments, **options)

        return act

    monkeypatch.setattr(endpoints, "open", late(endpoints.open, 0.1))
    for name in ("check", "loopback", "read_errors", "close"):
        monkeypatch.setattr(Endpoint, name, late(getattr(Endpoint, name), 0.004))
    # A simulated card goes on without a user whom this machine keeps waiting; here nobody is to be left behind.
    monkeypatch.setattr("laneproof_sim.hierarchy.GRACE_S", 60.0)
    return chance


def test_slots_on_a_shared_link_measure_the_same_each_time(run_plan: RunPlan, unsteady: random.Random) -> None:
    seen: set[str] = set()
    for number in range(10):
        uris = unsteady.sample(SHARED, len(SHARED))
        result = run_plan(PLAN, *uris, ledger=f"{number}.ledger").to_dict()
        numbers = sorted(({**one, "name": ""} for one in result["endpoints"]), key=lambda one: one["uri"])
        seen.add(json.dumps(numbers))
    assert len(seen) == 1
    assert [one["verdict"] for one in json.loads(seen.pop())] == ["pass", "pass"]


def test_no_step_begins_before_every_simulated_slot_is_open(run_plan: RunPlan, unsteady: random.Random) -> None:
    events: list[Event] = []
    run_plan(LINK, *SHARED, watch=events.append)
    kinds = [type(event) for event in events if isinstance(event, Opened | StepStarted)]
    assert kinds == [Opened] * 2 + [StepStarted] * 2


def test_a_slot_that_does_not_open_holds_up_nobody(run_plan: RunPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "LONGEST_S", 1e9)
    absent, there = run_plan(LINK, "sim:empty-slot#north", "sim:demo#south").endpoints
    assert str(absent.verdict) == "error"
    assert [step.kind for step in there.steps] == ["link"]


def test_a_slot_that_hangs_while_it_opens_is_not_waited_for_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "LONGEST_S", 0.02)
    CommonStart(["here", "hangs"]).wait("here", threading.Event())


def test_stopping_ends_the_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "LONGEST_S", 1e9)
    stop = threading.Event()
    stop.set()
    CommonStart(["here", "hangs"]).wait("here", stop)


# --- slots that begin one after another


def test_staggered_slots_begin_so_far_apart_and_none_waits_for_those_that_come_later(run_plan: RunPlan) -> None:
    opened: dict[str, float] = {}
    first_step: list[str] = []

    def watch(event: Event) -> None:
        if isinstance(event, Opened):
            opened[event.slot] = time.monotonic()
        if isinstance(event, StepStarted):
            first_step.append(f"{event.slot} of {len(opened)}")

    run_plan(f'stagger = "500 ms"\n{LINK}', *SHARED, watch=watch)
    north, middle = (opened[name] for name in ("north", "middle"))
    assert middle - north > 0.3  # an event is taken a little after it was sent
    assert first_step == ["north of 1", "middle of 2"]


def test_a_stop_ends_the_wait_of_staggered_slots_at_once(run_plan: RunPlan) -> None:
    stop = threading.Event()

    def watch(event: Event) -> None:
        if isinstance(event, StepStarted):
            stop.set()

    result = run_plan(f'stagger = "1 h"\n{LINK}', *SHARED, watch=watch, stop=stop)
    assert result.interrupted
    waiting = result.endpoints[1]
    assert waiting.steps == ()
    assert "before its turn came; not run: link" in waiting.reasons[0].text
