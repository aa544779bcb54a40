"""Bytes moved through a memory window, with and without a copy engine: on a window in memory, to be broken.

What a window does wrong here is what a slot or a card can do wrong: an address line that is stuck, a write that never
arrives, a copy that stops.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from endpoint_fakes import AT_ONCE_S, InThread, opened, raises, until

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import CopyEngine, Limits, WindowPath
from laneproof.errors import DeviceLost, DriverFault, Interrupted, OutOfStep, TransferTimeout

Install = Callable[..., None]
SIZE = 1 << 14
LIMITS = Limits(max_transfer=SIZE // 2, granularity=4)


class MemoryWindow(WindowPath):
    """Keeps what is written. Notes each call's offset and length, and fails the test when two overlap."""

    def __init__(self, size: int = SIZE) -> None:
        self.size = size
        self.memory = bytearray(size)
        self.calls: list[tuple[str, int, int]] = []
        self.busy = False
        self.takes_s = 0.0

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        self.note("write", offset, len(view))
        self.memory[offset : offset + len(view)] = view
        self.busy = False
        return len(view)

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        self.note("read_into", offset, len(view))
        view[:] = self.memory[offset : offset + len(view)]
        self.busy = False
        return len(view)

    def note(self, name: str, offset: int, nbytes: int) -> None:
        assert not self.busy, "two calls of the path overlap"
        self.busy = True
        assert 0 <= offset <= offset + nbytes <= self.size
        assert not nbytes % 4
        self.calls.append((name, offset, nbytes))
        time.sleep(self.takes_s)


class MemoryEngine(CopyEngine):
    """Copies within a window."""

    def __init__(self, window: MemoryWindow) -> None:
        self.window = window

    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        self.window.note("copy", source, nbytes)
        self.window.memory[destination : destination + nbytes] = self.window.memory[source : source + nbytes]
        self.window.busy = False
        return nbytes


@pytest.fixture(params=["plain", "engine"])
def window(request: pytest.FixtureRequest) -> MemoryWindow:
    made = MemoryWindow()
    if request.param == "engine":
        made.engine = MemoryEngine(made)
    return made


@pytest.fixture
def card(install: Install, window: MemoryWindow) -> Iterator[laneproof.Endpoint]:
    with opened(install, window, limits=LIMITS) as endpoint:
        yield endpoint


def data(nbytes: int) -> bytes:
    buffer = bytearray(nbytes)
    laneproof.pattern("prbs31", seed=3).fill(buffer)
    return bytes(buffer)


# --- what comes back ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("nbytes", [4, 4096, SIZE, 5 * SIZE + 12])
def test_whatever_the_length_everything_comes_back(card: laneproof.Endpoint, nbytes: int) -> None:
    out, into = data(nbytes), bytearray(nbytes)
    transfer = card.loopback(out, into)
    assert (transfer.bytes_sent, transfer.bytes_received) == (nbytes, nbytes)
    assert into == out
    result = card.check("prbs31", nbytes)
    assert result.ok
    assert result.bytes_received == nbytes


def test_what_is_sent_is_received_in_order_across_the_end_of_the_window(card: laneproof.Endpoint) -> None:
    out = data(9 * 3000)
    for start in range(0, len(out), 3000):
        assert card.send(out[start : start + 3000]) == 3000
        into = bytearray(3000)
        assert card.receive_into(into) == 3000
        assert into == out[start : start + 3000]


def test_a_sender_and_a_receiver_in_two_threads_move_more_than_the_window_holds(
    card: laneproof.Endpoint, window: MemoryWindow
) -> None:
    window.takes_s = 0.001  # time in which another call would overlap
    out, into = data(20 * SIZE), bytearray(20 * SIZE)
    sending = InThread(lambda: card.send(out, 20.0))
    assert card.receive_into(into, 20.0) == len(out)
    assert sending.join().result == len(out)
    assert into == out


def test_a_send_beyond_the_window_waits_for_a_receiver_until_the_deadline(
    card: laneproof.Endpoint, window: MemoryWindow
) -> None:
    room = SIZE // 2 if window.engine else SIZE
    with pytest.raises(TransferTimeout) as caught:
        card.send(bytes(SIZE + 4), 0.05)
    assert caught.value.moved == room


def test_nothing_is_received_that_was_not_sent(card: laneproof.Endpoint) -> None:
    with pytest.raises(TransferTimeout) as caught:
        card.receive_into(bytearray(8), 0.05)
    assert caught.value.moved == 0


def test_recovery_passes_over_what_was_sent_and_not_received(card: laneproof.Endpoint) -> None:
    card.send(bytes(100))
    recovery = card.recover()
    assert (recovery.how, recovery.discarded_bytes) == ("drained", 100)
    out, into = data(16), bytearray(16)
    card.send(out)
    card.receive_into(into)
    assert into == out


# --- where bytes go -------------------------------------------------------------------------------------------


def test_blocks_cover_all_of_the_window_before_the_first_is_read_back(install: Install) -> None:
    window = MemoryWindow()
    with opened(install, window, limits=LIMITS) as card:
        assert card.check("prbs31", SIZE, block=1024).ok
    names = [name for name, _, _ in window.calls]
    assert names == ["write"] * 16 + ["read_into"] * 16
    assert [offset for _, offset, _ in window.calls] == list(range(0, SIZE, 1024)) * 2


def test_successive_checks_use_successive_places(install: Install) -> None:
    window = MemoryWindow()
    with opened(install, window, limits=LIMITS) as card:
        for _ in range(5):
            assert card.check("prbs31", SIZE // 4).ok
    starts = [offset for name, offset, _ in window.calls if name == "write"]
    assert starts == [0, SIZE // 4, SIZE // 2, 3 * SIZE // 4, 0]


def test_with_an_engine_bytes_are_read_from_the_other_half(install: Install) -> None:
    window = MemoryWindow()
    window.engine = MemoryEngine(window)
    with opened(install, window, limits=LIMITS) as card:
        assert card.check("prbs31", 4 * SIZE, block=1000).ok
    assert all(offset + nbytes <= SIZE // 2 for name, offset, nbytes in window.calls if name != "read_into")
    assert all(offset >= SIZE // 2 for name, offset, _ in window.calls if name == "read_into")
    assert sum(nbytes for name, _, nbytes in window.calls if name == "copy") == 4 * SIZE


@pytest.mark.parametrize("size", [1000, 1004, 1023])
def test_a_window_of_any_size_is_used_in_granules(install: Install, size: int) -> None:
    window = MemoryWindow(size)
    window.engine = MemoryEngine(window)
    with opened(install, window, limits=LIMITS) as card:
        assert card.check("prbs31", 4096, block=64).ok
        assert card.check("prbs31", 4096, block=2048).ok


def test_a_block_larger_than_the_window_goes_in_turns(install: Install) -> None:
    with opened(install, MemoryWindow(1024), limits=Limits(max_transfer=1 << 20)) as card:
        assert card.check("prbs31", 1 << 16).ok


# --- what is wrong shows --------------------------------------------------------------------------------------


@pytest.mark.parametrize("line", range(10, 14))
def test_an_address_line_that_is_stuck_shows_as_another_blocks_data(install: Install, line: int) -> None:
    class Stuck(MemoryWindow):
        def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
            return super().write(offset & ~(1 << line), view, deadline)

        def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
            return super().read_into(offset & ~(1 << line), view, deadline)

    with opened(install, Stuck(), limits=LIMITS) as card:
        result = card.check("prbs31", SIZE, block=1024)
    assert not result.ok
    assert result.mismatched_bytes > SIZE * 49 // 100
    assert result.bytes_received == SIZE


def test_a_write_that_never_arrives_does_not_pass_as_what_was_there_before(install: Install) -> None:
    class Deaf(MemoryWindow):
        deaf = False

        def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
            if self.deaf:
                return len(view)
            return super().write(offset, view, deadline)

    window = Deaf()
    with opened(install, window, limits=LIMITS) as card:
        assert card.check("prbs31", SIZE).ok
        window.deaf = True
        result = card.check("prbs31", SIZE)
    assert result.mismatched_bytes > SIZE * 98 // 100


def test_a_read_that_fills_nothing_does_not_pass(install: Install) -> None:
    class Blank(MemoryWindow):
        def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
            return len(view)

    with opened(install, Blank(), limits=LIMITS) as card:
        assert card.check("prbs31", SIZE).mismatched_bytes == SIZE


def test_an_engine_that_copies_nothing_does_not_pass(install: Install) -> None:
    class Idle(MemoryEngine):
        def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
            return nbytes

    window = MemoryWindow()
    window.engine = Idle(window)
    with opened(install, window, limits=LIMITS) as card:
        assert card.check("prbs31", SIZE).mismatched_bytes > SIZE * 98 // 100


# --- what stops -----------------------------------------------------------------------------------------------


def slow(window: MemoryWindow, name: str, good: int) -> None:
    """Let the call of that name work `good` times, and then move half and wait for the deadline."""
    owner: Any = window.engine if name == "copy" else window
    works, left = getattr(owner, name), [good]

    def call(*arguments: Any) -> int:
        deadline = arguments[-1]
        if left[0]:
            left[0] -= 1
            return works(*arguments)
        while not deadline.expired:
            deadline.pause()
        if name == "copy":
            return works(*arguments[:2], 32, deadline)
        return works(arguments[0], arguments[1][:32], deadline)

    setattr(owner, name, call)


@pytest.mark.parametrize("name", ["write", "read_into", "copy"])
def test_a_call_that_stops_part_of_the_way_is_a_stall_with_what_came(install: Install, name: str) -> None:
    window = MemoryWindow()
    window.engine = MemoryEngine(window)
    slow(window, name, good=9)
    with opened(install, window, limits=LIMITS) as card:
        result = card.check("prbs31", SIZE, block=1024, timeout=0.2)
        assert result.stalled
        assert not result.ok
        assert result.mismatched_bytes == 0
        assert result.bytes_received == (9 * 1024 + 32 if name == "read_into" else 8 * 1024)
        with pytest.raises(OutOfStep):
            card.send(bytes(4))
        card.recover()


@pytest.mark.parametrize("name", ["write", "read_into", "copy"])
def test_a_loopback_that_stops_says_how_much_came_back(install: Install, name: str) -> None:
    window = MemoryWindow()
    window.engine = MemoryEngine(window)
    slow(window, name, good=0)
    with opened(install, window, limits=LIMITS) as card, pytest.raises(TransferTimeout) as caught:
        card.loopback(bytes(64), bytearray(64), 0.1)
    assert caught.value.moved == 32


@pytest.mark.parametrize("name", ["write", "read_into", "copy"])
@pytest.mark.parametrize(("claim", "words"), [(-1, "says that it moved"), (1 << 20, "says that it moved"), (4, "4 of")])
def test_a_driver_that_cannot_be_right_is_at_fault(install: Install, name: str, claim: int, words: str) -> None:
    window = MemoryWindow()
    window.engine = MemoryEngine(window)
    owner: Any = window.engine if name == "copy" else window
    setattr(owner, name, lambda *_: claim)
    with opened(install, window, limits=LIMITS) as card, pytest.raises(DriverFault, match=f"{name} .*{words}"):
        card.check("prbs31", 4096, block=1024)


@pytest.mark.parametrize("name", ["write", "read_into", "copy"])
def test_what_had_been_verified_is_kept_when_the_card_is_lost(install: Install, name: str) -> None:
    window = MemoryWindow()
    window.engine = MemoryEngine(window)
    owner: Any = window.engine if name == "copy" else window
    works, left = getattr(owner, name), [9]

    def call(*arguments: Any) -> Any:
        left[0] -= 1
        return works(*arguments) if left[0] >= 0 else raises(DeviceLost("gone"))()

    setattr(owner, name, call)
    with opened(install, window, limits=LIMITS) as card:
        with pytest.raises(DeviceLost) as caught:
            card.check("prbs31", 4 * SIZE, block=1024)
        so_far = caught.value.so_far
        assert isinstance(so_far, laneproof.Comparison)
        assert so_far.bytes_checked == (9 * 1024 if name == "read_into" else 8 * 1024)
        assert so_far.bytes_expected == 4 * SIZE


def test_an_exception_of_the_driver_is_its_fault(install: Install) -> None:
    window = MemoryWindow()
    window.write = raises(OSError(5, "Input/output error"))  # type: ignore[method-assign]
    with opened(install, window, limits=LIMITS) as card, pytest.raises(DriverFault, match="Input/output error"):
        card.send(bytes(8))


@pytest.mark.parametrize("call", ["send", "receive_into", "check"])
def test_interrupt_ends_a_call_at_once(install: Install, call: str) -> None:
    window = MemoryWindow()
    slow(window, "write", good=0 if call == "check" else 99)
    calls: dict[str, Callable[[laneproof.Endpoint], Any]] = {
        "send": lambda card: card.send(bytes(2 * SIZE), 30.0),
        "receive_into": lambda card: card.receive_into(bytearray(8), 30.0),
        "check": lambda card: card.check("prbs31", 64, timeout=30.0),
    }
    with opened(install, window, limits=LIMITS) as card:
        running = InThread(lambda: calls[call](card))
        until(lambda: bool(card._calls.live))
        started_s = time.monotonic()
        card.interrupt()
        assert isinstance(running.join().error, Interrupted)
        assert time.monotonic() - started_s < AT_ONCE_S


def test_a_window_without_room_for_a_granule_closes_the_card(install: Install) -> None:
    closed: list[str] = []
    with (
        pytest.raises(DriverFault, match="no room for its granularity, 4"),
        opened(install, MemoryWindow(3), limits=LIMITS, close=lambda: closed.append("closed")),
    ):
        pass
    assert closed == ["closed"]
