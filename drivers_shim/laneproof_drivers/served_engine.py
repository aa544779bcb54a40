"""The pattern engine of a card behind frames: does what a PATTERN asks for, with the card's own parts."""

from __future__ import annotations

import time
from typing import Literal, cast

from laneproof.clock import Deadline
from laneproof.contract import Card, ErrorInjector, PatternEngine
from laneproof.documents import printable
from laneproof.errors import NotOffered
from laneproof_drivers.framing.more_of_the_card import DIRECTIONS, Engine, PatternOrder, Patterns, packed_count
from laneproof_drivers.served_channel import CONTROL_S


class ServedEngine:
    """While a pattern runs, the time of a card whose clock is virtual follows the computer's: a host can only wait."""

    def __init__(self, card: Card, engine: PatternEngine) -> None:
        self._card = card
        self._engine = engine
        self._injector = card.part(ErrorInjector)
        self._seen_s: float | None = None
        """The computer's time up to which the card's has followed; None where no pattern runs."""
        self.patterns = Patterns(tuple(map(printable, engine.patterns)), self._injector is not None)

    def do(self, order: PatternOrder, channel: int) -> bytes:
        """The answer's payload. Raises what the card raises, NotOffered for errors that it cannot inject."""
        self._let_pass()
        with Deadline(CONTROL_S, self._card.clock) as deadline:
            if order.what == Engine.START:
                direction = cast("Literal['to_card', 'from_card']", DIRECTIONS[order.direction])
                self._engine.start(self._card.channels[channel].name, direction, order.pattern, deadline)
                self._seen_s = time.monotonic()
            elif order.what == Engine.COUNT:
                return packed_count(self._engine.read(deadline))
            elif order.what == Engine.STOP:
                self._seen_s = None
                self._engine.stop(deadline)
            elif self._injector is None:
                raise NotOffered("the card has no ErrorInjector")
            else:
                self._injector.inject(order.bits, deadline)
        return b""

    def rest(self) -> None:
        """Stop what an earlier host may have left running."""
        if self._seen_s is not None:
            self.do(PatternOrder(Engine.STOP), 0)

    def _let_pass(self) -> None:
        if self._seen_s is not None and self._card.clock.virtual:
            before_s, self._seen_s = self._seen_s, time.monotonic()
            self._card.clock.sleep(self._seen_s - before_s)
