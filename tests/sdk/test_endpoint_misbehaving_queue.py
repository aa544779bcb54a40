"""What an endpoint makes of an engine that completes tickets wrongly, late or never, and when it is stopped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest
from attrs import evolve
from endpoint_fakes import EchoQueue, opened, raises

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits
from laneproof.errors import DriverFault, OutOfStep, TransferTimeout
from laneproof.moving import tickets

Install = Callable[..., None]
KIB = 1 << 10
MESSAGES = Limits(max_transfer=4 * KIB, queue_depth=4, boundary="message")


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
    assert left_s[0] == pytest.approx(tickets.QUIESCE_S, abs=1.0)
