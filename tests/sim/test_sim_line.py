"""Where a wire bit lands decides what is counted, and at which end.

Source of every statement on what is counted where: base specification, physical and data link layer, reviewed against
public quotations of it and against Linux; from memory where it is not quoted.
"""

from __future__ import annotations

import math

import pytest
from sim_bench import Planted

from laneproof_sim.line import IDLE_S, MAX_ROLLOVERS, RETRAIN_S, ErrorSites, Line, LinkFailed
from laneproof_sim.packets import DLLP_NBYTES, Load, link_timing
from laneproof_sim.training import train

PACKET_NBYTES = 280


class Link:
    """Both directions of a x1 link with placed errors; `seen` collects (end, name) in order of time."""

    def __init__(self, slot, speed: float, to_card: tuple[int, ...] = (), from_card: tuple[int, ...] = ()) -> None:
        one = slot(speed=speed, width=1)
        self.timing = link_timing(one, train(one))
        self._notes: list[tuple[float, str, str]] = []

        def note(at_s: float, end: str, name: str) -> None:
            self._notes.append((at_s, end, name))

        self.to_card = Line(self.timing, "far", Planted(to_card), note)
        self.from_card = Line(self.timing, "near", Planted(from_card), note)
        Line.join(self.to_card, self.from_card)

    @property
    def seen(self) -> list[tuple[str, str]]:
        return [(end, name) for _, end, name in sorted(self._notes)]


def load(count: int, kind: str = "tlp", nbytes: int = PACKET_NBYTES) -> Load:
    return Load(kind=kind, count=count, nbytes=count * nbytes)


@pytest.fixture
def link(slot):
    return lambda speed, **placed: Link(slot, speed, **placed)


def bit_at(link: Link, nbytes: float) -> int:
    """The line bit that is under way once so many bytes have passed, past sync header and first block."""
    bit = int(nbytes / link.timing.bytes_per_s * link.timing.line_bits_per_s)
    return bit + 2 if link.timing.speed_gtps >= 8 and bit % 130 < 2 else bit


def placed_in(link, speed: float, nbytes: float, direction: str) -> Link:
    """A link with one error, so many bytes into what `direction` carries."""
    return link(speed, **{direction: (bit_at(link(speed), nbytes),)})


ENDS = [("to_card", "far"), ("from_card", "near")]


@pytest.mark.parametrize(("direction", "receiver"), ENDS)
def test_a_bit_in_a_packet_body_at_8_gtps_is_a_bad_tlp_at_the_receiver_alone(link, direction, receiver):
    damaged = placed_in(link, 8.0, 3.5 * PACKET_NBYTES, direction)
    getattr(damaged, direction).carry(0.0, load(10))
    assert damaged.seen == [(receiver, "BadTLP")]


@pytest.mark.parametrize(("direction", "receiver"), ENDS)
@pytest.mark.parametrize("speed", [2.5, 5.0])
def test_any_bit_of_a_packet_in_8b10b_is_a_receiver_error_and_no_bad_tlp(link, speed, direction, receiver):
    damaged = placed_in(link, speed, 3.5 * PACKET_NBYTES, direction)
    getattr(damaged, direction).carry(0.0, load(10))
    assert damaged.seen == [(receiver, "RxErr")]


def test_a_bit_in_a_start_token_retrains_and_the_next_packet_shows_that_one_is_missing(link):
    damaged = placed_in(link, 8.0, 3 * PACKET_NBYTES + 2, "to_card")
    _, end_s = damaged.to_card.carry(0.0, load(10))
    _, clean_s = link(8.0).to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "RxErr"), ("far", "BadTLP")]
    assert end_s - clean_s >= RETRAIN_S


def test_a_hit_start_symbol_in_8b10b_is_missed_at_the_next_packet_too(link):
    damaged = placed_in(link, 2.5, 3 * PACKET_NBYTES + 0.5, "to_card")
    damaged.to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "RxErr"), ("far", "BadTLP")]


@pytest.mark.parametrize(("speed", "recovery_s"), [(2.5, 0.0), (8.0, RETRAIN_S)])
def test_nothing_shows_that_the_last_packet_is_missing_but_the_timer(link, speed, recovery_s):
    damaged = placed_in(link, speed, 9 * PACKET_NBYTES + 0.5, "to_card")
    _, end_s = damaged.to_card.carry(0.0, load(10))
    _, clean_s = link(speed).to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "RxErr"), ("near", "Timeout")]
    assert end_s - clean_s > recovery_s + damaged.timing.replay_timer_s


def test_a_bit_in_a_sync_header_is_a_receiver_error(link):
    damaged = link(8.0, to_card=(130 * 40,))
    damaged.to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "RxErr")]


@pytest.mark.parametrize(("speed", "name"), [(8.0, "BadDLLP"), (2.5, "RxErr")])
def test_a_damaged_link_packet_is_counted_where_it_arrives(link, speed, name):
    damaged = placed_in(link, speed, 4 * DLLP_NBYTES + 5, "from_card")
    damaged.from_card.carry(0.0, load(50, "dllp", DLLP_NBYTES))
    assert damaged.seen == [("near", name)]


def test_a_damaged_link_packet_costs_no_time(link):
    damaged = placed_in(link, 8.0, 4 * DLLP_NBYTES + 5, "from_card")
    dllps = load(50, "dllp", DLLP_NBYTES)
    assert damaged.from_card.carry(0.0, dllps) == link(8.0).from_card.carry(0.0, dllps)


def test_a_refused_packet_costs_a_nak_round_trip_and_what_is_sent_again(link):
    damaged = placed_in(link, 8.0, 3.5 * PACKET_NBYTES, "to_card")
    _, end_s = damaged.to_card.carry(0.0, load(10))
    _, clean_s = link(8.0).to_card.carry(0.0, load(10))
    packet_s = PACKET_NBYTES / damaged.timing.bytes_per_s
    assert end_s - clean_s == pytest.approx(packet_s + damaged.timing.nak_round_trip_s)


def test_a_lost_nak_adds_a_timeout_at_the_sender(link):
    hit = bit_at(link(8.0), 3.5 * PACKET_NBYTES)
    nak_s = 4 * PACKET_NBYTES / link(8.0).timing.bytes_per_s + link(8.0).timing.nak_round_trip_s / 2
    damaged = link(8.0, to_card=(hit,), from_card=(int(nak_s * 8e9) + 20,))
    damaged.to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "BadTLP"), ("near", "BadDLLP"), ("near", "Timeout")]


def test_a_nak_whose_token_is_hit_is_a_receiver_error_and_retrains(link):
    hit = bit_at(link(8.0), 3.5 * PACKET_NBYTES)
    nak_s = 4 * PACKET_NBYTES / link(8.0).timing.bytes_per_s + link(8.0).timing.nak_round_trip_s / 2
    damaged = link(8.0, to_card=(hit,), from_card=(int(nak_s * 8e9) + 4,))
    _, end_s = damaged.to_card.carry(0.0, load(10))
    _, clean_s = link(8.0).to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "BadTLP"), ("near", "RxErr"), ("near", "Timeout")]
    assert end_s - clean_s > RETRAIN_S + damaged.timing.replay_timer_s


def test_a_replay_that_is_refused_too_gets_no_second_nak(link):
    # The receiver's flag that a Nak is under way falls only when the packet has come.
    damaged = link(8.0, to_card=hits_on_each_attempt(link, 3))
    damaged.to_card.carry(0.0, load(1))
    assert damaged.seen == [("far", "BadTLP")] + 2 * [("far", "BadTLP"), ("near", "Timeout")]


def test_in_8b10b_what_is_hit_while_a_nak_is_under_way_is_counted_too(link):
    first, second = (bit_at(link(2.5), nbytes) for nbytes in (3.5 * PACKET_NBYTES, 4.2 * PACKET_NBYTES))
    damaged = link(2.5, to_card=(first, second))
    damaged.to_card.carry(0.0, load(10))
    assert damaged.seen == [("far", "RxErr")] * 2


def test_a_lost_last_ack_is_a_bad_dllp_and_a_timeout_both_at_the_sender(link):
    ack_s = 10 * PACKET_NBYTES / link(8.0).timing.bytes_per_s + link(8.0).timing.nak_round_trip_s / 2
    damaged = link(8.0, from_card=(int(ack_s * 8e9) + 20,))
    _, end_s = damaged.to_card.carry(0.0, load(10))
    damaged.to_card.end_burst(end_s)
    assert damaged.seen == [("near", "BadDLLP"), ("near", "Timeout")]


def hits_on_each_attempt(link, attempts: int) -> tuple[int, ...]:
    """Bits that hit the one packet of a load in each of so many attempts to send it."""
    timing = link(8.0).timing
    bits: list[int] = []
    for _ in range(attempts):
        clean = link(8.0, to_card=tuple(bits))
        _, end_s = clean.to_card.carry(0.0, load(1))
        last_start_s = end_s - PACKET_NBYTES / timing.bytes_per_s
        bit = int((last_start_s + 100 / timing.bytes_per_s) * timing.line_bits_per_s)
        bits.append(bit + 2 if bit % 130 < 2 else bit)
    return tuple(bits)


def test_the_fourth_replay_of_one_packet_rolls_over_at_the_sender(link):
    # Base specification: REPLAY_NUM has two bits and counts replays without progress.
    for attempts, rollovers in ((3, 0), (4, 1)):
        damaged = link(8.0, to_card=hits_on_each_attempt(link, attempts))
        damaged.to_card.carry(0.0, load(1))
        assert damaged.seen.count(("near", "Rollover")) == rollovers


def test_progress_resets_the_count_of_replays(link):
    timing = link(8.0).timing
    bits: list[int] = []
    for packet in range(6):  # one refusal of each of six packets
        clean = link(8.0, to_card=tuple(bits))
        _, end_s = clean.to_card.carry(0.0, load(packet + 1))
        bit = int((end_s - 100 / timing.bytes_per_s) * timing.line_bits_per_s)
        bits.append(bit + 2 if bit % 130 < 2 else bit)
    damaged = link(8.0, to_card=tuple(bits))
    damaged.to_card.carry(0.0, load(6))
    assert damaged.seen == [("far", "BadTLP")] * 6


def test_a_packet_that_never_gets_through_brings_the_link_down(slot):
    one = slot(width=1)
    hopeless = ErrorSites({0: 0.01}, "hopeless")
    notes: list[str] = []
    line = Line(link_timing(one, train(one)), "far", hopeless, lambda at_s, end, name: notes.append(name))
    with pytest.raises(LinkFailed):
        line.carry(0.0, load(1000, nbytes=4000))
    assert notes.count("Rollover") >= MAX_ROLLOVERS


def test_an_idle_line_is_watched_too(link):
    for speed in (2.5, 8.0):
        damaged = link(speed, to_card=(5000,))
        damaged.to_card.idle_until(1e-4)
        assert damaged.seen == [("far", "RxErr")]


def test_a_sleeping_link_sees_nothing(link):
    damaged = link(8.0, to_card=(int(2 * IDLE_S * 8e9),))
    damaged.to_card.idle_until(1.0)
    assert damaged.seen == []


def test_looking_often_does_not_keep_a_link_awake(link):
    bits = tuple(int(number * 0.3 * IDLE_S * 8e9) for number in range(1, 8))
    often, once = link(8.0, to_card=bits), link(8.0, to_card=bits)
    for step in range(1, 100):
        often.to_card.idle_until(step * 0.05 * IDLE_S)
    once.to_card.idle_until(99 * 0.05 * IDLE_S)
    assert often.seen == once.seen == [("far", "RxErr")] * 3


def test_an_idle_line_in_recovery_is_not_watched(link):
    # Whichever direction is hit first retrains both; what falls into that is no Receiver Error at either end.
    during, after = 100_000 + int(0.5 * RETRAIN_S * 8e9), 100_000 + int(1.5 * RETRAIN_S * 8e9)
    for one, other in ENDS, reversed(ENDS):
        hits = {one[0]: (100_000, after), other[0]: (during,)}
        damaged = link(8.0, **hits)
        damaged.to_card.idle_until(1e-4)
        damaged.from_card.idle_until(1e-4)
        assert damaged.seen == [(one[1], "RxErr")] * 2


def test_a_retrain_holds_up_the_other_direction(link):
    damaged = placed_in(link, 8.0, 3 * PACKET_NBYTES + 2, "to_card")
    damaged.to_card.carry(0.0, load(10))
    _, end_s = damaged.from_card.carry(0.0, load(100))
    _, clean_s = link(8.0).from_card.carry(0.0, load(100))
    assert end_s - clean_s == pytest.approx(RETRAIN_S)


def test_a_retrain_adds_to_what_the_other_direction_already_carries(link):
    damaged = placed_in(link, 8.0, 3 * PACKET_NBYTES + 2, "to_card")
    _, busy_s = damaged.from_card.carry(0.0, load(100))
    damaged.to_card.carry(0.0, load(10))
    start_s, _ = damaged.from_card.carry(0.0, load(1))
    assert start_s == pytest.approx(busy_s + RETRAIN_S)


def test_errors_come_at_the_rate_asked_for():
    # Binomial mean and standard deviation, five of which a right generator leaves once in two million seeds.
    bits, rate, lanes = 20_000_000, 1e-4, 2
    sites = ErrorSites(dict.fromkeys(range(lanes), rate), "seed")
    found = 0
    while sites.take()[0] < bits:
        found += 1
    expected = lanes * bits * rate
    assert abs(found - expected) < 5 * math.sqrt(expected)


def test_no_rate_means_no_errors_and_nothing_drawn():
    assert not ErrorSites({0: 0.0, 1: 0.0}, "seed")


def test_a_lane_s_errors_do_not_depend_on_the_other_lanes():
    alone, beside = ErrorSites({3: 1e-3}, 1), ErrorSites({3: 1e-3, 4: 1e-9}, 1)
    assert [alone.take() for _ in range(100)] == [beside.take() for _ in range(100)]
