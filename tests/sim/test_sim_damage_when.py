"""On which messages a fault acts: each condition of `when`, alone and together, for each family of faults."""

from __future__ import annotations

import math

import numpy as np
import pytest

from laneproof.errors import DeviceLost
from laneproof_sim.damage.delivery import MAX_KEPT_NBYTES, Delivery
from laneproof_sim.damage.when import When
from laneproof_sim.faults import (
    AddressMask,
    BitFlips,
    ByteLane,
    DropOff,
    NeverWritten,
    RegularFlips,
    StaleMessage,
    Stall,
    StuckBit,
)

KIB = 1024


def echo(one, size: int, room: int = 0, start: int = 0) -> tuple[bool, np.ndarray]:
    """One message of ones, alone: whether anything is wrong with it, and what came back."""
    memory = np.zeros(start + size + room, np.uint8)
    one.path.submit(1, memoryview(b"\x01" * size), memoryview(memory[start:]))
    (done,) = one.path.reap(one.deadline())
    assert (done.status, done.received) == ("done", size)
    return bool(np.any(memory[start : start + size] != 1)), memory[start : start + size]


def hit(one, sizes: list[int]) -> list[int]:
    """Which of the messages of those sizes are damaged, counted from 1."""
    return [number for number, size in enumerate(sizes, 1) if echo(one, size)[0]]


@pytest.mark.parametrize(
    ("when", "expected"),
    [
        (When(after=3 * KIB), [4, 5, 6]),
        (When(after=3 * KIB + 1), [5, 6]),
        (When(every=3), [3, 6]),
        (When(every=2, after=3 * KIB), [4, 6]),
        (When(at=0.0), [1, 2, 3, 4, 5, 6]),
        (When(at=3600.0), []),
        (When(queue_depth_from=2), []),
        (When(probability=0.0), []),
    ],
)
@pytest.mark.parametrize("fault", [NeverWritten, lambda when: StuckBit(word=1, byte=0, bit=7, level=1, when=when)])
def test_a_fault_acts_on_the_messages_that_meet_its_conditions(bench, fault, when, expected):
    assert hit(bench(faults=(fault(when=when),)), [KIB] * 6) == expected


@pytest.mark.parametrize(
    ("when", "expected"),
    [
        (When(size_from=100), [100, 101, 128, 4096]),
        (When(size_below=100), [4, 99]),
        (When(size_from=100, size_below=128), [100, 101]),
        (When(size_not_multiple_of=4), [99, 101]),
    ],
)
def test_sizes_are_those_of_the_message_even_where_the_buffer_has_more_room(bench, when, expected):
    one = bench(faults=(NeverWritten(when=when),))
    assert [size for size in (4, 99, 100, 101, 128, 4096) if echo(one, size, room=1)[0]] == expected


def test_addresses_are_those_of_the_buffer_received_into(bench):
    one = bench(faults=(NeverWritten(when=When(address_not_multiple_of=64)),))
    memory = np.zeros(4096, np.uint8)
    aligned = -memory.ctypes.data % 64
    for moved, wrong in ((0, False), (4, True), (64, False)):
        into = memory[aligned + moved : aligned + moved + KIB]
        into[:] = 0
        one.path.submit(1, memoryview(b"\x01" * KIB), memoryview(into))
        one.path.reap(one.deadline())
        assert bool(np.all(into == (0 if wrong else 1)))


@pytest.mark.parametrize(("depth", "wrong"), [(1, 0), (2, 7), (3, 6)])
def test_depth_is_the_number_of_transfers_out_when_one_of_them_is_done(bench, depth, wrong):
    # Eight in all, and nothing follows the last: so many of them are done with fewer out.
    one = bench(faults=(NeverWritten(when=When(queue_depth_from=max(2, depth))),))
    back = np.frombuffer(one.echo(b"\x01" * 8 * KIB, KIB, depth).received, np.uint8).reshape(8, KIB)
    assert np.count_nonzero(~back.any(axis=1)) == wrong


def test_depth_does_not_depend_on_the_segments_in_which_the_card_moves_data(bench):
    faults = (NeverWritten(when=When(queue_depth_from=3)),)
    whole, pieces = (
        bench(faults=faults, card={"fifo": fifo}).echo(b"\x01" * 8 * KIB, KIB, 3).received for fifo in (256 * KIB, 512)
    )
    assert whole == pieces


def test_a_chance_falls_on_each_message_by_itself_as_often_as_it_should(bench):
    def which(seed: int) -> list[int]:
        return hit(bench(seed=seed, faults=(NeverWritten(when=When(probability=0.25)),)), [16] * 2000)

    # Binomial mean and standard deviation; five of them leave once in two million seeds.
    assert abs(len(which(0)) - 500) < 5 * math.sqrt(2000 * 0.25 * 0.75)
    assert which(1) == which(1) != which(2)


def test_two_faults_of_one_card_have_a_chance_each(bench):
    when = When(probability=0.5)
    faults = (StuckBit(word=1, byte=0, bit=6, level=1, when=when), StuckBit(word=1, byte=0, bit=7, level=1, when=when))
    one = bench(faults=faults)
    seen = {int(echo(one, 16)[1][0]) for _ in range(40)}
    assert seen == {0x01, 0x41, 0x81, 0xC1}


@pytest.mark.parametrize("fault", [BitFlips(probability=0.05), RegularFlips(every=10)])
def test_flips_keep_their_places_where_some_messages_are_passed_over(bench, fault):
    always = bench(faults=(fault,))
    some = bench(faults=(type(fault)(**{**_keys(fault), "when": When(every=2)}),))
    for number in range(1, 7):
        places = np.flatnonzero(echo(always, KIB)[1] != 1).tolist()
        assert np.flatnonzero(echo(some, KIB)[1] != 1).tolist() == (places if number % 2 == 0 else [])


def _keys(fault: object) -> dict[str, object]:
    return {name: getattr(fault, name) for name in ("probability", "every") if hasattr(fault, name)}


def test_a_card_drops_off_so_many_bytes_after_its_condition_first_holds(bench):
    one = bench(faults=(DropOff(after=2 * KIB, when=When(size_from=4 * KIB)),))
    assert hit(one, [KIB] * 10) == []
    one.path.submit(1, memoryview(bytes(4 * KIB)), memoryview(bytearray(4 * KIB)))
    with pytest.raises(DeviceLost):
        one.path.reap(one.deadline())
    assert one.path.quiesce(one.deadline())[0].sent == 2 * KIB


def test_a_card_stalls_only_when_its_condition_holds(bench):
    one = bench(faults=(Stall(after=1, when=When(queue_depth_from=2)),))
    assert one.echo(bytes(64 * KIB), KIB, depth=1).unfinished == 0
    assert one.echo(bytes(64 * KIB), KIB, depth=2).unfinished
    assert one.opened.read_link().near.active is True


def test_messages_too_long_to_be_kept_are_not_looked_back_at(monkeypatch):
    assert MAX_KEPT_NBYTES == 1 << 28
    monkeypatch.setattr("laneproof_sim.damage.delivery.MAX_KEPT_NBYTES", 100)
    delivery = Delivery((StaleMessage(),), 0, "north")
    for value, size, expected in ((1, 60, 1), (2, 60, 1), (3, 120, 2), (4, 60, 4)):
        into = np.full(size, value, np.uint8)
        assert delivery.arrived(into, size, np.zeros(size, np.uint8)) == size
        assert into[0] == expected


def test_what_the_card_holds_is_its_own_once_the_sender_has_its_buffer_back(bench):
    one, sent, target = bench(), bytearray(b"old"), bytearray(3)
    one.path.submit(1, memoryview(sent), None)
    one.path.reap(one.deadline())
    sent[:] = b"new"
    one.path.submit(2, None, memoryview(target))
    one.path.reap(one.deadline())
    assert target == b"old"


def test_what_the_card_holds_is_its_own_once_the_engine_has_stopped(bench):
    one, sent, target = bench(card={"fifo": 4096}), bytearray(b"a" * 10_000), bytearray(4096)
    one.path.submit(1, memoryview(sent), None)
    one.path.reap(one.deadline(1.0))
    one.path.quiesce(one.deadline())
    sent[:] = b"b" * 10_000
    one.path.submit(2, None, memoryview(target))
    one.path.reap(one.deadline())
    assert set(target) == {ord("a")}


def test_an_address_bit_left_out_shows_only_above_its_size():
    delivery = Delivery((AddressMask(block=32),), 0, "north")
    for size, wrong in ((64, False), (65, True)):
        into = np.arange(size, dtype=np.uint8)
        delivery.arrived(into, size, np.zeros(size, np.uint8))
        assert into[:32].tolist() == list(range(32, 64) if wrong else range(32))


def test_a_byte_lane_that_is_all_but_sure_to_be_wrong_is_wrong_in_every_word():
    delivery = Delivery((ByteLane(width=8, lane=5, probability=1 - 1e-12),), 0, "north")
    into = np.zeros(80_000, np.uint8)
    delivery.arrived(into, into.size, into.copy())
    assert bool(np.all(into[5::8] != 0))
    assert not np.delete(into, np.s_[5::8]).any()
