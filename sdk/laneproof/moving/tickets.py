"""`Tickets`: what is out on a `QueuedPath`, and completions held against it. Not who waits for which of them."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from contextlib import suppress

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Completion, QueuedPath
from laneproof.errors import DriverFault, LaneproofError
from laneproof.moving.mover import as_fault, in_driver

QUIESCE_S = 5.0
"""How long an engine may take to stop, after whatever deadline, in seconds."""


class Tickets:
    """Each ticket completes exactly once. For one thread, but for `submit` and `stop` while another is in `reap`."""

    def __init__(self, path: QueuedPath) -> None:
        self._path = path
        self._numbers = itertools.count(1)
        self.out: dict[int, tuple[int, int]] = {}
        """The bytes that each ticket has to send, and room to receive."""

    def submit(self, out: memoryview | None, into: memoryview | None) -> int:
        ticket = next(self._numbers)
        self.out[ticket] = (0 if out is None else len(out), 0 if into is None else len(into))
        try:
            self._path.submit(ticket, out, into)
        except BaseException as error:
            self.out.pop(ticket, None)
            if isinstance(error, LaneproofError) or not isinstance(error, Exception):
                raise
            raise as_fault(error) from error
        return ticket

    def reap(self, deadline: Deadline) -> list[Completion]:
        """Completions as they come; none only at the deadline."""
        settled: list[Completion] = []
        try:
            self.settle(self._path.reap(deadline), settled)
        except LaneproofError:
            raise
        except Exception as error:
            raise as_fault(error) from error
        return settled or self.none(deadline)

    def fetch(self, deadline: Deadline) -> list[Completion]:
        """Completions as the driver has them."""
        try:
            return list(self._path.reap(deadline))
        except LaneproofError:
            raise
        except Exception as error:
            raise as_fault(error) from error

    def none(self, deadline: Deadline) -> list[Completion]:
        """What it means that nothing completed. Raises DriverFault where there is time left."""
        deadline.check()
        if deadline.left_s() > SLICE_S:
            raise DriverFault("the driver's reap came back with nothing before the deadline")
        return []

    def settle(self, completions: Iterable[Completion], settled: list[Completion]) -> None:
        """Take tickets in, and add them to `settled`; one that claims what cannot be, as a failed one."""
        out = self.out
        unknown: list[int] = []
        for completion in completions:
            lengths = out.pop(completion.ticket, None)
            if lengths is None:
                unknown.append(completion.ticket)
            elif 0 <= completion.sent <= lengths[0] and 0 <= completion.received <= lengths[1]:
                settled.append(completion)
            else:
                settled.append(_failed(completion, *lengths))
        if unknown:
            raise DriverFault(f"the driver completed tickets {unknown}, which were not out")

    def stop(self, deadline: Deadline) -> list[Completion]:
        """Stop the engine, so that no buffer is touched afterwards; what was out."""
        settled: list[Completion] = []
        self.settle(self.quiesce(deadline), settled)
        self.require_none_out()
        return settled

    def quiesce(self, deadline: Deadline) -> list[Completion]:
        """Completions as the driver has them when it has stopped its engine; it has time of its own for that."""
        with Deadline(QUIESCE_S, deadline.clock) as own, in_driver():
            return list(self._path.quiesce(own))

    def require_none_out(self) -> None:
        if self.out:
            raise DriverFault(f"the driver stopped its engine without completing tickets {list(self.out)}")

    def stop_after_fault(self, deadline: Deadline) -> None:
        """The same where something went wrong before, which is what counts."""
        with suppress(LaneproofError, OSError):
            self.stop(deadline)


def _failed(completion: Completion, out: int, into: int) -> Completion:
    claim = f"{completion.sent} of {out} bytes sent and {completion.received} of {into} received"
    return Completion(ticket=completion.ticket, sent=0, received=0, status="failed", why=f"its driver claims {claim}")


def require_success(completion: Completion) -> None:
    """Raise DriverFault for a transfer that failed, or that the hardware may still be writing."""
    if completion.status in ("failed", "held"):
        how = "failed" if completion.status == "failed" else "ended while the hardware may still write to its buffer"
        raise DriverFault(f"a transfer {how}: {completion.why or 'the driver gives no reason'}")
