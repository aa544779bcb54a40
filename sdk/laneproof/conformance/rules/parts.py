"""What must hold of parts beside the data: they are read while data move, and keep their deadline as paths do."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import CONTROL_S, Opened
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times, told
from laneproof.contract import (
    ConditionObserver,
    ErrorObserver,
    IdentitySource,
    LinkObserver,
    ResetLevel,
    Resettable,
)
from laneproof.errors import LaneproofError

_READINGS = 16
"""How often the parts are read during traffic, all together, at least."""
_TRANSFERS = 64
"""After so many transfers a part that is read slowly has been read often enough."""


def _readings(card: Opened) -> dict[str, Callable[[Deadline], object]]:
    """By name, what reads the card's observers. Raises NotApplicable where there is nothing to read."""
    kinds = (IdentitySource, LinkObserver, ErrorObserver, ConditionObserver)
    parts = {kind: card.card.part(kind) for kind in kinds}
    names = ("read_identity", "read_link", "read_errors", "read_conditions")
    found = {name: getattr(part, name) for name, part in zip(names, parts.values(), strict=True) if part is not None}
    if not found:
        raise NotApplicable("the card has no part that can be read")
    return found


@rule("card", "give readings registers of their own, or one lock with the path's, held as short as an access")
def readings_disturb_no_data(trial: Trial) -> str:
    """Parts can be read while data move, and the data come back as if nobody had."""
    with trial.opened() as card:
        readings, probe, stop = _readings(card), card.probe, threading.Event()
        made: list[str] = []

        def read_on() -> None:
            while not stop.is_set():
                for name, read in readings.items():
                    card.control(read, what=name)
                    made.append(name)

        out, into = Lent(probe.largest), Lent(probe.largest)
        reader = trial.beside(read_on)
        try:
            for number in range(_TRANSFERS):
                out.fill(stretch_of(number))
                into.fill_unlike(stretch_of(number))
                came = probe.echo(out.view, into.view)
                require(came == len(out), f"while parts were read, {came} of {len(out)} bytes came back")
                into.require(stretch_of(number), f"while {', '.join(readings)} ran")
                if not reader.running or (number >= 7 and len(made) >= _READINGS):
                    break
        finally:
            stop.set()
        try:
            reader.result()
        except LaneproofError as error:
            raise Broken(f"a part that was read while data moved raised {told(error)}") from None
    return f"{times(len(made), 'reading')} while data moved"


@rule("card", "hand the deadline on to every wait of a reading or a reset, and wait in slices with deadline.pause")
def parts_keep_their_deadline(trial: Trial) -> str:
    """A reading or a data reset ends soon when it has no time left or is cancelled: done, or with an error."""
    with trial.opened() as card:
        calls = _readings(card)
        resets = card.card.part(Resettable)
        if resets is not None and ResetLevel.DATA in resets.levels and ResetLevel.DATA in trial.rig.resets:
            calls["reset(DATA)"] = lambda deadline: resets.reset(ResetLevel.DATA, deadline)
        slack_s = trial.rig.slack_s
        for name, call in calls.items():
            with Deadline(0.0, card.clock) as deadline:
                began_s = card.clock.now_s()
                _end(card, name, call, deadline)
                late_s = card.clock.now_s() - began_s
            require(late_s <= slack_s, f"{name} with no time left took {late_s:.2g} s, {slack_s:g} s are allowed")
            with Deadline(CONTROL_S, card.clock) as deadline:
                deadline.cancel()
                began_s = card.clock.now_s()
                _end(card, name, call, deadline)
                late_s = card.clock.now_s() - began_s
            require(late_s <= slack_s, f"{name}, cancelled, took {late_s:.2g} s, {slack_s:g} s are allowed")
    return f"{', '.join(calls)} ended in time"


def _end(card: Opened, name: str, call: Callable[[Deadline], object], deadline: Deadline) -> None:
    """Whether it was in time to do anything is the driver's to say; that it ends is the rule's."""
    with suppress(LaneproofError, OSError):
        card.call(call, deadline, deadline=deadline, what=name)
