"""Cards that are lost and tried again: how often, how much later, whether it is the same card, and what goes on."""

from __future__ import annotations

import subprocess
import sys
import threading
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import cast

import attrs
import pytest
from invented_card import InventedDriver

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.events import Event, Noted, SlotFinished, StepFinished
from laneproof.campaign.plan import PlannedEndpoint
from laneproof.campaign.planned import going_on
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.slot_job import SlotJob
from laneproof.campaign.slot_run import SlotRun
from laneproof.campaign.steps import IntegrityStep, LinkStep
from laneproof.clock import Deadline
from laneproof.contract import Address, Card, IdentitySource
from laneproof.documents import Size
from laneproof.errors import BadInput, CannotOpen
from laneproof.readings import Identity

RunPlan = Callable[..., RunResult]
THREE = (
    '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\n'
    '[[step]]\nkind = "integrity"\nbytes = "32 MiB"\n'
    '[[step]]\nkind = "integrity"\nbytes = "128 KiB"\n'
)
ECHO = Path(__file__).parents[2] / "drivers_shim" / "echo_process.py"


def tries(endpoint: EndpointResult) -> list[str]:
    return [event["text"] for event in endpoint.events if event["kind"] == "tried again"]


def verdicts(endpoint: EndpointResult) -> list[str]:
    return [str(step.verdict) for step in endpoint.steps]


def reasons(endpoint: EndpointResult) -> str:
    return "\n".join(f"{reason.verdict}: {reason.text}" for reason in endpoint.reasons)


# --- a simulated card that falls off its link, and is there again once it is opened anew


def test_the_steps_that_remain_are_run_on_a_card_that_came_back_and_the_loss_stays(run_plan: RunPlan) -> None:
    result = run_plan(f'try_again = 2\ntry_again_after = "20 s"\n{THREE}', "sim:drops-off#north")
    (endpoint,) = result.endpoints
    assert verdicts(endpoint) == ["pass", "fail", "pass"]
    assert str(result.verdict) == "fail"
    first, back = tries(endpoint)
    assert first == "the card is lost; try 1 of 2 in 20 s"
    assert back.startswith("the card is back at try 1 of 2: 8 GT/s x8; errors are counted anew")
    lost, came = (event["clock_s"] for event in endpoint.events if event["kind"] == "tried again")
    assert came - lost >= 20
    assert endpoint.steps[2].started_s >= came  # times go on, though the card's clock began anew
    assert endpoint.steps[2].finished_s > endpoint.steps[2].started_s


def test_a_lost_card_is_not_tried_again_unless_the_plan_says_so(run_plan: RunPlan) -> None:
    (endpoint,) = run_plan(THREE, "sim:drops-off#north").endpoints
    assert verdicts(endpoint) == ["pass", "fail"]
    assert tries(endpoint) == []
    assert "none: the card is lost; not run: integrity" in reasons(endpoint)


def test_tries_are_counted_over_the_whole_slot_and_then_it_is_given_up(run_plan: RunPlan) -> None:
    """Repeated, the card is lost again in each repetition."""
    (endpoint,) = run_plan(f"repeat = 4\ntry_again = 2\n{THREE}", "sim:drops-off#north").endpoints
    assert verdicts(endpoint) == ["pass", "fail", "pass"] * 2 + ["pass", "fail"]
    assert tries(endpoint)[-1] == "given up after try 2 of 2: the card is lost"
    assert "none: the card is lost; given up after try 2; not run: integrity" in reasons(endpoint)


def test_a_rule_that_ends_the_slot_comes_before_another_try(run_plan: RunPlan) -> None:
    (endpoint,) = run_plan(f'try_again = 2\nstop_slot_on = "fail"\n{THREE}', "sim:drops-off#north").endpoints
    assert verdicts(endpoint) == ["pass", "fail"]
    assert tries(endpoint) == []


def test_after_the_last_step_nothing_is_tried(run_plan: RunPlan) -> None:
    lost = '[[step]]\nkind = "integrity"\nbytes = "32 MiB"\n'
    (endpoint,) = run_plan(f"try_again = 2\n{lost}", "sim:drops-off#north").endpoints
    assert (verdicts(endpoint), tries(endpoint)) == (["fail"], [])


# --- a card that takes its time, or is another one


@attrs.define
class Opening:
    """What the driver of `imitated:loses` does at each opening, from the first on; the last one stands for all later
    ones. An opening has the name of the card that is found, or none. The very first is that of `runner.validate`."""

    names: list[str | None]
    openings: int = 0

    def connect(self, driver: InventedDriver, address: Address, options: object, deadline: Deadline) -> Card:
        name = self.names[min(self.openings, len(self.names) - 1)]
        self.openings += 1
        if name is None:
            raise CannotOpen("no card answers")
        return attrs.evolve(CONNECT(driver, address, options, deadline), parts=(Fixed(name),))  # type: ignore[arg-type]


class Fixed(IdentitySource):
    def __init__(self, name: str) -> None:
        self._name = name

    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model=self._name, serial="1")


CONNECT = InventedDriver.connect


@pytest.fixture
def opening(invented_cards: None, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Opening]:
    def set_up(*names: str | None) -> Opening:
        made = Opening(list(names))
        monkeypatch.setattr(InventedDriver, "connect", lambda self, *arguments: made.connect(self, *arguments))
        return made

    return set_up


LOST = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\n[[step]]\nkind = "integrity"\nbytes = "4 KiB"\n'
SOON = 'try_again = 3\ntry_again_after = "1 ms"\n'


def test_each_try_and_the_giving_up_is_on_record(run_plan: RunPlan, opening: Callable[..., Opening]) -> None:
    opened = opening("card", "card", None)
    (endpoint,) = run_plan(SOON + LOST, "imitated:loses").endpoints
    assert opened.openings == 1 + 1 + 3
    assert verdicts(endpoint) == ["inconc"]
    assert tries(endpoint)[0] == "the card is lost; try 1 of 3 in 1 ms"
    assert tries(endpoint)[1].startswith("the card is lost; try 1: no card answers; try 2 of 3")
    assert tries(endpoint)[-1].startswith("given up after try 3 of 3: the card is lost; try 3: no card answers")
    assert "no card answers; given up after try 3; not run: integrity" in reasons(endpoint)


def test_another_card_than_before_is_given_up(run_plan: RunPlan, opening: Callable[..., Opening]) -> None:
    opened = opening("card", "card", "another card")
    (endpoint,) = run_plan(SOON + LOST, "imitated:loses").endpoints
    assert opened.openings == 3
    assert verdicts(endpoint) == ["inconc"]
    assert "another card came back: another card, serial 1 in place of card, serial 1" in reasons(endpoint)


def test_a_card_that_is_not_there_at_the_start_is_tried_again_only_if_the_plan_says_so(
    run_plan: RunPlan, opening: Callable[..., Opening]
) -> None:
    step = '[[step]]\nkind = "integrity"\nbytes = "4 KiB"\n'
    opened = opening("card", None, "card")
    (endpoint,) = run_plan(step, "imitated:healthy").endpoints
    assert (opened.openings, str(endpoint.verdict)) == (2, "error")
    opened.openings = 0
    (endpoint,) = run_plan(SOON + step, "imitated:healthy", ledger="again.ledger").endpoints
    assert verdicts(endpoint) == ["pass"]
    assert tries(endpoint) == ["the card could not be opened: no card answers; try 1 of 3 in 1 ms"]


def test_a_stop_ends_the_wait_for_a_card_at_once(run_plan: RunPlan, opening: Callable[..., Opening]) -> None:
    opening("card", "card", None)
    stop = threading.Event()

    def watch(event: Event) -> None:
        if isinstance(event, Noted):
            stop.set()

    result = run_plan(f'try_again = 1\ntry_again_after = "1 h"\n{LOST}', "imitated:loses", watch=watch, stop=stop)
    assert result.interrupted
    assert "inconc: interrupted; not run: integrity" in reasons(result.endpoints[0])


def test_a_wait_longer_than_a_computer_can_wait_is_ended_by_a_stop(opening: Callable[..., Opening]) -> None:
    opening("card", "card", None)
    told: list[Event] = []

    def emit(event: Event) -> None:
        told.append(event)
        if isinstance(event, Noted):
            run.stop()

    steps = (IntegrityStep(bytes=Size(1 << 20)), LinkStep())
    planned = PlannedEndpoint(uri="imitated:loses")
    run = SlotRun(SlotJob(name="a", number=0, planned=planned, steps=steps, seed=1, tries=1, try_after_s=1e300), emit)
    run.run()
    assert [str(reason.verdict) for reason in cast("SlotFinished", told[-1]).reasons] == ["inconc"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("try_again = -1", "'try_again' must be >= 0"),
        ('try_again_after = "0 s"', "'try_again_after' must be > 0"),
        ('stagger = "5"', "stagger"),
    ],
)
def test_a_wrong_value_is_one_line_that_names_its_key(text: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")
    assert str(caught.value).startswith(f"plan: {said}")
    assert "\n" not in str(caught.value)


def test_what_a_plan_says_of_going_on_can_be_said_before_it_runs() -> None:
    text = 'try_again = 3\ntry_again_after = "20 s"\nstagger = "5 s"'
    plan = plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")
    assert list(going_on(plan)) == [
        "stagger: slots begin 5 s apart",
        "try_again: a card that is lost is tried again 20 s later, at most 3 times a slot",
    ]
    assert list(going_on(plans.builtin())) == []


# --- a real device that goes away and comes back


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Starts an echo behind a pseudo-terminal and has one path lead to it, in place of the one before."""
    running: list[subprocess.Popen[str]] = []
    path = tmp_path / "card"

    def start(*arguments: object) -> str:
        process = subprocess.Popen(
            [sys.executable, "-I", ECHO, *map(str, arguments)], stdout=subprocess.PIPE, text=True
        )
        running.append(process)
        assert process.stdout is not None
        path.unlink(missing_ok=True)
        path.symlink_to(process.stdout.readline().rstrip())
        return f"chardev:{path}"

    yield start
    for process in running:
        process.kill()
        process.communicate()


def test_repetitions_go_on_once_a_device_is_back(plug: Callable[..., str], run_plan: RunPlan, tmp_path: Path) -> None:
    uri = plug("--mode", "die", "--at", 100_000)
    came_back: list[str] = []

    def watch(event: Event) -> None:
        if isinstance(event, StepFinished) and not came_back:
            came_back.append(plug())

    text = 'repeat = 3\ntry_again = 20\ntry_again_after = "200 ms"\n[[step]]\nkind = "integrity"\nbytes = "256 KiB"\n'
    (endpoint,) = run_plan(text, uri, watch=watch).endpoints
    assert verdicts(endpoint)[1:] == ["pass", "pass"]
    assert verdicts(endpoint)[0] != "pass"
    assert any(text.startswith("the card is back at try ") for text in tries(endpoint))
    assert runner.planned_in(tmp_path / "run.ledger").try_again == 20
