"""The host's side of the protocol without any I/O: bytes in, bytes out, tickets and requests between.

Nothing lost or damaged is repaired: a DATA, START or DONE that does not arrive in its turn ends the channel's transfers
with a fault of the carrier. Who moves the bytes, waits and repeats requests is `framed_card`'s business. Not safe for
two threads.
"""

from __future__ import annotations

from collections import deque

from laneproof.contract import Completion
from laneproof.errors import CannotOpen, CardInUse, DeviceLost, DriverFault, LaneproofError, NotOffered
from laneproof_drivers.framing.frame import DELIMITER, MOST_PAYLOAD, Frame, FrameDecoder, FrameError, encoded
from laneproof_drivers.framing.host_channel import HostChannel, Ticket
from laneproof_drivers.framing.messages import (
    ANSWER,
    CARD,
    STATUSES,
    TICKET,
    WRAP,
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

_MOST_COUNTS = 8
CARRIER = "the fault of what carries the frames, not of the slot; check cable, speed and flow control"
_DAMAGE = {"truncated": "cut short", "oversized": "too long", "crc": "damaged", "version": "of another version"}


class HostSide:
    """`number` is that of the first request, best a random one, so that no answer to an earlier program fits it."""

    def __init__(self, number: int, window: int, token: bytes = b"", most_payload: int = MOST_PAYLOAD) -> None:
        self.offer: Offer | None = None
        self.echoed = False
        """Our own HELLO came back: nobody reads, and something returns what is sent."""
        self.strange = 0
        """Bytes that arrived before the answer to HELLO and are no frames."""
        self._number = number
        self._window = window
        self._decoder = FrameDecoder(most_payload)
        self._channels: list[HostChannel] = []
        self._control: deque[bytes] = deque()
        self._asked: dict[int, tuple[bytes, Frame | None]] = {}
        self.hello = self.ask(Kind.HELLO, payload=Hello(most_payload, window, token).packed())

    # --- requests

    def ask(self, kind: Kind, channel: int = CARD, payload: bytes = b"") -> int:
        """Queue a request; the number under which it is answered."""
        number = self._number
        self._number = number % (WRAP - 1) + 1
        # The zero before it ends whatever was left half sent, by an earlier program or by a line that lost the end.
        self._asked[number] = (DELIMITER + encoded(Frame(kind, channel, number, payload)), None)
        self.ask_again(number)
        return number

    def ask_again(self, number: int) -> None:
        self._control.append(self._asked[number][0])

    def answer(self, number: int) -> Frame | None:
        """The answer, or the FAULT, if it has come."""
        return self._asked[number][1]

    def forget(self, number: int) -> None:
        self._asked.pop(number, None)

    # --- transfers

    def submit(self, channel: int, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        at = self._channels[channel]
        wire = ticket % WRAP
        made = Ticket(ticket, None if out is None else out.cast("B"), None if into is None else into.cast("B"))
        at.tickets[wire] = made
        start = Start(wire, None if out is None else out.nbytes, None if into is None else into.nbytes)
        self._control.append(self._counted(at, Kind.START, start.packed()))
        if made.out is not None and made.out.nbytes:
            at.sending.append(made)

    def completions(self, channel: int) -> list[Completion]:
        """What has completed since the last call. Raises the channel's fault once nothing is left to be returned."""
        at = self._channels[channel]
        done, at.completed = at.completed, []
        if not done and at.fault is not None:
            raise at.fault
        return done

    def outstanding(self, channel: int) -> bool:
        return bool(self._channels[channel].tickets)

    def stop(self, channel: int) -> int:
        """Complete every ticket, so that no buffer is touched any more, and ask the card to stop; the request's number.

        Answered, the channel begins anew."""
        at = self._channels[channel]
        at.end()
        at.stopping = self.ask(Kind.STOP, channel)
        return at.stopping

    def stopped(self, channel: int) -> list[Completion]:
        """What had not been fetched when it stopped. Raises, once before that, a fault that only the answer showed."""
        at = self._channels[channel]
        if at.fault is not None:
            fault, at.fault = at.fault, None
            raise fault
        done, at.stopped = at.stopped, []
        return done

    def count(self, channel: int) -> None:
        """Ask how far the card has come, to tell frames that were lost without a trace from a card that stalls."""
        at = self._channels[channel]
        if len(at.counting) < _MOST_COUNTS:
            number = self.ask(Kind.COUNTS, channel, at.granted.to_bytes(4, "little"))
            self.forget(number)  # each is another question, and none is repeated
            at.counting[number] = at.frames_sent

    def begin_all(self) -> None:
        """After a reset: every channel begins anew."""
        for at in self._channels:
            at.end()
            at.begin()

    # --- bytes out

    @property
    def pending(self) -> bool:
        """Whether there is something to send now."""
        return bool(self._control) or any(at.sending and at.room() for at in self._channels)

    def outgoing(self, most: int) -> bytes:
        """The next bytes to send: all that is queued, then DATA, until there are `most`."""
        parts = list(self._control)
        self._control.clear()
        size = sum(map(len, parts))
        while size < most:
            frames = [self._next_data(at) for at in self._channels if at.sending and at.room()]
            if not frames:
                break
            parts += frames
            size += sum(map(len, frames))
        return b"".join(parts)

    def _next_data(self, at: HostChannel) -> bytes:
        assert self.offer is not None
        ticket = at.sending[0]
        assert ticket.out is not None
        piece = ticket.out[ticket.sent :][: min(at.room(), self.offer.most_payload - TICKET.size)]
        ticket.sent += len(piece)
        if ticket.sent == len(ticket.out):
            at.sending.popleft()
        at.bytes_sent = (at.bytes_sent + len(piece)) % WRAP
        return self._counted(at, Kind.DATA, TICKET.pack(ticket.number % WRAP) + piece)

    def _counted(self, at: HostChannel, kind: Kind, payload: bytes) -> bytes:
        frame = Frame(kind, at.number, at.frames_sent, payload)
        at.frames_sent = (at.frames_sent + 1) % WRAP
        return encoded(frame)

    # --- bytes in

    def take(self, data: bytes) -> None:
        """Take in what arrived. What is wrong with it becomes a fault of the channels concerned."""
        for found in self._decoder.feed(data):
            if isinstance(found, FrameError):
                self._damaged(found)
            elif self.offer is None:
                self._before_hello(found)
            else:
                self._frame(found)

    def _damaged(self, error: FrameError) -> None:
        if self.offer is None:
            self.strange += error.nbytes
            return
        what = f"a frame of {error.nbytes} bytes arrived {_DAMAGE[error.what]}: {CARRIER}"
        for at in self._channels:
            if at.tickets and at.fault is None:
                at.fault = DriverFault(what)

    def _before_hello(self, frame: Frame) -> None:
        refused = frame.kind == Kind.FAULT and not frame.sequence
        if frame.sequence != self.hello and not refused:
            return  # an answer to an earlier program
        if frame.kind == Kind.HELLO:
            self.echoed = True
        elif frame.kind in (Kind.HELLO | ANSWER, Kind.FAULT):
            self._asked[self.hello] = (self._asked[self.hello][0], frame)
            if frame.kind != Kind.FAULT:
                try:
                    self.offer = Offer.read(frame.payload)
                except Malformed as error:
                    raise CannotOpen(f"the card's HELLO makes no sense: {error}") from None
                self._channels = [
                    HostChannel(number, offer, self._window) for number, offer in enumerate(self.offer.channels)
                ]

    def _frame(self, frame: Frame) -> None:
        if frame.kind & ANSWER or (frame.kind == Kind.FAULT and frame.sequence):
            self._answered(frame)
        elif frame.channel == CARD and frame.kind == Kind.FAULT:
            for at in self._channels:
                self._unasked(at, frame.payload)
        elif frame.channel < len(self._channels):
            self._of_channel(self._channels[frame.channel], frame)
        else:
            self._broke_all(f"it sent a message of type {frame.kind:#x} about channel {frame.channel}")

    def _answered(self, frame: Frame) -> None:
        for at in self._channels:
            if frame.sequence in at.counting:
                self._counts(at, frame)
                return
        asked = self._asked.get(frame.sequence)
        if asked is None:
            return  # a second answer to a request that was repeated
        for at in self._channels:
            if at.stopping == frame.sequence and frame.kind == Kind.STOP | ANSWER:
                self._stopped(at, frame)
        self._asked[frame.sequence] = (asked[0], frame)

    def _counts(self, at: HostChannel, frame: Frame) -> None:
        frames_sent = at.counting[frame.sequence]
        for number in list(at.counting):  # those before it are not answered any more
            del at.counting[number]
            if number == frame.sequence:
                break
        try:
            counts = Counts.read(frame.payload)
        except Malformed:
            return  # a card that cannot say is judged by its transfers
        at.credit = counts.credit
        self._compare(at, counts, frames_sent)

    def _stopped(self, at: HostChannel, frame: Frame) -> None:
        fault = at.fault
        try:
            if fault is None:
                self._compare(at, Counts.read(frame.payload), at.frames_sent)
        except Malformed as error:
            at.fault = DriverFault(f"the card broke the protocol: its answer to STOP makes no sense: {error}")
        found = None if fault is not None else at.fault
        at.begin()
        at.fault = found

    def _compare(self, at: HostChannel, counts: Counts, frames_sent: int) -> None:
        """What one side sent and the other never had."""
        if at.fault is not None:
            return
        to_card, to_host = (frames_sent - counts.taken) % WRAP, (counts.sent - at.frames_taken) % WRAP
        if to_card or to_host:
            lost = " and ".join(
                f"{count} on the way {way}" for count, way in ((to_card, "to the card"), (to_host, "back")) if count
            )
            at.fault = DriverFault(f"frames of channel {at.offer.name} were lost, {lost}: {CARRIER}")

    def _of_channel(self, at: HostChannel, frame: Frame) -> None:
        try:
            if frame.kind == Kind.FAULT:
                self._unasked(at, frame.payload)
            elif frame.kind == Kind.CREDIT:
                at.credit = _credit(frame.payload)
            elif frame.kind in (Kind.DATA, Kind.DONE):
                self._in_turn(at, frame)
            else:
                raise Malformed(f"it sent a message of type {frame.kind:#x}")
        except Malformed as error:
            self._broke(at, str(error))

    def _in_turn(self, at: HostChannel, frame: Frame) -> None:
        due = at.frames_taken
        if frame.sequence != due:
            if at.fault is None:
                came = f"frame {frame.sequence} of channel {at.offer.name} came where {due} was due"
                at.fault = DriverFault(f"{came}: {CARRIER}")
            return
        at.frames_taken = (due + 1) % WRAP
        if at.fault is not None or at.stopping is not None:
            return
        if frame.kind == Kind.DATA:
            self._data(at, frame.payload)
        else:
            self._done(at, Done.read(frame.payload))

    def _data(self, at: HostChannel, payload: bytes) -> None:
        data = memoryview(payload)[TICKET.size :]
        if not data:
            raise Malformed("it sent DATA without data")
        (wire,) = TICKET.unpack_from(payload)
        ticket = at.tickets.get(wire)
        if ticket is None:
            raise Malformed(f"it sent data for ticket {wire}, which is not out")
        if ticket.into is None or len(data) > len(ticket.into) - ticket.received:
            room = 0 if ticket.into is None else len(ticket.into)
            raise Malformed(f"it sent more than the {room} bytes that ticket {wire} has room for")
        at.bytes_taken = (at.bytes_taken + len(data)) % WRAP
        if (at.granted - at.bytes_taken) % WRAP >= WRAP // 2:
            raise Malformed("it sent more than it had credit for")
        ticket.into[ticket.received : ticket.received + len(data)] = data
        ticket.received += len(data)
        if (at.granted - at.bytes_taken) % WRAP <= self._window // 2:
            at.granted = (at.bytes_taken + self._window) % WRAP
            self._control.append(encoded(Frame(Kind.CREDIT, at.number, 0, at.granted.to_bytes(4, "little"))))

    def _done(self, at: HostChannel, done: Done) -> None:
        ticket = at.tickets.get(done.ticket)
        if ticket is None:
            raise Malformed(f"it ended ticket {done.ticket}, which is not out")
        if done.received != ticket.received or done.sent > ticket.sent:
            had = f"{done.sent} bytes out and {done.received} back"
            raise Malformed(f"it ended ticket {done.ticket} with {had}; {ticket.sent} went and {ticket.received} came")
        del at.tickets[done.ticket]
        if ticket in at.sending:
            at.sending.remove(ticket)
        at.completed.append(
            Completion(
                ticket=ticket.number,
                sent=done.sent,
                received=done.received,
                status=STATUSES[done.status],
                why=done.why,
            )
        )

    def _unasked(self, at: HostChannel, payload: bytes) -> None:
        if at.tickets and at.fault is None:
            at.fault = as_error(payload)

    def _broke(self, at: HostChannel, what: str) -> None:
        if at.fault is None:
            at.fault = DriverFault(f"the card broke the protocol: {what}")

    def _broke_all(self, what: str) -> None:
        for at in self._channels:
            self._broke(at, what)


def _credit(payload: bytes) -> int:
    if len(payload) != 4:
        raise Malformed("it sent a CREDIT of another length than 4")
    return int.from_bytes(payload, "little")


def as_error(payload: bytes) -> LaneproofError:
    """The exception that a FAULT stands for."""
    try:
        fault = Fault.read(payload)
    except Malformed:
        return DriverFault("the card reports a fault that cannot be read")
    why = fault.why or f"code {fault.code}, without a word"
    if fault.code in (Why.FRAME_LOST, Why.FRAME_DAMAGED):
        return DriverFault(f"the card did not get what was sent ({why}): {CARRIER}")
    kinds: dict[int, type[LaneproofError]] = {
        Why.NOT_OFFERED: NotOffered,
        Why.NOT_PERMITTED: CannotOpen,
        Why.IN_USE: CardInUse,
        Why.DEVICE_LOST: DeviceLost,
    }
    return kinds.get(fault.code, DriverFault)(f"the card reports: {why}")
