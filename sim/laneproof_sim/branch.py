"""What is below one root port of a bench that has been opened: a slot, or a switch with the slots below it.

Slots below one switch that are opened with the same scenario and seed are in one computer, which is there as long as
one of them is open. A slot that is open already is opened again in another computer, so that the two share nothing.
"""

from __future__ import annotations

import itertools
import math
import threading
import weakref
from typing import Protocol

from laneproof.errors import CannotOpen
from laneproof.readings import PartnerLink, ReportedError
from laneproof_sim import topology
from laneproof_sim.hierarchy import Hierarchy
from laneproof_sim.observing import decoded
from laneproof_sim.scenario import Scenario, Slot, Switch
from laneproof_sim.training import train
from laneproof_sim.working_link import WorkingLink

_NUMBERS = itertools.count()
_JOINING = threading.Lock()


class _OpenSlot(Protocol):
    slot: Slot

    def settle_link(self, now_s: float) -> None: ...


class Branch:
    """The hierarchy of a root port, the link above a switch where there is one, and the slots that are open."""

    def __init__(self, bench: Scenario | None, switch: Switch | None, seed: int, computer: int = 1) -> None:
        """`computer`: which one of those alike that are there at the same time."""
        self.bench = bench
        self.computer = computer
        self.seed = seed
        self.number = next(_NUMBERS)
        self.hierarchy = Hierarchy()
        self.slots: list[_OpenSlot] = []
        self.taken: set[str] = set()
        """Names of the slots that are open or being opened."""
        self.switch = switch
        self.link = None if bench is None or switch is None else self._link_above(bench, switch)
        self.failed_s = math.inf
        """When the link above the switch went down."""

    @classmethod
    def of(cls, slot: Slot, bench: Scenario | None, seed: int) -> Branch:
        """Where a slot is to be opened. Raises CannotOpen where the link above its switch does not train."""
        switch = None if bench is None else bench.switch_above(slot)
        if switch is None:
            return cls(bench, None, seed)
        with _JOINING:
            same = [one for one in _OPEN if (one.seed, one.switch, one.bench) == (seed, switch, bench)]
            there = [one for one in same if one.taken and slot.name not in one.taken]
            taken = {one.computer for one in same if one.taken}
            free = next(number for number in itertools.count(1) if number not in taken)
            branch = min(there, key=lambda one: one.number) if there else cls(bench, switch, seed, free)
            branch.taken.add(slot.name)
            _OPEN.add(branch)
        return branch

    def enter(self, opened: _OpenSlot) -> None:
        """A slot is open. Whichever was opened first, slots are settled in the order of their names."""
        self.slots = sorted([*self.slots, opened], key=lambda one: one.slot.name)

    def leave(self, slot: Slot) -> None:
        """A slot was closed, or could not be opened."""
        with _JOINING:
            self.slots = [one for one in self.slots if one.slot is not slot]
            self.taken.discard(slot.name)

    def settle(self, now_s: float) -> None:
        """Bring every link and the operating system up to `now_s`; no step before that is to come."""
        if self.link is not None:
            if self.failed_s <= now_s and self.link.far.present:
                self.link.down(self.failed_s)
            self.link.settle(min(now_s, self.failed_s))
        for one in self.slots:
            one.settle_link(now_s)

    @property
    def above(self) -> tuple[PartnerLink, ...]:
        """The link above the switch, as the root port shows it, by a name that no other computer's link has."""
        link, bench = self.link, self.bench
        if link is None or bench is None:
            return ()
        seed = f", seed {self.seed}" if self.seed else ""
        which = f", computer {self.computer}" if self.computer > 1 else ""
        return (decoded(link.near, f"root port above switch {link.plan.name} of {bench.name}{seed}{which}"),)

    def reported(self, link: WorkingLink) -> tuple[ReportedError, ...]:
        """What the kernel logged for the partners of a slot's link, and for the ports above them."""
        above = () if self.link is None else self.link.kernel.reported
        return tuple(sorted((*link.kernel.reported, *above), key=lambda one: one.time_s))

    def _link_above(self, bench: Scenario, switch: Switch) -> WorkingLink:
        trained = train(switch)
        if trained.problem:
            raise CannotOpen(f"switch {switch.name}: {trained.problem}; check the link above the switch")
        owned = all(slot.errors_owned_by == "kernel" for slot in bench.slots_below(switch))
        link = WorkingLink(switch, trained, *topology.of_switch(switch, bench), seed=self.seed, owned=owned)
        link.when_failed.append(self._fail)
        return link

    def _fail(self, at_s: float) -> None:
        self.failed_s = min(self.failed_s, at_s)


_OPEN: weakref.WeakSet[Branch] = weakref.WeakSet()
