"""`Rounds`: who waits for whom before and after the steps that slots take at once, or alone one after another.

Lives in the process that runs the plan, in one thread. A slot that finishes, hangs or dies is waited for no longer, and
hands its turn on; so does one whose card is away and tried again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from attrs import define, field

from laneproof.campaign import trying_again
from laneproof.campaign.events import Event, Joined, Measured, Noted, SlotFinished, StepStarted
from laneproof.campaign.meeting import Begin, Called, Company, Message, Parted


@define
class _Round:
    """One step, as those take it who came to it together."""

    step: int
    alone: bool
    awaited: frozenset[str]
    """Those under way when the first came."""
    came: set[str] = field(factory=set[str])
    begun: bool = False
    turn: str = ""
    """Whose turn it is, of those that take it alone."""
    measured: dict[str, Measured] = field(factory=dict[str, Measured])
    unknown: dict[str, None] = field(factory=dict[str, None])
    """Of whom it is not known what they moved beside; an ordered set."""


class Rounds:
    """Slots under way and their rounds. `tell(slot, message)` hands a slot an answer."""

    def __init__(self, order: Mapping[str, int], tell: Callable[[str, Message], None]) -> None:
        """`order`: the slots' numbers, by which they take turns."""
        self._order = order
        self._tell = tell
        self._at: dict[str, int] = {}
        """Slots under way, and the last step that each has come to."""
        self._away: set[str] = set()
        """Those of them whose card is gone or does not open, and is tried again."""
        self._rounds: list[_Round] = []
        self._alone: dict[tuple[str, str], float] = {}
        """The rates that slots had alone, by slot and direction."""

    def begun(self, slot: str) -> None:
        """The slot is under way from now on, or is about to be; may be repeated."""
        if slot in self._at:
            return
        self._at[slot] = -1
        self._beside_those_begun(slot)

    def take(self, event: Event) -> bool:
        """Look at an event; true for one that is for nobody else."""
        match event:
            case Joined():
                self._came_to(event.slot, event.step)
                self._gathering(event).came.add(event.slot)
            case Measured():
                for one in self._rounds:
                    if one.begun and one.step == event.step and event.slot in one.came:
                        one.measured[event.slot] = event
            case StepStarted():
                self._came_to(event.slot, event.step)
            case Noted(kind=trying_again.KIND):
                self._away.add(event.slot)
            case SlotFinished():
                self._finished(event.slot)
            case _:
                return False
        self._go_on()
        return isinstance(event, Joined | Measured)

    def _came_to(self, slot: str, step: int) -> None:
        self._at[slot] = step
        if slot in self._away:  # what it moves from now on, it tells nobody who has begun
            self._away.discard(slot)
            self._beside_those_begun(slot)

    def _beside_those_begun(self, slot: str) -> None:
        for one in self._rounds:
            if one.begun:
                one.unknown[slot] = None

    def _gathering(self, event: Joined) -> _Round:
        for one in self._rounds:
            if one.step == event.step and not one.begun:
                return one
        self._rounds.append(_Round(event.step, event.alone, frozenset(self._at)))
        return self._rounds[-1]

    def _finished(self, slot: str) -> None:
        self._at.pop(slot, None)
        for one in self._rounds:
            if one.begun and not one.alone and slot in one.came and slot not in one.measured:
                one.unknown[slot] = None

    def _go_on(self) -> None:
        for one in list(self._rounds):
            at_hand = {slot: at for slot, at in self._at.items() if slot not in self._away}
            if not one.begun and not any(at_hand.get(slot, one.step) < one.step for slot in one.awaited):
                one.begun = True
                one.unknown.update(dict.fromkeys(slot for slot in at_hand if slot not in one.came))
                if not one.alone:
                    self._let(self._there(one.came), lambda slot, one=one: Begin(one.step))
            if not one.begun:
                continue
            left = self._there(one.came - one.measured.keys())
            if one.alone and left and one.turn not in left:
                one.turn = left[0]
                self._let([one.turn], lambda _, one=one: Begin(one.step))
            if not left:
                self._rounds.remove(one)
                self._part(one)

    def _part(self, one: _Round) -> None:
        if one.alone:
            found = [] if one.unknown else list(one.measured.items())
            self._alone |= {
                (slot, told.direction): told.bytes_per_s for slot, told in found if told.bytes_per_s is not None
            }
        told = [one.measured[slot] for slot in sorted(one.measured, key=self._number)]

        def answer(slot: str) -> Parted:
            beside = () if one.alone else tuple(other for other in told if other.slot != slot)
            unknown = tuple(other for other in one.unknown if other != slot)
            alone = None if one.alone else self._alone.get((slot, one.measured[slot].direction))
            return Parted(one.step, Company(together=beside, unknown=unknown, alone_bytes_per_s=alone))

        # One whose card was lost has waited for nothing, and may be elsewhere by now.
        self._let(self._there(slot for slot in one.measured if self._at.get(slot) == one.step), answer)

    def _let(self, slots: list[str], answer: Callable[[str], Message]) -> None:
        """All clocks count again before any slot goes on: which of them does so first must make no difference."""
        for slot in slots:
            self._tell(slot, Called())
        for slot in slots:
            self._tell(slot, answer(slot))

    def _there(self, slots: Iterable[str]) -> list[str]:
        """Those of them that are under way still, in their order."""
        return sorted((slot for slot in slots if slot in self._at), key=self._number)

    def _number(self, slot: str) -> int:
        return self._order[slot]
