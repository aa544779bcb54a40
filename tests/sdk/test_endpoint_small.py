"""What a small transfer, for which little is made and nothing is locked twice, still owes: turns, deadline, close."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from endpoint_fakes import AT_ONCE_S, EchoQueue, EchoStream, FakeDriver, InThread, card_of, opened, until

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits
from laneproof.errors import (
    BadInput,
    DeviceLost,
    DriverFault,
    EndpointBusy,
    EndpointClosed,
    Interrupted,
    OutOfStep,
    TransferTimeout,
)

Install = Callable[..., None]
KIB = 1 << 10
MESSAGES = Limits(max_transfer=4 * KIB, queue_depth=2, boundary="message")


class Silent(EchoQueue):
    """Completes nothing before the deadline; counts how often its engine was stopped."""

    stopped = 0

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while not deadline.expired:
            deadline.pause(0.001)
        return []

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        self.stopped += 1
        return super().quiesce(deadline)


SMALL: dict[str, Callable[[laneproof.Endpoint, float], Any]] = {
    "loopback": lambda card, timeout: card.loopback(bytes(KIB), bytearray(KIB), timeout),
    "send": lambda card, timeout: card.send(bytes(KIB), timeout),
    "receive_into": lambda card, timeout: card.receive_into(bytearray(KIB), timeout),
    "check": lambda card, timeout: card.check("prbs31", KIB, timeout=timeout),
}


@pytest.mark.parametrize("call", SMALL)
def test_one_ticket_that_stays_out_is_interrupted_from_another_thread(install: Install, call: str) -> None:
    path = Silent()
    with opened(install, path, limits=MESSAGES) as card:
        running = InThread(lambda: SMALL[call](card, 30.0))
        until(lambda: bool(path.waiting))
        card.interrupt()
        error = running.join(AT_ONCE_S).error
        assert isinstance(error, Interrupted)
        assert (error.uri, error.operation) == ("fake:card", call)
        assert (path.stopped, path.waiting) == (1, {}), "the engine was stopped before the call returned"
        with pytest.raises(OutOfStep):
            card.loopback(bytes(KIB), bytearray(KIB))


@pytest.mark.parametrize("call", ["loopback", "send", "receive_into"])
def test_one_ticket_that_stays_out_is_a_timeout_and_stopped(install: Install, call: str) -> None:
    path = Silent()
    with opened(install, path, limits=MESSAGES) as card:
        with pytest.raises(TransferTimeout, match=f"^fake:card {call}: .* 0 of 1024 bytes") as caught:
            SMALL[call](card, 0.05)
        assert caught.value.moved == 0
        assert (path.stopped, path.waiting) == (1, {})
        assert card.recover().how == "drained"


def test_a_second_loopback_is_busy_and_takes_no_turn_with_it(install: Install) -> None:
    path = Silent()
    with opened(install, path, limits=MESSAGES) as card:
        running = InThread(lambda: card.receive_into(bytearray(KIB), 30.0))
        until(lambda: bool(path.waiting))
        for _ in range(2):
            with pytest.raises(EndpointBusy, match=r"^fake:card loopback: channel dma0 has another call under way"):
                card.loopback(bytes(KIB), bytearray(KIB))
            assert not card.channels[0]._outward[0].taken
        assert card.channels[0].in_step, "a call that was refused has moved nothing"
        card.interrupt()
        running.join()


@pytest.mark.parametrize("error", [None, DriverFault("no"), DeviceLost("gone"), KeyboardInterrupt()])
@pytest.mark.parametrize("call", SMALL)
def test_a_call_leaves_nothing_of_it_behind_however_it_ends(
    install: Install, call: str, error: BaseException | None
) -> None:
    class Ends(EchoQueue):
        def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
            if error is not None:
                raise error
            super().submit(ticket, out, into)

    path = Ends()
    path.held += bytes(KIB if call == "receive_into" else 0)
    with opened(install, path, limits=MESSAGES) as card:
        if error is None:
            SMALL[call](card, 5.0)
        else:
            with pytest.raises(type(error)):
                SMALL[call](card, 5.0)
        assert card.channels[0].in_step == (error is None)
        assert not card._calls.live
        assert not any(turn.taken for turn in card.channels[0].turns)
        assert not card.channels[0]._mover._tickets.out


def test_no_call_reaches_the_driver_once_close_has_returned(install: Install) -> None:
    for _ in range(20):
        gone = threading.Event()

        class Watched(EchoQueue):
            def submit(
                self,
                ticket: int,
                out: memoryview | None,
                into: memoryview | None,
                gone: threading.Event = gone,
            ) -> None:
                assert not gone.is_set(), "the card was closed"
                super().submit(ticket, out, into)

        def for_ever(card: laneproof.Endpoint) -> None:
            while True:
                card.loopback(bytes(KIB), bytearray(KIB))

        path = Watched()
        with opened(install, path, limits=MESSAGES, close=gone.set) as card:
            running = InThread(lambda card=card: for_ever(card))
            until(lambda path=path: path.submitted > 3)
            card.close()
            assert isinstance(running.join().error, EndpointClosed | Interrupted | OutOfStep)


def test_surplus_in_the_one_block_of_a_check_shows(install: Install) -> None:
    class Adds(EchoQueue):
        def finish(self, ticket: int) -> Completion:
            done = super().finish(ticket)
            return evolve(done, received=done.received + 1)

    with opened(install, Adds(), limits=MESSAGES) as card:
        result = card.check("prbs31", KIB)
        assert (result.surplus_bytes, result.bytes_checked, result.ok) == (1, KIB, False)


def test_wrong_blocks_among_right_ones_are_each_where_they_were(install: Install) -> None:
    class Flips(EchoQueue):
        def finish(self, ticket: int) -> Completion:
            into = self.waiting[ticket][1]
            done = super().finish(ticket)
            if ticket % 3 == 2:
                assert into is not None
                into[7] ^= 0x81
            return done

    with opened(install, Flips(), limits=MESSAGES) as card:
        result = card.check("prbs31", 7 * KIB + 100, block=KIB)
        assert (result.mismatched_bytes, result.mismatched_bits, result.first) == (3, 6, KIB + 7)
        assert [region.start for region in result.regions] == [KIB + 7, 4 * KIB + 7, 7 * KIB + 7]
        assert result.bytes_checked == result.bytes_received == result.bytes_expected == 7 * KIB + 100


def test_what_a_stream_holds_goes_out_and_back_without_a_thread(install: Install) -> None:
    threads: set[int] = set()

    class Watched(EchoStream):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            threads.add(threading.get_ident())
            return super().send(view, deadline)

    into = bytearray(KIB)
    with opened(install, Watched(), limits=Limits(max_transfer=300, fifo_depth=KIB)) as card:
        assert card.loopback(b"\x5a" * KIB, into).bytes_received == KIB
    assert into == b"\x5a" * KIB
    assert threads == {threading.get_ident()}


@pytest.mark.parametrize("fifo", [8, 1000])
def test_a_stream_that_holds_less_than_it_says_still_takes_it_all(install: Install, fifo: int) -> None:
    into = bytearray(KIB)
    with opened(install, EchoStream(fifo), limits=Limits(max_transfer=KIB, fifo_depth=KIB)) as card:
        assert card.loopback(b"\x5a" * KIB, into, 10.0).bytes_received == KIB
    assert into == b"\x5a" * KIB


@pytest.mark.parametrize("memory", [lambda: bytearray(2 * KIB), lambda: np.zeros(2 * KIB, np.uint8)])
def test_two_parts_of_one_piece_of_memory_are_told_apart_to_the_byte(
    install: Install, memory: Callable[[], Any]
) -> None:
    whole = memoryview(memory())
    whole[:KIB] = b"\x5a" * KIB
    with opened(install, EchoQueue(), limits=MESSAGES) as card:
        assert card.loopback(whole[:KIB], whole[KIB:]).bytes_received == KIB
        assert whole == b"\x5a" * 2 * KIB
        with pytest.raises(BadInput, match="overlap"):
            card.loopback(whole[: KIB + 1], whole[KIB - 1 :])


def test_an_array_over_a_bytearray_overlaps_it(install: Install) -> None:
    whole = bytearray(KIB)
    with opened(install, EchoQueue(), limits=MESSAGES) as card:
        for data, buffer in ((whole, np.frombuffer(whole, np.uint8)), (np.frombuffer(whole, np.uint8), whole)):
            with pytest.raises(BadInput, match="overlap"):
                card.loopback(data, buffer)


def test_a_card_that_comes_back_with_other_limits_is_given_what_fits_them(install: Install) -> None:
    class Gone(EchoQueue):
        def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
            raise DeviceLost("gone")

    limits = iter([MESSAGES, evolve(MESSAGES, granularity=16)])
    install(FakeDriver(lambda _: card_of(Gone(), limits=next(limits))), "fake")
    with laneproof.open("fake:card") as card:
        assert card.loopback(bytes(17), bytearray(17)).bytes_received == 17
        assert card.recover().how == "reconnected"
        with pytest.raises(BadInput, match="granularity, 16"):
            card.loopback(bytes(17), bytearray(17))


def test_what_is_no_completion_is_the_drivers_fault(install: Install) -> None:
    class Odd(EchoQueue):
        def reap(self, deadline: Deadline) -> Any:
            return [None]

    with opened(install, Odd(), limits=MESSAGES) as card:
        with pytest.raises(DriverFault, match="AttributeError"):
            card.loopback(bytes(KIB), bytearray(KIB))
        assert not card.channels[0].in_step
