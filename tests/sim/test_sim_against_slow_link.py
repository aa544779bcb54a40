"""The simulator's link held against a second model of it, written packet by packet from the standard's rules.

The simulator computes by loads of average packets; the slow model has each packet and each symbol. Where they differ
for that reason alone, the tolerance and the reason stand beside the check. What is counted is compared before any
kernel makes one count of several events.
"""

from __future__ import annotations

import functools
from collections import Counter
from itertools import takewhile

import numpy as np
import pytest
from scipy import stats
from side_by_side import ENDS, OneWay, Seen, drawn, echo, setting_of, slot_of, slow_echo
from sim_bench import Bench, Planted
from slow_link import Sites, run

from laneproof_sim.line import RETRAIN_S, ErrorSites
from laneproof_sim.packets import link_timing
from laneproof_sim.training import train

SPEEDS = (2.5, 5.0, 8.0, 16.0)
WRITES = 6
SMALLEST_P = 1e-4
"""Of a test that right models fail once in ten thousand seeds; the seeds are fixed."""


# One wrong bit, planted in the same byte in both: the same reports at the same ends, and the same time lost.


@functools.cache
def one_way(speed: float, count: int = WRITES) -> OneWay:
    return OneWay(speed, count)


def assert_alike(link: OneWay, fast: Seen, slow: Seen) -> None:
    """The same reports; time within a packet that may just have begun, and one Nak round trip, since the slow model's
    timer counts from the last Ack that told something new, and its Nak waits for Recovery while the simulator's leaves
    after it."""
    assert fast.counts == slow.counts
    assert slow.intact
    lost_fast_s = fast.seconds - link.fast().seconds
    lost_slow_s = slow.seconds - link.slow()[0].seconds
    assert lost_fast_s == pytest.approx(lost_slow_s, abs=link.packet_s + link.timing.nak_round_trip_s)


@pytest.mark.parametrize("offset", [0, 1, 2, 3, 4, 19, 20, 100, 275, 276, 279])
@pytest.mark.parametrize("packet", [0, 2, WRITES - 1])
@pytest.mark.parametrize("speed", SPEEDS)
def test_a_hit_byte_of_a_packet_is_reported_alike(speed: float, packet: int, offset: int) -> None:
    link = one_way(speed)
    slow, _ = link.slow([link.slow_bit(link.slow()[1], "MWr", packet, offset)])
    fast = link.fast([link.fast_bit(packet * link.packet_s, offset)])
    assert slow.counts
    assert_alike(link, fast, slow)


@pytest.mark.parametrize("times", [2, 3, 4, 5])
@pytest.mark.parametrize("offset", [0, 100])
@pytest.mark.parametrize("packet", [0, WRITES - 1])
@pytest.mark.parametrize("speed", SPEEDS)
def test_a_packet_hit_again_at_each_replay_is_reported_alike(
    speed: float, packet: int, offset: int, times: int
) -> None:
    link = one_way(speed)
    fast_bits: list[int] = []
    slow_bits: list[int] = []
    for _ in range(times):
        # All after it is sent again too, so the packet's last start lies so far before the end of all.
        start_s = link.fast(fast_bits).seconds - (link.count - packet) * link.packet_s
        fast_bits.append(link.fast_bit(start_s, offset))
        sent = [one for one in link.slow(slow_bits)[1].sent["far"] if one.kind == "MWr"]
        last = max(index for index, one in enumerate(sent) if one.sequence == packet)
        slow_bits.append(link.slow_bit(link.slow(slow_bits)[1], "MWr", last, offset))
    fast, (slow, result) = link.fast(fast_bits), link.slow(slow_bits)
    assert slow.counts["far", "Rollover"] == (times >= 4)
    assert fast.counts == slow.counts
    assert slow.intact
    lost_fast_s, lost_slow_s = fast.seconds - link.fast().seconds, slow.seconds - link.slow()[0].seconds
    each_s = link.packet_s + link.timing.nak_round_trip_s
    assert lost_fast_s == pytest.approx(lost_slow_s, abs=times * each_s)
    assert sum(result.replays.values()) == times


@pytest.mark.parametrize("offset", range(8))
@pytest.mark.parametrize("speed", SPEEDS)
def test_a_hit_byte_of_a_nak_is_reported_alike(speed: float, offset: int) -> None:
    link = one_way(speed)
    slow_hit = link.slow_bit(link.slow()[1], "MWr", 2, 100)
    fast_hit = link.fast_bit(2 * link.packet_s, 100)
    slow, _ = link.slow([slow_hit], [link.slow_bit(link.slow([slow_hit])[1], "Nak", 0, offset)])
    fast = link.fast([fast_hit], [link.fast_bit(3 * link.packet_s + link.timing.nak_round_trip_s / 2, offset)])
    assert slow.counts["far", "Timeout"] == 1
    assert_alike(link, fast, slow)


@pytest.mark.parametrize("offset", range(8))
@pytest.mark.parametrize("speed", SPEEDS)
def test_a_hit_byte_of_the_last_ack_is_reported_alike(speed: float, offset: int) -> None:
    # One packet and its Ack, so that the slow model too has nothing after it.
    link = one_way(speed, 1)
    slow, result = link.slow([], [link.slow_bit(link.slow()[1], "Ack", 0, offset)])
    fast = link.fast([], [link.fast_bit(link.packet_s + link.timing.nak_round_trip_s / 2, offset)])
    assert slow.counts["far", "Timeout"] == 1
    assert fast.counts == slow.counts
    assert result.duplicates["near"] == 1


# Random wrong bits, the same in both, as the simulator's generators draw them for a whole echo.

ECHOED_NBYTES = 4 * 64 * 1024
CASES = [
    (2.5, 1, 128, 512),
    (2.5, 8, 256, 512),
    (5.0, 4, 128, 256),
    (8.0, 1, 256, 512),
    (8.0, 4, 256, 512),
    (16.0, 2, 512, 1024),
]
"""Speed, width, payload and read request."""
SITES_EACH = 2.0
"""Wrong bits to be expected in a run, for each direction."""
CLEAN_RATIO = 0.012
"""By how much the times of a clean run may differ: packets follow each other without alignment, Acks at even intervals,
and the requests of a segment in one stretch."""


@functools.cache
def clean(case: tuple[float, int, int, int]) -> tuple[Seen, Seen]:
    slot = slot_of(*case)
    timing = link_timing(slot, train(slot))
    nothing = {end: {} for end in ENDS}
    return echo(slot, bytes(ECHOED_NBYTES), nothing), slow_echo(timing, ECHOED_NBYTES, nothing)[0]


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_clean_echo_takes_as_long_in_both(case: tuple[float, int, int, int]) -> None:
    fast, slow = clean(case)
    assert fast.intact
    assert slow.intact
    assert not fast.counts
    assert not slow.counts
    assert fast.seconds == pytest.approx(slow.seconds, rel=CLEAN_RATIO)


def close_to_another(case: tuple[float, int, int, int], lanes: dict[str, dict[int, list[int]]], dead_s: float) -> int:
    """How many wrong bits follow another so soon that one model may be in Recovery where the other is not."""
    bits = sorted(bit for end in ENDS for of_lane in lanes[end].values() for bit in of_lane)
    return int(np.count_nonzero(np.diff(bits) < dead_s * case[0] * 1e9))


def compare_echoes(case: tuple[float, int, int, int], seeds: range) -> tuple[Counter, Counter]:
    """Compare run by run; return what each model counted in all of them."""
    slot = slot_of(*case)
    timing = link_timing(slot, train(slot))
    data = np.random.default_rng(5).bytes(ECHOED_NBYTES)
    clean_fast, clean_slow = clean(case)
    last = int(0.85 * clean_slow.seconds * timing.line_bits_per_s)  # within the work of both
    fast_total: Counter[tuple[str, str]] = Counter()
    slow_total: Counter[tuple[str, str]] = Counter()
    for seed in seeds:
        lanes = drawn(slot, SITES_EACH / (last * slot.wiring), seed, 0, last)
        fast, (slow, result) = echo(slot, data, lanes), slow_echo(timing, len(data), lanes)
        assert fast.intact
        assert slow.intact
        retrains = 0 if case[0] <= 5 else sum(fast.counts[end, "RxErr"] for end in ENDS)
        if case[0] <= 5:
            for end in ENDS:  # every wrong bit is RxErr where it arrives
                assert fast.counts[end, "RxErr"] == slow.counts[end, "RxErr"]
        else:
            # Each is reported once where it arrives; twice if it hit the start of a packet, which is missed later;
            # perhaps not at all if it comes soon after another.
            close = close_to_another(case, lanes, RETRAIN_S + timing.nak_round_trip_s)
            allowed = close + max(retrains, result.retrains)
            for end in ENDS:
                assert abs(fast.first_seen(end) - slow.first_seen(end)) <= allowed
        # Where the packets lie differs a little, so that a bit may retrain the link in one model only; what is left is
        # Nak round trips and packets sent again, and the last Recovery, which may hold up no further load.
        lost_fast_s = fast.seconds - clean_fast.seconds - retrains * RETRAIN_S
        lost_slow_s = slow.seconds - clean_slow.seconds - result.retrains * RETRAIN_S
        events = fast.counts.total() + slow.counts.total()
        each_s = timing.nak_round_trip_s + timing.replay_timer_s * (slow.counts["far", "Timeout"] > 0)
        allowed_s = events * each_s + RETRAIN_S * min(1, max(retrains, result.retrains))
        # A packet that one model sends again just in time to be hit again waits for the replay timer in that one alone.
        apart = sum(abs(fast.counts[end, "Timeout"] - slow.counts[end, "Timeout"]) for end in ENDS)
        assert apart <= close_to_another(case, lanes, RETRAIN_S + timing.nak_round_trip_s)
        allowed_s += apart * timing.replay_timer_s
        assert lost_fast_s == pytest.approx(lost_slow_s, abs=allowed_s)
        fast_total += fast.counts
        slow_total += slow.counts
    return fast_total, slow_total


def assert_same_shares(fast: Counter, slow: Counter) -> None:
    """Two samples of one distribution over (end, name), by the chi-square test; those of less than ten aside."""
    kinds = sorted(kind for kind in fast | slow if fast[kind] + slow[kind] >= 10)
    table = [[counts[kind] for kind in kinds] for counts in (fast, slow)]
    assert stats.chi2_contingency(table).pvalue > SMALLEST_P
    rare = sum(fast[kind] + slow[kind] for kind in (fast | slow) if kind not in kinds)
    assert rare <= 0.1 * (fast.total() + slow.total())
    assert fast.total() == pytest.approx(slow.total(), rel=0.1)


def pooled(cases: list[tuple[float, int, int, int]], seeds: range) -> None:
    totals = [compare_echoes(case, seeds) for case in cases]
    assert_same_shares(sum((fast for fast, _ in totals), Counter()), sum((slow for _, slow in totals), Counter()))


@pytest.mark.parametrize("code", ["8b/10b", "128b/130b"])
def test_an_echo_over_bad_lanes_is_reported_alike(code: str) -> None:
    pooled([case for case in CASES if (case[0] <= 5) == (code == "8b/10b")], range(10))


@pytest.mark.long
@pytest.mark.parametrize("code", ["8b/10b", "128b/130b"])
def test_an_echo_over_bad_lanes_is_reported_alike_in_many_runs(code: str) -> None:
    pooled([case for case in CASES if (case[0] <= 5) == (code == "8b/10b")], range(10, 80))


@pytest.mark.parametrize("speed", SPEEDS)
def test_an_idle_link_over_bad_lanes_is_reported_exactly_alike(speed: float) -> None:
    # With 128b/130b each one that counts retrains both directions, and those that fall into Recovery do not count.
    slot, idle_s = slot_of(speed, 4, 256, 512), 200e-6
    last = int(idle_s * speed * 1e9)
    missed = 0
    for seed in range(20):
        bench = Bench(slot, seed=0)
        notes: list[tuple[str, str]] = []
        start_s = bench.opened.clock.now_s()
        begin = int(start_s * speed * 1e9)
        lanes = drawn(slot, 6 / (4 * last), seed, 0, last)
        for line, sender in zip(bench.opened.link.lines, ENDS, strict=True):
            line._note = lambda at_s, end, name, notes=notes: notes.append((end, name))
            line._sites = Planted(lanes[sender], begin)
        bench.opened.clock.sleep(idle_s)
        bench.opened.read_errors()
        bench.opened.close()
        slow = run(setting_of(bench.opened.link.timing), [], Sites(**lanes), until_s=idle_s)
        assert Counter(notes) == Counter((event.end, event.name) for event in slow.events)
        missed += sum(map(len, (*lanes["near"].values(), *lanes["far"].values()))) - len(notes)
    assert (missed > 0) == (speed > 5)


@pytest.mark.parametrize("speed", [2.5, 8.0])
def test_a_hopeless_lane_runs_timers_out_as_often_as_chance_has_it(speed: float) -> None:
    """Each attempt at a packet is hit with chance p. The first costs a Nak, each further one a timeout, every fourth a
    rollover: geometric, so p²/(1-p) timeouts and p⁴/(1-p⁴) rollovers a packet. Five standard deviations."""
    link, runs, p = one_way(speed, 100), 20, 0.25
    packet_bits = link.packet_s * link.timing.line_bits_per_s
    last = int(4e-3 * link.timing.line_bits_per_s)  # past the end of all
    rate = 1 - (1 - p) ** (1 / packet_bits)
    fast: Counter[tuple[str, str]] = Counter()
    slow: Counter[tuple[str, str]] = Counter()
    for seed in range(runs):
        fast += link.fast(ErrorSites({0: rate}, seed)).counts
        slow += link.slow(
            takewhile(lambda bit: bit < last, (bit for bit, _ in iter(ErrorSites({0: rate}, seed).take, None)))
        )[0].counts
    packets = runs * link.count
    timeouts, rollovers = packets * p**2 / (1 - p), packets * p**4 / (1 - p**4)
    spread = np.sqrt(packets * (p**2 * (1 + p) / (1 - p) ** 2 - (p**2 / (1 - p)) ** 2))
    for counts in (fast, slow):
        assert abs(counts["far", "Timeout"] - timeouts) < 5 * spread
        assert abs(counts["far", "Rollover"] - rollovers) < 5 * np.sqrt(rollovers)
