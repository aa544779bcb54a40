"""Everything that laneproof raises on purpose.

One root, so that a caller can catch all of it; each error says what was attempted, on what, what happened and what
to do next. Damaged data is no error: it comes back as a result (`Comparison`).
"""

from __future__ import annotations

from collections.abc import Generator
from contextlib import contextmanager


class LaneproofError(Exception):
    """Root of all errors of laneproof.

    `uri` names the endpoint and `operation` the call, where there is one; both are filled in by the endpoint, so a
    driver need not know them. `so_far` is what a `check` had verified when it was cut short (a `Comparison`), or None.
    """

    def __init__(self, message: str, *, uri: str = "", operation: str = "") -> None:
        super().__init__(message)
        self.uri = uri
        self.operation = operation
        self.so_far: object | None = None

    def __str__(self) -> str:
        where = " ".join(part for part in (self.uri, self.operation) if part)
        return f"{where}: {self.args[0]}" if where else str(self.args[0])


class BadInput(LaneproofError, ValueError):
    """Something given to laneproof cannot be used: a plan, a scenario, a URI, an option, a buffer, an image.

    The message names the file or value, the line or key, and the remedy.
    """


class CannotOpen(LaneproofError):
    """A card was not there, not permitted or not ready when it was opened."""


class CardInUse(CannotOpen):
    """Something else uses the device; laneproof never takes it away."""


class NotOffered(LaneproofError):
    """The card has no such part; the message names the part."""


class EndpointBusy(LaneproofError):
    """A second call on the same channel, other than one send beside one receive_into."""


class EndpointClosed(LaneproofError):
    """The endpoint was closed before the call."""


class Interrupted(LaneproofError):
    """`interrupt()` was called while the operation ran; it ended at once."""


class TransferTimeout(LaneproofError, TimeoutError):
    """The deadline passed before all bytes had moved; `moved` says how many had."""

    def __init__(self, message: str, *, moved: int = 0, uri: str = "", operation: str = "") -> None:
        super().__init__(message, uri=uri, operation=operation)
        self.moved = moved


class DriverFault(LaneproofError):
    """A driver or its device failed, or broke the contract; the cause is chained."""


class DeviceLost(LaneproofError):
    """The device is gone, which is more than one failed call.

    `link_evidence` holds what the near port showed (link down, link events), or is empty when nothing else vouches
    for the loss; the verdict depends on it.
    """

    def __init__(self, message: str, *, link_evidence: str = "", uri: str = "", operation: str = "") -> None:
        super().__init__(message, uri=uri, operation=operation)
        self.link_evidence = link_evidence


class OutOfStep(LaneproofError):
    """The channel may hold bytes of a call that failed; `recover()` brings it back in step."""


class StorageFault(LaneproofError):
    """A ledger or report could not be written or read: full or read-only disk, no permission, not a ledger."""


@contextmanager
def named(uri: str, operation: str) -> Generator[None]:
    """Fill in which endpoint and which call an error is about, where nothing nearer to the cause has."""
    try:
        yield
    except LaneproofError as error:
        error.uri, error.operation = error.uri or uri, error.operation or operation
        raise
