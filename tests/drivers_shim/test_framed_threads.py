"""What several threads do at once with a framed card, at the host and in the server, each moment made to happen."""

from __future__ import annotations

import queue
import socket
import threading
from collections.abc import Callable, Sequence

import pytest
from attrs import evolve

from laneproof.clock import Deadline, MonotonicClock
from laneproof.contract import Card, Channel, Completion, Limits, QueuedPath, StreamPath
from laneproof.readings import Identity
from laneproof_drivers import chardev, served_channel
from laneproof_drivers.framing.card_side import Asked, CardSide, Transfer
from laneproof_drivers.framing.carrier import Carrier, DescriptorCarrier
from laneproof_drivers.framing.frame import Frame, FrameDecoder, encoded
from laneproof_drivers.framing.framed_card import open_framed
from laneproof_drivers.framing.messages import ChannelOffer, Done, Hello, Kind, Offer, Start
from laneproof_drivers.served_card import ServedCard
from laneproof_drivers.served_channel import Ended, ServedStream

LIMITS = Limits(max_transfer=1000, queue_depth=4, boundary="message")
LONG_S = 20.0


# --- the host -------------------------------------------------------------------------------------------------


class Sleeper(Carrier):
    """A card in memory that echoes; who waits for it is woken by nothing but `poke`, or by what it has to say."""

    name = medium = "memory"

    def __init__(self) -> None:
        self.card = CardSide(Offer(500, (ChannelOffer("a", LIMITS, 1000),), Identity(model="invented")))
        self.waiting, self.woken = threading.Event(), threading.Event()

    def write(self, data: memoryview) -> int:
        for asked in self.card.take(bytes(data)):
            if isinstance(asked, Transfer):
                self.card.complete(asked.channel, Done(asked.ticket, len(asked.out or b""), 0, 0, ""))
            elif isinstance(asked, Asked):
                self.card.answer(asked)
        self.woken.set()
        return len(data)

    def read(self) -> bytes:
        return self.card.outgoing(1000)

    def wait(self, deadline: Deadline, *, writing: bool) -> None:
        self.waiting.set()
        assert self.woken.wait(LONG_S), "nobody woke the thread that waits"
        self.woken.clear()

    def poke(self) -> None:
        self.woken.set()

    def close(self) -> None:
        """There is nothing to give back."""


@pytest.fixture
def sleeper() -> tuple[Sleeper, QueuedPath, Card]:
    carrier = Sleeper()
    with Deadline(LONG_S) as deadline:
        card = open_framed(carrier, deadline)
    path = card.channels[0].path
    assert isinstance(path, QueuedPath)
    return carrier, path, card


def waits_in_reap(carrier: Sleeper, path: QueuedPath) -> tuple[threading.Thread, list[Completion]]:
    done: list[Completion] = []

    def reap() -> None:
        with Deadline(LONG_S) as deadline:
            done.extend(path.reap(deadline))

    carrier.waiting.clear()
    thread = threading.Thread(target=reap)
    thread.start()
    assert carrier.waiting.wait(LONG_S)
    return thread, done


def test_what_is_submitted_while_another_thread_waits_goes_at_once(sleeper) -> None:
    carrier, path, _ = sleeper
    thread, done = waits_in_reap(carrier, path)
    path.submit(1, memoryview(b"abc"), None)
    thread.join(LONG_S / 2)
    assert not thread.is_alive()
    assert [one.ticket for one in done] == [1]


def test_a_request_made_while_another_thread_waits_goes_at_once(sleeper) -> None:
    carrier, path, _ = sleeper
    thread, _ = waits_in_reap(carrier, path)
    with Deadline(LONG_S / 2) as deadline:
        assert list(path.quiesce(deadline)) == []
    path.submit(1, memoryview(b"abc"), None)
    thread.join(LONG_S / 2)
    assert not thread.is_alive()


def test_a_poke_ends_the_wait_for_a_descriptor() -> None:
    near, far = socket.socketpair()
    with near, far, Deadline(LONG_S) as deadline:
        near.setblocking(False)
        carrier = DescriptorCarrier("pair", "memory", near.fileno(), lambda: None)
        carrier.poke()
        carrier.wait(deadline, writing=False)
        assert deadline.left_s() > LONG_S / 2
        with Deadline(0) as past:
            carrier.wait(past, writing=False)  # one poke ends one wait
        carrier.close()


# --- the server -----------------------------------------------------------------------------------------------


class NeverEnds(QueuedPath):
    """Takes tickets, and ends none but by being stopped."""

    def __init__(self) -> None:
        self.out: list[int] = []

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        self.out.append(ticket)

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while not deadline.expired:
            deadline.pause()
        return ()

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        out, self.out = self.out, []
        return [Completion(ticket=ticket, sent=0, received=0, status="stopped") for ticket in out]


def test_what_a_thread_tells_after_a_stop_does_not_end_the_ticket_that_comes_after() -> None:
    """A thread has a completion in hand while the host stops the channel and uses the ticket's number again."""
    card = Card(channels=(Channel(name="a", path=NeverEnds(), limits=LIMITS),), close=lambda: None)
    served = ServedCard(card, "invented:card", chardev.driver, b"", lambda: None)
    start = Start(1, None, 5).packed()
    served.take(encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1000).packed())))
    served.take(encoded(Frame(Kind.START, 0, 0, start)))
    late = Ended(0, served._channels[0].round, Done(1, 0, 5, 0, ""), memoryview(b"stale"))
    served.take(encoded(Frame(Kind.STOP, 0, 2)))
    served.take(encoded(Frame(Kind.START, 0, 0, start)))
    served._ended.put(late)
    served.settle()
    assert [frame.kind for frame in frames(served.side) if frame.kind in (Kind.DATA, Kind.DONE)] == []
    served._ended.put(evolve(late, round=served._channels[0].round))
    served.settle()
    assert [frame.kind for frame in frames(served.side)] == [Kind.DATA, Kind.DONE]
    served.close()


def frames(side: CardSide) -> list[Frame]:
    return [one for one in FrameDecoder().feed(side.outgoing(10_000)) if isinstance(one, Frame)]


class Loop(StreamPath):
    """Echoes. `meanwhile` is called in each receiving that finds nothing."""

    def __init__(self) -> None:
        self.held = bytearray()
        self.sent = threading.Event()
        self.meanwhile: Callable[[], object] = lambda: None

    def send(self, view: memoryview, deadline: Deadline) -> int:
        self.held += view
        self.sent.set()
        return len(view)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while not deadline.expired:
            got = min(len(view), len(self.held))
            if got:
                view[:got] = self.held[:got]
                del self.held[:got]
                return got
            self.meanwhile()
            deadline.pause(0.001)
        return 0


class Channelled:
    """A stream as the server has it, and what became of its tickets."""

    def __init__(self) -> None:
        self.path = Loop()
        self.ended: queue.SimpleQueue[Ended] = queue.SimpleQueue()
        self.begun = 0
        self.channel = ServedStream(
            0, self.path, MonotonicClock(), self.ended.put, full_duplex=True, started=lambda: self.begun
        )

    def submit(self, ticket: int, out: bytes | None, room: int | None) -> None:
        self.begun += room is not None
        self.channel.submit(Transfer(0, ticket, out, room))

    def next(self) -> tuple[int, bytes]:
        ended = self.ended.get(timeout=LONG_S)
        assert ended.done is not None
        return ended.done.ticket, bytes(ended.data)


@pytest.fixture
def stream():
    made = Channelled()
    yield made
    made.channel.close()


def test_nothing_is_sent_while_a_ticket_is_listened_to_for_surplus(stream, monkeypatch) -> None:
    """Its echo would be taken for surplus of the ticket before."""
    monkeypatch.setattr(served_channel, "_SURPLUS_S", 0.3)

    def another() -> None:
        if stream.channel._listening:
            stream.path.meanwhile = lambda: None
            stream.path.sent.clear()
            stream.submit(2, b"second", 20)
            stream.path.sent.wait(0.1)  # it must not go before the listening is over

    stream.path.meanwhile = another
    stream.submit(1, b"first", 20)
    assert stream.next() == (1, b"first")
    assert stream.next() == (2, b"second")


def test_a_ticket_that_only_receives_takes_what_one_ticket_sent(stream) -> None:
    for ticket, out in enumerate((b"abc", b"defgh"), 1):
        stream.submit(ticket, out, None)
        assert stream.next() == (ticket, b"")
    stream.submit(3, None, 20)
    assert stream.next() == (3, b"abc")
    stream.submit(4, None, 2)
    stream.submit(5, None, 20)
    assert [stream.next(), stream.next()] == [(4, b"de"), (5, b"fgh")]


def test_a_ticket_that_only_receives_takes_what_is_sent_later_and_what_nobody_sent(stream) -> None:
    stream.submit(1, None, 20)
    stream.submit(2, b"abc", None)
    assert sorted([stream.next(), stream.next()]) == [(1, b"abc"), (2, b"")]
    stream.submit(3, None, 20)
    stream.path.held += b"unasked"
    assert stream.next() == (3, b"unasked")


def test_a_stop_ends_a_ticket_that_only_receives_and_drops_what_waits(stream) -> None:
    stream.submit(1, None, 20)
    stream.channel.stop()
    stream.submit(2, b"abc", None)
    assert stream.next() == (2, b"")
    stream.channel.stop()
    assert stream.ended.empty()
    stream.begun = 0
    stream.submit(3, b"de", 20)
    assert stream.next() == (3, b"de")
