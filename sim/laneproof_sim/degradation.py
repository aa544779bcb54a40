"""What of a link fails: a lane that dies in use, a speed that no longer holds, when, and until which reset; and, in one
training of many, a lane that does not come up as it should.

How the link gets on from there is in `training`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import ClassVar, Literal

import attrs
from attrs import define, frozen

from laneproof.errors import BadInput
from laneproof_sim.chance import generator
from laneproof_sim.damage.when import Conditional, When
from laneproof_sim.quantities import LaneNumber, Probability, SpeedGtps
from laneproof_sim.temperature import TemperaturePoint, first_above

_CONDITIONS = ("after", "at", "temperature_above")


@frozen(kw_only=True)
class Degrading(Conditional):
    """What a lane's failures share: `lane` fails in both directions, from `when` on, until a link reset or for good.

    Of `when` only `after`, `at` and `temperature_above` count, as it is no message that fails; where a link reset
    brings the lane back, they count anew from there.
    """

    steps: ClassVar[tuple[str, ...]] = ("link", "throughput", "soak")

    lane: LaneNumber
    until: Literal["never", "link reset"] = "never"

    def __attrs_post_init__(self) -> None:
        given = {one.name for one in attrs.fields(When) if getattr(self.when, one.name, None) is not None}
        if not given or given - set(_CONDITIONS):
            raise BadInput(f"when says from when on the lane fails, and nothing else: give {', '.join(_CONDITIONS)}")


@frozen(kw_only=True)
class FailingLane(Degrading):
    """The lane goes silent, and the link on without it, at the width that is left."""

    kind: ClassVar[str] = "failing-lane"
    cause: ClassVar[str] = "A contact, solder joint or riser that opens with warmth or vibration."
    seen: ClassVar[str] = (
        "A receiver error at both ends, Recovery, a narrower link, the near port's bandwidth management flag; "
        "data intact, at the rate that is left. Without lane 0 the link goes down."
    )


@frozen(kw_only=True)
class FailingSpeed(Degrading):
    """The lane holds no more than `holds`, and the link goes down to what all its lanes hold."""

    kind: ClassVar[str] = "failing-speed"
    cause: ClassVar[str] = "A channel with no margin left: warmth, a long riser, a connector that has worn."
    seen: ClassVar[str] = (
        "A receiver error at both ends, Recovery, a slower link, the near port's bandwidth management flag; "
        "data intact, at the rate that is left."
    )

    holds: SpeedGtps


@frozen(kw_only=True)
class BadTraining:
    """In one training of many `lane` is silent or, given `holds`, holds no more than that.

    Each training by itself has the `probability`: that of power-on, of a link reset, of a retraining by software. The
    link then stays as it came up until the next one.
    """

    kind: ClassVar[str] = "bad-training"
    cause: ClassVar[str] = "A receiver that now and then locks wrongly, an equalisation that ends in a bad place."
    seen: ClassVar[str] = (
        "One training of many ends slower, narrower or not at all; until the next one the link runs so without an "
        "error, and after a good one nothing is to be seen."
    )
    steps: ClassVar[tuple[str, ...]] = ("train",)

    lane: LaneNumber
    probability: Probability
    holds: SpeedGtps | None = None


@define
class _Onset:
    """When one fault sets in: counted from `since_s` and `since_nbytes`; `met_s` is when its bytes had passed."""

    fault: Degrading
    points: Sequence[TemperaturePoint]
    since_s: float = 0.0
    since_nbytes: int = 0
    met_s: float = math.inf
    acting: bool = False

    @property
    def at_s(self) -> float:
        when = self.fault.when
        assert when is not None
        at_s = self.since_s + (when.at or 0.0)
        if when.after is not None:
            at_s = max(at_s, self.met_s)
        if when.temperature_above is not None and at_s < math.inf:
            at_s = first_above(self.points, when.temperature_above, at_s)
        return at_s

    def passed(self, nbytes: int, at_s: float) -> None:
        when = self.fault.when
        assert when is not None
        if when.after is not None and self.met_s == math.inf and nbytes - self.since_nbytes >= when.after:
            self.met_s = at_s


class Degradation:
    """The failures of one slot's link, in order of time. False where none sets in while the link is in use.

    `next_s` is the virtual time at which the next one sets in, as far as is known, and infinite where none will.
    """

    def __init__(self, faults: Sequence[object], points: Sequence[TemperaturePoint], *purpose: object) -> None:
        """`purpose` keys the chance of a bad training."""
        unlucky = [fault for fault in faults if isinstance(fault, BadTraining)]
        self._unlucky = [(fault, generator(*purpose, BadTraining.kind, number)) for number, fault in enumerate(unlucky)]
        self._onsets = [_Onset(fault, points) for fault in faults if isinstance(fault, Degrading)]
        self._look_ahead()

    def __bool__(self) -> bool:
        return bool(self._onsets)

    def passed(self, nbytes: int, at_s: float) -> None:
        """So many bytes have gone through the card since power-on, the last of them at `at_s`."""
        for onset in self._onsets:
            onset.passed(nbytes, at_s)
        self._look_ahead()

    def set_in(self, at_s: float) -> tuple[Degrading, ...]:
        """Those that set in by `at_s` and had not before."""
        fresh = [onset for onset in self._onsets if not onset.acting and onset.at_s <= at_s]
        for onset in fresh:
            onset.acting = True
        self._look_ahead()
        return tuple(onset.fault for onset in fresh)

    def next_training(self) -> tuple[BadTraining, ...]:
        """Those that hit the next training; asked once for each."""
        return tuple(fault for fault, chance in self._unlucky if chance.random() < fault.probability)

    def acting(self) -> tuple[Degrading, ...]:
        """Those that have set in."""
        return tuple(onset.fault for onset in self._onsets if onset.acting)

    def link_reset(self, at_s: float, nbytes: int) -> None:
        """The link was reset, when so many bytes had gone through the card: those that this ends begin anew."""
        self._onsets = [
            _Onset(onset.fault, onset.points, at_s, nbytes) if onset.fault.until == "link reset" else onset
            for onset in self._onsets
        ]
        self._look_ahead()

    def _look_ahead(self) -> None:
        self.next_s = min((onset.at_s for onset in self._onsets if not onset.acting), default=math.inf)
