"""`OpenChannel`: the four calls that move bytes, on one channel of an open card.

Here: which calls may run at once, buffers and sizes checked before anything is written, and when a channel is out of
step. How bytes move is in `moving`; what a card is and how it recovers, in `endpoint`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from typing import Any, Literal, cast, final

import numpy as np
from attrs import frozen

from laneproof.clock import SLICE_S, Clock, Deadline
from laneproof.contract import Channel
from laneproof.errors import BadInput, DriverFault, EndpointBusy, NotOffered, OutOfStep, TransferTimeout, named
from laneproof.integrity import Comparison, Pattern
from laneproof.integrity import pattern as make_pattern
from laneproof.integrity.allocation import COUNT_LIMIT, checked_index
from laneproof.integrity.buffers import byte_view
from laneproof.moving import CheckJob, Mover, mover_for
from laneproof.moving.blocks import largest_piece

DEFAULT_BLOCK = 1 << 20
"""Bytes that a check moves at a time, unless the card's largest transfer is smaller."""

Operation = Callable[[str, float], AbstractContextManager[Deadline]]
"""Begins one call, by its name and timeout in seconds: a deadline, and errors that name the endpoint."""


@frozen(kw_only=True)
class Transfer:
    """One buffer out and back: bytes each way, and seconds by the card's clock."""

    bytes_sent: int
    bytes_received: int
    seconds: float


@final
class OpenChannel:
    """One channel of an open card, with the same four calls as the endpoint has."""

    def __init__(self, uri: str, clock: Clock, operation: Operation, channel: Channel, number: int, seed: int) -> None:
        self.name = channel.name
        self.limits = channel.limits
        self.in_step = True
        """False after a fault, until `recover()`."""
        self._uri = uri
        self._number = number
        self._seed = seed
        self._clock = clock
        self._operation = operation
        self._mover: Mover = mover_for(channel)
        self._outward = threading.Lock()
        self._inward = threading.Lock()
        self._taking = threading.Lock()
        self._next_sequence = 0

    def default_timeout_s(self, nbytes: int) -> float:
        """Seconds that moving `nbytes` may take unless the caller says otherwise: ten times nominal, and five."""
        return 5.0 + 10.0 * nbytes / self.limits.nominal_bytes_per_s

    def send(self, data: Any, timeout: float | None = None) -> int:
        """As `Endpoint.send`."""
        with named(self._uri, "send"):
            view = self._view(data, writable=False)
            with self._call("send", len(view), timeout, self._outward) as deadline:
                moved = self._mover.send(view, deadline)
                _require_whole(moved, len(view), "sent", deadline)
        return moved

    def receive_into(self, buffer: Any, timeout: float | None = None) -> int:
        """As `Endpoint.receive_into`."""
        with named(self._uri, "receive_into"):
            view = self._view(buffer, writable=True)
            with self._call("receive_into", len(view), timeout, self._inward) as deadline:
                moved = self._mover.receive_into(view, deadline)
                _require_whole(moved, len(view), "received", deadline)
        return moved

    def loopback(self, data: Any, buffer: Any, timeout: float | None = None) -> Transfer:
        """As `Endpoint.loopback`."""
        with named(self._uri, "loopback"):
            out, into = self._view(data, writable=False), self._view(buffer, writable=True)
            if len(out) != len(into):
                raise BadInput(f"{len(out)} bytes out do not fit {len(into)} bytes in; give buffers of one length")
            if np.shares_memory(byte_view(out), byte_view(into)):
                raise BadInput("data and buffer overlap; receive into memory of its own")
            with self._call("loopback", len(out), timeout, self._outward, self._inward) as deadline:
                started_s = self._clock.now_s()
                sent, received = self._mover.loopback(out, into, deadline)
                _require_whole(received, len(out), "returned", deadline)
                _require_whole(sent, len(out), "sent", deadline)
                seconds = self._clock.now_s() - started_s
        return Transfer(bytes_sent=sent, bytes_received=received, seconds=seconds)

    def check(
        self,
        pattern: str | Pattern,
        nbytes: int,
        *,
        block: int | None = None,
        depth: int | None = None,
        direction: Literal["both", "to_card", "from_card"] = "both",
        digest: bool = False,
        timeout: float | None = None,
        progress: Callable[[int], Any] | None = None,
    ) -> Comparison:
        """As `Endpoint.check`."""
        with named(self._uri, "check"):
            if direction not in ("both", "to_card", "from_card"):
                raise BadInput(f'direction is {direction!r}; give "both", "to_card" or "from_card"')
            if direction != "both":
                raise NotOffered("one direction alone needs a PatternEngine")
            job = self._job(pattern, nbytes, block, depth, digest, progress)
            with self._call("check", nbytes, timeout, self._outward, self._inward) as deadline:
                result = self._mover.check(job, deadline)
                if result.stalled or result.surplus_bytes or result.bytes_received < nbytes:
                    self.in_step = False
        return result

    def take_sequences(self, count: int) -> int:
        """The first of `count` sequence numbers that no earlier buffer of this channel had."""
        with self._taking:
            first = self._next_sequence
            self._next_sequence += count
        return first

    @contextmanager
    def alone(self) -> Generator[None]:
        """Keep every other call off the channel, as recovery and reset need. Raises EndpointBusy."""
        with ExitStack() as taken:
            self._take(taken, self._outward, self._inward)
            yield

    def drain(self, deadline: Deadline) -> int:
        """Discard what a failed call left under way; for `Endpoint.recover`."""
        return self._mover.drain(deadline)

    def replace(self, channel: Channel, clock: Clock) -> None:
        """Go on over a new connection; for `Endpoint.recover`."""
        self._mover = mover_for(channel)
        self.limits = channel.limits
        self._clock = clock

    def _job(
        self,
        pattern: str | Pattern,
        nbytes: int,
        block: int | None,
        depth: int | None,
        digest: bool,
        progress: Callable[[int], Any] | None,
    ) -> CheckJob:
        limits = self.limits
        chosen = cast("object", pattern)
        if isinstance(chosen, str):
            chosen = make_pattern(chosen, seed=self._seed, channel=self._number)
        if not isinstance(chosen, Pattern):
            raise BadInput(f"{type(chosen).__name__} is no pattern; give a name or what laneproof.pattern returns")
        size = min(DEFAULT_BLOCK, largest_piece(limits))
        size = max(limits.granularity, size - size % limits.granularity) if block is None else block
        under_way = limits.queue_depth if depth is None else depth
        for name, value in (("nbytes", nbytes), ("block", size), ("depth", under_way)):
            checked_index(name, value, COUNT_LIMIT)
        if size < 1 or under_way < 1:
            raise BadInput(f"block {size}, depth {under_way}: give at least 1 and 1")
        for name, value in (("nbytes", nbytes), ("block", size)):
            if value % limits.granularity:
                raise BadInput(f"{name} {value} is no multiple of the card's granularity, {limits.granularity}")
        if size > limits.max_transfer:
            raise BadInput(f"block {size} is more than the card's largest transfer, {limits.max_transfer}")
        return CheckJob(
            nbytes=nbytes,
            block=size,
            depth=under_way,
            stretch=self._stretches(chosen, -(-nbytes // size), size),
            progress=progress,
            digest=digest,
        )

    def _stretches(self, pattern: Pattern, blocks: int, size: int) -> Callable[[int], tuple[Pattern, int]]:
        if pattern.state is not None:  # a sequence that the card's own checker follows: it must not jump
            return lambda number: (pattern, number * size)
        first = pattern.sequence + self.take_sequences(blocks)
        return lambda number: (pattern.for_sequence(first + number), 0)

    @contextmanager
    def _call(self, name: str, nbytes: int, timeout: float | None, *locks: threading.Lock) -> Generator[Deadline]:
        with ExitStack() as taken:
            self._take(taken, *locks)
            if not self.in_step:
                raise OutOfStep(f"channel {self.name} may hold bytes of a call that failed; call recover() first")
            limit_s = self.default_timeout_s(nbytes) if timeout is None else timeout
            with self._operation(name, limit_s) as deadline:
                try:
                    yield deadline
                except BaseException:  # whatever ended it, bytes may be under way
                    self.in_step = False
                    raise

    def _take(self, taken: ExitStack, *locks: threading.Lock) -> None:
        for lock in locks:
            if not lock.acquire(blocking=False):
                raise EndpointBusy(f"channel {self.name} has another call under way")
            taken.callback(lock.release)

    def _view(self, data: Any, *, writable: bool) -> memoryview:
        flat = byte_view(data, writable=writable)
        granularity, alignment = self.limits.granularity, self.limits.alignment
        if flat.size % granularity:
            raise BadInput(f"{flat.size} bytes is no multiple of the card's granularity, {granularity}")
        if flat.size and flat.ctypes.data % alignment:
            raise BadInput(f"the buffer is not aligned to {alignment} bytes; allocate() gives memory that is")
        return flat.data


def _require_whole(moved: int, wanted: int, verb: str, deadline: Deadline) -> None:
    if moved == wanted:
        return
    if deadline.left_s() <= SLICE_S:  # a driver that waits in slices may be done one early
        raise TransferTimeout(f"{verb} {moved} of {wanted} bytes before the deadline", moved=moved)
    raise DriverFault(f"the card {verb} {moved} of {wanted} bytes and ended the transfer")
