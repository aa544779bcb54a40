"""What is read beside a step: the link while data move, and the conditions around it, each change with its time.

A card in real time has its link looked at by a thread, also while one long transfer is under way; in virtual time,
where nothing happens beside a call, it is looked at between blocks. Conditions take longer to read, and so are read
between transfers only, never inside one whose time is taken, unless a guard waits for them. What the readings mean is
in `link_state`, `conditions` and `guard`.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Generator
from contextlib import contextmanager, suppress
from types import TracebackType

import attrs

from laneproof.campaign.conditions import (
    Change,
    LaneFlag,
    blind_flags,
    carried,
    changes,
    plain_conditions,
    unavailable_conditions,
)
from laneproof.campaign.guard import Guard
from laneproof.campaign.link_state import changed, describe
from laneproof.campaign.results import Plain
from laneproof.campaign.steps.series import SensorSeries
from laneproof.endpoint import Endpoint
from laneproof.errors import DeviceLost, EndpointBusy, Interrupted, LaneproofError
from laneproof.readings import Conditions, ErrorReading, LinkReading, Unavailable

LOOK_EVERY_S = 0.25
"""Seconds of the card's clock from one look at the link to the next, unless a step asks for more."""
SAMPLE_EVERY_S = 1.0
"""Seconds of the card's clock that lie between two readings of the conditions at least."""
PREPARING_BYTES_PER_S = 50e6
"""The slowest at which a computer is taken to fill and verify blocks, during which the link may rest; assumed."""
RISE_S = 0.1
"""Seconds of the card's clock that a link at rest is given to come up to speed when data begin to move; assumed."""
CHANGES_LIMIT = 256
"""Changes of the link, and of the conditions, that one step lists."""


class Observation:
    """Link and conditions of one card along one step. A context manager, which ends its thread.

    `note(kind, text, clock_s)` takes events, from that thread too; `elapsed_s` gives their time. `count(added)` takes
    the errors that either end has added so far. A `guard` is shown every reading of the sensors, also those in the
    middle of long transfers in real time.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        elapsed_s: Callable[[], float],
        note: Callable[[str, str, float], None],
        count: Callable[[ErrorReading], None],
        guard: Guard | None = None,
    ) -> None:
        self.under_load: list[LinkReading] = []
        """The link while data moved, each state that followed another."""
        self.first_link: LinkReading | None = None
        """Before the step, as a rule without load."""
        self.last_link: LinkReading | None = None
        self.link_moved = False
        """Whether it was ever seen at another speed, width or state than the time before."""
        self.flags: list[LaneFlag] = []
        """Lanes that were newly flagged."""
        self.before: Conditions | None = None
        """What the step's conditions are counted from."""
        self.latest: Conditions | None = None
        """As last read, each part as last known."""
        self._endpoint = endpoint
        self._elapsed_s = elapsed_s
        self._note = note
        self._count = count
        self._guard = guard
        self._errors: ErrorReading | None = None
        """What the step's errors are counted from."""
        self._link_changes = 0
        self._listed: list[tuple[float, Change]] = []
        self._unlisted = 0
        self._sensors = SensorSeries()
        self._shown: tuple[Plain, Plain] = ({}, {})
        self._looked_s = self._sampled_s = 0.0
        self._lock = threading.RLock()
        """Held while the link or the conditions are read: the card's parts take one call at a time."""
        self._loaded_from_s: float | None = None
        """From when on a look finds the link under load; None while nothing is asked to move."""
        self._preparing_s = 0.0
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._look_beside, name="laneproof-look", daemon=True)

    def begin(self, earlier: Conditions | None, errors: ErrorReading | None) -> None:
        """Read link and conditions before the step; what is new since `earlier` and `errors` belongs to it.

        Raises what reading the link raises; conditions that cannot be read are unavailable.
        """
        self.look(loaded=False)
        self._errors = errors
        self.latest = earlier
        reading = self._sample()
        self.before = reading if earlier is None else carried(earlier, reading)
        self._shown = plain_conditions(reading), {}

    def end(self) -> None:
        """Read both again after the step. Raises as `begin` does."""
        self.look(loaded=False)
        if self.before is not None:
            self._shown = self._shown[0], plain_conditions(self._sample())

    def after_loss(self) -> None:
        """Read both again as far as they can still be read once the card is lost: they may show why. Raises nothing."""
        with suppress(LaneproofError):
            self.look(loaded=False)
        if self.before is not None:
            with suppress(LaneproofError):
                self._shown = self._shown[0], plain_conditions(self._sample())

    # --- the link

    def look(self, *, loaded: bool = True) -> None:
        """Read the link now, and put what changed on record. `loaded`: data move."""
        with self._lock:
            reading = self._endpoint.read_link()
            self._looked_s = self._elapsed_s()
            before, self.last_link = self.last_link, reading
            if before is None:
                self.first_link = reading
            elif text := changed(before, reading):
                self.link_moved |= describe(before) != describe(reading)
                self._count_link_change(text if loaded else f"{text} (no load)")
            if loaded and self._link_changes <= CHANGES_LIMIT and self.under_load[-1:] != [reading]:
                self.under_load.append(reading)

    def look_if_due(self) -> None:
        """The same under load, if the last look was long enough ago."""
        if self._elapsed_s() - self._looked_s >= LOOK_EVERY_S:
            self.look()

    @contextmanager
    def load(self, preparing_bytes: int) -> Generator[None]:
        """Data move inside the block, once as many as `preparing_bytes` have been filled or verified."""
        self._preparing_s = RISE_S + preparing_bytes / PREPARING_BYTES_PER_S
        self.moved()
        try:
            yield
        finally:
            self.rest()

    def moved(self) -> None:
        """A block has come back, and more are to come."""
        with self._lock:
            self._loaded_from_s = self._elapsed_s() + self._preparing_s

    def rest(self) -> None:
        """Everything has come back, or will not: what the link shows from here on, it shows without a load."""
        with self._lock:
            self._loaded_from_s = None

    def _look_beside(self) -> None:
        while not self._done.wait(LOOK_EVERY_S):
            self._guard_beside()
            with self._lock:
                now_s, from_s = self._elapsed_s(), self._loaded_from_s
                if from_s is None or now_s - self._looked_s < LOOK_EVERY_S:
                    continue
                try:
                    self.look(loaded=now_s >= from_s)
                except Interrupted:
                    return
                except EndpointBusy:  # a call that has lost the card asks the link why
                    continue
                except LaneproofError as error:  # the step's own looks run into it too, and decide
                    self._note("link", f"the link could not be read: {error}", now_s)
                    return

    def _guard_beside(self) -> None:
        """Read the conditions for the guard while data move, which it may have ended."""
        if self._guard is None:
            return
        if self._guard.tripped:
            self._guard.insist(self._elapsed_s())
            return
        with self._lock, suppress(LaneproofError):  # the step's own readings run into it too, and decide
            if self._loaded_from_s is not None and self._elapsed_s() - self._sampled_s >= SAMPLE_EVERY_S:
                self._sample()

    def _count_link_change(self, text: str) -> None:
        self._link_changes += 1
        if self._link_changes <= CHANGES_LIMIT:
            self._note("link", text, self._looked_s)
        elif self._link_changes == CHANGES_LIMIT + 1:
            self._note("link", "the link goes on changing; further changes are not listed", self._looked_s)

    # --- the conditions

    def sample_if_due(self) -> None:
        """Read the conditions and the errors, between transfers, if they were read long enough ago."""
        if self.before is not None and self._elapsed_s() - self._sampled_s >= SAMPLE_EVERY_S:
            self._sample()
            self._count_errors()

    def _count_errors(self) -> None:
        """For displays alone: what the step is judged by is read after it."""
        if self._errors is None:
            return
        with self._lock:
            try:
                reading = self._endpoint.read_errors()
            except (DeviceLost, Interrupted):
                raise
            except LaneproofError:
                return
        self._count(reading.since(self._errors))

    def _sample(self) -> Conditions:
        """Read the conditions, and put on record what has changed since they were last known."""
        with self._lock:
            self._sampled_s = self._elapsed_s()
            try:
                reading = self._endpoint.read_conditions()
                json.dumps(plain_conditions(reading), allow_nan=False)
                found = list(changes(self.latest or reading, reading))
            except (DeviceLost, Interrupted):
                raise
            except (LaneproofError, TypeError, ValueError, AttributeError) as error:
                # What stands around a measurement is no reason to give it up.
                reading, found = unavailable_conditions(f"the conditions could not be read: {error}"), []
            self.latest = reading if self.latest is None else carried(reading, self.latest)
            if not isinstance(reading.sensors, Unavailable):
                self._sensors.add(self._sampled_s, reading.sensors)
            for change in found:
                self._list_change(change)
            if self._guard is not None and (ended := self._guard.look(self._sampled_s, reading.sensors)):
                self._note("guard", ended, self._sampled_s)
            return reading

    def _list_change(self, change: Change) -> None:
        self.flags += [flag for flag in change.flags if flag not in self.flags]
        if len(self._listed) < CHANGES_LIMIT:
            self._listed.append((self._sampled_s, change))
            self._note(change.kind, change.text, self._sampled_s)
            return
        if not self._unlisted:
            self._note("conditions", "conditions go on changing; further changes are not listed", self._sampled_s)
        self._unlisted += 1

    def to_dict(self) -> Plain:
        """Plain data for the result: {"unavailable": why} where nothing is known, empty where nothing was asked."""
        before, after = self._shown
        if self.before is None or ("unavailable" in before and after in ({}, before)):
            return before
        return {
            "before": before,
            "after": after,
            "changes": [
                {"clock_s": clock_s, "kind": change.kind, "text": change.text} for clock_s, change in self._listed
            ],
            "changes_not_listed": self._unlisted,
            "lanes": [attrs.asdict(flag) for flag in self.flags],
            "blind": blind_flags(self.before),
            **self._sensors.to_dict(),
        }

    # --- the thread

    def __enter__(self) -> Observation:
        if not self._endpoint.clock.virtual:
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._done.set()
        if self._thread.ident is not None:
            self._thread.join()
