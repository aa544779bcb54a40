"""What every mover can do, whatever the path beneath it."""

from __future__ import annotations

from abc import ABC, abstractmethod

from laneproof.clock import Deadline
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
        """Bring the path in step after a fault: discard what is still under way. Returns the bytes discarded."""
