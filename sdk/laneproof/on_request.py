"""Parts of a card that write to the ports of its link, and what they bring back: retraining, and receiver margining.

They are used on an explicit request alone, and say what they wrote. The other parts, and the card, are in `contract`,
which has `LinkTrainer` and `LaneMargining` too.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Literal

from attrs import field, frozen
from attrs.validators import ge, in_, instance_of, le, lt, min_len, optional

from laneproof.clock import Deadline
from laneproof.pcie.margining import FAR_RECEIVER, MOST_ERRORS, NEAR_RECEIVER, Direction
from laneproof.readings import Retraining, Unavailable

_FINITE = [ge(0.0), lt(math.inf)]
"""Neither infinite nor "nan", of which both are false."""


@frozen(kw_only=True)
class MarginingReceiver:
    """One receiver of a link, and what it offers; all its lanes are alike.

    Offsets are those of the last step, None where the receiver does not report them: its own claim, in its own steps,
    so that two receivers of different make are not compared by them. Steps between are evenly spaced.
    """

    number: int = field(validator=[ge(NEAR_RECEIVER), le(FAR_RECEIVER)])
    """1 is the near port's, 6 the card's; 2 to 5 are those of retimers, from the near port on."""
    name: str = field(validator=instance_of(str))
    lanes: tuple[int, ...] = field(validator=min_len(1))
    """As its port counts them."""
    timing_steps: int = field(validator=ge(0))
    """To each side."""
    timing_offset_ui: float | None = field(default=None, validator=optional(_FINITE))
    """In unit intervals."""
    voltage_steps: int = field(default=0, validator=ge(0))
    """0: it has no voltage margining."""
    voltage_offset_v: float | None = field(default=None, validator=optional(_FINITE))
    independent_timing: bool
    """Left and right are measured apart; else a step goes to both sides."""
    independent_voltage: bool = False
    independent_sampler: bool
    """Margining does not disturb data; else its errors are the data's."""
    counts_bits: bool = False
    """It says itself how many bits it compared; else they follow from its sampling and the time."""
    timing_sampling: float = 1.0
    """The share of bits that is compared."""
    voltage_sampling: float = 1.0


@frozen(kw_only=True)
class MarginingOffer:
    """What can be margined now: the receivers of a link, near port first, the speed that it runs at, and what asking
    them took: `wrote` says which registers were written."""

    receivers: tuple[MarginingReceiver, ...] = field(validator=min_len(1))
    speed_gtps: float = field(validator=_FINITE)
    wrote: str = field(validator=[instance_of(str), min_len(1)])


@frozen(kw_only=True)
class MarginPoint:
    """One lane of one receiver at one step: how many errors it counted there, and what they rest on.

    `outcome`: "within" the limit of errors; "beyond" it, of which the receiver comes back by itself; "refused", it does
    not do that step; "not begun", it did not get ready in time. `bits` compared; None where that is not known.
    """

    outcome: Literal["within", "beyond", "refused", "not begun"] = field(
        validator=in_(("within", "beyond", "refused", "not begun"))
    )
    errors: int = field(validator=[ge(0), le(MOST_ERRORS)])
    """63 stands for more."""
    seconds: float = field(validator=_FINITE)
    """At the step."""
    bits: float | None = field(default=None, validator=optional(_FINITE))


class LinkTrainer(ABC):
    """Retrains the link from its near port, without a reset. It writes a register, so it is used on request alone."""

    @abstractmethod
    def retrain(self, deadline: Deadline) -> Retraining: ...


class LaneMargining(ABC):
    """Moves the sampling point of a link's receivers and counts errors (PCI Express, Lane Margining at the Receiver).

    It writes registers at both ends, so it is used on request alone, and while no data move. Each call ends with the
    lane at its normal settings and every other register as it was, also where it raises: a deadline or a cancellation
    does not end that.
    """

    @abstractmethod
    def offered(self, deadline: Deadline) -> MarginingOffer | Unavailable:
        """What can be margined now, or why nothing can: a link below 16 GT/s, an end without it, one not ready."""

    @abstractmethod
    def margin(
        self,
        receiver: MarginingReceiver,
        lane: int,
        direction: Direction,
        step: int,
        *,
        dwell_s: float,
        error_limit: int,
        deadline: Deadline,
    ) -> MarginPoint:
        """Stay `dwell_s` at that step, or until more than `error_limit` errors (at most 63) are counted.

        `receiver` is one of those `offered`. Where it does not measure directions apart, "right" and "up" are both.
        Raises DriverFault where the link has left its speed, or the receiver did not answer.
        """
