"""What an endpoint makes of a driver that breaks the contract: its fault, never a pass and never the slot's."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import pytest
from endpoint_fakes import EchoQueue, EchoStream, opened, raises

from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits
from laneproof.errors import DeviceLost, DriverFault, LaneproofError, OutOfStep
from laneproof.integrity import Comparison
from laneproof.moving import stream

Install = Callable[..., None]
KIB = 1 << 10
MESSAGES = Limits(max_transfer=4 * KIB, queue_depth=4, boundary="message")


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tails are given up sooner than in use, to keep the tests short."""
    monkeypatch.setattr(stream, "SETTLE_S", 0.2)


# --- streams that claim what is not so


class Claims(EchoStream):
    """Says that it moved `claim(n)` bytes where n may be moved, and touches nothing."""

    def __init__(self, claim: Callable[[int], Any], on: str) -> None:
        super().__init__()
        self.claim = claim
        self.on = on

    def send(self, view: memoryview, deadline: Deadline) -> int:
        return self.claim(len(view)) if self.on == "send" else super().send(view, deadline)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        return self.claim(len(view)) if self.on == "receive_into" else super().receive_into(view, deadline)


CLAIMS: list[Callable[[int], Any]] = [lambda n: n + 1, lambda n: -1, lambda n: 0, lambda n: None, lambda n: "all"]


@pytest.mark.parametrize("claim", CLAIMS, ids=["too many", "negative", "none, early", "None", "text"])
@pytest.mark.parametrize("on", ["send", "receive_into"])
@pytest.mark.parametrize("call", ["send", "receive_into", "loopback", "check"])
def test_a_stream_that_claims_what_cannot_be_is_at_fault(
    install: Install, claim: Callable[[int], Any], on: str, call: str
) -> None:
    if call in ("send", "receive_into") and call != on:
        call = on
    with opened(install, Claims(claim, on)) as card:
        calls: dict[str, Callable[[], Any]] = {
            "send": lambda: card.send(bytes(64), 5.0),
            "receive_into": lambda: card.receive_into(bytearray(64), 5.0),
            "loopback": lambda: card.loopback(bytes(64), bytearray(64), 5.0),
            "check": lambda: card.check("prbs31", 64, timeout=5.0),
        }
        with pytest.raises(DriverFault, match=f"^fake:card {call}: "):
            calls[call]()
        with pytest.raises(OutOfStep):
            card.send(b"")


def test_a_card_that_says_all_came_and_wrote_nothing_does_not_pass(install: Install) -> None:
    with opened(install, Claims(lambda n: n, "receive_into")) as card:
        result = card.check("prbs31", 8 * KIB, block=KIB)
        assert not result.ok
        assert result.mismatched_bytes == 8 * KIB
        assert result.surplus_bytes, "and it goes on bringing bytes"


@pytest.mark.parametrize("at", [0, 1, 511, 1023])
def test_one_byte_that_was_never_written_does_not_pass(install: Install, at: int) -> None:
    class Skips(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            kept = view[at]
            moved = super().receive_into(view, deadline)
            if moved == len(view) == KIB:
                view[at] = kept
            return moved

    class SkipsInQueue(EchoQueue):
        def finish(self, ticket: int) -> Completion:
            into = self.waiting[ticket][1]
            assert into is not None
            kept = into[at]
            done = super().finish(ticket)
            into[at] = kept
            return done

    for path in (Skips(), SkipsInQueue()):
        with opened(install, path, limits=Limits(max_transfer=KIB, fifo_depth=KIB, full_duplex=False)) as card:
            result = card.check("prbs31", 4 * KIB, block=KIB)
            assert not result.ok
            assert result.mismatched_bytes == 4
            assert result.first == at


@pytest.mark.parametrize("full_duplex", [True, False])
def test_a_receive_buffer_holds_beforehand_what_must_not_come_back(install: Install, full_duplex: bool) -> None:
    pairs: list[tuple[bytes, bytes]] = []

    class Looks(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            before = bytes(view)
            moved = super().receive_into(view, deadline)
            pairs.append((before[:moved], bytes(view[:moved])))
            return moved

    class LooksInQueue(EchoQueue):
        def finish(self, ticket: int) -> Completion:
            into = self.waiting[ticket][1]
            assert into is not None
            before = bytes(into)
            done = super().finish(ticket)
            pairs.append((before[: done.received], bytes(into[: done.received])))
            return done

    limits = Limits(max_transfer=KIB, fifo_depth=KIB, full_duplex=full_duplex)
    for path in (Looks(), LooksInQueue()):
        pairs.clear()
        with opened(install, path, limits=limits) as card:
            assert card.check("prbs31", 4 * KIB).ok
        assert sum(len(after) for _, after in pairs) >= 4 * KIB
        assert [None for before, after in pairs for one, two in zip(before, after, strict=True) if one == two] == []


def test_the_previous_transfers_data_does_not_pass(install: Install) -> None:
    class Late(EchoQueue):
        last = b""

        def finish(self, ticket: int) -> Completion:
            out, into = self.waiting[ticket]
            done = super().finish(ticket)
            assert out is not None
            assert into is not None
            stale, self.last = self.last, bytes(out)
            if len(stale) == len(out):
                into[: len(stale)] = stale
            return done

    with opened(install, Late(), limits=Limits(max_transfer=KIB)) as card:
        assert card.check("prbs31", KIB).ok
        for _ in range(3):
            result = card.check("prbs31", KIB)
            assert not result.ok
            assert result.mismatched_bytes > KIB * 0.9


def test_a_stream_that_never_stops_ends_the_check_with_surplus(install: Install) -> None:
    class Chatter(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            return super().receive_into(view, deadline.split(at_most_s=0.001)) or len(view)

    with opened(install, Chatter(), limits=Limits(max_transfer=KIB, fifo_depth=KIB, full_duplex=False)) as card:
        result = card.check("prbs31", 4 * KIB, timeout=5.0)
        assert not result.ok
        assert result.surplus_bytes > 0


# --- exceptions


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (OSError(5, "Input/output error"), DriverFault),
        (TimeoutError("late"), DriverFault),
        (ValueError("bad descriptor"), DriverFault),
        (TypeError("no"), DriverFault),
        (RuntimeError("two\nlines"), DriverFault),
        (StopIteration(), DriverFault),
        (MemoryError(), DriverFault),
        (DeviceLost("gone"), DeviceLost),
        (KeyboardInterrupt(), KeyboardInterrupt),
        (SystemExit(3), SystemExit),
    ],
    ids=lambda value: getattr(value, "__name__", type(value).__name__),
)
@pytest.mark.parametrize("where", ["send", "receive_into", "submit", "reap"])
def test_what_a_driver_raises_is_mapped_and_leaves_the_channel_out_of_step(
    install: Install, error: BaseException, expected: type[BaseException], where: str
) -> None:
    path = EchoStream() if where in ("send", "receive_into") else EchoQueue()
    setattr(path, where, raises(error))
    with opened(install, path) as card:
        with pytest.raises(expected) as caught:
            card.check("prbs31", 64, timeout=5.0)
        if isinstance(caught.value, LaneproofError):
            assert (caught.value.uri, caught.value.operation) == ("fake:card", "check")
            assert isinstance(caught.value.so_far, Comparison)
            assert str(caught.value).isprintable()
            assert caught.value is error or caught.value.__cause__ is error
        with pytest.raises(OutOfStep):
            card.check("prbs31", 64)


@pytest.mark.parametrize("came", [1, 1000, 1024, 3000])
@pytest.mark.parametrize("error", [DeviceLost("gone"), OSError(5, "Input/output error")])
def test_every_byte_that_came_before_an_error_is_in_so_far(install: Install, came: int, error: Exception) -> None:
    class Ends(EchoStream):
        left = came

        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            if not self.left:
                raise error
            moved = super().receive_into(view[: self.left], deadline)
            self.left -= moved
            return moved

    with opened(install, Ends()) as card:
        with pytest.raises((DeviceLost, DriverFault)) as caught:
            card.check("prbs31", 4 * KIB, block=KIB)
        so_far = caught.value.so_far
        assert isinstance(so_far, Comparison)
        assert (so_far.bytes_checked, so_far.mismatched_bytes) == (came, 0)
        assert so_far.bytes_expected == 4 * KIB


def test_an_exception_of_the_callers_own_comes_out_as_it_is(install: Install) -> None:
    class Enough(Exception):
        pass

    for path in (EchoStream(), EchoQueue()):
        with opened(install, path) as card:
            for error in (Enough("mine"), OSError("mine")):
                with pytest.raises(type(error), match=r"^mine$"):
                    card.check("prbs31", 4 * KIB, block=KIB, progress=raises(error))
                with pytest.raises(OutOfStep):
                    card.send(b"")
                card.recover()
            assert card.check("prbs31", KIB).ok


def test_a_receive_does_not_wait_for_what_could_not_be_sent(install: Install) -> None:
    path = EchoStream()
    path.send = raises(DeviceLost("gone"))  # type: ignore[method-assign]
    with opened(install, path) as card:
        started_s = time.monotonic()
        with pytest.raises(DeviceLost):
            card.loopback(bytes(64), bytearray(64), 30.0)
        assert time.monotonic() - started_s < 5.0


def test_a_send_that_ignores_cancellation_is_at_fault(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream, "_RETURN_GRACE_S", 0.05)
    leave = threading.Event()

    class Hangs(EchoStream):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            leave.wait(10.0)
            return 0

    with opened(install, Hangs()) as card:
        with pytest.raises(DriverFault, match="did not return when it was cancelled"):
            card.check("prbs31", KIB, timeout=0.1)
        leave.set()


def test_progress_tells_bytes_verified_and_ends_at_all(install: Install) -> None:
    for path in (EchoStream(), EchoQueue()):
        told: list[int] = []
        with opened(install, path) as card:
            assert card.check("prbs31", 10_000, block=4 * KIB, progress=told.append).ok
        assert told == sorted(told)
        assert told[-1] == 10_000
