"""`Call`: one call on an open card, from the turn that it holds to the name in its error.

Here: which calls may run at once, the deadline that `interrupt` reaches, and what an error says and leaves behind. What
a call does is its caller's business. Small transfers pass through here by the million, so nothing is made that a call
can do without.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from types import TracebackType

from attrs import field, frozen

from laneproof.clock import Clock, Deadline
from laneproof.errors import DeviceLost, EndpointBusy, EndpointClosed, LaneproofError


@frozen(eq=False)
class Turn:
    """What one call at a time holds; `busy` is what another one is told."""

    busy: str
    free: deque[None] = field(init=False, factory=lambda: deque((None,)))
    """Empty while somebody has the turn. Threads may take from it and put back at half the cost of a lock."""

    @property
    def taken(self) -> bool:
        return not self.free


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
    is called if the call ends with an exception. What holds a turn may be used again, for one call after another.
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
            try:
                turn.free.pop()
            except IndexError:
                for taken in self._turns[: self._turns.index(turn)]:
                    taken.free.append(None)
                raise self._busy(turn.busy) from None
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
            deadline = self._deadline
            if deadline is not None:
                self._deadline = None
                if error is not None:
                    self._fault(error)
                self._calls.leave(deadline)
        finally:
            for turn in self._turns:
                turn.free.append(None)
        if error is not None and isinstance(error, LaneproofError):
            error.uri, error.operation = error.uri or self._calls.uri, error.operation or self._name

    def _busy(self, why: str) -> EndpointBusy:
        return EndpointBusy(why, uri=self._calls.uri, operation=self._name)

    def _fault(self, error: BaseException) -> None:
        if self._on_fault is not None:
            self._on_fault()
        if isinstance(error, DeviceLost) and not error.link_evidence:
            error.link_evidence = self._calls.link_evidence()


class PartsCall(Call):
    """A call of the card's parts, which others wait for with `lock` alone.

    The thread that has it may take it again: a loss during such a call asks the link for evidence.
    """

    __slots__ = ("_lock",)

    def __init__(self, calls: CallsUnderWay, name: str, lock: threading.RLock) -> None:
        super().__init__(calls, name, ())
        self._lock = lock

    def __enter__(self) -> Call:
        if not self._lock.acquire(False):
            raise self._busy("another call to the card's parts is under way")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            super().__exit__(kind, error, trace)
        finally:
            self._lock.release()
