"""`Watch`: which calls of a driver are under way, so that one that does not come back is named and left behind."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Generator
from contextlib import contextmanager
from typing import Generic, TypeVar

from laneproof.clock import Deadline
from laneproof.conformance.finding import GivenUp

_LOOK_S = 0.02
_IDLE_S = 60.0
"""How long a rule may be busy with itself, filling and comparing data, in seconds."""
_T = TypeVar("_T")


class Watch:
    """Over the calls of one rule. A call is overdue when it is `patience_s` beyond the time that it was given."""

    def __init__(self, patience_s: float) -> None:
        self._patience_s = patience_s
        self._under_way: dict[int, tuple[str, float, Deadline | None]] = {}
        """By thread: the call, when it is overdue, and its deadline where it has one."""
        self.given_up = False
        self._moved_s = time.monotonic()
        """When a call last began or ended."""

    @contextmanager
    def over(self, what: str, given_s: float, deadline: Deadline | None = None) -> Generator[None]:
        """Around one call, which has `given_s` real seconds. Raises GivenUp once the rule was given up."""
        self.check()
        thread = threading.get_ident()
        outer = self._under_way.get(thread)
        self._moved_s = time.monotonic()
        self._under_way[thread] = (what, self._moved_s + given_s + self._patience_s, deadline)
        try:
            yield
        finally:
            if outer is None:
                del self._under_way[thread]
            else:
                self._under_way[thread] = outer
            self._moved_s = time.monotonic()
        self.check()

    def check(self) -> None:
        if self.given_up:
            raise GivenUp

    def _hung(self, now_s: float) -> str:
        under_way = list(self._under_way.values())
        if not under_way and now_s > self._moved_s + _IDLE_S + self._patience_s:
            return "something between two calls, such as an attribute of the driver's,"
        return next((what for what, until_s, _ in under_way if now_s > until_s), "")

    def _give_up(self) -> None:
        """Let every call that can still be ended end, and no other begin."""
        self.given_up = True
        for _, _, deadline in list(self._under_way.values()):
            if deadline is not None:
                deadline.cancel()

    def run(self, body: Callable[[], None], name: str) -> str:
        """Run `body` in a thread of its own; "" when it has ended, else the call that did not come back."""
        worker = threading.Thread(target=body, name=name, daemon=True)
        worker.start()
        while worker.is_alive():
            worker.join(_LOOK_S)
            hung = self._hung(time.monotonic())
            if hung:
                self._give_up()
                return hung
        return ""


class Beside(Generic[_T]):
    """A call that runs in a thread of its own while its maker does something else; `result` waits for it."""

    def __init__(self, watch: Watch, call: Callable[[], _T]) -> None:
        self._watch = watch
        self._call = call
        self._results: list[_T] = []
        self._error: BaseException | None = None
        self.ended_s = 0.0
        """When it ended, by the computer's monotonic clock."""
        self._thread = threading.Thread(target=self._run, name="laneproof-rule-beside", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._results.append(self._call())
        except BaseException as error:  # handed to the thread that waits
            self._error = error
        self.ended_s = time.monotonic()

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def join(self, at_most_s: float | None = None) -> None:
        """Wait for its end, at most so long. Raises GivenUp with the rule."""
        until_s = None if at_most_s is None else time.monotonic() + at_most_s
        while self._thread.is_alive() and (until_s is None or time.monotonic() < until_s):
            self._thread.join(_LOOK_S)
            self._watch.check()

    def result(self) -> _T:
        """What it returned; raises what it raised."""
        self.join()
        if self._error is not None:
            raise self._error
        return self._results[0]
