"""Checks in memory that the card reaches by itself, and checks whose large blocks are verified by several threads."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from endpoint_fakes import EchoQueue, InThread, opened, until

from laneproof import channel as channels
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits, Region, RegionSource
from laneproof.errors import DriverFault, EndpointBusy, Interrupted, LaneproofError

Install = Callable[..., None]
MIB = 1 << 20
LARGE = Limits(max_transfer=8 * MIB, queue_depth=3)


class OwnRegion(Region):
    def __init__(self, memory: OwnMemory, nbytes: int) -> None:
        self.data = np.zeros(nbytes, np.uint8)
        self.view = memoryview(self.data)
        self._memory = memory

    def close(self) -> None:
        if self in self._memory.held:
            raise EndpointBusy("still in use")
        self._memory.open.discard(self)


class OwnMemory(RegionSource):
    def __init__(self) -> None:
        self.open: set[OwnRegion] = set()
        self.held: set[OwnRegion] = set()
        self.made = 0

    def allocate(self, nbytes: int, deadline: Deadline) -> Region:
        region = OwnRegion(self, nbytes)
        self.open.add(region)
        self.made += 1
        return region

    def reaches(self, view: memoryview | None) -> bool:
        return view is None or any(np.shares_memory(np.frombuffer(view, np.uint8), region.data) for region in self.open)


class DirectQueue(EchoQueue):
    """Takes only what lies in the card's own memory."""

    def __init__(self, memory: OwnMemory) -> None:
        super().__init__()
        self.memory = memory

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        assert self.memory.reaches(out)
        assert self.memory.reaches(into)
        super().submit(ticket, out, into)


class InOrder(EchoQueue):
    """Finishes one transfer at a time, the one that waits longest."""

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        return [self.finish(min(self.waiting))] if self.waiting else []


def test_a_check_uses_the_cards_own_memory_and_keeps_it_for_the_next(install: Install) -> None:
    memory = OwnMemory()
    with opened(install, DirectQueue(memory), parts=(memory,)) as card:
        assert card.check("prbs31", 300_000, block=1 << 16).ok
        made = memory.made
        assert card.check("prbs31", 300_000, block=1 << 16).ok
    assert made == memory.made == 2 * 4  # the queue is four deep, and each transfer has an out and an into


def test_memory_that_fits_no_longer_is_given_back(install: Install) -> None:
    memory = OwnMemory()
    with opened(install, DirectQueue(memory), parts=(memory,)) as card:
        assert card.check("prbs31", 300_000, block=1 << 16).ok
        assert card.check("prbs31", 100_000, block=1 << 12, depth=1).ok
        assert sorted(len(region.view) for region in memory.open) == [1 << 12] * 2


def test_a_last_block_that_is_short_leaves_the_memory_whole_for_the_next_check(install: Install) -> None:
    memory = OwnMemory()
    with opened(install, DirectQueue(memory), parts=(memory,)) as card:
        for nbytes in (10_001, 4096 * 3, 1, 4096 * 5 + 1):
            result = card.check("prbs31", nbytes, block=4096, depth=2)
            assert result.ok
            assert result.bytes_checked == nbytes


def test_memory_that_the_hardware_may_still_write_to_is_left_alone(install: Install) -> None:
    memory = OwnMemory()

    class Holds(DirectQueue):
        def reap(self, deadline: Deadline) -> Sequence[Completion]:
            while not deadline.expired:
                deadline.pause(0.001)
            return []

        def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
            memory.held |= memory.open
            tickets, self.waiting = list(self.waiting), {}
            return [Completion(ticket=ticket, sent=0, received=0, status="held", why="busy") for ticket in tickets]

    with opened(install, Holds(memory), parts=(memory,)) as card:
        result = card.check("prbs31", 4096, block=4096, timeout=0.05)
        assert result.stalled
        assert result.bytes_checked == 0
    assert memory.open


def test_a_region_source_that_fails_is_a_driver_fault(install: Install) -> None:
    class NoMemory(OwnMemory):
        def allocate(self, nbytes: int, deadline: Deadline) -> Region:
            raise OSError(12, "Cannot allocate memory")

    with opened(install, EchoQueue(), parts=(NoMemory(),)) as card, pytest.raises(DriverFault, match="allocate memory"):
        card.check("prbs31", 4096)


@pytest.mark.parametrize(
    ("rate", "largest", "granularity", "block"),
    [
        (100e6, 1 << 30, 1, MIB),
        (20e9, 1 << 30, 1, 16 * MIB),
        (20e9, 4 * MIB, 1, 4 * MIB),
        (20e9, 1000, 16, 992),
        (1.0, 64, 64, 64),
    ],
)
def test_a_block_is_as_large_as_the_card_is_fast(
    install: Install, rate: float, largest: int, granularity: int, block: int
) -> None:
    limits = Limits(max_transfer=largest, granularity=granularity, nominal_bytes_per_s=rate)
    with opened(install, EchoQueue(), limits=limits) as card:
        assert card.channels[0].default_block == block


@pytest.fixture
def four_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(channels, "_PROCESSORS", 4)


@pytest.mark.usefixtures("four_processors")
class TestSeveralThreads:
    def test_they_find_what_one_finds(self, install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
        class Flips(InOrder):
            def finish(self, ticket: int) -> Completion:
                _, into = self.waiting[ticket]
                done = super().finish(ticket)
                assert into is not None
                into[1000] ^= 0x40
                return done

        found = []
        for processors in (4, 1):
            monkeypatch.setattr(channels, "_PROCESSORS", processors)
            with opened(install, Flips(), limits=LARGE) as card:
                found.append(card.check("prbs31", 37 * MIB, block=4 * MIB))
        assert found[0] == found[1]
        assert found[0].mismatched_bits == 10  # the last block is short
        assert len(found[0].regions) == 10

    def test_blocks_are_worked_on_beside_the_callers_thread_and_no_thread_is_left(self, install: Install) -> None:
        threads = set()
        with opened(install, InOrder(), limits=LARGE) as card:
            before = threading.active_count()
            card.check(
                "prbs31",
                32 * MIB,
                block=4 * MIB,
                progress=lambda _: threads.update(t.name for t in threading.enumerate()),
            )
            assert threading.active_count() == before
        assert any("laneproof-check" in name for name in threads)

    def test_a_stall_keeps_what_came_back_before(self, install: Install) -> None:
        class StopsAfterThree(InOrder):
            def reap(self, deadline: Deadline) -> Sequence[Completion]:
                if self.submitted - len(self.waiting) < 3:
                    return super().reap(deadline)
                while not deadline.expired:
                    deadline.pause(0.001)
                return []

        with opened(install, StopsAfterThree(), limits=LARGE) as card:
            result = card.check("prbs31", 32 * MIB, block=4 * MIB, timeout=3.0)
        assert result.stalled
        assert (result.bytes_checked, result.mismatched_bytes) == (12 * MIB, 0)

    def test_an_interrupt_ends_it_and_no_buffer_is_touched_afterwards(self, install: Install) -> None:
        class NeverDone(InOrder):
            def reap(self, deadline: Deadline) -> Sequence[Completion]:
                while not deadline.expired:
                    deadline.pause(0.001)
                return []

        path = NeverDone()
        with opened(install, path, limits=LARGE) as card:
            call = InThread(lambda: card.check("prbs31", 32 * MIB, block=4 * MIB))
            until(lambda: path.submitted == 3)
            card.interrupt()
            call.join()
            assert isinstance(call.error, Interrupted)
            assert not any(thread.name.startswith("laneproof-check") for thread in threading.enumerate())

    def test_an_error_of_the_driver_carries_what_was_verified(self, install: Install) -> None:
        class Breaks(InOrder):
            def reap(self, deadline: Deadline) -> Sequence[Completion]:
                if self.submitted > 5:
                    raise OSError(5, "Input/output error")
                return super().reap(deadline)

        with opened(install, Breaks(), limits=LARGE) as card, pytest.raises(LaneproofError) as caught:
            card.check("prbs31", 40 * MIB, block=4 * MIB)
        assert caught.value.so_far is not None
        assert caught.value.so_far.mismatched_bytes == 0
