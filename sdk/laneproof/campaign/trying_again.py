"""`TryingAgain`: a card that does not open, is lost or does not come back in step is tried again, so often and so much
later as the plan says, and whether the one that comes back is the same. What it means for a step is `after_step`'s.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from typing import Any

import attrs

from laneproof.campaign.after_step import Epoch
from laneproof.campaign.events import Event, Expecting, Noted
from laneproof.campaign.link_state import describe
from laneproof.campaign.results import Plain
from laneproof.campaign.slot_job import OPEN_GRACE_S, SlotJob
from laneproof.clock import Clock
from laneproof.endpoint import Endpoint
from laneproof.errors import Interrupted, LaneproofError
from laneproof.readings import Identity, Unavailable
from laneproof.units import format_seconds

KIND = "tried again"
"""Of the events that say so."""


class TryingAgain:
    """The tries that one slot has, in all. Each is put on record as it is made, with what came of it."""

    def __init__(self, job: SlotJob, emit: Callable[[Event], None], stop: threading.Event) -> None:
        self._job = job
        self._emit = emit
        self._stop = stop
        self._made = 0

    def wait_to_open(self, why: str) -> bool:
        """Opening failed, and `why`: wait in real time, and make a try; False where none is left.

        Raises Interrupted once the slot is stopped.
        """
        position = min(self._job.left, default=0)
        if not self._next(position, 0.0, f"the card could not be opened: {why}"):
            return False
        self._wait(None)
        if self._stop.is_set():
            raise Interrupted("stopped before the card was tried again")
        return True

    def bring_back(self, card: Endpoint, epoch: Epoch, position: int, identity: Plain, why: str) -> str:
        """Bring a card back that is lost or out of step after the step at `position`; return why it is not, or nothing.

        `epoch` begins anew with what the card then shows; times on record go on. Nothing is returned either once the
        slot is stopped.
        """
        told = why
        while self._next(position, card.clock.now_s() - epoch.origin_s, told):
            self._wait(card.clock)
            if self._stop.is_set():
                return ""
            self._emit(Expecting(self._job.name, OPEN_GRACE_S))
            clock, elapsed_s = card.clock, card.clock.now_s() - epoch.origin_s
            try:
                card.reconnect()
                now = plain_identity(card.identity)
                link, errors = card.read_link(), card.read_errors()
            except LaneproofError as error:
                told = f"{why}; try {self._made}: {error.args[0]}"
                continue
            # A computer's own clock has gone on; a virtual one began anew with the card.
            fresh = card.clock.virtual and card.clock is not clock
            origin_s = card.clock.now_s() - elapsed_s if fresh else epoch.origin_s
            elapsed_s = card.clock.now_s() - origin_s
            if is_another(identity, now):
                given_up = f"{why}; another card came back: {said_identity(now)} in place of {said_identity(identity)}"
                self._note(position, elapsed_s, f"given up: {given_up}")
                return given_up
            epoch.begin(link, errors, origin_s)
            self._note(
                position,
                elapsed_s,
                f"the card is back at try {self._made} of {self._job.tries}: {describe(link)}; errors are counted anew "
                "from here",
            )
            return ""
        if self._stop.is_set():
            return ""
        return f"{told}; given up after try {self._made}" if self._made else why

    def _next(self, position: int, elapsed_s: float, told: str) -> bool:
        """Whether one more try is to be made; puts that, or the giving up, on record."""
        job = self._job
        if self._stop.is_set() or self._made >= job.tries:
            if job.tries and not self._stop.is_set():
                self._note(position, elapsed_s, f"given up after try {self._made} of {job.tries}: {told}")
            return False
        self._made += 1
        self._note(position, elapsed_s, f"{told}; try {self._made} of {job.tries} in {format_seconds(job.try_after_s)}")
        return True

    def _wait(self, clock: Clock | None) -> None:
        self._emit(Expecting(self._job.name, self._job.try_after_s + OPEN_GRACE_S))
        if clock is not None and clock.virtual:
            clock.sleep(self._job.try_after_s)
        else:
            self._stop.wait(min(self._job.try_after_s, threading.TIMEOUT_MAX))

    def _note(self, position: int, elapsed_s: float, text: str) -> None:
        self._emit(Noted(self._job.name, position, elapsed_s, KIND, text))


def plain_identity(identity: Identity | Unavailable) -> Plain:
    """As a ledger has it."""
    if isinstance(identity, Unavailable):
        return {"unavailable": identity.why}
    return json.loads(json.dumps(attrs.asdict(identity)))


def is_another(before: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Whether two identities, as a ledger has them, are not of one card."""
    return any(before.get(key) != now.get(key) for key in ("model", "serial"))


def said_identity(identity: Mapping[str, Any]) -> str:
    """In few words."""
    if "unavailable" in identity:
        return f"not known ({identity['unavailable']})"
    return f"{identity['model']}, serial {identity['serial'] or 'not given'}"
