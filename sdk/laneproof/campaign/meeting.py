"""How one slot meets the others for a step: it waits for its turn, tells what it moved, and hears what they did.

This is the slot's side; who waits for whom is settled in `rounds`, which answers through `Meeting.tell`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Literal

from attrs import define, field, frozen

from laneproof.campaign.events import Event, Expecting, Joined, Measured, Moved
from laneproof.clock import Clock
from laneproof.readings import LinkReading, known

WAITING_S = 15.0
"""Seconds that a slot which waits announces at a time, so that one whose process hangs meanwhile is found."""
_ANNOUNCE_EVERY_S = 5.0
MOST_TOLD = 256
_SLICE_S = 0.05


Meets = Literal["apart", "together", "alone"]
"""How the slots of a run take a step: each when it comes to it, all at once, or one after another."""


@define
class AtWork:
    """What a step that meets others fills in, for them and for its own judgement."""

    moved: list[Moved] = field(factory=list[Moved])
    bytes_per_s: float | None = None
    direction: str = "both"
    link: LinkReading | None = None
    """As read under load, or right after."""


@frozen(kw_only=True)
class Company:
    """Who was at work while a slot measured. Nobody else, where all is empty."""

    together: tuple[Measured, ...] = ()
    """The others that measured at the same time."""
    unknown: tuple[str, ...] = ()
    """Names of slots under way that did something else meanwhile, or did not tell."""
    alone_bytes_per_s: float | None = None
    """The slot's own rate in that direction in an earlier step that it took alone; None where there was none."""


@frozen
class Called:
    """The slot is about to be let go on: its clock counts again. Sent to all before any of them goes on."""


@frozen
class Begin:
    """It is the slot's turn."""

    step: int


@frozen
class Parted:
    """All have measured."""

    step: int
    company: Company


Message = Called | Begin | Parted


def way_above(reading: LinkReading) -> tuple[str, ...] | None:
    """The names of the links above a card's own; None where its near port is hidden, and with it all above."""
    return None if known(reading.near) is None else tuple(link.name for link in reading.above)


def in_few(moved: Sequence[Moved]) -> tuple[Moved, ...]:
    """The same transfers in at most `MOST_TOLD` pieces, neighbours taken together: others are told them in one message,
    which a process that hangs must be able to take in unread."""
    each = -(-len(moved) // MOST_TOLD)
    return tuple(
        Moved(moved[at].start_s, moved[at : at + each][-1].end_s, sum(one.nbytes for one in moved[at : at + each]))
        for at in range(0, len(moved), each or 1)
    )


class Meeting:
    """One slot among others. `tell` comes from another thread; with no others (`answered` false) nothing waits."""

    def __init__(self, slot: str, emit: Callable[[Event], None], stop: threading.Event, *, answered: bool) -> None:
        self._slot = slot
        self._emit = emit
        self._stop = stop
        self._answered = answered
        self._clock: Clock | None = None
        self._told = threading.Condition()
        self._begin = -1
        """The last step that it was let into."""
        self._parted: Parted | None = None

    def tell(self, message: Message) -> None:
        """An answer of the run's."""
        if self._clock is not None:
            self._clock.come_back()
        with self._told:
            match message:
                case Begin(step):
                    self._begin = step
                case Parted():
                    self._parted = message
                case Called():
                    pass
            self._told.notify_all()

    def join(self, step: int, clock: Clock, meets: Meets) -> None:
        """Wait until the step may begin, or the slot is asked to stop."""
        if not self._answered or meets == "apart":
            return
        self._clock = clock
        clock.stand_aside()
        self._emit(Joined(self._slot, step, meets == "alone"))
        self._wait(lambda: self._begin >= step)
        clock.come_back()

    def part(self, step: int, at_work: AtWork, *, wait: bool = True) -> Company | None:
        """Tell what was moved, and wait for what the others did; None without others.

        With `wait` false, for a card that is lost, it is not waited for.
        """
        clock = self._clock
        if not self._answered or clock is None:
            return None
        clock.stand_aside()
        self._emit(
            Measured(
                slot=self._slot,
                step=step,
                virtual_time=clock.virtual,
                way=None if at_work.link is None else way_above(at_work.link),
                moved=in_few(at_work.moved),
                bytes_per_s=at_work.bytes_per_s,
                direction=at_work.direction,
            )
        )
        if wait:
            self._wait(lambda: self._parted is not None and self._parted.step >= step)
        clock.come_back()
        parted = self._parted
        return parted.company if parted is not None and parted.step == step else Company(unknown=("another slot",))

    def _wait(self, told: Callable[[], bool]) -> None:
        announced_s = 0.0
        with self._told:
            while not told() and not self._stop.is_set():
                if time.monotonic() - announced_s >= _ANNOUNCE_EVERY_S:
                    announced_s = time.monotonic()
                    self._emit(Expecting(self._slot, WAITING_S))
                self._told.wait(_SLICE_S)
