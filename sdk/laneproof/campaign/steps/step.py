"""What every step is: parameters from a plan, something to do on one slot, and a say in what its errors mean."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Collection
from typing import ClassVar

from attrs import frozen

from laneproof.campaign.carried import Carried
from laneproof.campaign.conditions import LaneFlag, remark_lane_flags
from laneproof.campaign.link_errors import remark_link_errors
from laneproof.campaign.meeting import Company, Meets
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.slot import Slot
from laneproof.readings import ErrorReading


@frozen(kw_only=True, getstate_setstate=False)  # it has nothing to keep, and subclasses without slots have
class Step(ABC):
    """One measurement with limits. A subclass is a frozen attrs class whose fields are the plan's keys.

    laneproof's own steps and users' are made alike; `laneproof guide steps` says how.
    """

    kind: ClassVar[str] = ""
    """What a plan calls a step of a user's own; without it, the class's name. laneproof's are named in `STEPS`."""

    goes_on: ClassVar[bool] = False
    """Whether a resumed run takes it up where it was cut off (`Slot.carried`); any other, and each of a user's own,
    begins anew."""

    trains: ClassVar[bool] = False
    """Whether it takes link and card down on purpose, and judges by itself what comes back."""

    @property
    def meets(self) -> Meets:
        """Whether the slots of a run take it "together", each once all have come to it, or "alone", in turns."""
        return "apart"

    @abstractmethod
    def run(self, slot: Slot, findings: Findings) -> None:
        """Measure, and put measures and reasons into `findings`; what is in there counts even if this raises."""

    def judge_beside(self, slot: Slot, company: Company | None, findings: Findings) -> None:  # noqa: B027 - most have none
        """Judge what waits for what the others did meanwhile, where `Slot.among_others`; of steps that `meets` them."""

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        """Judge the errors counted at either end during the step.

        Unless a step holds them to a limit of its own: an uncorrectable error fails, a correctable one is said.
        """
        remark_link_errors(added, findings)

    def judge_carried(self, carried: Carried, added: ErrorReading | None, findings: Findings) -> None:
        """Judge what earlier segments of the run left on record of this step; `added` as for `judge_errors`."""
        carried.judge(added, None, findings)

    def judge_lanes(self, flags: Collection[LaneFlag], findings: Findings) -> None:
        """Judge the lanes that were newly flagged during the step; said, unless it has a limit for link errors."""
        remark_lane_flags(flags, findings)

    @property
    def commands(self) -> tuple[str, ...]:
        """Commands of the host's that it runs, as a shell would write them; a plan with any needs the user's leave."""
        return ()

    @property
    def best_claim(self) -> str:
        """What it could claim at best beside what its bytes let one claim, in words; empty where that is nothing."""
        return ""

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        """Keys whose limits can never fail, or can never be met, each with the reason and the remedy."""
        return ()

    @property
    def planned_bytes(self) -> int | None:
        """Payload bytes that the step means to move; None where it cannot be known beforehand."""
        return None

    @property
    def verified(self) -> bool:
        """Whether a claim on wrong bits is made of what it moves."""
        return False

    @property
    def goes_one_way(self) -> bool:
        """Whether those bytes go in one direction alone, and do not come back."""
        return False

    def bytes_at(self, bytes_per_s: float | None) -> int | None:
        """Payload bytes that it moves at most on a card of that nominal rate, as far as both are known."""
        return self.planned_bytes

    def seconds_at(self, bytes_per_s: float | None) -> float | None:
        """About how long it lasts on such a card; None where that is open."""
        nbytes = None if self.trains else self.bytes_at(bytes_per_s)
        by_bytes = None if nbytes is None or not bytes_per_s else nbytes / bytes_per_s
        return min((one for one in (by_bytes, self.planned_s) if one is not None), default=None)

    @property
    def planned_s(self) -> float | None:
        """Seconds by the card's clock after which the step ends by itself; None where its bytes alone decide."""
        return None
