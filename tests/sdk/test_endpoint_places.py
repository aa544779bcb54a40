"""Checks whose large blocks are taken from one filled buffer, each from a place of its own: what that must not hide."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from endpoint_fakes import EchoQueue, opened
from numpy.typing import NDArray

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits

Install = Callable[..., None]
MIB = 1 << 20
LIMITS = Limits(max_transfer=2 * MIB, queue_depth=2, alignment=4)


class Faulty(EchoQueue):
    """Finishes one transfer at a time, and may do something else with number n."""

    def __init__(self, *numbers: int) -> None:
        super().__init__()
        self.numbers = numbers
        self.came = 0

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        if not self.waiting:
            return []
        ticket = min(self.waiting)
        out, into = self.waiting[ticket]
        assert out is not None
        assert into is not None
        number, self.came = self.came, self.came + 1
        if number not in self.numbers:
            return [self.finish(ticket)]
        del self.waiting[ticket]
        self.instead(out, into)
        return [Completion(ticket=ticket, sent=len(out), received=len(out))]

    def instead(self, out: memoryview, into: memoryview) -> None:
        """Leaves `into` as it was."""


class KeepsFirst(Faulty):
    """Sends back what it was sent first."""

    first: bytes = b""

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        super().submit(ticket, out, into)
        self.first = self.first or bytes(out or b"")

    def instead(self, out: memoryview, into: memoryview) -> None:
        into[: len(out)] = self.first


class Recorder(Faulty):
    """Keeps the first bytes of each transfer out."""

    def __init__(self) -> None:
        super().__init__()
        self.sent: list[NDArray[np.uint8]] = []

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        assert out is not None
        assert np.frombuffer(out, np.uint8).ctypes.data % LIMITS.alignment == 0
        self.sent.append(np.frombuffer(out[:4096], np.uint8).copy())
        super().submit(ticket, out, into)


@pytest.mark.parametrize("missed", range(2, 7))
def test_a_transfer_that_never_came_is_wrong_all_over(install: Install, missed: int) -> None:
    with opened(install, Faulty(missed), limits=LIMITS) as card:
        result = card.check("prbs31", 8 * MIB, block=MIB)
    assert not result.ok
    assert min(region.start for region in result.regions) // MIB == missed
    # In random bytes, one of 256 is right by chance.
    assert result.mismatched_bytes == pytest.approx(MIB * 255 / 256, rel=0.01)


def test_of_a_transfer_that_never_came_no_31_bits_in_a_row_pass(install: Install) -> None:
    landed: list[NDArray[np.uint8]] = []

    class Keeps(Faulty):
        def instead(self, out: memoryview, into: memoryview) -> None:
            landed.append(np.frombuffer(out, np.uint8) ^ np.frombuffer(into[: len(out)], np.uint8))

    with opened(install, Keeps(3, 4, 5), limits=LIMITS) as card:
        assert not card.check("prbs31", 8 * MIB, block=MIB).ok
    for difference in landed:
        assert np.all(difference.view(np.uint32))


def test_a_first_transfer_that_never_came_is_wrong_in_every_bit(install: Install) -> None:
    with opened(install, Faulty(0, 1), limits=LIMITS) as card:
        assert card.check("prbs31", 2 * MIB, block=MIB).mismatched_bits == 8 * 2 * MIB


def test_after_damage_what_never_came_is_wrong_in_every_bit(install: Install) -> None:
    class Damages(Faulty):
        def instead(self, out: memoryview, into: memoryview) -> None:
            if self.came == 1:
                into[: len(out)] = out
                into[77] ^= 1

    with opened(install, Damages(0, 1), limits=LIMITS) as card:
        result = card.check("prbs31", 2 * MIB, block=MIB, depth=1)
    assert result.mismatched_bits == 1 + 8 * MIB


def test_old_data_of_the_card_do_not_pass(install: Install) -> None:
    with opened(install, KeepsFirst(*range(1, 40)), limits=LIMITS) as card:
        result = card.check("prbs31", 40 * MIB, block=MIB)
    assert result.mismatched_bytes == pytest.approx(39 * MIB * 255 / 256, rel=0.01)


def test_each_transfer_has_other_data_in_every_dword_also_of_later_checks(install: Install) -> None:
    recorder = Recorder()
    with opened(install, recorder, limits=LIMITS) as card:
        for _ in range(3):
            assert card.check("prbs31", 20 * MIB, block=MIB).ok
    sent = np.array(recorder.sent).view(np.uint32)
    assert len(sent) == 60
    for number, one in enumerate(sent):
        assert np.all(one != sent[number + 1 :])


def test_a_buffer_is_filled_anew_once_all_its_places_were_taken(install: Install) -> None:
    limits = Limits(max_transfer=2 * MIB, queue_depth=1, alignment=1 << 14)  # four places in 64 KiB
    recorder = Recorder()
    with opened(install, recorder, limits=limits) as card:
        assert card.check("prbs31", 12 * MIB, block=MIB).ok
    stretches = {laneproof.pattern("prbs31", sequence=first).for_sequence(first) for first in (0, 4, 8)}
    starts = [bytes(one[:64]) for one in recorder.sent]
    for stretch in stretches:
        start = bytearray(64)
        stretch.fill(start)
        assert bytes(start) in starts
    assert len(set(starts)) == 12


def test_short_blocks_damage_and_digests_between_checks_leave_it_right(install: Install) -> None:
    with opened(install, Faulty(7), limits=LIMITS) as card:
        found = [
            card.check("prbs31", nbytes, block=MIB, digest=digest)
            for nbytes, digest in [(3 * MIB + 5, False), (5, False), (2 * MIB, True), (4 * MIB + 9, False), (MIB, True)]
        ]
    assert [one.ok for one in found] == [True, True, True, False, True]
    assert [one.bytes_checked for one in found] == [3 * MIB + 5, 5, 2 * MIB, 4 * MIB + 9, MIB]


def test_a_check_of_another_pattern_on_the_same_memory_is_right(install: Install) -> None:
    with opened(install, Faulty(), limits=LIMITS) as card:
        for pattern in ("prbs31", "counter", laneproof.pattern("prbs31", seed=4), "prbs31", "prbs29"):
            assert card.check(pattern, 5 * MIB, block=MIB).ok
