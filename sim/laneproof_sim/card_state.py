"""What the channels of one card share: how much it has taken in, and when it stops or is lost."""

from __future__ import annotations

import math
from collections.abc import Sequence

from attrs import define

from laneproof.contract import ResetLevel
from laneproof_sim.damage.halting import DropOff, Halts
from laneproof_sim.temperature import TemperaturePoint
from laneproof_sim.truth import Truth


@define(eq=False)
class CardState:
    """Bytes and messages since power-on, times in virtual seconds."""

    halts: Halts
    temperature: Sequence[TemperaturePoint] = ()
    taken_in: int = 0
    begun: int = 0
    """Messages that it has begun to fetch."""
    halted_s: float = math.inf
    """From when on it moves nothing."""
    lost_s: float = math.inf
    """When it leaves its link."""
    returns: bool = False
    """Whether a link reset brings back a card that has left its link."""
    without_config: bool = False
    """It may send no requests: its configuration is lost."""

    def lose(self, at_s: float, *, returns: bool = False) -> None:
        """It leaves its link then, if it has not done so before."""
        if at_s < self.lost_s:
            self.lost_s, self.returns = at_s, returns

    def lose_config(self) -> None:
        """Nobody sets the card up again."""
        self.without_config, self.halted_s = True, -math.inf

    def reset(self, level: ResetLevel) -> None:
        """A reset, with no transfer out: what it ends is over, a card that is lost among it if it returns."""
        self.halts.reset(level, self.taken_in)
        if level == ResetLevel.LINK and self.returns:
            self.lost_s, self.returns = self.halts.switched_off_s, False
        self.halted_s = -math.inf if self.without_config or self.halts.reached(self.taken_in) else math.inf

    def halt(self, at_s: float, truth: Truth | None) -> None:
        """Stop, or leave the link, if the card has taken in so much by now that it does."""
        for fault in self.halts.reached(self.taken_in):
            if truth:
                truth.acted(at_s, self.begun, fault.kind, after=self.taken_in)
            if isinstance(fault, DropOff):
                self.lose(at_s, returns=fault.until == "link reset")
            else:
                self.halted_s = min(self.halted_s, at_s)
