"""Time as a card sees it, and the one deadline that each call carries.

A physical card's clock is the computer's monotonic one; a simulated card brings its own. A `Deadline` holds time
*and* cancellation, is made once a call, and is never restarted.
"""

from __future__ import annotations

import math
import os
import select
import sys
import threading
from abc import ABC, abstractmethod
from time import monotonic, sleep
from types import TracebackType
from typing import cast

from laneproof.errors import BadInput, Interrupted

SLICE_S = 0.05
"""The longest that a driver with no descriptor may wait before it looks at its deadline again, in seconds."""
_LONGEST_POLL_S = 60.0
"""poll(2) counts milliseconds in an int; a wait beyond this is done in turns, in seconds."""
_ROUNDING_S = 1e-6
"""Less than this is no time left: sums of floating-point seconds end beside the moment meant."""
_LONGEST_S = sys.float_info.max
_NUMBERS: tuple[type, ...] = (int, float)
_LINKS = threading.RLock()
"""Held for a moment while a deadline's descriptor or those to be woken with it are looked at or changed. One for all:
few ever need it, and making it would take longer than the rest of a deadline. A signal handler may cancel the very
thread that holds it."""


class Clock(ABC):
    """Seconds from an arbitrary start, never backwards. `virtual` is true where they are computed, not lived."""

    virtual: bool = False

    @abstractmethod
    def now_s(self) -> float:
        """Seconds since an arbitrary, fixed start."""

    @abstractmethod
    def sleep(self, seconds: float) -> None:
        """Let that many of this clock's seconds pass."""

    def stand_aside(self) -> None:  # noqa: B027 - there is nothing to do where time is lived
        """Whoever uses this clock's card waits for somebody else, and makes no call until `come_back`.

        Meanwhile a virtual clock goes along with those of the cards beside it, whose users need not wait for it.
        """

    def come_back(self) -> None:  # noqa: B027 - as above
        """The card is about to be used again. From any thread."""


class MonotonicClock(Clock):
    """The computer's monotonic clock."""

    def now_s(self) -> float:
        return monotonic()

    def sleep(self, seconds: float) -> None:
        sleep(seconds)


class Deadline:
    """When a call has to be over, and whether it has been cancelled.

    A driver asks `left_s()` or `expired`, waits for a descriptor with `wait`, or, with none, in slices with `pause`.
    Safe to `cancel` from any thread. `release` (or leaving a `with` block) gives the descriptor back; there is none
    until somebody waits for another one.
    """

    __slots__ = ("_cancelled", "_parent", "_until_s", "_waiting", "_wake_fd", "clock", "made_s")

    def __init__(self, timeout_s: float, clock: Clock | None = None) -> None:
        # Whatever its type says; asking first for the usual one is faster.
        if not ((type(timeout_s) is float or isinstance(timeout_s, _NUMBERS)) and 0 <= timeout_s <= _LONGEST_S):
            raise BadInput(f"a timeout is a finite number of seconds, not {timeout_s!r}")
        if clock is None:
            clock = MonotonicClock()
        self.clock = clock
        self.made_s = made_s = clock.now_s()
        """When it was made, by its clock."""
        self._until_s = made_s + timeout_s
        self._cancelled = False
        self._wake_fd: int | None = None
        self._parent: Deadline | None = None
        self._waiting: set[Deadline] | None = None
        """Those split off from it that have a descriptor, or from which one has been split off that has: who only
        looks sees a parent's cancellation by itself."""

    def left_s(self) -> float:
        """Seconds left, never below zero."""
        left_s = self._until_s - self.clock.now_s()
        return left_s if left_s > _ROUNDING_S else 0.0

    @property
    def expired(self) -> bool:
        """True once no time is left. Cancellation is told apart: see `check`."""
        return self.left_s() <= 0.0

    @property
    def cancelled(self) -> bool:
        return self._cancelled or (self._parent is not None and self._parent.cancelled)

    def check(self) -> None:
        """Raise `Interrupted` if the call was cancelled."""
        if self._cancelled or (self._parent is not None and self._parent.cancelled):
            raise Interrupted("interrupted before it was finished")

    def wait(self, fd: int, events: int) -> int:
        """Wait until `fd` shows one of the poll `events`; return those it shows, or 0 at the deadline.

        Errors and hang-up (`select.POLLERR`, `POLLHUP`) are returned unasked, as poll does. Raises `Interrupted` on
        cancellation. The only place in which a driver may block; for real descriptors, so for cards whose clock is the
        computer's.
        """
        poller = select.poll()
        poller.register(fd, events)
        wake = self._wake()
        poller.register(wake, select.POLLIN)
        while True:
            self.check()
            left_s = self.left_s()
            ready = dict(poller.poll(math.ceil(min(left_s, _LONGEST_POLL_S) * 1000)))
            if wake in ready:
                self.check()
            if fd in ready:
                return ready[fd]
            if left_s <= 0:
                return 0

    def pause(self, seconds: float = SLICE_S) -> None:
        """Wait a slice of at most `seconds`, 50 ms and the time left; raise `Interrupted` on cancellation."""
        self.check()
        self.clock.sleep(min(seconds, SLICE_S, self.left_s()))
        self.check()

    def cancel(self) -> None:
        """End the call that holds this deadline, and every call split off from it, at once."""
        with _LINKS:
            self._cancelled = True
            self._wake_all()

    def split(self, at_most_s: float | None = None) -> Deadline:
        """A deadline that can be cancelled by itself, and is cancelled with this one.

        It lies at the same moment, or `at_most_s` seconds from now if that is sooner.
        """
        child = Deadline.__new__(Deadline)
        child.clock = self.clock
        child.made_s = now_s = self.clock.now_s()
        child._until_s = self._until_s if at_most_s is None else min(self._until_s, now_s + at_most_s)
        child._cancelled = False
        child._wake_fd = None
        child._parent = self
        child._waiting = None
        return child

    def release(self) -> None:
        """Give back the descriptor. Whoever waits on the deadline still, or later, is interrupted."""
        self._cancelled = True
        # `_wake` looks at it after it has made what is looked for here: one of them sees the other.
        if self._wake_fd is None and self._waiting is None:
            return
        with _LINKS:
            fd, self._wake_fd = self._wake_fd, None
            if fd is not None:
                os.eventfd_write(fd, 1)
            waiting, self._waiting = self._waiting, None
            if self._parent is not None and self._parent._waiting is not None:
                self._parent._waiting.discard(self)
        if fd is not None:
            os.close(fd)
        for child in waiting or ():
            child.release()

    def __enter__(self) -> Deadline:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def _wake(self) -> int:
        """The descriptor that shows when it is cancelled."""
        with _LINKS:
            if self._wake_fd is None:
                self.check()
                self._wake_fd = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
                self._join_parent()
                if self.cancelled:  # released meanwhile, without looking here: it opens no descriptor again
                    os.close(self._wake_fd)
                    self._wake_fd = None
            self.check()
            return cast("int", self._wake_fd)

    def _join_parent(self) -> None:
        """Be woken with the one that it was split off from; with the lock held."""
        parent = self._parent
        if parent is not None:
            if parent._waiting is None:
                parent._waiting = set()
            parent._waiting.add(self)
            parent._join_parent()

    def _wake_all(self) -> None:
        """Wake whoever waits for it or for one split off from it; with the lock held."""
        if self._wake_fd is not None:
            os.eventfd_write(self._wake_fd, 1)
        for child in self._waiting or ():
            child._wake_all()
