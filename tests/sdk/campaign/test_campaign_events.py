"""What a slot tells displays while a step runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from laneproof.campaign import runner
from laneproof.campaign.events import Counted, Event, Progress, StepFinished, StepStarted
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.steps.link import LinkStep
from laneproof.campaign.steps.soak import SoakStep
from laneproof.documents import Seconds, Size


@pytest.fixture(scope="module")
def events(tmp_path_factory: pytest.TempPathFactory) -> list[Event]:
    """Of a link step of 1 MiB and a soak of 1.3 s of virtual time, at one lane of 8 GT/s."""
    plan = Plan(
        endpoint=(PlannedEndpoint(uri="sim:demo#south"),),
        step=(LinkStep(load=Size(1 << 20)), SoakStep(duration=Seconds(1.3))),
    )
    told: list[Event] = []
    folder: Path = tmp_path_factory.mktemp("run")
    runner.run(plan, folder / "run.ledger", watch=told.append)
    return told


def test_a_step_that_ends_by_its_time_says_when_and_one_by_its_bytes_does_not(events: list[Event]) -> None:
    assert [event.left_s for event in events if isinstance(event, StepStarted)] == [None, 1.3]


def test_progress_counts_towards_a_total_only_where_there_is_one(events: list[Event]) -> None:
    totals = [
        {event.total for event in events if isinstance(event, Progress) and event.step == step} for step in (0, 1)
    ]
    assert totals == [{1 << 20}, {None}]


def test_progress_tells_the_cards_time(events: list[Event]) -> None:
    soak = [event for event in events if isinstance(event, Progress) and event.step == 1]
    first, last = soak[0], soak[-1]
    (finished,) = (event.result for event in events if isinstance(event, StepFinished) and event.result.position == 1)
    rate = (last.done - first.done) / (last.clock_s - first.clock_s)
    assert rate == pytest.approx(finished.measures["bytes_per_second"], rel=0.05)


def test_errors_are_told_about_once_a_second_of_the_cards_clock(events: list[Event]) -> None:
    (counted,) = (event for event in events if isinstance(event, Counted))
    assert counted.step == 1
    assert counted.errors["near"]["correctable"] == counted.errors["far"]["correctable"] == {}
