"""The card's side of the protocol without any I/O, for a program that stands for a card.

Takes the host's bytes, whoever sends them, and says what is asked for; takes results, and makes bytes of them. What is
asked is not done here. Holds no more than what its offer allows: for each channel `queue_depth` tickets of
`max_transfer` bytes each way. Not safe for two threads.
"""

from __future__ import annotations

import hmac
from collections import deque
from collections.abc import Sequence

from attrs import define, field, frozen

from laneproof_drivers.framing.frame import Frame, FrameDecoder, FrameError, encoded
from laneproof_drivers.framing.messages import (
    ANSWER,
    CARD,
    TICKET,
    WRAP,
    ChannelOffer,
    Counts,
    Done,
    Fault,
    Hello,
    Kind,
    Malformed,
    Offer,
    Start,
    Why,
)
from laneproof_drivers.framing.more_of_the_card import Engine, PatternOrder

_ONCE = (Kind.RESET, Kind.PATTERN)
_MOST_QUEUED = 1 << 20
"""Bytes of answers that wait; beyond it none is added."""


@frozen
class Greeted:
    """A host has said HELLO: nothing of an earlier one is of use any more."""


@frozen
class Transfer:
    """A ticket, whole: its bytes out, and room for what comes back; None where a side has no part in it."""

    channel: int
    ticket: int
    out: bytes | None
    room: int | None


@frozen
class Asked:
    """A request to be answered: READ, STOP, RESET or PATTERN. `value` is what to read, or the level."""

    kind: Kind
    number: int
    channel: int
    value: int = 0
    order: PatternOrder | None = None


@define(eq=False)
class _Incoming:
    start: Start
    data: bytearray = field(factory=bytearray)


@define(eq=False)
class _Outgoing:
    done: Done
    data: memoryview
    at: int = 0


@define(eq=False)
class _Channel:
    number: int
    offer: ChannelOffer
    incoming: dict[int, _Incoming] = field(factory=dict)
    """Tickets whose DATA is not all there, and those behind them, in the order of their STARTs."""
    out: set[int] = field(factory=set)
    """Tickets that are not done."""
    started: int = 0
    """Tickets so far that have something come back."""
    outgoing: deque[_Outgoing] = field(factory=deque)
    host_window: int = 0
    faulty: bool = False
    """Something was lost or wrong: nothing is taken until STOP, RESET or HELLO."""
    frames_sent: int = 0
    frames_taken: int = 0
    bytes_sent: int = 0
    bytes_taken: int = 0
    credit: int = 0
    granted: int = 0

    def begin(self) -> None:
        self.incoming.clear()
        self.out.clear()
        self.outgoing.clear()
        self.faulty = False
        self.started = 0
        self.frames_sent = self.frames_taken = self.bytes_sent = self.bytes_taken = 0
        self.credit, self.granted = self.host_window, self.offer.window

    def counts(self) -> Counts:
        return Counts(self.frames_taken, self.frames_sent, self.granted)

    def room(self) -> int:
        room = (self.credit - self.bytes_sent) % WRAP
        return room if room < WRAP // 2 else 0


class CardSide:
    """`offer` is what HELLO is answered with, to a host that gives the `token` where there is one."""

    def __init__(self, offer: Offer, token: bytes = b"") -> None:
        self._offer = offer
        self._token = token
        self._decoder = FrameDecoder(offer.most_payload)
        self._channels = [_Channel(number, channel) for number, channel in enumerate(offer.channels)]
        self._control: deque[bytes] = deque()
        self._queued = 0
        self._host: Hello | None = None
        self._greeting = 0
        """The number of the HELLO that was answered last."""
        self._once: tuple[int, bytes | None] = (0, None)
        """The number of the last request that is not done twice, and its answer once it is done."""

    @property
    def greeted(self) -> bool:
        """Whether a host has said HELLO, and was let in."""
        return self._host is not None

    def started(self, channel: int) -> int:
        """How many tickets that have something come back were begun since the channel was. From any thread."""
        return self._channels[channel].started

    # --- what was asked

    def take(self, data: bytes) -> list[Greeted | Transfer | Asked]:
        """What these bytes ask for. Never raises: what makes no sense is answered with a FAULT."""
        asked: list[Greeted | Transfer | Asked] = []
        for found in self._decoder.feed(data):
            if isinstance(found, FrameError):
                self._damaged(found)
                continue
            try:
                asked += self._frame(found)
            except Malformed as error:
                self._fault(found.channel, found.sequence * (found.kind < Kind.START), Why.NOT_UNDERSTOOD, str(error))
        return asked

    def _frame(self, frame: Frame) -> Sequence[Greeted | Transfer | Asked]:
        if frame.kind == Kind.HELLO:
            return self._hello(frame)
        if self._host is None:
            raise Malformed("say HELLO first")
        if frame.kind == Kind.READ and len(frame.payload) == 1:
            return [Asked(Kind.READ, frame.sequence, CARD, frame.payload[0])]
        if frame.kind in _ONCE:
            return self._not_twice(frame)
        if frame.channel >= len(self._channels):
            raise Malformed(f"there is no message of type {frame.kind:#x} about channel {frame.channel}")
        return self._of_channel(self._channels[frame.channel], frame)

    def _not_twice(self, frame: Frame) -> list[Asked]:
        number, answer = self._once
        if frame.sequence == number:
            if answer is not None:  # which was lost
                self._send(frame.kind | ANSWER, frame.channel, number, answer)
            return []
        if frame.kind == Kind.PATTERN:
            order = PatternOrder.read(frame.payload)
            if order.what == Engine.START and frame.channel >= len(self._channels):
                raise Malformed(f"there is no channel {frame.channel}")
            asked = Asked(Kind.PATTERN, frame.sequence, frame.channel, order=order)
        elif len(frame.payload) == 1:
            asked = Asked(Kind.RESET, frame.sequence, CARD, frame.payload[0])
        else:
            raise Malformed("a RESET has one byte")
        self._once = (frame.sequence, None)
        return [asked]

    def _hello(self, frame: Frame) -> list[Greeted]:
        hello, offer = Hello.read(frame.payload), self._offer.packed()
        if len(offer) > hello.most_payload:
            raise Malformed(f"the answer has {len(offer)} bytes, more than the host takes")
        if not hmac.compare_digest(hello.token, self._token):
            self._host = None
            self._fault(CARD, frame.sequence, Why.NOT_PERMITTED, "its token is missing or wrong; give token_file")
            return []
        repeated = self._host is not None and frame.sequence == self._greeting
        if not repeated:
            self._host, self._greeting, self._once = hello, frame.sequence, (0, None)
            for at in self._channels:
                at.host_window = hello.window
                at.begin()
            self._control.clear()
            self._queued = 0
        self._send(Kind.HELLO | ANSWER, CARD, frame.sequence, offer)
        return [] if repeated else [Greeted()]

    def _of_channel(self, at: _Channel, frame: Frame) -> Sequence[Transfer | Asked]:
        if frame.kind == Kind.STOP:
            return [Asked(Kind.STOP, frame.sequence, at.number)]
        if frame.kind in (Kind.COUNTS, Kind.CREDIT):
            if len(frame.payload) != 4:
                raise Malformed("a credit has four bytes")
            at.credit = int.from_bytes(frame.payload, "little")
            if frame.kind == Kind.COUNTS:
                self._send(Kind.COUNTS | ANSWER, at.number, frame.sequence, at.counts().packed())
            return []
        if frame.kind not in (Kind.START, Kind.DATA):
            raise Malformed(f"there is no message of type {frame.kind:#x}")
        if at.faulty:
            return []
        if frame.sequence != at.frames_taken:
            self.fail(at.number, Why.FRAME_LOST, f"frame {frame.sequence} came where {at.frames_taken} was due")
            return []
        at.frames_taken = (at.frames_taken + 1) % WRAP
        try:
            if frame.kind == Kind.START:
                self._start(at, frame)
            else:
                self._data(at, frame)
        except Malformed as error:
            self.fail(at.number, Why.LIMIT_PASSED, str(error))
            return []
        return self._whole(at)

    def _start(self, at: _Channel, frame: Frame) -> None:
        start, limits = Start.read(frame.payload), at.offer.limits
        if start.ticket in at.out or len(at.out) >= limits.queue_depth:
            raise Malformed(f"ticket {start.ticket} is out, or {limits.queue_depth} others are")
        if (start.out or 0) > limits.max_transfer or (start.room or 0) > limits.max_transfer + limits.granularity:
            raise Malformed(f"a transfer moves at most {limits.max_transfer} bytes")
        at.out.add(start.ticket)
        at.started += start.room is not None
        at.incoming[start.ticket] = _Incoming(start)

    @staticmethod
    def _whole(at: _Channel) -> list[Transfer]:
        """Tickets that can begin. One that waits for DATA holds up those behind it, lest they take what is its own."""
        whole: list[Transfer] = []
        while at.incoming:
            ticket, incoming = next(iter(at.incoming.items()))
            start = incoming.start
            if len(incoming.data) < (start.out or 0):
                break
            del at.incoming[ticket]
            whole.append(Transfer(at.number, ticket, None if start.out is None else bytes(incoming.data), start.room))
        return whole

    def _data(self, at: _Channel, frame: Frame) -> None:
        data = memoryview(frame.payload)[TICKET.size :]
        if not data:
            raise Malformed("DATA without data")
        at.bytes_taken = (at.bytes_taken + len(data)) % WRAP
        left = (at.granted - at.bytes_taken) % WRAP
        if left >= WRAP // 2:
            raise Malformed("there was no credit for so much")
        if left <= at.offer.window // 2:
            at.granted = (at.bytes_taken + at.offer.window) % WRAP
            self._send(Kind.CREDIT, at.number, 0, at.granted.to_bytes(4, "little"))
        (ticket,) = TICKET.unpack_from(frame.payload)
        incoming = at.incoming.get(ticket)
        if incoming is None:
            if ticket in at.out:
                raise Malformed(f"ticket {ticket} has all its data")
            return  # it ended early; the rest was under way
        due = incoming.start.out or 0
        if len(incoming.data) + len(data) > due:
            raise Malformed(f"ticket {ticket} has {due} bytes, and no more")
        incoming.data += data

    def _damaged(self, error: FrameError) -> None:
        """What it was cannot be known: whatever is under way may lack it."""
        busy = [at for at in self._channels if at.out]
        for at in busy:
            self.fail(at.number, Why.FRAME_DAMAGED, f"{error.nbytes} bytes arrived that are no frame ({error.what})")

    # --- what is answered

    def answer(self, asked: Asked, payload: bytes = b"") -> None:
        """What was asked has been done. A RESET and a STOP begin their channels anew."""
        assert self._host is not None
        if len(payload) > self._host.most_payload:
            self.refuse(asked, Why.FAILED, f"the answer has {len(payload)} bytes, more than the host takes")
            return
        if asked.kind == Kind.STOP:
            payload = self._channels[asked.channel].counts().packed()
            self._channels[asked.channel].begin()
        elif asked.kind == Kind.RESET:
            for at in self._channels:
                at.begin()
        if asked.kind in _ONCE:
            self._once = (asked.number, payload)
        self._send(asked.kind | ANSWER, asked.channel, asked.number, payload)

    def refuse(self, asked: Asked, code: Why, why: str) -> None:
        if asked.kind in _ONCE:
            self._once = (0, None)  # not done, so it may be tried again
        self._fault(asked.channel, asked.number, code, why)

    def complete(self, channel: int, done: Done, data: bytes | bytearray | memoryview = b"") -> None:
        """A ticket has ended; `data` is what came back. One that was stopped meanwhile is nobody's any more."""
        at = self._channels[channel]
        if done.ticket in at.out and not at.faulty:
            at.incoming.pop(done.ticket, None)
            at.outgoing.append(_Outgoing(done, memoryview(data).cast("B")))

    def fail(self, channel: int, code: Why, why: str) -> None:
        """Something went wrong on a channel: it rests until the host has stopped it."""
        at = self._channels[channel]
        if not at.faulty:
            at.faulty = True
            at.incoming.clear()
            at.outgoing.clear()
            self._fault(channel, 0, code, why)

    # --- bytes out

    def outgoing(self, most: int) -> bytes:
        """The next bytes to send: all that is queued, then DATA and DONE, until there are `most`."""
        parts = list(self._control)
        self._control.clear()
        self._queued = 0
        size = sum(map(len, parts))
        while size < most:
            frames = [self._next(at) for at in self._channels if self._may_go(at)]
            if not frames:
                break
            parts += frames
            size += sum(map(len, frames))
        return b"".join(parts)

    @property
    def queued(self) -> int:
        """Bytes of answers that wait to be sent; DATA waits as it is."""
        return self._queued

    @property
    def pending(self) -> bool:
        return bool(self._control) or any(map(self._may_go, self._channels))

    def _may_go(self, at: _Channel) -> bool:
        return bool(at.outgoing) and (at.outgoing[0].at == len(at.outgoing[0].data) or at.room() > 0)

    def _next(self, at: _Channel) -> bytes:
        assert self._host is not None
        first = at.outgoing[0]
        piece = first.data[first.at :][: min(at.room(), self._host.most_payload - TICKET.size)]
        if len(piece):
            kind, payload = Kind.DATA, TICKET.pack(first.done.ticket) + piece
            first.at += len(piece)
            at.bytes_sent = (at.bytes_sent + len(piece)) % WRAP
        else:
            kind, payload = Kind.DONE, first.done.packed()
            at.outgoing.popleft()
            at.out.discard(first.done.ticket)
        frame = Frame(kind, at.number, at.frames_sent, payload)
        at.frames_sent = (at.frames_sent + 1) % WRAP
        return encoded(frame)

    def _send(self, kind: int, channel: int, number: int, payload: bytes) -> None:
        if self._queued > _MOST_QUEUED:
            return  # a host that takes no answers: one that does asks again
        line = encoded(Frame(kind, channel, number, payload))
        self._control.append(line)
        self._queued += len(line)

    def _fault(self, channel: int, number: int, code: Why, why: str) -> None:
        self._send(Kind.FAULT, channel, number, Fault(code, why).packed())


def refusal(code: Why, why: str) -> bytes:
    """What a host is told whose HELLO is not even read, before its connection is closed."""
    return encoded(Frame(Kind.FAULT, CARD, 0, Fault(code, why).packed()))
