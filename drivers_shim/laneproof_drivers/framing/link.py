"""`FramedLink`: the host's side over a carrier, for several threads: who reads and writes, waits, and repeats requests.

What frames mean is `host_side`'s business, and what a card is, `framed_card`'s.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from laneproof.clock import SLICE_S, Deadline
from laneproof.errors import DriverFault
from laneproof_drivers.framing.carrier import Carrier
from laneproof_drivers.framing.frame import Frame
from laneproof_drivers.framing.host_side import HostSide, as_error
from laneproof_drivers.framing.messages import ANSWER, CARD, Kind

REPEAT_S = 1.0
"""A request that is not answered while nothing comes for so long is sent again, with the same number; likewise, a
channel from which no ticket has come back is asked for its counts."""
_AT_LATEST = 10
"""Times that long, whatever comes: on a slow line an answer may take seconds to arrive, but it may be lost as well."""
_PIECE = 1 << 16
_T = TypeVar("_T")


class FramedLink:
    """One thread at a time moves bytes, for all; the others wait until it has something for them, or leaves."""

    def __init__(self, carrier: Carrier, side: HostSide) -> None:
        self.carrier = carrier
        self.side = side
        self.changed = threading.Condition()
        """Held while `side` is looked at or changed, and while bytes are read or written."""
        self._moving = False
        self._unsent = memoryview(b"")

    def submit(self, channel: int, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        with self.changed:
            self.side.submit(channel, ticket, out, into)
            if self._moving:
                self.carrier.poke()

    def until(
        self,
        ready: Callable[[], _T | None],
        deadline: Deadline,
        idle: Callable[[], object],
        every_s: float = REPEAT_S,
    ) -> _T | None:
        """Move bytes until `ready` returns something, and return that; None at the deadline.

        `idle` is called after every `every_s` of silence. Both are called with the lock held.
        """
        while True:
            with self.changed:
                if not self._moving:
                    self._moving = True
                    break
                found = ready()
                if found is not None:
                    return found
                deadline.check()
                if deadline.expired:
                    return None
                if self.side.pending:
                    self.carrier.poke()
                self.changed.wait(min(SLICE_S, deadline.left_s()))
        try:
            return self._move(ready, deadline, idle, every_s)
        finally:
            with self.changed:
                self._moving = False
                self.changed.notify_all()

    def request(self, number: int, deadline: Deadline) -> Frame:
        """The answer to a request that `side.ask` made, repeated while it does not come.

        Raises what a FAULT stands for, and DriverFault at the deadline.
        """
        try:
            frame = self.until(lambda: self.side.answer(number), deadline, lambda: self.side.ask_again(number))
        finally:
            with self.changed:
                self.side.forget(number)
        if frame is None:
            raise DriverFault("the card does not answer a request; see that it runs, then recover()")
        if not frame.kind & ANSWER:
            raise as_error(frame.payload)
        return frame

    def ask(self, kind: Kind, payload: bytes, deadline: Deadline, channel: int = CARD) -> Frame:
        """Ask the card, as a whole or about a channel."""
        with self.changed:
            number = self.side.ask(kind, channel, payload)
        return self.request(number, deadline)

    def _move(
        self, ready: Callable[[], _T | None], deadline: Deadline, idle: Callable[[], object], every_s: float
    ) -> _T | None:
        asked_s = heard_s = time.monotonic()
        while True:
            with self.changed:
                if self._read():
                    heard_s = time.monotonic()
                self._write()
                found = ready()
                self.changed.notify_all()
                if found is not None:
                    return found
                now_s = time.monotonic()
                if now_s - heard_s >= every_s or now_s - asked_s >= _AT_LATEST * every_s:
                    asked_s = heard_s = now_s
                    idle()
                    self._write()
                writing = bool(self._unsent)
            deadline.check()
            if deadline.expired:
                return None
            with deadline.split(at_most_s=every_s) as soon:
                self.carrier.wait(soon, writing=writing)

    def _read(self) -> bool:
        """Take in what has come; whether anything has."""
        data = self.carrier.read()
        if data:
            self.side.take(data)
        return bool(data)

    def _write(self) -> None:
        """As much as goes at once."""
        while self._unsent or self.side.pending:
            if not self._unsent:
                self._unsent = memoryview(self.side.outgoing(_PIECE))
            gone = self.carrier.write(self._unsent)
            if not gone:
                return
            self._unsent = self._unsent[gone:]
