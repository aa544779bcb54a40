"""What a card says of itself beyond HELLO, as payloads: bits that older peers pass over, caveats, patterns, counts."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from laneproof.contract import Limits, PatternCount
from laneproof.readings import Identity
from laneproof_drivers.framing.card_side import Asked, CardSide
from laneproof_drivers.framing.frame import Frame, FrameDecoder, encoded
from laneproof_drivers.framing.messages import ANSWER, CARD, ChannelOffer, Hello, Kind, Malformed, Offer
from laneproof_drivers.framing.more_of_the_card import (
    Engine,
    PatternOrder,
    Patterns,
    packed_caveats,
    packed_count,
    read_caveats,
    read_count,
)

OFFER = Offer(96, (ChannelOffer("a", Limits(max_transfer=5000), 300),), Identity(model="invented"), resets=(1, 3))
MORE = evolve(OFFER, simulated=True, caveats=True, patterns=True)


def test_what_is_new_in_hello_are_bits_that_meant_nothing_before() -> None:
    """Version 1 has 2 bytes of payload size before the parts, and their bits 0 to 4."""
    before, now = OFFER.packed(), MORE.packed()
    assert [at for at in range(len(now)) if now[at] != before[at]] == [2]
    assert (before[2], now[2]) == (0b0001_0100, 0b1111_0100)
    assert Offer.read(now) == MORE
    assert Offer.read(before) == OFFER


def test_caveats_arrive_as_they_were_given() -> None:
    caveats = ("It is simulated: 5 °C.", "", "x" * 1000)
    assert read_caveats(packed_caveats(caveats)) == caveats


def test_too_long_and_too_many_caveats_are_cut_within_no_letter() -> None:
    first, *rest = read_caveats(packed_caveats(["é" * 700] + ["x"] * 100))
    assert first == "é" * 500
    assert rest == ["x"] * 63


def test_a_caveats_control_characters_do_not_reach_a_terminal() -> None:
    (caveat,) = read_caveats(packed_caveats(["a\x1b[2J\u202e\r\nb"]))
    assert caveat.isprintable()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\1",
        b"\1\xe9\3" + bytes(1001),
        bytes((65,)) + bytes(130),
        b"\0x",
    ],
    ids=["nothing", "none of one", "too long", "too many", "more than said"],
)
def test_caveats_that_make_no_sense_are_refused(payload: bytes) -> None:
    with pytest.raises(Malformed):
        read_caveats(payload)


@pytest.mark.parametrize("read", [read_caveats, Patterns.read, PatternOrder.read, read_count])
@given(payload=st.binary(max_size=60))
def test_any_bytes_are_read_or_malformed(read: Callable[[bytes], object], payload: bytes) -> None:
    with suppress(Malformed):
        read(payload)


@pytest.mark.parametrize(
    "order",
    [
        PatternOrder(Engine.START, 1, "prbs31"),
        PatternOrder(Engine.COUNT),
        PatternOrder(Engine.STOP),
        PatternOrder(Engine.INJECT, bits=1 << 31),
    ],
)
def test_an_order_to_the_engine_arrives_as_it_was_given(order: PatternOrder) -> None:
    assert PatternOrder.read(order.packed()) == order


def test_a_count_larger_than_the_field_is_saturated_and_not_small() -> None:
    count = PatternCount(bits=1 << 70, errors=1 << 70, locked=True, lock_losses=3, saturated=False)
    most = (1 << 64) - 1
    assert read_count(packed_count(count)) == evolve(count, bits=most, errors=most, saturated=True)


def test_patterns_arrive_with_whether_errors_are_injected() -> None:
    for injects in (False, True):
        patterns = Patterns(("prbs7", "prbs31"), injects)
        assert Patterns.read(patterns.packed()) == patterns


# --- an order is not obeyed twice


def asked_of(card: CardSide, kind: Kind, number: int, payload: bytes) -> list[object]:
    return list(card.take(encoded(Frame(kind, CARD, number, payload))))


def answers(card: CardSide) -> list[tuple[int, int, bytes]]:
    frames = FrameDecoder(65535).feed(card.outgoing(1 << 16))
    return [(frame.kind, frame.sequence, frame.payload) for frame in frames if isinstance(frame, Frame)]


@pytest.fixture
def card() -> CardSide:
    side = CardSide(MORE)
    asked_of(side, Kind.HELLO, 1, Hello(65535, 1000).packed())
    side.outgoing(1 << 16)
    return side


INJECT = PatternOrder(Engine.INJECT, bits=1)


def test_an_order_that_is_asked_again_is_answered_again_and_done_once(card: CardSide) -> None:
    """An error that was injected twice would be counted twice."""
    (asked,) = asked_of(card, Kind.PATTERN, 2, INJECT.packed())
    assert isinstance(asked, Asked)
    assert asked.order == INJECT
    assert asked_of(card, Kind.PATTERN, 2, INJECT.packed()) == []  # while it is being done
    assert answers(card) == []
    card.answer(asked, b"done")
    assert asked_of(card, Kind.PATTERN, 2, INJECT.packed()) == []
    assert answers(card) == [(Kind.PATTERN | ANSWER, 2, b"done")] * 2
    assert len(asked_of(card, Kind.PATTERN, 3, INJECT.packed())) == 1


def test_an_order_that_was_refused_may_be_tried_again_and_hello_forgets_numbers(card: CardSide) -> None:
    (asked,) = asked_of(card, Kind.PATTERN, 2, INJECT.packed())
    assert isinstance(asked, Asked)
    card.refuse(asked, 8, "not now")  # type: ignore[arg-type]
    assert len(asked_of(card, Kind.PATTERN, 2, INJECT.packed())) == 1
    asked_of(card, Kind.HELLO, 9, Hello(65535, 1000).packed())
    assert len(asked_of(card, Kind.PATTERN, 2, INJECT.packed())) == 1


def test_an_order_about_a_channel_that_is_not_there_is_refused(card: CardSide) -> None:
    start = PatternOrder(Engine.START, 0, "prbs31").packed()
    assert asked_of(card, Kind.PATTERN, 2, start) == []
    assert [kind for kind, _, _ in answers(card)] == [Kind.FAULT]
