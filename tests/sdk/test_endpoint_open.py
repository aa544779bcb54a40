"""Opening: what each way of failing becomes, observers that are added, and a card that is closed when it goes wrong."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from typing import Any

import attrs
import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of, raises

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import (
    CONTRACT,
    Card,
    ErrorObserver,
    IdentitySource,
    LinkObserver,
    ObserverSource,
    Part,
)
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault, LaneproofError, NotOffered
from laneproof.readings import ErrorReading, Identity, LinkReading, PartnerLink, Unavailable

Install = Callable[..., None]


class SeenLink(LinkObserver):
    def read_link(self, deadline: Deadline) -> LinkReading:
        return LinkReading(near=PartnerLink(name="port", width=4), far=Unavailable("not seen from here"))


class SeenErrors(ErrorObserver):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return ErrorReading(near=Unavailable("a"), far=Unavailable("b"))


class Named(IdentitySource):
    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model="invented")


class Source(ObserverSource):
    contract = CONTRACT

    def __init__(self, attach: Callable[[str], tuple[Part, ...]]) -> None:
        self._attach = attach

    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        return self._attach(address)


def install_with_observer(install: Install, attach: Callable[[str], tuple[Part, ...]], **card: Any) -> list[str]:
    """A card, an observer source, and the list that says how often the card was closed."""
    closed: list[str] = []
    install(FakeDriver(lambda _: card_of(EchoStream(), close=lambda: closed.append("closed"), **card)), "fake")
    install(Source(attach), "seen", group="laneproof.observers", distribution="seen-card")
    return closed


def test_without_observers_link_and_errors_are_unavailable_with_the_reason(install: Install) -> None:
    install(FakeDriver(lambda _: card_of(EchoStream())), "fake")
    with laneproof.open("fake:card") as card:
        for reading in (card.read_link(), card.read_errors()):
            for end in (reading.near, reading.far):
                assert isinstance(end, Unavailable)
                assert "Observer; open it with observe=" in end.why
        assert card.identity == Unavailable("the card has no IdentitySource")


def test_observe_adds_parts_to_those_that_the_card_has(install: Install) -> None:
    asked: list[str] = []

    def attach(address: str) -> tuple[Part, ...]:
        asked.append(address)
        return (SeenLink(), SeenErrors())

    install_with_observer(install, attach, parts=(Named(),))
    with laneproof.open("fake:card", observe="seen:0000:65:00.0") as card:
        assert card.read_link().near == PartnerLink(name="port", width=4)
        assert card.read_errors().far == Unavailable("b")
        assert card.identity == Identity(model="invented")
    assert asked == ["0000:65:00.0"]


def test_a_card_that_says_what_it_is_knows_better_than_an_observer_that_does_too(install: Install) -> None:
    class SeenAll(SeenLink, SeenErrors, IdentitySource):
        def read_identity(self, deadline: Deadline) -> Identity:
            return Identity(model="what the slot shows")

    install_with_observer(install, lambda _: (SeenAll(),), parts=(Named(),))
    with laneproof.open("fake:card", observe="seen:x") as card:
        assert card.identity == Identity(model="invented")
        assert card.read_link().near == PartnerLink(name="port", width=4)
        assert card.read_errors().far == Unavailable("b")
    install_with_observer(install, lambda _: (SeenAll(),))
    with laneproof.open("fake:card", observe="seen:x") as card:
        assert card.identity == Identity(model="what the slot shows")


def test_an_observer_replaces_no_part_of_the_card(install: Install) -> None:
    closed = install_with_observer(install, lambda _: (SeenLink(),), parts=(SeenLink(),))
    with pytest.raises(BadInput, match="the card has a LinkObserver of its own; open it without observe="):
        laneproof.open("fake:card", observe="seen:x")
    assert closed == ["closed"]


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (CannotOpen("no such device"), CannotOpen),
        (BadInput("no such address"), BadInput),
        (OSError(errno.EACCES, "Permission denied"), CannotOpen),
        (KeyError("vendor"), DriverFault),
        (KeyboardInterrupt(), KeyboardInterrupt),
    ],
    ids=lambda value: getattr(value, "__name__", type(value).__name__),
)
def test_an_observer_that_fails_closes_the_card(
    install: Install, error: BaseException, expected: type[BaseException]
) -> None:
    closed = install_with_observer(install, raises(error))
    with pytest.raises(expected):
        laneproof.open("fake:card", observe="seen:x")
    assert closed == ["closed"]


def test_an_observer_without_address_is_refused_with_an_example(install: Install) -> None:
    closed = install_with_observer(install, lambda _: ())
    with pytest.raises(BadInput, match='observe="seen" names no device; write for example'):
        laneproof.open("fake:card", observe="seen")
    assert closed == ["closed"]


LOWER: list[tuple[BaseException, type[LaneproofError]]] = [
    *(
        (OSError(number, os.strerror(number)), CannotOpen)
        for number in sorted({errno.ENOENT, errno.EACCES, errno.EPERM, errno.EBUSY, errno.ENODEV, errno.ENXIO})
        + sorted({errno.EIO, errno.ENOMEM, errno.EMFILE, errno.EINVAL, errno.ENOTTY, errno.ETIMEDOUT, errno.EPIPE})
    ),
    (OSError("no number"), CannotOpen),
    (TimeoutError("late"), CannotOpen),
    (BlockingIOError(errno.EAGAIN, "again"), CannotOpen),
    (ValueError("a file descriptor cannot be negative"), DriverFault),
    (TypeError("NoneType"), DriverFault),
    (MemoryError(), DriverFault),
    (StopIteration(), DriverFault),
    (AssertionError("two\nlines"), DriverFault),
    (CardInUse("taken"), CardInUse),
    (DeviceLost("gone"), DeviceLost),
]
"""What a driver may raise while it opens a card, and what comes of it."""


@pytest.mark.parametrize(("error", "expected"), LOWER, ids=lambda value: repr(value))
def test_every_lower_exception_is_mapped_and_chained(
    install: Install, error: BaseException, expected: type[LaneproofError]
) -> None:
    install(FakeDriver(raises(error)), "fake")
    with pytest.raises(expected) as caught:
        laneproof.open("fake:card")
    assert (caught.value.uri, caught.value.operation) == ("fake:card", "open")
    assert str(caught.value).isprintable()
    if not isinstance(error, LaneproofError):
        assert caught.value.__cause__ is error


@pytest.mark.parametrize("timeout", [float("inf"), float("nan"), -1.0])
def test_a_timeout_that_is_not_finite_opens_nothing(install: Install, timeout: float) -> None:
    driver = FakeDriver(lambda _: card_of(EchoStream()))
    install(driver, "fake")
    with pytest.raises(BadInput, match="finite number of seconds"):
        laneproof.open("fake:card", timeout=timeout)
    assert driver.connected == 0


def test_the_timeout_is_the_drivers_deadline(install: Install) -> None:
    left: list[float] = []

    def make(deadline: Deadline) -> Card:
        left.append(deadline.left_s())
        return card_of(EchoStream())

    install(FakeDriver(make), "fake")
    laneproof.open("fake:card", timeout=7.0).close()
    assert left == [pytest.approx(7.0, abs=1.0)]


def test_a_path_that_nothing_can_move_over_closes_the_card(install: Install) -> None:
    closed: list[str] = []
    install(FakeDriver(lambda _: card_of({}, close=lambda: closed.append("closed"))), "fake")
    with pytest.raises(NotOffered, match=r"^fake:card open: channel dma0 has a dict"):
        laneproof.open("fake:card")
    assert closed == ["closed"]


def test_two_endpoints_share_nothing() -> None:
    with laneproof.open("sim:demo#north") as one, laneproof.open("sim:demo#north") as other:
        assert one.check("prbs31", 4096).ok
        assert other.clock.now_s() < one.clock.now_s()
        one.close()
        assert other.check("prbs31", 4096).ok


def test_options_in_the_uri_and_beside_it_are_taken_together(install: Install) -> None:
    seen: list[object] = []

    @attrs.frozen
    class Two:
        a: int = 0
        b: int = 0

    class Optional(FakeDriver):
        options = Two

        def connect(self, address: Any, options: Any, deadline: Deadline) -> Card:
            seen.append(options)
            return super().connect(address, options, deadline)

    install(Optional(lambda _: card_of(EchoStream())), "fake")
    laneproof.open("fake:card?a=1", options={"b": "2"}).close()
    assert seen == [Two(a=1, b=2)]
