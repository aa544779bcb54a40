"""How bytes move over a stream: in pieces that the card permits, by turns where it must, and when a tail is lost."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import pytest
from endpoint_fakes import EchoStream, opened

from laneproof.clock import Deadline
from laneproof.contract import Limits
from laneproof.integrity import pattern
from laneproof.moving import CheckJob, StreamMover, stream

KIB = 1 << 10


@pytest.fixture
def deadline() -> Iterator[Deadline]:
    with Deadline(10.0) as made:
        yield made


def job(nbytes: int, block: int = KIB) -> CheckJob:
    return CheckJob(
        nbytes=nbytes, block=block, depth=1, stretch=lambda number: (pattern("prbs31").for_sequence(number), 0)
    )


class Recording(EchoStream):
    """Keeps the lengths that it was asked to move."""

    def __init__(self, fifo: int = 1 << 16) -> None:
        super().__init__(fifo)
        self.asked: list[int] = []

    def send(self, view: memoryview, deadline: Deadline) -> int:
        self.asked.append(len(view))
        return super().send(view, deadline)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        self.asked.append(len(view))
        return super().receive_into(view, deadline)


@pytest.mark.parametrize(
    ("largest", "granularity", "piece"), [(1000, 1, 1000), (1000, 64, 960), (64, 64, 64), (8, 64, 64)]
)
def test_no_piece_is_larger_than_the_largest_transfer_or_breaks_the_granularity(
    deadline: Deadline, largest: int, granularity: int, piece: int
) -> None:
    path = Recording()
    mover = StreamMover(path, Limits(max_transfer=largest, granularity=granularity))
    assert mover.send(memoryview(bytes(64 * 100)), deadline) == 6400
    assert max(path.asked) == piece
    assert [asked for asked in path.asked if asked % granularity] == []


@pytest.mark.parametrize("fifo", [3, 64, 4 * KIB])
@pytest.mark.parametrize("full_duplex", [True, False])
def test_no_fifo_is_too_small(deadline: Deadline, fifo: int, full_duplex: bool) -> None:
    limits = Limits(max_transfer=64 * KIB, fifo_depth=fifo, full_duplex=full_duplex)
    mover = StreamMover(EchoStream(fifo), limits)
    out, into = bytes(range(256)), bytearray(256)
    assert mover.loopback(memoryview(out), memoryview(into), deadline) == (256, 256)
    assert into == out
    assert mover.check(job(400, block=100), deadline).ok


def test_a_card_that_cannot_do_both_at_once_is_never_asked_to(deadline: Deadline) -> None:
    busy = threading.Lock()

    class OneAtATime(EchoStream):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            assert busy.acquire(blocking=False)
            with busy_released():
                return super().send(view, deadline)

        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            assert busy.acquire(blocking=False)
            with busy_released():
                return super().receive_into(view, deadline)

    class busy_released:  # noqa: N801 - used as a statement
        def __enter__(self) -> None: ...

        def __exit__(self, *_: object) -> None:
            busy.release()

    mover = StreamMover(OneAtATime(), Limits(max_transfer=KIB, fifo_depth=KIB, full_duplex=False))
    assert mover.check(job(8 * KIB), deadline).ok


@pytest.mark.parametrize("full_duplex", [True, False])
def test_a_stream_that_takes_nothing_ends_at_the_deadline(full_duplex: bool) -> None:
    mover = StreamMover(EchoStream(fifo=0), Limits(max_transfer=KIB, full_duplex=full_duplex))
    with Deadline(0.1) as deadline:
        assert mover.loopback(memoryview(bytes(8)), memoryview(bytearray(8)), deadline) == (0, 0)
    with Deadline(0.1) as deadline:
        result = mover.check(job(8), deadline)
    assert result.stalled
    assert result.empty


def test_a_tail_is_given_up_only_after_silence_since_the_last_byte_went(
    deadline: Deadline, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "SETTLE_S", 0.5)

    class Pauses(EchoStream):
        """Takes its first byte only after most of the settling time, and echoes a little later."""

        taken_s = 0.0

        def send(self, view: memoryview, deadline: Deadline) -> int:
            while time.monotonic() < started_s + 0.4:
                deadline.pause(0.005)
            self.taken_s = time.monotonic()
            return super().send(view, deadline)

        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            while not self.taken_s or time.monotonic() < self.taken_s + 0.3:
                if deadline.expired:
                    return 0
                deadline.pause(0.005)
            return super().receive_into(view, deadline)

    started_s = time.monotonic()
    assert StreamMover(Pauses(), Limits(max_transfer=KIB)).check(job(KIB), deadline).ok


def test_a_lost_tail_is_missing_and_no_stall(deadline: Deadline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream, "SETTLE_S", 0.1)

    class Loses(EchoStream):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            moved = super().send(view, deadline)
            del self.held[-5:]
            return moved

    result = StreamMover(Loses(), Limits(max_transfer=KIB)).check(job(KIB), deadline)
    assert (result.bytes_received, result.stalled, result.ok) == (KIB - 5, False, False)


def test_draining_goes_on_until_the_stream_is_quiet(deadline: Deadline) -> None:
    class Trickles(EchoStream):
        """Brings four bytes, then nothing until the reader gives up, six times over."""

        calls = 0

        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            self.calls += 1
            if self.calls % 2 and self.calls < 12:
                return 4
            return super().receive_into(view, deadline)

    path = Trickles()
    assert StreamMover(path, Limits(max_transfer=KIB)).drain(deadline) == 24
    assert path.calls == 13


def test_a_loopback_ends_when_all_has_gone_as_well_as_come(deadline: Deadline) -> None:
    class Early(EchoStream):
        """Holds bytes of an earlier transfer, and takes none before they have been fetched for a while."""

        def send(self, view: memoryview, deadline: Deadline) -> int:
            while self.held:
                deadline.pause(0.001)
            for _ in range(10):
                deadline.pause(0.01)
            return super().send(view, deadline)

    path = Early()
    path.held += bytes(64)
    mover = StreamMover(path, Limits(max_transfer=KIB))
    assert mover.loopback(memoryview(bytes(64)), memoryview(bytearray(64)), deadline) == (64, 64)


def test_each_block_carries_its_own_stretch(deadline: Deadline) -> None:
    path = EchoStream()
    sent: list[bytes] = []
    send = path.send

    def recorded(view: memoryview, deadline: Deadline) -> int:
        moved = send(view, deadline)
        sent.append(bytes(view[:moved]))
        return moved

    path.send = recorded  # type: ignore[method-assign]
    assert StreamMover(path, Limits(max_transfer=KIB)).check(job(8 * KIB), deadline).ok
    assert len(set(sent)) == len(sent) == 8


def test_surplus_that_is_not_listened_for_shows_as_damage_in_the_next_check(install: Callable[..., None]) -> None:
    class Adds(EchoStream):
        """One byte too many, once."""

        added = False

        def send(self, view: memoryview, deadline: Deadline) -> int:
            moved = super().send(view, deadline)
            if not self.added:
                self.added = True
                with self.lock:
                    self.held += b"\x00"
            return moved

    with opened(install, Adds()) as card:
        assert card.check("prbs31", 1000, more_follows=True).ok
        second = card.check("prbs31", 1000)
    assert second.mismatched_bytes > 900
    assert second.surplus_bytes == 1
