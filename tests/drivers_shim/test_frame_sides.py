"""Both sides of the protocol over a line in memory that loses, repeats, swaps and damages frames.

What must never happen: a transfer that is done and does not hold what the card returned.
"""

from __future__ import annotations

import random
from collections import deque
from contextlib import suppress

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.contract import Completion, Limits
from laneproof.errors import CannotOpen, DriverFault, LaneproofError
from laneproof.readings import Identity
from laneproof_drivers.framing import messages
from laneproof_drivers.framing.card_side import Asked, CardSide, Transfer
from laneproof_drivers.framing.frame import Frame, FrameDecoder, encoded
from laneproof_drivers.framing.host_side import HostSide
from laneproof_drivers.framing.messages import ChannelOffer, Done, Hello, Kind, Offer, Start, Why

LIMITS = Limits(max_transfer=5000, queue_depth=3, boundary="message")
OFFER = Offer(96, (ChannelOffer("a", LIMITS, 300), ChannelOffer("b", LIMITS, 5000)), Identity(model="invented"))


class Line:
    """A host and a card that echoes, and what becomes of the frames between them."""

    def __init__(self, damage: tuple[str, ...] = (), at: tuple[int, ...] = (), window: int = 1200) -> None:
        self.host = HostSide(number=7, window=window, most_payload=512)
        self.card = CardSide(OFFER)
        self.damage = dict(zip(at, damage, strict=False))
        self.frames = 0
        self.held: dict[str, bytes] = {}
        self.units: dict[int, deque[bytes]] = {0: deque(), 1: deque()}
        """What waits in the card, by channel."""
        self.takers: dict[int, deque[Transfer]] = {0: deque(), 1: deque()}
        self.carry()
        assert self.host.offer == OFFER
        self.frames = 0
        self.armed = True

    armed = False

    def spoilt(self, way: str, line: bytes) -> bytes:
        """What arrives of these frames; one that is swapped comes after the next that goes the same way."""
        out: list[bytes] = []
        for piece in line.split(b"\0")[:-1]:
            frame = piece + b"\0"
            done = self.damage.get(self.frames) if self.armed and piece else None
            self.frames += bool(piece)
            if done == "lose":
                continue
            if done == "flip":
                frame = bytes((frame[0], frame[1] ^ 0x10 or 1)) + frame[2:]
            if done == "glue":
                frame = frame[:-1]
            if done == "swap":
                self.held[way] = frame
                continue
            out.append(frame * (2 if done == "repeat" else 1))
            if piece:
                out.append(self.held.pop(way, b""))
        return b"".join(out)

    def carry(self) -> None:
        """Everything that can go, both ways, until nothing moves."""
        while self.host.pending or self.card.pending:
            for asked in self.card.take(self.spoilt("out", self.host.outgoing(500))):
                if isinstance(asked, Transfer):
                    self.echo(asked)
                elif isinstance(asked, Asked):
                    self.card.answer(asked)
                    for waiting in (*self.units.values(), *self.takers.values()):
                        waiting.clear()
            self.host.take(self.spoilt("back", self.card.outgoing(500)))

    def echo(self, asked: Transfer) -> None:
        units, takers = self.units[asked.channel], self.takers[asked.channel]
        if asked.out is not None:
            units.append(asked.out)
        if asked.room is None:
            self.card.complete(asked.channel, Done(asked.ticket, len(asked.out or b""), 0, 0, ""))
        else:
            takers.append(asked)
        while units and takers:
            taker, unit = takers.popleft(), units.popleft()
            assert taker.room is not None
            back, rest = unit[: taker.room], unit[taker.room :]
            if rest:
                units.appendleft(rest)
            self.card.complete(asked.channel, Done(taker.ticket, len(taker.out or b""), len(back), 0, ""), back)


def transfers(line: Line, sizes: list[int], seed: int) -> list[tuple[bytes, bytearray, list[Completion] | Exception]]:
    """Loops that many bytes back, all tickets at once on channel 0, and says what became of it."""
    random_bytes = random.Random(seed).randbytes
    made = [(random_bytes(size), bytearray(size + 1)) for size in sizes]
    for ticket, (out, into) in enumerate(made, 1):
        line.host.submit(0, ticket, memoryview(out), memoryview(into))
    line.carry()
    ended: dict[int, Completion] = {}
    fault: Exception | None = None
    try:
        while done := line.host.completions(0):
            ended |= {one.ticket: one for one in done}
    except LaneproofError as error:
        fault = error
    return [
        (out, into, [ended[ticket]] if ticket in ended else (fault or TimeoutError()))
        for ticket, (out, into) in enumerate(made, 1)
    ]


SIZES = st.lists(st.integers(1, 2500), min_size=1, max_size=3)


@given(SIZES, st.integers())
def test_what_is_sent_comes_back_through_a_window_of_300_bytes(sizes: list[int], seed: int) -> None:
    for out, into, ended in transfers(Line(), sizes, seed):
        assert not isinstance(ended, Exception)
        assert ended[0].status == "done"
        assert (ended[0].sent, ended[0].received) == (len(out), len(out))
        assert into[:-1] == out


@given(SIZES, st.integers())
def test_what_tickets_send_alone_other_tickets_receive_in_order(sizes: list[int], seed: int) -> None:
    line, random_bytes = Line(), random.Random(seed).randbytes
    outs = [random_bytes(size) for size in sizes]
    for ticket, out in enumerate(outs, 1):
        line.host.submit(0, ticket, memoryview(out), None)
        line.carry()
        (done,) = line.host.completions(0)
        assert (done.ticket, done.sent, done.received, done.status) == (ticket, len(out), 0, "done")
    intos = [bytearray(2500) for _ in sizes]
    for ticket, into in enumerate(intos, 11):
        line.host.submit(0, ticket, None, memoryview(into))
    line.carry()
    ended = line.host.completions(0)
    assert [(one.ticket, one.received) for one in ended] == [(11 + at, size) for at, size in enumerate(sizes)]
    assert [bytes(into[:size]) for into, size in zip(intos, sizes, strict=True)] == outs


def test_a_ticket_that_only_receives_stays_out_until_something_comes_or_it_is_stopped() -> None:
    line = Line()
    into, out = bytearray(10), bytes(range(10))
    line.host.submit(0, 1, None, memoryview(into))
    line.carry()
    line.host.count(0)
    line.carry()
    assert line.host.completions(0) == []
    line.host.submit(0, 2, memoryview(out), None)
    line.carry()
    assert {one.ticket for one in line.host.completions(0)} == {1, 2}
    assert into == out
    line.host.submit(0, 3, None, memoryview(into))
    line.carry()
    line.host.stop(0)
    line.carry()
    assert [(one.ticket, one.status, one.received) for one in line.host.stopped(0)] == [(3, "stopped", 0)]


def test_a_ticket_behind_one_whose_data_are_under_way_begins_after_it() -> None:
    """Else it would take the echo of the one before it."""
    card = CardSide(OFFER)
    card.take(encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1000).packed())))
    begun = []
    for number, (kind, payload) in enumerate(
        [
            (Kind.START, Start(1, 5, 5).packed()),
            (Kind.START, Start(2, None, 5).packed()),
            (Kind.DATA, bytes((1, 0, 0, 0)) + b"abcde"),
        ]
    ):
        begun.append([asked.ticket for asked in card.take(encoded(Frame(kind, 0, number, payload)))])
    assert begun == [[], [], [1, 2]]


@settings(max_examples=150)
@given(
    SIZES,
    st.integers(),
    st.lists(st.sampled_from(("lose", "flip", "glue", "repeat", "swap")), min_size=1, max_size=4),
    st.lists(st.integers(0, 60), min_size=4, max_size=4, unique=True),
)
def test_no_damage_on_the_line_is_ever_taken_for_a_transfer_that_is_done(
    sizes: list[int], seed: int, damage: list[str], at: list[int]
) -> None:
    line = Line(tuple(damage), tuple(at))
    for out, into, ended in transfers(line, sizes, seed):
        if isinstance(ended, list):
            assert ended[0].received == len(out)
            assert into[:-1] == out
        else:  # a fault, or silence, which COUNTS and a deadline end
            assert isinstance(ended, DriverFault | TimeoutError)
    # Whatever it was, a STOP brings the channel back.
    line.damage.clear()
    line.held.clear()
    number = line.host.stop(0)
    line.carry()
    if line.host.answer(number) is None:  # the line had swallowed the end of the frame before the answer
        line.host.ask_again(number)
        line.carry()
    assert line.host.answer(number) is not None
    with_fault = 0
    try:
        line.host.stopped(0)
    except DriverFault:
        with_fault = 1
    assert len(line.host.stopped(0)) <= len(sizes) + with_fault
    for out, into, ended in transfers(line, [100, 3000], seed):
        assert isinstance(ended, list), ended
        assert into[:-1] == out


@pytest.mark.parametrize(("at", "way"), [(1, "to the card"), (3, "back")], ids=["DATA", "DONE"])
def test_a_last_frame_lost_without_a_trace_shows_in_counts(at: int, way: str) -> None:
    line = Line(("lose",), (at,))
    line.host.submit(0, 1, memoryview(b"0123456789"), memoryview(bytearray(10)))
    line.carry()
    assert line.host.completions(0) == []
    line.host.count(0)
    line.carry()
    with pytest.raises(DriverFault, match=f"1 on the way {way}: the fault of what carries"):
        line.host.completions(0)


def test_a_credit_that_was_lost_is_found_by_counts() -> None:
    line = Line()
    out, into = bytes(range(250)) * 4, bytearray(1000)
    real, lost = line.host.take, []

    def without_credit(data: bytes) -> None:
        frames = [piece for piece in data.split(b"\0") if piece]
        kept = [piece for piece in frames if lost or piece[2] != Kind.CREDIT]
        lost.extend(piece for piece in frames if piece not in kept)
        real(b"".join(piece + b"\0" for piece in kept))

    line.host.take = without_credit  # pyright: ignore[reportAttributeAccessIssue]
    line.host.submit(0, 1, memoryview(out), memoryview(into))
    line.carry()
    assert lost
    assert line.host.outstanding(0)
    line.host.count(0)
    line.carry()
    assert [one.status for one in line.host.completions(0)] == ["done"]
    assert into == out


def test_stopping_completes_every_ticket_and_nothing_is_written_afterwards() -> None:
    line = Line()
    into = bytearray(b"?" * 1000)
    line.host.submit(0, 5, memoryview(bytes(1000)), memoryview(into))
    line.card.take(line.host.outgoing(10))
    number = line.host.stop(0)
    line.carry()
    assert line.host.answer(number) is not None
    (done,) = line.host.stopped(0)
    assert (done.ticket, done.status, done.received) == (5, "stopped", 0)
    assert into == b"?" * 1000


HALF = Done(1, 40, 20, 0, "")


@pytest.mark.parametrize(
    ("frames", "words"),
    [
        ([Frame(Kind.DONE, 0, 0, HALF.packed())], "40 bytes out and 20 back; 40 went and 0 came"),
        ([Frame(Kind.DATA, 0, 0, bytes((9, 0, 0, 0)) + b"x")], "ticket 9, which is not out"),
        ([Frame(Kind.DATA, 0, 0, bytes((1, 0, 0, 0)) + bytes(501))], "more than the 500 bytes"),
        ([Frame(Kind.DATA, 0, 0, bytes((2, 0, 0, 0)) + bytes(401))], "more than it had credit for"),
        ([Frame(Kind.DATA, 0, 0, bytes((1, 0, 0, 0)))], "without data"),
        ([Frame(Kind.CREDIT, 0, 0, b"12345")], "another length than 4"),
        ([Frame(Kind.START, 0, 0, b"")], "type 0x10"),
    ],
    ids=["DONE", "ticket", "room", "credit", "empty", "length", "type"],
)
def test_what_a_card_may_not_do_is_named(frames: list[Frame], words: str) -> None:
    line = Line(window=400)
    line.host.submit(0, 1, memoryview(bytes(40)), memoryview(bytearray(500)))
    line.host.submit(0, 2, None, memoryview(bytearray(5000)))
    line.host.outgoing(1000)
    for frame in frames:
        line.host.take(encoded(frame))
    with pytest.raises(DriverFault, match=f"broke the protocol: .*{words}"):
        line.host.completions(0)


@pytest.mark.parametrize("order", [(1, 0), (0, 0), (0, 2)], ids=["swapped", "repeated", "one missing"])
def test_data_out_of_turn_is_the_carriers_fault(order: tuple[int, int]) -> None:
    line = Line()
    line.host.submit(0, 1, None, memoryview(bytearray(6)))
    for number in order:
        line.host.take(encoded(Frame(Kind.DATA, 0, number, bytes((1, 0, 0, 0)) + b"abc")))
    line.host.take(encoded(Frame(Kind.DONE, 0, 2, Done(1, 0, 6, 0, "").packed())))
    with pytest.raises(DriverFault, match="was due: the fault of what carries the frames"):
        line.host.completions(0)


@pytest.mark.parametrize(
    ("frames", "words"),
    [
        ([Start(1, 5001, 1)], "at most 5000 bytes"),
        ([Start(1, 1, 5002)], "at most 5000 bytes"),
        ([Start(number, 1, 1) for number in range(4)], "3 others are"),
        ([Start(1, 5, 5), bytes((1, 0, 0, 0)) + b"123456"], "has 5 bytes, and no more"),
        ([Start(1, 500, 5), bytes((1, 0, 0, 0)) + bytes(301)], "no credit for so much"),
        ([Start(1, 5, 5), b"\1\0\0\0"], "without data"),
    ],
    ids=["out", "room", "depth", "data", "credit", "empty"],
)
def test_what_a_host_may_not_do_is_named_and_the_channel_rests(frames: list[Start | bytes], words: str) -> None:
    card = CardSide(evolve(OFFER, most_payload=1000))
    card.take(encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1000).packed())))
    card.outgoing(1000)
    for number, frame in enumerate(frames):
        made = (Kind.START, frame.packed()) if isinstance(frame, Start) else (Kind.DATA, frame)
        card.take(encoded(Frame(made[0], 0, number, made[1])))
    (fault,) = FrameDecoder().feed(card.outgoing(1000))
    assert isinstance(fault, Frame)
    assert (fault.kind, fault.channel, fault.sequence, fault.payload[0]) == (Kind.FAULT, 0, 0, Why.LIMIT_PASSED)
    assert words in fault.payload.decode()
    assert card.take(encoded(Frame(Kind.START, 0, len(frames), Start(9, None, 1).packed()))) == []


KINDS = st.sampled_from([*Kind, *(kind | messages.ANSWER for kind in Kind), 0x20, 0xFF])
ANY_FRAMES = st.lists(
    st.builds(Frame, KINDS, st.sampled_from((0, 1, 2, 0xFF)), st.integers(0, 12), st.binary(max_size=40)), max_size=12
)


@given(ANY_FRAMES, st.binary(max_size=50))
def test_a_hostile_card_can_raise_nothing_but_faults(frames: list[Frame], noise: bytes) -> None:
    line = Line()
    into, guard = bytearray(40), bytes(8)
    whole = into + guard
    line.host.submit(0, 1, memoryview(bytes(40)), memoryview(whole)[:40])
    for frame in frames:
        line.host.take(encoded(frame))
    line.host.take(noise)
    for channel in (0, 1):
        with suppress(LaneproofError):
            assert all(done.received <= 40 for done in line.host.completions(channel))
    assert whole[40:] == guard


@given(st.binary(max_size=300))
def test_a_hostile_answer_to_hello_is_refused(payload: bytes) -> None:
    host = HostSide(number=7, window=400)
    with suppress(CannotOpen):
        host.take(encoded(Frame(Kind.HELLO | messages.ANSWER, 0xFF, 7, payload)))


@given(ANY_FRAMES, st.binary(max_size=50), st.booleans())
def test_a_hostile_host_cannot_make_a_card_raise_or_hold_more_than_it_offers(
    frames: list[Frame], noise: bytes, greeted: bool
) -> None:
    card = CardSide(OFFER)
    if greeted:
        card.take(encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1000).packed())))
    for frame in frames:
        for asked in card.take(encoded(frame)):
            if isinstance(asked, Transfer):
                assert len(asked.out or b"") <= LIMITS.max_transfer
                assert (asked.room or 0) <= LIMITS.max_transfer + 1
    card.take(noise)
    while card.pending:
        card.outgoing(1000)


def test_a_host_that_takes_no_answers_cannot_fill_the_cards_memory() -> None:
    card = CardSide(OFFER)
    card.take(encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1000).packed())))
    for number in range(2, 400):
        (asked,) = card.take(encoded(Frame(Kind.READ, 0xFF, number, b"\3")))
        assert isinstance(asked, Asked)
        card.answer(asked, bytes(6000))
    assert card.queued < (1 << 20) + 7000
    card.outgoing(1)
    assert card.queued == 0


def test_a_reset_that_is_asked_for_twice_is_done_once() -> None:
    card = CardSide(OFFER)
    card.take(encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1000).packed())))
    card.outgoing(1000)
    line = encoded(Frame(Kind.RESET, 0xFF, 2, b"\1"))
    (asked,) = card.take(line)
    assert isinstance(asked, Asked)
    card.answer(asked)
    first = card.outgoing(1000)
    assert card.take(line) == []
    assert card.outgoing(1000) == first
