"""One channel of an open card: its transfers, from the doorbell to their completion."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from laneproof.contract import Completion
from laneproof.errors import BadInput
from laneproof_sim.engine import Engine
from laneproof_sim.hierarchy import Participant

if TYPE_CHECKING:
    from laneproof_sim.slot import OpenSlot


def _nothing() -> None: ...


class OpenChannel:
    """Safe to use from several threads."""

    def __init__(self, opened: OpenSlot, name: str, engine: Engine) -> None:
        self.slot = opened
        self.name = name
        self.engine = engine
        self.participant = Participant(f"{opened.slot.name} {name}", engine, opened.clock)

    def submit(self, ticket: int, out: np.ndarray | None, into: np.ndarray | None) -> None:
        """Queue a transfer at this moment. Raises BadInput, DeviceLost, EndpointClosed."""
        opened = self.slot
        with opened.changed:
            opened.begin(self)
            opened.require_card()
            opened.require_no_pattern()
            tickets = self.engine.tickets
            if ticket in tickets:
                raise BadInput(f"ticket {ticket} is out already; give each transfer a number of its own")
            if len(tickets) >= opened.slot.card.queue_depth:
                raise BadInput(f"the card takes {opened.slot.card.queue_depth} transfers at a time; reap one first")
            self.engine.submit(ticket, out, into, opened.wake())
            opened.changed.notify_all()

    def advance(self, until_s: float, check: Callable[[], Any] = _nothing) -> list[Completion]:
        """Run to the next completions and return them, or to `until_s` at most. Raises DeviceLost, EndpointClosed.

        `check` is called now and then while others are waited for, and may raise.
        """
        opened = self.slot
        with opened.changed:
            opened.begin(self)

            def go_on() -> None:
                check()
                opened.require_open()

            opened.hierarchy.wait_for(self.participant, until_s, go_on)
            at_s, done = self.engine.deliver(min(until_s, self.engine.state.lost_s))
            opened.clock.advance_to(at_s)
            opened.require_truth()
            if not done:
                opened.require_card()
            return done

    def can_go_on(self) -> bool:
        """Whether time alone will bring a completion or a loss."""
        with self.slot.changed:
            return self.engine.can_go_on()

    def stop(self) -> list[Completion]:
        """Stop the engine; every ticket that was out completes."""
        opened = self.slot
        with opened.changed:
            opened.begin(self)
            opened.hierarchy.catch_up([self.participant], opened.clock.now_s())
            at_s, done = self.engine.stop(opened.clock.now_s())
            opened.clock.advance_to(at_s)
            opened.changed.notify_all()
            return done
