"""Who may call when, what a call takes, and how calls are ended: on a card in memory, by the rules of the contract."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from endpoint_fakes import LIMITS, EchoQueue, EchoStream, FakeDriver, InThread, card_of, opened

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits, LinkObserver, Region, RegionSource, ResetLevel, Resettable
from laneproof.errors import (
    BadInput,
    DeviceLost,
    DriverFault,
    EndpointBusy,
    EndpointClosed,
    Interrupted,
    NotOffered,
    OutOfStep,
    TransferTimeout,
)
from laneproof.readings import LinkReading, PartnerLink, Unavailable

Install = Callable[..., None]
AT_ONCE_S = 1.0
"""Far from the 30 s that the call would take otherwise, with room for a busy computer."""


class Untouchable(EchoStream):
    """Fails the test that lets a byte get as far as the driver."""

    def send(self, view: memoryview, deadline: Deadline) -> int:
        raise AssertionError("something was written")


@pytest.fixture(params=[EchoStream, EchoQueue])
def card(request: pytest.FixtureRequest, install: Install) -> Any:
    with opened(install, request.param()) as endpoint:
        yield endpoint


def until(condition: Callable[[], bool]) -> None:
    until_s = time.monotonic() + 5.0
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.001)


# --- buffers


@pytest.mark.parametrize(
    "data",
    [
        b"\x00\x01\xff\x80" * 16,
        bytearray(range(64)),
        memoryview(bytes(64)),
        np.arange(16, dtype=">u4"),
        np.arange(64, dtype=np.uint8).reshape(4, 16),
        np.zeros(8, dtype=[("a", "u4"), ("b", "f4")]),
        np.array(["2024-01-01"] * 8, dtype="datetime64[s]"),
    ],
    ids=["bytes", "bytearray", "memoryview", "big-endian", "two-dimensional", "records", "dates"],
)
def test_any_contiguous_buffer_goes_out_and_back(card: laneproof.Endpoint, data: Any) -> None:
    buffer = np.zeros(64, np.uint8)
    transfer = card.loopback(data, buffer)
    assert buffer.tobytes() == (data.tobytes() if hasattr(data, "tobytes") else bytes(data))
    assert (transfer.bytes_sent, transfer.bytes_received) == (64, 64)


@pytest.mark.parametrize("empty", [b"", np.zeros(0), np.zeros((2, 0))], ids=["bytes", "array", "matrix"])
def test_nothing_is_sent_and_received_at_once(card: laneproof.Endpoint, empty: Any) -> None:
    assert card.send(empty) == 0
    assert card.receive_into(bytearray()) == 0
    assert card.loopback(empty, bytearray()).bytes_received == 0
    assert card.check("prbs31", 0).empty
    assert not card.check("prbs31", 0).ok, "an empty test is not a pass"


SHARED = bytearray(128)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda card: card.send("text"), "str is not a buffer"),
        (lambda card: card.send(64), "int is not a buffer"),
        (lambda card: card.send(None), "NoneType is not a buffer"),
        (lambda card: card.send(np.array([object()])), "Python objects"),
        (lambda card: card.send(memoryview(bytes(128))[::2]), "not C-contiguous"),
        (lambda card: card.send(np.zeros((8, 8), order="F")[:, :4]), "not C-contiguous"),
        (lambda card: card.receive_into(bytes(64)), "read-only"),
        (lambda card: card.receive_into(memoryview(bytes(64))), "read-only"),
        (lambda card: card.loopback(bytes(64), bytes(64)), "read-only"),
        (lambda card: card.loopback(bytes(64), bytearray(32)), "64 bytes out do not fit 32 bytes in"),
        (lambda card: card.loopback(SHARED, SHARED), "overlap"),
        (lambda card: card.loopback(memoryview(SHARED)[:64], memoryview(SHARED)[32:96]), "overlap"),
        (lambda card: card.send(bytes(60)), "60 bytes is no multiple of the card's granularity, 16"),
        (lambda card: card.receive_into(bytearray(8)), "granularity"),
        (lambda card: card.check("prbs31", 100), "nbytes 100 is no multiple"),
        (lambda card: card.check("prbs31", 128, block=24), "block 24 is no multiple"),
        (lambda card: card.check("prbs31", 128, block=8192), "more than the card's largest transfer, 4096"),
        (lambda card: card.check("prbs31", -16), "nbytes is -16"),
        (lambda card: card.check("prbs31", 1e6), "nbytes is 1000000.0"),
        (lambda card: card.check("prbs31", "1 MiB"), "nbytes is '1 MiB'"),
        (lambda card: card.check("prbs31", 128, block=0), "block 0"),
        (lambda card: card.check("prbs31", 128, depth=0), "depth 0"),
        (lambda card: card.check("prbs32", 128), "prbs32"),
        (lambda card: card.check(None, 128), "NoneType is no pattern"),
        (lambda card: card.check("prbs31", 128, direction="sideways"), "direction is 'sideways'"),
        (lambda card: card.allocate(0), "0 bytes cannot be allocated"),
        (lambda card: card.allocate(-1), "-1 bytes cannot be allocated"),
    ],
)
@pytest.mark.parametrize("kind", [Untouchable, EchoQueue])
def test_bad_input_is_told_before_a_byte_is_written(
    install: Install, kind: Callable[[], Any], call: Callable[[Any], Any], message: str
) -> None:
    path = kind()
    with opened(install, path, limits=Limits(max_transfer=4096, granularity=16)) as card:
        with pytest.raises(BadInput, match=r"^fake:card ") as caught:
            call(card)
        assert message in str(caught.value)
        assert getattr(path, "submitted", 0) == 0
        assert card.channels[0].in_step


@pytest.mark.parametrize("timeout", [float("inf"), float("nan"), -1.0, "5"])
@pytest.mark.parametrize(
    "call",
    [
        lambda card, timeout: card.send(bytes(64), timeout),
        lambda card, timeout: card.receive_into(bytearray(64), timeout),
        lambda card, timeout: card.loopback(bytes(64), bytearray(64), timeout),
        lambda card, timeout: card.check("prbs31", 64, timeout=timeout),
        lambda card, timeout: card.recover(timeout),
    ],
    ids=["send", "receive_into", "loopback", "check", "recover"],
)
def test_a_timeout_that_is_not_finite_moves_nothing(
    install: Install, call: Callable[[Any, Any], Any], timeout: Any
) -> None:
    with opened(install, Untouchable()) as card:
        with pytest.raises(BadInput, match="finite number of seconds"):
            call(card, timeout)
        assert card.channels[0].in_step


def test_a_buffer_that_is_not_aligned_as_the_card_needs_is_refused(install: Install) -> None:
    with opened(install, EchoStream(), limits=Limits(max_transfer=4096, alignment=4096)) as card:
        out, into = card.allocate(128), card.allocate(128)
        assert card.loopback(out.view, into.view).bytes_received == 128
        with pytest.raises(BadInput, match=r"not aligned to 4096 bytes; allocate\(\) gives memory that is"):
            card.loopback(out.view[1:65], into.view[:64])


def test_a_closed_region_is_no_buffer_any_more(card: laneproof.Endpoint) -> None:
    with card.allocate(64) as region:
        assert card.loopback(bytes(64), region.view).bytes_received == 64
    with pytest.raises(BadInput, match="released memoryview"):
        card.send(region.view)
    region.close()


def test_regions_come_from_the_card_where_it_has_them(install: Install) -> None:
    class Own(Region):
        view = memoryview(bytearray(64))

        def close(self) -> None: ...

    class Source(RegionSource):
        def allocate(self, nbytes: int, deadline: Deadline) -> Region:
            return Own()

    with opened(install, EchoStream(), parts=(Source(),)) as card:
        assert isinstance(card.allocate(64), Own)


def test_one_direction_alone_is_not_offered(card: laneproof.Endpoint) -> None:
    with pytest.raises(NotOffered, match="needs a PatternEngine"):
        card.check("prbs31", 64, direction="to_card")


# --- two calls at once


def test_a_send_runs_beside_a_receive_and_no_other_call_does(install: Install) -> None:
    with opened(install, EchoStream()) as card:
        buffer = bytearray(64)
        receiving = InThread(lambda: card.receive_into(buffer, 30.0))
        until(lambda: card.channels[0]._inward.locked())
        for call in (
            lambda: card.receive_into(bytearray(64)),
            lambda: card.loopback(bytes(64), bytearray(64)),
            lambda: card.check("prbs31", 64),
            lambda: card.recover(),
        ):
            with pytest.raises(EndpointBusy, match=r"^fake:card .*another call under way"):
                call()
        assert card.send(bytes(range(64))) == 64
        assert receiving.join().result == 64
        assert buffer == bytes(range(64))


def test_a_send_keeps_a_second_send_off_and_lets_a_receive_in(install: Install) -> None:
    with opened(install, EchoStream(fifo=16)) as card:
        sending = InThread(lambda: card.send(bytes(64), 30.0))
        until(lambda: card.channels[0]._outward.locked())
        with pytest.raises(EndpointBusy):
            card.send(bytes(1))
        assert card.receive_into(bytearray(64)) == 64
        assert sending.join().result == 64


def test_a_check_keeps_every_other_call_off(install: Install) -> None:
    class Silent(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            while not deadline.expired:
                deadline.pause(0.001)
            return 0

    with opened(install, Silent()) as card:
        checking = InThread(lambda: card.check("prbs31", 64, timeout=30.0))
        until(lambda: card.channels[0]._inward.locked())
        with pytest.raises(EndpointBusy):
            card.send(bytes(1))
        with pytest.raises(EndpointBusy):
            card.receive_into(bytearray(1))
        card.interrupt()
        assert isinstance(checking.join().error, Interrupted)


def test_channels_run_beside_each_other(install: Install) -> None:
    with opened(install, EchoStream(), EchoStream()) as card:
        waiting = InThread(lambda: card.channels[0].receive_into(bytearray(8), 30.0))
        until(lambda: card.channels[0]._inward.locked())
        assert card.channels[1].loopback(bytes(64), bytearray(64)).bytes_received == 64
        card.send(bytes(8))
        assert waiting.join().result == 8


def test_no_two_channels_and_no_two_checks_send_the_same_stretch(install: Install) -> None:
    sent: list[bytes] = []

    class Recording(EchoStream):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            moved = super().send(view, deadline)
            sent.append(bytes(view[:moved]))
            return moved

    with opened(install, Recording(), Recording()) as card:
        for _ in range(2):
            for channel in card.channels:
                assert channel.check("prbs31", 4096, block=1024).ok
    assert sum(map(len, sent)) == 4 * 4096
    assert len(set(sent)) == len(sent)


def test_link_and_errors_are_read_one_at_a_time_and_beside_traffic(install: Install) -> None:
    entered, leave = threading.Event(), threading.Event()

    class Slow(LinkObserver):
        def read_link(self, deadline: Deadline) -> LinkReading:
            entered.set()
            leave.wait(10.0)
            return LinkReading(near=Unavailable("a"), far=Unavailable("b"))

    with opened(install, EchoStream(), parts=(Slow(),)) as card:
        reading = InThread(card.read_link)
        assert entered.wait(10.0)
        assert card.loopback(bytes(8), bytearray(8)).bytes_received == 8
        with pytest.raises(EndpointBusy, match=r"^fake:card read_link: "):
            card.read_link()
        leave.set()
        assert reading.join().error is None


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
        until(lambda: bool(card._live))
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
        until(lambda: bool(card._live))
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
        with pytest.raises(NotOffered, match="no Resettable at level"):
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
        until(lambda: card.channels[0]._mover._reaping)
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
        until(lambda: card.channels[0]._mover._reaping)
        with pytest.raises(TransferTimeout, match="no room") as caught:
            card.receive_into(bytearray(8), 0.1)
        assert caught.value.moved == 0
        card.interrupt()
        sending.join()
