"""`Cards`: opens the cards that tests hold, and decides for how long one stays open; `alone`: whose turn a card has."""

from __future__ import annotations

import fcntl
import hashlib
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

import laneproof
from laneproof.campaign.plan import PlannedEndpoint
from laneproof.endpoint import Endpoint
from laneproof.errors import LaneproofError


def card_of(uri: str) -> str:
    """What two URIs of one card have in common: scheme and address, without options and the name of a slot."""
    return uri.partition("#")[0].partition("?")[0]


@contextmanager
def alone(uri: str, folder: Path) -> Generator[None]:
    """Wait until no other process that uses `folder` for this has the card, and keep it from them meanwhile."""
    name = hashlib.blake2b(card_of(uri).encode(), digest_size=8).hexdigest()
    with (folder / f"laneproof-{name}.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)  # the kernel gives it back, however the process ends
        yield


class Cards:
    """Lends one card at a time.

    A simulated card is opened anew for each test: that takes milliseconds, and what a test finds then depends on no
    test before it, so that it can be replayed alone. A physical card, whose opening may take seconds, stays open while
    tests on it pass one after the other, unless other processes wait for their turn (`shared`).
    """

    def __init__(self, *, shared: bool) -> None:
        self._shared = shared
        self._held: Endpoint | None = None

    def lend(self, planned: PlannedEndpoint) -> Endpoint:
        """An open card in step. Raises CannotOpen and the like."""
        if self._held is not None and (self._held.uri != planned.uri or not _usable(self._held)):
            self.close()
        if self._held is None:
            # The plugin has shown the cautions itself: a warning would fail suites that turn warnings into errors.
            self._held = laneproof.open(planned.uri, observe=planned.observe, acknowledge_cautions=True)
        return self._held

    def give_back(self, *, failed: bool) -> None:
        """The test that had the card has ended; what it found wrong must not be the next one's failure."""
        if self._held is not None and (failed or self._shared or not self._held.physical):
            self.close()

    def close(self) -> None:
        held, self._held = self._held, None
        if held is not None:
            held.close()


def _usable(card: Endpoint) -> bool:
    """Whether a card is in step and answers; not if a test has closed it, or it is gone."""
    try:
        _ = card.identity
    except LaneproofError:
        return False
    return all(channel.in_step for channel in card.channels)
