"""What one slot is asked to do, and the words for what it was not let to do. Doing it is `slot_run`'s."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import field, frozen

from laneproof.campaign.carried import SlotSoFar
from laneproof.campaign.plan import PlannedEndpoint, StopOn, kind_of
from laneproof.campaign.steps import Step
from laneproof.campaign.verdict import Verdict

OPEN_GRACE_S = 30.0
"""Real seconds that opening, reading registers and recovering may take together before a slot counts as hung."""
NAMED_STEPS = 8
"""Steps not run that a reason names."""


@frozen(kw_only=True)
class SlotJob:
    """What one slot is to do. Crosses into a worker process."""

    name: str
    number: int
    planned: PlannedEndpoint
    steps: tuple[Step, ...]
    """By position, repetitions one after another."""
    repeat: int = 1
    seed: int
    stop_on: StopOn = "never"
    """After which verdict of a step no other is taken."""
    tries: int = 0
    """How often, in all, a card that is lost or does not come back in step is tried again."""
    try_after_s: float = 10.0
    """By the card's clock, from its loss to the first try, and from each try to the next."""
    among_others: bool = False
    """Whether it is one of several in its run, and meets them (`meeting`)."""
    segment: int = 0
    """Which process of the run this is: 0, and one more each time that it was resumed."""
    so_far: SlotSoFar = field(factory=SlotSoFar)
    """What the earlier ones left on record."""
    examine_damage: bool = True
    """Whether results say where wrong data came from; finding that out takes longer than finding that they are."""
    remarks: tuple[str, ...] = ()
    """What is to be said of the slot's going on: the gap, and what is not as it was."""

    @property
    def left(self) -> dict[int, Step]:
        """The steps that were not judged yet, by their positions."""
        return {at: step for at, step in enumerate(self.steps) if at not in self.so_far.judged}


@frozen
class Stop:
    """Asks a slot in another process to end, as `SlotRun.stop` does."""

    rule: str = ""
    at_once: bool = False


def reaches(verdict: Verdict, stop_on: StopOn) -> bool:
    """Whether a verdict is as bad as a stop rule names."""
    return stop_on != "never" and verdict >= Verdict[stop_on.upper()]


def not_run(why: str, steps: Sequence[tuple[int, Step]]) -> str:
    """The sentence that says so; many steps are said by their number."""
    named = ", ".join(kind_of(step) for _, step in steps[:NAMED_STEPS])
    more = len(steps) - NAMED_STEPS
    return f"{why}; not run: {named}{f' and {more} more' if more > 0 else ''}"
