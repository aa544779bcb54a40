"""What an endpoint makes of a driver that breaks the contract: its fault, never a pass and never the slot's."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from attrs import evolve
from endpoint_fakes import EchoQueue, EchoStream, opened

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits
from laneproof.errors import DeviceLost, DriverFault, LaneproofError, OutOfStep, TransferTimeout
from laneproof.integrity import Comparison
from laneproof.moving import queue, stream

Install = Callable[..., None]
KIB = 1 << 10
MESSAGES = Limits(max_transfer=4 * KIB, queue_depth=4, boundary="message")


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tails are given up sooner than in use, to keep the tests short."""
    monkeypatch.setattr(stream, "SETTLE_S", 0.2)


def raises(error: BaseException) -> Callable[..., Any]:
    def fail(*_: object) -> Any:
        raise error

    return fail


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


# --- queues that complete wrongly


class Completes(EchoQueue):
    """Hands out what `change` makes of each batch of right completions."""

    def __init__(self, change: Callable[[list[Completion]], Sequence[Completion]]) -> None:
        super().__init__()
        self.change = change

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        return self.change(list(super().reap(deadline)))


def each(**changes: Any) -> Callable[[list[Completion]], Sequence[Completion]]:
    return lambda done: [evolve(completion, **changes) for completion in done]


WRONG: dict[str, Callable[[list[Completion]], Sequence[Completion]]] = {
    "twice": lambda done: done + done,
    "never out": lambda done: [evolve(completion, ticket=completion.ticket + 1000) for completion in done],
    "one more": lambda done: [*done, Completion(ticket=10**9, sent=0, received=0)],
    "too many received": each(received=10**9),
    "negative received": each(received=-1),
    "too many sent": each(sent=10**9),
    "negative sent": each(sent=-1),
    "failed, with all bytes": each(status="failed", why="parity"),
    "held, with all bytes": each(status="held"),
    "nothing, early": lambda done: [],
    "no completions": lambda done: None,  # type: ignore[arg-type, return-value]
}


@pytest.mark.parametrize("how", WRONG)
@pytest.mark.parametrize("call", ["check", "loopback", "send"])
def test_a_queue_that_completes_wrongly_is_at_fault_and_recovers(install: Install, how: str, call: str) -> None:
    path = Completes(WRONG[how])
    calls: dict[str, Callable[[laneproof.Endpoint], Any]] = {
        "check": lambda card: card.check("prbs31", 8 * KIB, timeout=5.0),
        "loopback": lambda card: card.loopback(bytes(8 * KIB), bytearray(8 * KIB), 5.0),
        "send": lambda card: card.send(bytes(8 * KIB), 5.0),
    }
    with opened(install, path, limits=MESSAGES) as card:
        with pytest.raises(DriverFault, match=f"^fake:card {call}: "):
            calls[call](card)
        path.change = list
        path.held.clear()
        assert card.recover().how in ("drained", "reconnected")
        for _ in range(3):
            assert card.check("prbs31", 64 * KIB).ok, "no place in the queue was lost"


def test_an_engine_that_reports_nothing_before_the_deadline_is_at_fault_and_no_stall(install: Install) -> None:
    class Hasty(EchoQueue):
        def reap(self, deadline: Deadline) -> Sequence[Completion]:
            return []

    with opened(install, Hasty(), limits=MESSAGES) as card, pytest.raises(DriverFault, match="reap came back with"):
        card.check("prbs31", 8 * KIB, timeout=5.0)


def test_a_failed_transfer_names_the_drivers_reason(install: Install) -> None:
    path = Completes(each(status="failed", why="descriptor error 7"))
    with opened(install, path) as card, pytest.raises(DriverFault, match="a transfer failed: descriptor error 7"):
        card.check("prbs31", KIB)


def test_completions_in_any_order_are_each_their_own_blocks(install: Install) -> None:
    path = Completes(lambda done: done[::-1])
    with opened(install, path, limits=MESSAGES) as card:
        assert card.check("prbs31", 64 * KIB + 100).ok


def test_a_message_with_more_than_was_sent_is_surplus(install: Install) -> None:
    class Adds(EchoQueue):
        def finish(self, ticket: int) -> Completion:
            done = super().finish(ticket)
            return evolve(done, received=done.sent + 1)

    with opened(install, Adds(), limits=MESSAGES) as card:
        result = card.check("prbs31", 8 * KIB)
        assert not result.ok
        assert (result.surplus_bytes, result.mismatched_bytes) == (2, 0)
        with pytest.raises(OutOfStep):
            card.send(b"")


def test_a_message_that_comes_short_is_missing_where_it_was(install: Install) -> None:
    class Short(EchoQueue):
        def finish(self, ticket: int) -> Completion:
            done = super().finish(ticket)
            return evolve(done, received=done.received - 10) if ticket == 2 else done

    with opened(install, Short(), limits=MESSAGES) as card:
        result = card.check("prbs31", 16 * KIB)
        assert not result.ok
        assert (result.bytes_received, result.mismatched_bytes) == (16 * KIB - 10, 0)


class Stalls(EchoQueue):
    """Completes nothing from ticket `at` on."""

    def __init__(self, at: int) -> None:
        super().__init__()
        self.at = at

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        while True:
            done = [self.finish(ticket) for ticket in list(self.waiting) if ticket < self.at]
            if done or deadline.expired:
                return done
            deadline.pause(0.005)


def test_a_queue_that_stalls_is_a_result_with_what_had_come(install: Install) -> None:
    with opened(install, Stalls(at=4), limits=MESSAGES) as card:
        result = card.check("prbs31", 32 * KIB, timeout=0.2)
        assert not result.ok
        assert result.stalled
        assert (result.bytes_checked, result.bytes_received) == (12 * KIB, 12 * KIB)
        assert result.mismatched_bytes == 0


def test_bytes_that_the_hardware_may_still_write_to_are_no_evidence(install: Install) -> None:
    class Held(Stalls):
        def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
            tickets, self.waiting = list(self.waiting), {}
            return [Completion(ticket=ticket, sent=0, received=4 * KIB, status="held") for ticket in tickets]

    with opened(install, Held(at=2), limits=MESSAGES) as card:
        result = card.check("prbs31", 32 * KIB, timeout=0.2)
        assert result.stalled
        assert (result.bytes_checked, result.mismatched_bytes) == (4 * KIB, 0)


def test_a_stalled_queue_raises_from_loopback_with_what_had_moved(install: Install) -> None:
    with opened(install, Stalls(at=3), limits=MESSAGES) as card, pytest.raises(TransferTimeout) as caught:
        card.loopback(bytes(32 * KIB), bytearray(32 * KIB), 0.2)
    assert caught.value.moved == 8 * KIB


def test_a_ticket_that_never_completes_is_a_fault_that_only_a_new_connection_ends(install: Install) -> None:
    class Forgets(Stalls):
        def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
            self.waiting.clear()
            self.at = 10**9
            return []

    with opened(install, Forgets(at=1), limits=MESSAGES) as card:
        with pytest.raises(DriverFault, match="without completing tickets"):
            card.check("prbs31", 8 * KIB, timeout=0.1)
        assert card.recover().how == "reconnected"
        assert card.check("prbs31", 8 * KIB).ok


def test_no_more_tickets_are_out_than_the_queue_is_deep(install: Install) -> None:
    most = 0

    class Counts(EchoQueue):
        def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
            nonlocal most
            super().submit(ticket, out, into)
            most = max(most, len(self.waiting))

    with opened(install, Counts(), limits=MESSAGES) as card:
        assert card.check("prbs31", 64 * KIB, depth=100).ok
        assert most == 4
        most = 0
        assert card.check("prbs31", 64 * KIB, depth=2).ok
        assert most == 2
        card.loopback(bytes(64 * KIB), bytearray(64 * KIB))
        assert most == 4


def test_the_engine_is_stopped_before_a_call_with_tickets_out_returns(install: Install) -> None:
    path = Stalls(at=1)
    stopped: list[int] = []

    def stop(deadline: Deadline) -> Sequence[Completion]:
        stopped.append(len(path.waiting))
        return EchoQueue.quiesce(path, deadline)

    path.quiesce = stop  # type: ignore[method-assign]
    with opened(install, path, limits=MESSAGES) as card:
        with pytest.raises(TransferTimeout):
            card.receive_into(bytearray(8), 0.1)
        assert stopped == [1]


def test_the_engine_is_stopped_when_a_call_ends_with_an_error(install: Install) -> None:
    class OneByOne(EchoQueue):
        def reap(self, deadline: Deadline) -> Sequence[Completion]:
            return [self.finish(next(iter(self.waiting)))]

    path = OneByOne()
    with opened(install, path, limits=MESSAGES) as card:
        with pytest.raises(KeyError):
            card.check("prbs31", 64 * KIB, progress=raises(KeyError("the caller's")))
        assert path.submitted > 1
        assert path.waiting == {}


def test_stopping_gets_time_of_its_own_after_the_deadline(install: Install) -> None:
    left_s: list[float] = []

    class Asks(Stalls):
        def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
            left_s.append(deadline.left_s())
            return super().quiesce(deadline)

    with opened(install, Asks(at=1), limits=MESSAGES) as card:
        assert card.check("prbs31", 8 * KIB, timeout=0.1).stalled
    assert left_s[0] == pytest.approx(queue._QUIESCE_S, abs=1.0)
