"""`Call`: one call on an open card, from the turn that it holds to the name in its error.

Here: which calls may run at once, the deadline that `interrupt` reaches, and what an error says and leaves behind. What
a call does is its caller's business. Small transfers pass through here by the million, so nothing is made that a call
can do without.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType

from attrs import field, frozen

from laneproof.clock import Clock, Deadline
from laneproof.errors import DeviceLost, EndpointBusy, EndpointClosed, LaneproofError


@frozen(eq=False)
class Turn:
    """What one call at a time holds; `busy` is what another one is told."""

    busy: str
    lock: threading.Lock | threading.RLock = field(factory=threading.Lock)


class CallsUnderWay:
    """The calls under way on one endpoint, which `interrupt` and `close` reach from any thread.

    Calls come and go without a lock: each step on the set is one of the interpreter's own, and a call that adds itself
    looks at `closed` afterwards, as `close` looks at the set after it has set `closed`; so one of them sees the other.
    """

    def __init__(self, uri: str, clock: Clock, link_evidence: Callable[[], str]) -> None:
        self.uri = uri
        self.clock = clock
        self.link_evidence = link_evidence
        """What else vouches for the loss of a device: a sentence, or nothing."""
        self.closed = False
        self.live: set[Deadline] = set()
        self._ended = threading.Condition()

    def interrupt(self) -> None:
        for deadline in self.live.copy():
            deadline.cancel()

    def close(self, grace_s: float) -> bool:
        """Refuse new calls, interrupt the others and wait up to `grace_s` for their end; False if closed before."""
        with self._ended:
            if self.closed:
                return False
            self.closed = True
            self.interrupt()
            self._ended.wait_for(lambda: not self.live, grace_s)
        return True

    def leave(self, deadline: Deadline) -> None:
        """A call has ended."""
        deadline.release()
        self.live.discard(deadline)
        if self.closed:
            with self._ended:
                self._ended.notify_all()


class Call:
    """One call, as a context manager: holds its turns throughout, and names endpoint and call in each error.

    Raises EndpointBusy where another call has one of the `turns`. From `begin` on there is a deadline, and `on_fault`
    is called if the call ends with an exception.
    """

    __slots__ = ("_calls", "_deadline", "_name", "_on_fault", "_turns")

    def __init__(
        self, calls: CallsUnderWay, name: str, turns: tuple[Turn, ...], on_fault: Callable[[], object] | None = None
    ) -> None:
        self._calls = calls
        self._name = name
        self._turns = turns
        self._on_fault = on_fault
        self._deadline: Deadline | None = None

    def __enter__(self) -> Call:
        for turn in self._turns:
            if not turn.lock.acquire(False):
                for taken in self._turns[: self._turns.index(turn)]:
                    taken.lock.release()
                raise EndpointBusy(turn.busy, uri=self._calls.uri, operation=self._name)
        return self

    def begin(self, timeout_s: float) -> Deadline:
        """The call's one deadline. Raises EndpointClosed, and BadInput for a timeout that is not finite."""
        calls, deadline = self._calls, Deadline(timeout_s, self._calls.clock)
        calls.live.add(deadline)
        if calls.closed:
            calls.leave(deadline)
            raise EndpointClosed("the endpoint was closed")
        self._deadline = deadline
        return deadline

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self._deadline is not None:
                if error is not None:
                    self._fault(error)
                self._calls.leave(self._deadline)
        finally:
            for turn in self._turns:
                turn.lock.release()
        if error is not None and isinstance(error, LaneproofError):
            error.uri, error.operation = error.uri or self._calls.uri, error.operation or self._name

    def _fault(self, error: BaseException) -> None:
        if self._on_fault is not None:
            self._on_fault()
        if isinstance(error, DeviceLost) and not error.link_evidence:
            error.link_evidence = self._calls.link_evidence()
