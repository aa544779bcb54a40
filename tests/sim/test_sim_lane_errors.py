"""What a receiver lays to one lane: data parity that does not match, broken blocks; in the registers and on the line.

The rules: base specification, 4.2.3.2 and 4.2.8.2, as public quotations of it have them. The slow model has them from
there too, on a grid of its own; it and the simulator's line are given the same damage.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats
from side_by_side import ENDS, PACKET_NBYTES, OneWay, drawn, setting_of, slot_of
from sim_bench import Bench, Planted
from slow_link import Sites, run
from slow_wire import Grid

from laneproof_sim.config_space import LANE_ERRORS
from laneproof_sim.engine import START_S
from laneproof_sim.kernel import End
from laneproof_sim.lane_status import BLOCK_BITS, BLOCKS_TO_SKP, LaneStatus, breaks_block
from laneproof_sim.line import RETRAIN_S, Line
from laneproof_sim.quantities import MAX_LANES
from laneproof_sim.scenario import BitErrorRates

SETS_BITS = BLOCK_BITS * BLOCKS_TO_SKP
"""From one SKP ordered set to the next, on each lane."""
PACKETS = 14
"""So few that all pass before a SKP ordered set of either model."""
BODY, TOKEN = 100, 1
"""A byte of a packet's body and one of its start token."""


class Marks(list[tuple[str, int, bool]]):
    """Collects marks as end, lane and whether by parity; and when they came."""

    def __init__(self) -> None:
        super().__init__()
        self.times_s: list[float] = []

    def __call__(self, at_s: float, end: End, lane: int, *, parity: bool) -> None:
        self.append((end, lane, parity))
        self.times_s.append(at_s)


def compared(speed: float, wrong: Iterable[tuple[int, int]], recoveries: Iterable[int] = (), sets: int = 8) -> Marks:
    """The marks after so many SKP ordered sets."""
    marks = Marks()
    status = LaneStatus(speed, "far", marks, float)
    for site in wrong:
        status.meet(site)
    for bit in recoveries:
        status.recover(bit)
    status.compare_before(sets * SETS_BITS + 1)
    return marks


# --- parity


@pytest.mark.parametrize("count", range(1, 6))
def test_an_odd_number_of_wrong_bits_between_two_sets_is_a_mismatch_and_an_even_number_is_not(count: int) -> None:
    wrong = [(SETS_BITS + 1000 + 7 * number, 3) for number in range(count)]
    assert compared(8.0, wrong) == [("far", 3, True)] * (count % 2)


def test_each_lane_has_a_parity_of_its_own() -> None:
    assert sorted(compared(8.0, [(1000, 2), (1003, 5), (1010, 5), (1020, 6)])) == [("far", 2, True), ("far", 6, True)]


@pytest.mark.parametrize(("speed", "marks"), [(8.0, 2), (16.0, 0), (32.0, 0)])
def test_from_16_gtps_on_only_every_second_set_compares(speed: float, marks: int) -> None:
    wrong = [(1000, 0), (SETS_BITS + 1000, 0)]
    assert len(compared(speed, wrong)) == marks


@pytest.mark.parametrize(("speed", "sets"), [(8.0, 1), (16.0, 2), (32.0, 2)])
def test_a_mismatch_shows_when_its_set_has_come(speed: float, sets: int) -> None:
    assert compared(speed, [(1000, 0)]).times_s == [sets * SETS_BITS]


@pytest.mark.parametrize(("recovery", "marks"), [(900, 1), (1001, 0), (SETS_BITS - 1, 0), (SETS_BITS + 1, 1)])
def test_what_a_recovery_comes_after_is_never_compared(recovery: int, marks: int) -> None:
    assert len(compared(8.0, [(1000, 0)], [recovery])) == marks


def test_after_a_recovery_wrong_bits_count_from_there_on() -> None:
    assert len(compared(8.0, [(1000, 0), (3000, 0)], [2000])) == 1


def test_it_makes_no_difference_in_which_order_or_how_often_it_is_looked_at() -> None:
    draw = np.random.default_rng(3)
    bits = [int(bit) for bit in draw.integers(0, 8 * SETS_BITS, 200) if not breaks_block(int(bit))]
    wrong = [(bit, int(lane)) for bit, lane in zip(bits, draw.integers(0, 4, len(bits)), strict=True)]
    at_once = compared(16.0, wrong)
    marks = Marks()
    status = LaneStatus(16.0, "far", marks, float)
    for before, bit in pairwise(range(0, 8 * SETS_BITS + 1000, 999)):
        for site in wrong:
            if before <= site[0] < bit:
                status.meet(site)
        status.compare_before(bit)
    assert sorted(zip(at_once.times_s, at_once, strict=True)) == sorted(zip(marks.times_s, marks, strict=True))
    assert len(at_once) > 3


def test_mismatches_come_as_often_as_chance_has_it() -> None:
    # The parity of a Poisson variable of mean m is odd with probability (1 - exp(-2m))/2. Five standard deviations.
    draw, each, sets = np.random.default_rng(1), 0.7, 4000
    bits = draw.integers(0, sets * SETS_BITS, stats.poisson(each * sets).rvs(random_state=draw))
    wrong = [(int(bit), 0) for bit in bits if not breaks_block(int(bit))]
    p = (1 - np.exp(-2 * len(wrong) / sets)) / 2
    assert abs(len(compared(8.0, wrong, sets=sets)) - sets * p) < 5 * np.sqrt(sets * p * (1 - p))


@pytest.mark.parametrize("bit", [BLOCK_BITS * 5, BLOCK_BITS * 5 + 1, SETS_BITS + 60])
@pytest.mark.parametrize("speed", [8.0, 16.0])
def test_a_wrong_bit_in_a_sync_header_or_ordered_set_marks_its_lane_at_once(speed: float, bit: int) -> None:
    marks = compared(speed, [(bit, 1)])
    assert (marks, marks.times_s) == ([("far", 1, False)], [bit])


# --- the line, beside the slow model


Place = tuple[int, int]
"""The number of a packet, and of a byte in it."""


def on_the_line(speed: float, places: Iterable[Place], idle_bit: int | None = None) -> list[tuple[str, int, bool]]:
    """What the simulator's line marks of writes with damage there, and of the idle line after them."""
    link, marks, bits, start_s = OneWay(speed, PACKETS), Marks(), [], 0.0
    for packet, offset in places:
        bits.append(link.fast_bit(start_s + packet * link.packet_s, offset))
        if offset == BODY:  # refused, and sent again after its Nak
            start_s += link.packet_s + link.timing.nak_round_trip_s

    def ignored(at_s: float, end: End, name: str) -> None:
        pass

    line = Line(link.timing, "near", Planted(bits if idle_bit is None else [*bits, idle_bit]), ignored, marks)
    Line.join(line, Line(link.timing, "far", Planted(()), ignored, marks))
    _, end_s = line.carry(link.start_s, link.load)
    line.idle_until(end_s + 2 * RETRAIN_S + 4 * SETS_BITS / link.timing.line_bits_per_s)
    return marks


def in_the_slow_model(speed: float, places: Iterable[Place], struck: str = "") -> list[tuple[str, int, bool]]:
    """The same there; `struck` is a thing on the wire whose middle is damaged too."""
    link, bits = OneWay(speed, PACKETS), []
    nbytes = PACKETS * PACKET_NBYTES
    until_s = 2 * PACKETS * link.packet_s + 2 * RETRAIN_S + 4 * SETS_BITS / link.timing.line_bits_per_s
    for packet, offset in places:
        sent = [one for one in run(link.setting, [("write", nbytes)], far(bits)).sent["far"] if one.sequence == packet]
        bits.append(Grid(speed, 1).bit_of(sent[-1].start + offset, 4)[1])
    if struck:
        sent = run(link.setting, [("write", nbytes)], far(bits), until_s).sent["far"]
        first = next(one for one in sent if one.kind == struck)
        bits.append(Grid(speed, 1).bit_of((first.start + first.end) // 2, 4)[1])
    result = run(link.setting, [("write", nbytes)], far(bits), until_s=until_s)
    return [(mark.end, mark.lane, mark.parity) for mark in result.marks]


def far(bits: Iterable[int]) -> Sites:
    return Sites(far={0: list(bits)})


@pytest.mark.parametrize("speed", [2.5, 5.0, 8.0, 16.0, 32.0])
@pytest.mark.parametrize(
    ("places", "mismatches"),
    [
        ([(3, BODY)], 1),
        ([(3, BODY), (5, BODY)], 0),
        ([(3, BODY), (5, BODY), (7, BODY)], 1),
        ([(3, TOKEN)], 0),
        ([(3, BODY), (5, TOKEN)], 0),
    ],
    ids=["one body", "two", "three", "a token, and so a Recovery", "a body, then a Recovery"],
)
def test_both_models_lay_the_same_damage_to_the_lane(speed: float, places: list[Place], mismatches: int) -> None:
    expected = [("near", 0, True)] * (mismatches if speed > 5 else 0)
    assert on_the_line(speed, places) == expected
    assert in_the_slow_model(speed, places) == expected


@pytest.mark.parametrize("speed", [8.0, 16.0, 32.0])
def test_two_wrong_bits_in_one_packet_are_no_mismatch_though_it_is_refused_once(speed: float) -> None:
    assert on_the_line(speed, [(3, BODY - 1), (3, BODY - 2)]) == []
    assert in_the_slow_model(speed, [(3, BODY), (3, BODY + 1)]) == []


@pytest.mark.parametrize("speed", [8.0, 16.0, 32.0])
def test_a_broken_set_marks_its_lane_in_both_models_and_a_broken_idle_symbol_does_not(speed: float) -> None:
    assert on_the_line(speed, [], SETS_BITS + 60) == [("near", 0, False)]
    assert in_the_slow_model(speed, [], "SKP") == [("near", 0, False)]
    assert on_the_line(speed, [], SETS_BITS - 60) == []
    assert in_the_slow_model(speed, [], "EDS") == []


@pytest.mark.parametrize("speed", [8.0, 16.0])
def test_both_models_name_the_same_lanes_for_the_same_wrong_bits_of_an_echo(speed: float) -> None:
    """Where no two wrong bits of a lane come close, and neither model goes through Recovery, whose places differ."""
    slot, payload, runs = slot_of(speed, 4, PACKET_NBYTES, 512), bytes(128 * 1024), 0
    bits = int(1.2 * 8 * 65 / 64 * len(payload) / 4)
    for seed in range(60):
        lanes = drawn(slot, 4 / (8 * bits), seed, 0, bits)
        if any(
            after - bit < 4 * SETS_BITS for of in lanes.values() for one in of.values() for bit, after in pairwise(one)
        ):
            continue
        bench = Bench(slot, seed=0)
        begin = int((bench.opened.clock.now_s() + START_S) * speed * 1e9)
        for line, sender in zip(bench.opened.link.lines, ENDS, strict=True):
            line._sites = Planted(lanes[sender], begin)
        bench.echo(payload, len(payload))
        seen, counted = bench.opened.read_conditions(), [bench.counts(end) for end in ENDS]
        bench.opened.close()
        work = [("echo", 64 * 1024)] * 2
        slow = run(setting_of(bench.opened.link.timing), work, Sites(**lanes), until_s=1.1 * bits / (speed * 1e9))
        if slow.retrains or any("RxErr" in counts for counts in counted):
            continue
        runs += bool(slow.marks)
        found = {"near": seen.near, "far": seen.far}
        for end, shown in found.items():
            marked = shown.lane_errors if speed == 8 else shown.parity_mismatches["local"]
            assert set(marked) == {mark.lane for mark in slow.marks if mark.end == end}
    assert runs >= 6


def test_a_recovery_that_the_other_direction_causes_counts_too() -> None:
    link, marks = OneWay(8.0, PACKETS), Marks()
    body, idle = link.fast_bit(3 * link.packet_s, BODY), link.fast_bit(5 * link.packet_s, BODY)

    def ignored(at_s: float, end: End, name: str) -> None:
        pass

    line = Line(link.timing, "near", Planted([body]), ignored, marks)
    Line.join(line, Line(link.timing, "far", Planted([idle]), ignored, marks))
    _, end_s = line.carry(link.start_s, link.load)
    line.idle_until(end_s + 2 * RETRAIN_S + 4 * SETS_BITS / link.timing.line_bits_per_s)
    nbytes = PACKETS * PACKET_NBYTES
    slow = run(link.setting, [("write", nbytes)], Sites(far={0: [body]}, near={0: [idle]}), until_s=1e-4)
    assert slow.retrains == 1
    assert list(slow.marks) == list(marks) == []


# --- an open slot


def test_an_open_slot_shows_the_lanes_at_the_end_into_which_they_lead(bench, data) -> None:
    one = bench(width=4, bit_error_rate=BitErrorRates(from_card=rates({2: 2e-6})))
    one.echo(data(1 << 20), 1 << 18)
    seen = one.opened.read_conditions()
    assert (seen.near.lane_errors, seen.far.lane_errors) == ((2,), ())
    assert (seen.near.parity_mismatches, seen.far.parity_mismatches) == ({}, {})


@pytest.mark.parametrize("speed", [16.0, 32.0])
def test_from_16_gtps_on_parity_shows_in_a_register_of_its_own(bench, data, speed: float) -> None:
    one = bench(speed=speed, width=4, bit_error_rate=BitErrorRates(to_card=rates({1: 3e-6, 3: 3e-6})))
    one.echo(data(1 << 20), 1 << 18)
    seen = one.opened.read_conditions()
    assert seen.far.parity_mismatches == {"local": (1, 3)}
    assert seen.near.parity_mismatches == {"local": ()}


def test_below_8_gtps_no_lane_is_named_whatever_is_counted(bench, data) -> None:
    one = bench(speed=5.0, width=4, bit_error_rate=BitErrorRates(to_card=rates({2: 1e-6})))
    one.echo(data(1 << 20), 1 << 18)
    assert one.counts("far")["RxErr"] > 0
    assert one.opened.read_conditions().far.lane_errors is None


def test_a_faster_port_on_a_slow_link_names_no_lane_either(bench, data) -> None:
    one = bench(
        width=4,
        near={"max_speed": 2.5},
        card={"max_speed": 16.0},
        bit_error_rate=BitErrorRates(to_card=rates({2: 1e-6})),
    )
    one.echo(data(1 << 20), 1 << 18)
    seen = one.opened.read_conditions()
    assert one.counts("far")["RxErr"] > 0
    assert (seen.far.lane_errors, seen.far.parity_mismatches) == ((), {"local": ()})


def test_lanes_keep_their_numbers_on_a_link_that_is_reversed(bench, data) -> None:
    # Lane Error Status counts lanes by their default numbers, which reversal does not change (base specification,
    # 7.7.3.3, from a public copy).
    one = bench(
        width=8,
        near={"lane_reversal": True},
        dead_lanes=(0,),
        bit_error_rate=BitErrorRates(to_card=rates({6: 2e-6})),
    )
    assert one.opened.read_link().near.width == 4  # lanes 7 to 4
    one.echo(data(1 << 20), 1 << 18)
    assert one.opened.read_conditions().far.lane_errors == (6,)


def test_lane_flags_stay_until_software_clears_them(bench, data) -> None:
    one = bench(width=4, bit_error_rate=BitErrorRates(to_card=rates({2: 2e-6})))
    one.echo(data(1 << 20), 1 << 18)
    far = one.opened.far
    one.opened.reset_link()
    assert one.opened.read_conditions().far.lane_errors == (2,)
    far.write(LANE_ERRORS, 1 << 2)
    assert one.opened.read_conditions().far.lane_errors == ()


def rates(lanes: dict[int, float]) -> tuple[float, ...]:
    return tuple(lanes.get(lane, 0.0) for lane in range(MAX_LANES))
