"""How calls are ended, what a fault leaves behind, and how a card is brought back in step: on a card in memory."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest
from endpoint_fakes import (
    AT_ONCE_S,
    LIMITS,
    EchoQueue,
    EchoStream,
    FakeDriver,
    InThread,
    Untouchable,
    card_of,
    opened,
    until,
)

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits, LinkObserver, ResetLevel, Resettable
from laneproof.errors import (
    DeviceLost,
    DriverFault,
    EndpointClosed,
    Interrupted,
    NotOffered,
    OutOfStep,
    TransferTimeout,
)
from laneproof.readings import LinkReading, PartnerLink, Unavailable

Install = Callable[..., None]


@pytest.fixture(params=[EchoStream, EchoQueue])
def card(request: pytest.FixtureRequest, install: Install) -> Any:
    with opened(install, request.param()) as endpoint:
        yield endpoint


# --- ending calls


@pytest.mark.parametrize("call", ["receive_into", "send", "check", "loopback"])
def test_interrupt_ends_a_call_at_once_and_leaves_the_channel_out_of_step(install: Install, call: str) -> None:
    class Stuck(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            while not deadline.expired:
                deadline.pause()
            return 0

    calls: dict[str, Callable[[laneproof.Endpoint], Any]] = {
        "receive_into": lambda card: card.receive_into(bytearray(64), 30.0),
        "send": lambda card: card.send(bytes(64), 30.0),
        "check": lambda card: card.check("prbs31", 64, timeout=30.0),
        "loopback": lambda card: card.loopback(bytes(64), bytearray(64), 30.0),
    }
    with opened(install, Stuck(fifo=8)) as card:
        running = InThread(lambda: calls[call](card))
        until(lambda: bool(card._calls.live))
        started_s = time.monotonic()
        card.interrupt()
        error = running.join().error
        assert time.monotonic() - started_s < AT_ONCE_S
        assert isinstance(error, Interrupted)
        assert (error.uri, error.operation) == ("fake:card", call)
        with pytest.raises(OutOfStep, match=r"call recover\(\) first"):
            card.send(b"")


def test_interrupting_an_idle_card_does_nothing(card: laneproof.Endpoint) -> None:
    card.interrupt()
    assert card.check("prbs31", 4096).ok


def test_close_ends_a_call_before_it_closes_the_card(install: Install) -> None:
    order: list[str] = []

    class Stuck(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            try:
                while True:
                    deadline.pause()
            finally:
                order.append("returned")

    with opened(install, Stuck(), close=lambda: order.append("closed")) as card:
        running = InThread(lambda: card.receive_into(bytearray(8), 30.0))
        until(lambda: bool(card._calls.live))
        card.close()
        assert isinstance(running.join().error, Interrupted)
        card.close()
    assert order == ["returned", "closed"]


def test_nothing_is_done_with_a_closed_endpoint(install: Install) -> None:
    with opened(install, Untouchable()) as card:
        card.close()
        for call in (
            lambda: card.send(bytes(8)),
            lambda: card.receive_into(bytearray(8)),
            lambda: card.loopback(bytes(8), bytearray(8)),
            lambda: card.check("prbs31", 8),
            card.recover,
        ):
            with pytest.raises(EndpointClosed, match=r"^fake:card "):
                call()
        card.interrupt()
        assert "closed" in repr(card)


def test_a_card_that_fails_to_close_is_a_drivers_fault_once(install: Install) -> None:
    def close() -> None:
        raise ValueError("cannot")

    with opened(install, EchoStream(), close=close) as card, pytest.raises(DriverFault, match=r"close: .*cannot"):
        card.close()


# --- faults and recovery


def test_a_timeout_says_how_much_had_moved(install: Install) -> None:
    with opened(install, EchoStream()) as card:
        card.send(bytes(8))
        with pytest.raises(TransferTimeout, match="received 8 of 64 bytes before the deadline") as caught:
            card.receive_into(bytearray(64), 0.1)
        assert caught.value.moved == 8
        assert isinstance(caught.value, TimeoutError)


def test_after_a_fault_every_call_is_out_of_step_until_recovery(card: laneproof.Endpoint) -> None:
    with pytest.raises(TransferTimeout):
        card.receive_into(bytearray(64), 0.05)
    for call in (
        lambda: card.send(bytes(8)),
        lambda: card.receive_into(bytearray(8)),
        lambda: card.loopback(bytes(8), bytearray(8)),
        lambda: card.check("prbs31", 8),
    ):
        with pytest.raises(OutOfStep):
            call()
    assert card.recover().how == "drained"
    assert card.check("prbs31", 4096).ok


def test_draining_takes_out_what_was_left_however_much(install: Install) -> None:
    path = EchoStream(fifo=1 << 22)
    with opened(install, path) as card:
        card.send(bytes(3_000_000))
        card.channels[0].in_step = False
        recovery = card.recover()
        assert (recovery.how, recovery.discarded_bytes) == ("drained", 3_000_000)
        assert not path.held
        assert card.check("prbs31", 4096).ok


def test_a_reset_is_preferred_and_only_of_data(install: Install) -> None:
    done: list[ResetLevel] = []

    class Resets(Resettable):
        levels = (ResetLevel.LINK, ResetLevel.DATA)

        def reset(self, level: ResetLevel, deadline: Deadline) -> None:
            done.append(level)

    with opened(install, EchoStream(), parts=(Resets(),)) as card:
        assert card.recover().how == "reset"
        assert done == [ResetLevel.DATA]
        card.reset(ResetLevel.LINK)
        assert done == [ResetLevel.DATA, ResetLevel.LINK]
        with pytest.raises(NotOffered, match=r"at level .*; offered: ResetLevel\.DATA, ResetLevel\.LINK"):
            card.reset(ResetLevel.FUNCTION)


def test_a_card_with_a_harsh_reset_only_is_drained(install: Install) -> None:
    class Resets(Resettable):
        levels = (ResetLevel.LINK,)

        def reset(self, level: ResetLevel, deadline: Deadline) -> None:
            raise AssertionError("nobody asked for it")

    with opened(install, EchoStream(), parts=(Resets(),)) as card:
        assert card.recover().how == "drained"


def test_what_cannot_be_drained_is_connected_anew_within_the_same_deadline(install: Install) -> None:
    class Chatter(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            deadline.pause(0.001)
            return len(view)

    paths: list[Any] = [Chatter(), EchoStream()]
    closed: list[str] = []
    left_s: list[float] = []

    def make(deadline: Deadline) -> Any:
        left_s.append(deadline.left_s())
        return card_of(paths.pop(0), close=lambda: closed.append("closed"))

    install(FakeDriver(make), "fake")
    with laneproof.open("fake:card") as card:
        card.channels[0].in_step = False
        assert card.recover(timeout=0.3).how == "reconnected"
        assert closed == ["closed"]
        assert left_s[1] <= 0.3
        assert card.check("prbs31", 4096).ok


def test_recovery_that_fails_may_be_tried_again(install: Install) -> None:
    present = [True]

    class Leaving(EchoStream):
        closed = False

        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            if self.closed:
                raise EndpointClosed("the card was closed before")
            if not present[0]:
                raise DeviceLost("gone")
            return super().receive_into(view, deadline)

    def make(deadline: Deadline) -> Any:
        if not present[0]:
            raise FileNotFoundError(2, "No such file or directory")
        path = Leaving()
        return card_of(path, close=lambda: setattr(path, "closed", True))

    install(FakeDriver(make), "fake")
    with laneproof.open("fake:card") as card:
        present[0] = False
        with pytest.raises(DeviceLost):
            card.receive_into(bytearray(8))
        for _ in range(2):
            with pytest.raises(laneproof.CannotOpen, match="No such file"):
                card.recover()
        with pytest.raises(OutOfStep):
            card.send(b"x")
        present[0] = True
        assert card.recover().how == "reconnected"
        assert card.check("prbs31", 4096).ok


class Silent(EchoStream):
    """Is lost at the first call, and brings nothing from there on."""

    lost = False

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        if not self.lost:
            self.lost = True
            raise DeviceLost("gone")
        return super().receive_into(view, deadline)


def test_a_lost_card_is_connected_to_anew_even_where_its_path_would_fall_silent_too(install: Install) -> None:
    paths = [Silent(), EchoStream()]
    install(driver := FakeDriver(lambda _: card_of(paths.pop(0))), "fake")
    with laneproof.open("fake:card") as card:
        with pytest.raises(DeviceLost):
            card.receive_into(bytearray(8))
        card.reconnect()
        assert driver.connected == 2
        assert card.check("prbs31", 4096).ok


def test_a_card_that_comes_back_as_another_is_refused(install: Install) -> None:
    class Gone(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            raise DeviceLost("gone")

    cards = [[Gone()], [EchoStream(), EchoStream()]]
    install(FakeDriver(lambda _: card_of(*cards.pop(0))), "fake")
    with laneproof.open("fake:card") as card, pytest.raises(DriverFault, match="came back with other channels"):
        card.recover()


def test_a_link_that_is_down_vouches_for_a_loss(install: Install) -> None:
    class Gone(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            raise DeviceLost("all ones")

    class Port(LinkObserver):
        def __init__(self, active: bool | None) -> None:
            self.active = active

        def read_link(self, deadline: Deadline) -> LinkReading:
            return LinkReading(near=PartnerLink(name="root port", active=self.active), far=Unavailable("gone"))

    class Broken(LinkObserver):
        def read_link(self, deadline: Deadline) -> LinkReading:
            raise KeyError("config")

    for part, evidence in (
        (Port(False), "root port shows its link down"),
        (Port(True), ""),
        (Port(None), ""),
        (Broken(), ""),
    ):
        with opened(install, Gone(), parts=(part,)) as card:
            with pytest.raises(DeviceLost, match="all ones") as caught:
                card.receive_into(bytearray(8))
            assert caught.value.link_evidence == evidence


# --- a queue under two callers


def test_a_receive_ends_at_its_own_deadline_while_a_longer_call_reaps(install: Install) -> None:
    class Slow(EchoQueue):
        def reap(self, deadline: Deadline) -> list[Completion]:
            while not deadline.expired:
                deadline.pause(0.01)
            return []

    with opened(install, Slow(), limits=LIMITS) as card:
        sending = InThread(lambda: card.send(bytes(8), 30.0))
        until(lambda: card.channels[0]._mover._one_way.reaping)
        started_s = time.monotonic()
        with pytest.raises(TransferTimeout):
            card.receive_into(bytearray(8), 0.1)
        assert time.monotonic() - started_s < AT_ONCE_S
        card.interrupt()
        assert isinstance(sending.join().error, Interrupted | TransferTimeout | DriverFault)


def test_a_full_queue_is_a_timeout_with_what_had_moved(install: Install) -> None:
    class Slow(EchoQueue):
        def reap(self, deadline: Deadline) -> list[Completion]:
            while not deadline.expired:
                deadline.pause(0.01)
            return []

    with opened(install, Slow(), limits=Limits(max_transfer=8, queue_depth=1)) as card:
        sending = InThread(lambda: card.send(bytes(8), 30.0))
        until(lambda: card.channels[0]._mover._one_way.reaping)
        with pytest.raises(TransferTimeout, match="no room") as caught:
            card.receive_into(bytearray(8), 0.1)
        assert caught.value.moved == 0
        card.interrupt()
        sending.join()
