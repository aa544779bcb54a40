"""What every mover can do, whatever the path beneath it, and what becomes of an exception from a driver."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType

from laneproof.clock import Deadline
from laneproof.documents import printable
from laneproof.errors import CannotOpen, DriverFault, LaneproofError
from laneproof.integrity import Comparison
from laneproof.moving.blocks import CheckJob


class Mover(ABC):
    """Moves whole buffers; counts are bytes. Falling short of the deadline shows in the counts and raises nothing."""

    @abstractmethod
    def send(self, out: memoryview, deadline: Deadline) -> int: ...

    @abstractmethod
    def receive_into(self, into: memoryview, deadline: Deadline) -> int: ...

    @abstractmethod
    def loopback(self, out: memoryview, into: memoryview, deadline: Deadline) -> tuple[int, int]:
        """Bytes sent and received; drains while it fills, so that no FIFO's depth can deadlock it."""

    @abstractmethod
    def check(self, job: CheckJob, deadline: Deadline) -> Comparison:
        """Fill, loop back and verify, overlapped. Damage, a missing tail, surplus and a stall are in the result.

        An error that ends it early carries what had been verified in `so_far`.
        """

    @abstractmethod
    def drain(self, deadline: Deadline) -> int:
        """Bring the path in step after a fault: discard what is still under way. Returns the bytes discarded.

        Raises DriverFault where the path does not come to rest.
        """


class in_driver:  # noqa: N801 - used as a statement
    """Around calls of a driver: what it raises beside laneproof's own errors becomes one, with its cause.

    `os_error` is what an OSError becomes; any other exception becomes DriverFault.
    """

    __slots__ = ("_os_error",)

    def __init__(self, os_error: type[DriverFault | CannotOpen] = DriverFault) -> None:
        self._os_error = os_error

    def __enter__(self) -> None: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, Exception) and not isinstance(error, LaneproofError):
            raise as_fault(error, self._os_error) from error


def as_fault(error: Exception, os_error: type[DriverFault | CannotOpen] = DriverFault) -> LaneproofError:
    """What `in_driver` makes of an exception; for where even a context manager takes too long."""
    if isinstance(error, LaneproofError):
        return error
    if isinstance(error, OSError):
        return os_error(f"the driver failed: {printable(str(error.strerror or error))}")
    return DriverFault(f"the driver failed with {type(error).__name__}: {printable(str(error))}")
