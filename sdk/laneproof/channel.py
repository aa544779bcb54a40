"""`OpenChannel`: the four calls that move bytes, on one channel of an open card.

Here: which calls may run at once, buffers and sizes checked before anything is written, and when a channel is out of
step. How bytes move is in `moving`; what a card is and how it recovers, in `endpoint`.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from typing import Any, Literal, NamedTuple, cast, final

from numpy import may_share_memory, ndarray

from laneproof.calls import Call, CallsUnderWay, Turn
from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Channel
from laneproof.errors import BadInput, DriverFault, NotOffered, OutOfStep, TransferTimeout
from laneproof.integrity import Comparison, DamageRecord, Pattern, kernels
from laneproof.integrity import pattern as make_pattern
from laneproof.integrity.allocation import COUNT_LIMIT, checked_index
from laneproof.integrity.buffers import byte_view
from laneproof.moving import Allocate, CheckJob, Mover, mover_for
from laneproof.moving.blocks import Stretch, largest_piece
from laneproof.moving.card_check import CardCheck, CardEngine, Direction

_LEAST_BLOCK = 1 << 20
_BLOCK_S = 1e-3
_OWNERS = (bytes, bytearray)
"""What has its memory to itself."""
_PROCESSORS = len(os.sched_getaffinity(0))
_THREAD_NBYTES = 4 << 20
"""From blocks of this size on, others than the caller's thread verify and fill them: smaller ones are done sooner than
handed over."""


class Transfer(NamedTuple):
    """One buffer out and back: bytes each way, and seconds by the card's clock."""

    bytes_sent: int
    bytes_received: int
    seconds: float


_made = cast(
    "Callable[[type[Transfer], tuple[int, int, float]], Transfer]",
    tuple.__new__,  # pyright: ignore[reportUnknownMemberType]
)
"""What `Transfer` itself calls, in half the time."""


@final
class OpenChannel:
    """One channel of an open card, with the same four calls as the endpoint has."""

    def __init__(
        self,
        calls: CallsUnderWay,
        channel: Channel,
        number: int,
        seed: int,
        allocate: Allocate | None = None,
        engine: Callable[[], CardEngine | None] = lambda: None,
    ) -> None:
        self.name = channel.name
        self.in_step = True
        """False after a fault, until `recover()`."""
        self._calls = calls
        self._number = number
        self._seed = seed
        self._allocate = allocate
        self._engine = engine
        self._mover: Mover
        self.replace(channel)
        busy = f"channel {channel.name} has another call under way"
        self._outward = (Turn(busy),)
        self._inward = (Turn(busy),)
        self.turns = self._outward + self._inward
        """What a call holds that bears no other beside it."""
        self._send = Call(calls, "send", self._outward, self._fall_out)
        self._receive = Call(calls, "receive_into", self._inward, self._fall_out)
        self._loopback = Call(calls, "loopback", self.turns, self._fall_out)
        self._taking = threading.Lock()
        self._next_sequence = 0

    @property
    def default_block(self) -> int:
        """Bytes that a check moves at a time: 1 MiB, or what a faster card moves in a millisecond, as far as it can.

        With less in a block, the work around it takes longer than moving it; in virtual time it takes none.
        """
        fast = 0 if self._calls.clock.virtual else int(self.limits.nominal_bytes_per_s * _BLOCK_S)
        size = min(max(_LEAST_BLOCK, 1 << max(0, fast.bit_length() - 1)), largest_piece(self.limits))
        return max(self.limits.granularity, size - size % self.limits.granularity)

    def default_timeout_s(self, nbytes: int) -> float:
        """Seconds that moving `nbytes` may take unless the caller says otherwise: ten times nominal, and five."""
        return 5.0 + self._timeout_s_per_byte * nbytes

    def send(self, data: Any, timeout: float | None = None) -> int:
        """As `Endpoint.send`."""
        with self._send as call:
            out = _row_of_bytes(data, False)
            if not self._any_buffer_fits:
                self._require_fit(out)
            deadline = self._begin(call, len(out), timeout)
            moved = self._mover.send(out, deadline)
            _require_whole(moved, len(out), "sent", deadline)
        return moved

    def receive_into(self, buffer: Any, timeout: float | None = None) -> int:
        """As `Endpoint.receive_into`."""
        with self._receive as call:
            into = _row_of_bytes(buffer, True)
            if not self._any_buffer_fits:
                self._require_fit(into)
            deadline = self._begin(call, len(into), timeout)
            moved = self._mover.receive_into(into, deadline)
            _require_whole(moved, len(into), "received", deadline)
        return moved

    def loopback(self, data: Any, buffer: Any, timeout: float | None = None) -> Transfer:
        """As `Endpoint.loopback`."""
        with self._loopback as call:
            out, into = _row_of_bytes(data, False), _row_of_bytes(buffer, True)
            nbytes = len(out)
            if nbytes != len(into):
                raise BadInput(f"{nbytes} bytes out do not fit {len(into)} bytes in; give buffers of one length")
            if not self._any_buffer_fits:
                self._require_fit(out, into)
            if nbytes and _overlap(out, into):
                raise BadInput("data and buffer overlap; receive into memory of its own")
            deadline = self._begin(call, nbytes, timeout)
            sent, received = self._mover.loopback(out, into, deadline)
            seconds = deadline.clock.now_s() - deadline.made_s
            if not received == sent == nbytes:
                _require_whole(received, nbytes, "returned", deadline)
                _require_whole(sent, nbytes, "sent", deadline)
        return _made(Transfer, (sent, received, seconds))

    def check(
        self,
        pattern: str | Pattern,
        nbytes: int,
        *,
        block: int | None = None,
        depth: int | None = None,
        direction: Literal["both", "to_card", "from_card"] = "both",
        digest: bool = False,
        more_follows: bool = False,
        enough: threading.Event | None = None,
        damage: DamageRecord | None = None,
        timeout: float | None = None,
        progress: Callable[[int], Any] | None = None,
    ) -> Comparison:
        """As `Endpoint.check`."""
        if direction != "both":
            own = (block, depth, digest) == (None, None, False)
            return self._check_by_card(pattern, nbytes, direction, timeout, progress, enough, by_default=own)
        with Call(self._calls, "check", self.turns, self._fall_out) as call:
            job = self._job(pattern, nbytes, block, depth, digest, progress, more_follows, enough, damage)
            # Now, for no deadline allows for it: loading takes a second, compiling many.
            kernels.for_bytes(job.block if self._calls.clock.virtual else nbytes)
            result = self._mover.check(job, self._begin(call, nbytes, timeout))
            if result.stalled or result.surplus_bytes or result.bytes_received < result.bytes_expected:
                self._fall_out()
        return result

    def _check_by_card(
        self,
        pattern: str | Pattern,
        nbytes: int,
        direction: Direction,
        timeout: float | None,
        progress: Callable[[int], Any] | None,
        enough: threading.Event | None,
        *,
        by_default: bool,
    ) -> Comparison:
        # No bytes of ours are under way, so whatever happens leaves nothing out of step.
        with Call(self._calls, "check", self.turns) as call:
            if direction not in ("to_card", "from_card"):
                raise BadInput(f'direction is {direction!r}; give "both", "to_card" or "from_card"')
            engine = self._engine()
            if engine is None:
                raise NotOffered("one direction alone needs a PatternEngine")
            if not isinstance(pattern, str):
                raise BadInput("the card makes its own pattern; give the name of one that its PatternEngine has")
            if not by_default:
                raise BadInput("the card moves and compares by itself; leave block, depth and digest out")
            checked_index("nbytes", nbytes, COUNT_LIMIT)
            job = CardCheck(
                channel=self.name,
                direction=direction,
                pattern=pattern,
                nbytes=nbytes,
                bits_per_s=8 * self.limits.nominal_bytes_per_s,
                progress=progress,
                enough=enough,
            )
            return job.run(engine, self._begin(call, nbytes, timeout))

    def take_sequences(self, count: int) -> int:
        """The first of `count` sequence numbers that no earlier buffer of this channel had."""
        with self._taking:
            first = self._next_sequence
            self._next_sequence += count
        return first

    def drain(self, deadline: Deadline) -> int:
        """Discard what a failed call left under way; for `Endpoint.recover`."""
        return self._mover.drain(deadline)

    def replace(self, channel: Channel) -> None:
        """Go on over a new connection; for `Endpoint.recover`."""
        self._mover = mover_for(channel, self._allocate)
        self.limits = limits = channel.limits
        self._timeout_s_per_byte = 10.0 / limits.nominal_bytes_per_s
        self._any_buffer_fits = limits.granularity == limits.alignment == 1

    def _job(
        self,
        pattern: str | Pattern,
        nbytes: int,
        block: int | None,
        depth: int | None,
        digest: bool,
        progress: Callable[[int], Any] | None,
        more_follows: bool,
        enough: threading.Event | None,
        damage: DamageRecord | None,
    ) -> CheckJob:
        limits = self.limits
        chosen = cast("object", pattern)
        if isinstance(chosen, str):
            chosen = make_pattern(chosen, seed=self._seed, channel=self._number)
        if not isinstance(chosen, Pattern):
            raise BadInput(f"{type(chosen).__name__} is no pattern; give a name or what laneproof.pattern returns")
        size = self.default_block if block is None else block
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
            more_follows=more_follows,
            enough=enough,
            wrong=None if damage is None else damage.keep,
            threads=1 if self._calls.clock.virtual else _PROCESSORS if size >= _THREAD_NBYTES else 1,
            # Where time is virtual, filling costs none, and damage is clearer where everything was wrong beforehand.
            in_place=not self._calls.clock.virtual,
        )

    def _stretches(self, pattern: Pattern, blocks: int, size: int) -> Callable[[int], Stretch]:
        if pattern.state is not None:  # a sequence that the card's own checker follows: it must not jump
            return lambda number: (pattern, number * size)
        first = pattern.sequence + self.take_sequences(blocks)
        return lambda number: (pattern.for_sequence(first + number), 0)

    def _begin(self, call: Call, nbytes: int, timeout: float | None) -> Deadline:
        if not self.in_step:
            raise OutOfStep(f"channel {self.name} may hold bytes of a call that failed; call recover() first")
        return call.begin(self.default_timeout_s(nbytes) if timeout is None else timeout)

    def _fall_out(self) -> None:
        """Whatever ended a call, bytes may be under way."""
        self.in_step = False

    def _require_fit(self, *views: memoryview) -> None:
        """Raises BadInput for buffers, of one length, that the card cannot take."""
        limits, nbytes = self.limits, len(views[0])
        if nbytes % limits.granularity:
            raise BadInput(f"{nbytes} bytes is no multiple of the card's granularity, {limits.granularity}")
        if limits.alignment > 1 and nbytes:  # asking numpy for an address takes a microsecond
            for view in views:
                if byte_view(view).ctypes.data % limits.alignment:
                    why = f"the buffer is not aligned to {limits.alignment} bytes; allocate() gives memory that is"
                    raise BadInput(why)


def _row_of_bytes(data: Any, writable: bool) -> memoryview:
    """The memory of any buffer as one row of bytes. Raises BadInput as `byte_view` does, which takes longer."""
    if type(data) is bytearray or (type(data) is bytes and not writable):
        return memoryview(data)
    try:
        view = data if type(data) is memoryview else memoryview(data)
        if view.format == "B" and view.ndim == 1 and view.c_contiguous and not (writable and view.readonly):
            return view
    except (TypeError, ValueError, BufferError):  # byte_view knows what to say
        pass
    return byte_view(data, writable=writable).data


def _overlap(one: memoryview, other: memoryview) -> bool:
    """Whether two rows of bytes, neither of them empty, have any in common."""
    its, others = one.obj, other.obj
    if isinstance(its, ndarray) and isinstance(others, ndarray):  # of which they may be parts
        if (its.base is others.base is None and its is not others) or not may_share_memory(its, others):
            return False
    elif its is not others and type(its) in _OWNERS and type(others) in _OWNERS:
        return False
    return may_share_memory(byte_view(one), byte_view(other))  # exact for two rows of bytes


def _require_whole(moved: int, wanted: int, verb: str, deadline: Deadline) -> None:
    if moved == wanted:
        return
    if deadline.left_s() <= SLICE_S:  # a driver that waits in slices may be done one early
        raise TransferTimeout(f"{verb} {moved} of {wanted} bytes before the deadline", moved=moved)
    raise DriverFault(f"the card {verb} {moved} of {wanted} bytes and ended the transfer")
