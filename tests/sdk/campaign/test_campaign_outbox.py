"""What a slot's process tells the parent: in order, soon, and without waking it for each sample."""

from __future__ import annotations

from multiprocessing import Pipe
from multiprocessing.connection import Connection
from types import SimpleNamespace
from typing import Any

import pytest
from attrs import define, field

from laneproof.campaign import outbox as outboxes
from laneproof.campaign.events import Event, Expecting, Noted, Sampled
from laneproof.campaign.outbox import Outbox

NOTED = Noted("north", 0, 0.0, "link", "it moved")


@define
class Wire:
    """Both ends of a connection, and a clock that the test sets."""

    now_s: float = 100.0
    ends: tuple[Connection[Any, Any], Connection[Any, Any]] = field(factory=Pipe)

    def arrived(self) -> list[list[Event]]:
        """The messages that have come."""
        messages: list[list[Event]] = []
        while self.ends[0].poll():
            messages.append(self.ends[0].recv())
        return messages


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch):
    made = Wire()
    monkeypatch.setattr(outboxes, "time", SimpleNamespace(monotonic=lambda: made.now_s))
    yield made
    for end in made.ends:
        end.close()


def sample(nbytes: int) -> Sampled:
    return Sampled("north", 0, 0.0, nbytes, 1e-3)


def test_samples_that_come_thick_and_fast_go_together_and_in_order(wire: Wire) -> None:
    outbox = Outbox(wire.ends[1])
    for number in range(100):
        outbox.put(sample(number))
        wire.now_s += 1e-3
    messages = wire.arrived()
    assert len(messages) == 2
    outbox.put(NOTED)
    messages += wire.arrived()
    assert [event for message in messages for event in message] == [*(sample(number) for number in range(100)), NOTED]


def test_a_sample_after_a_pause_goes_at_once(wire: Wire) -> None:
    outbox = Outbox(wire.ends[1])
    outbox.put(NOTED)
    wire.now_s += 0.06
    outbox.put(sample(1))
    assert wire.arrived() == [[NOTED], [sample(1)]]


def test_what_is_held_goes_though_nothing_follows(wire: Wire) -> None:
    outbox = Outbox(wire.ends[1])
    outbox.put(NOTED)
    outbox.put(sample(1))
    outbox.flush()
    assert wire.arrived() == [[NOTED]]
    wire.now_s += 0.06
    outbox.flush()
    assert wire.arrived() == [[sample(1)]]


def test_the_parent_is_told_anew_when_a_call_ends_wherever_that_changes_by_a_second(wire: Wire) -> None:
    outbox = Outbox(wire.ends[1])
    for _ in range(30):
        outbox.put(Expecting("north", 5.0))
        wire.now_s += 0.1
    assert len(wire.arrived()) == 3
    outbox.put(Expecting("north", 30.0))
    outbox.put(Expecting("north", 5.0))  # sooner than it has just been told: it must not wait for the longer one
    assert [event.seconds for (event,) in wire.arrived() if isinstance(event, Expecting)] == [30.0, 5.0]


def test_what_cannot_cross_takes_nothing_with_it(wire: Wire) -> None:
    outbox = Outbox(wire.ends[1])
    outbox.put(NOTED)
    outbox.put(sample(1))
    with pytest.raises(Exception, match="pickle"):
        outbox.put(Noted("north", 0, 0.0, "link", lambda: None))  # type: ignore[arg-type]
    outbox.put(NOTED)
    assert wire.arrived() == [[NOTED], [sample(1), NOTED]]


def test_a_parent_that_is_gone_is_nobodys_fault(wire: Wire) -> None:
    wire.ends[0].close()
    Outbox(wire.ends[1]).put(NOTED)
