"""What the host's side keeps of one channel: its tickets, and what has been counted in each direction."""

from __future__ import annotations

from collections import deque

from attrs import define, field

from laneproof.contract import Completion
from laneproof.errors import LaneproofError
from laneproof_drivers.framing.messages import WRAP, ChannelOffer


@define(eq=False)
class Ticket:
    number: int
    out: memoryview | None
    into: memoryview | None
    sent: int = 0
    received: int = 0

    def stopped(self) -> Completion:
        return Completion(ticket=self.number, sent=self.sent, received=self.received, status="stopped")


@define(eq=False)
class HostChannel:
    number: int
    offer: ChannelOffer
    window: int
    tickets: dict[int, Ticket] = field(factory=dict)
    """By the number on the line."""
    sending: deque[Ticket] = field(factory=deque)
    completed: list[Completion] = field(factory=list)
    stopped: list[Completion] = field(factory=list)
    """What was out, or not fetched yet, when it was told to stop."""
    fault: LaneproofError | None = None
    stopping: int | None = None
    """The STOP that is not answered yet; what arrives before its answer is of no use."""
    counting: dict[int, int] = field(factory=dict)
    """By each COUNTS that is not answered yet, the frames that had gone when it went."""
    frames_sent: int = 0
    frames_taken: int = 0
    bytes_sent: int = 0
    bytes_taken: int = 0
    credit: int = field(init=False)
    granted: int = field(init=False)

    def __attrs_post_init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """Both sides count from the start."""
        self.fault = self.stopping = None
        self.counting.clear()
        self.frames_sent = self.frames_taken = self.bytes_sent = self.bytes_taken = 0
        self.credit, self.granted = self.offer.window, self.window

    def room(self) -> int:
        """Bytes of DATA that the card has room for."""
        room = (self.credit - self.bytes_sent) % WRAP
        return room if room < WRAP // 2 else 0

    def end(self) -> None:
        self.stopped += self.completed
        self.stopped += [ticket.stopped() for ticket in self.tickets.values()]
        self.completed = []
        self.tickets.clear()
        self.sending.clear()
