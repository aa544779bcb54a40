"""Which bytes a check sends: stretches of its own by name, a Pattern from its sequence on, a given state unbroken."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of, opened

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Card
from laneproof.errors import DriverFault

Install = Callable[..., None]
BLOCK, NBYTES = 4096, 4 * 4096


class Recorder(EchoStream):
    """An echo that keeps what was sent."""

    def __init__(self) -> None:
        super().__init__()
        self.sent = bytearray()

    def send(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().send(view, deadline)
        self.sent += view[:moved]
        return moved


def sent_by(install: Install, pattern: str | laneproof.Pattern) -> bytes:
    recorder = Recorder()
    with opened(install, recorder) as card:
        assert card.check(pattern, NBYTES, block=BLOCK).ok
    return bytes(recorder.sent)


def test_a_given_state_goes_on_from_block_to_block_so_that_a_cards_checker_keeps_its_lock(install: Install) -> None:
    pattern = laneproof.pattern("prbs31", state=1)
    whole = bytearray(NBYTES)
    pattern.fill(whole)
    assert sent_by(install, pattern) == bytes(whole)


def test_a_pattern_is_sent_from_its_own_sequence_number_on(install: Install) -> None:
    pattern = laneproof.pattern("prbs31", seed=3, sequence=40)
    expected = bytearray()
    for sequence in range(40, 44):
        block = bytearray(BLOCK)
        pattern.for_sequence(sequence).fill(block)
        expected += block
    assert sent_by(install, pattern) == bytes(expected)


@pytest.mark.parametrize("physical", [False, True])
def test_only_a_physical_card_which_may_hold_old_data_is_sent_other_bytes_each_time(
    install: Install, physical: bool
) -> None:
    recorders: list[Recorder] = []

    def make(_: Deadline) -> Card:
        recorders.append(Recorder())
        return card_of(recorders[-1])

    driver = FakeDriver(make)
    driver.physical = physical
    install(driver, "again")
    for _ in range(2):
        with laneproof.open("again:x", acknowledge_cautions=True) as card:
            assert card.check("prbs31", NBYTES).ok
    assert (recorders[0].sent != recorders[1].sent) == physical


@pytest.mark.parametrize("made", [None, "a card", Card])
def test_a_driver_that_returns_no_card_is_told_so(install: Install, made: object) -> None:
    install(FakeDriver(lambda _: made), "nocard")  # pyright: ignore[reportArgumentType]
    with pytest.raises(DriverFault, match=r"not a laneproof\.contract\.Card"):
        laneproof.open("nocard:x", acknowledge_cautions=True)
