"""What bounds a healthy card's rate: its link, the tags of its reads, the host's completions and buffer for writes.

The arithmetic of the ceiling is the SDK's, which counts no packet; the simulator counts packets and has no arithmetic
of the ceiling. Reads open at once: base specification, chapter 2.2.6.2 (tags), 2.3.1.1 (completion boundary), 2.6
(flow control), from memory.
"""

from __future__ import annotations

import tomllib
from itertools import product

import attrs
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from side_by_side import setting_of, slot_of
from sim_bench import Bench, below_a_switch, plain_slot
from slow_link import run

from laneproof import pcie
from laneproof.errors import BadInput
from laneproof_sim.packets import WRITE_OVERHEAD_NBYTES, link_timing
from laneproof_sim.route import SWITCH_LATENCY_S
from laneproof_sim.scenario import Slot
from laneproof_sim.scenario_file import read_scenario
from laneproof_sim.training import train
from laneproof_sim.transactions.window import Window

KIB, MIB = 1 << 10, 1 << 20
WITHIN = 0.01
"""Of the ceiling: what the simulator's card may be slower, answering a little before it must."""
SPEEDS, WIDTHS, SIZES = (2.5, 5.0, 8.0, 16.0, 32.0), (1, 2, 4, 8, 16), (128, 256, 512, 1024, 2048, 4096)


def changed(slot: Slot, near: dict | None = None, card: dict | None = None) -> Slot:
    return attrs.evolve(slot, near=attrs.evolve(slot.near, **near or {}), card=attrs.evolve(slot.card, **card or {}))


BLOCK = 512 * KIB
BLOCKS, SETTLED, LAST = 16, 8, 13


def steady_rate(slot: Slot, *, back: bool = True, block: int = BLOCK) -> float:
    """Bytes per second of long transfers one after another, out and back or only out, while nothing fills or ends."""
    bench = Bench(changed(slot, card={"fifo": block if back else BLOCKS * block}), seed=0)
    sent, done = memoryview(bytes(block)), list[float]()
    for ticket in range(BLOCKS):
        bench.path.submit(ticket, sent, memoryview(bytearray(block)) if back else None)
    while len(done) < BLOCKS:
        done += [bench.opened.clock.now_s() for _ in bench.path.reap(bench.deadline(60.0))]
    bench.opened.close()
    return block * (LAST - SETTLED) / (done[LAST] - done[SETTLED])


def write_rate(slot: Slot) -> float:
    """Bytes per second of what the card holds, written to the host."""
    bench = Bench(changed(slot, card={"fifo": 2 * BLOCK}), seed=0)
    for ticket in (1, 2):
        bench.path.submit(ticket, memoryview(bytes(BLOCK)), None)
        bench.path.reap(bench.deadline(60.0))
    for ticket in (3, 4):
        bench.path.submit(ticket, None, memoryview(bytearray(BLOCK)))
    times: list[float] = []
    while len(times) < 2:
        times += [bench.opened.clock.now_s() for _ in bench.path.reap(bench.deadline(60.0))]
    bench.opened.close()
    return BLOCK / (times[1] - times[0])


# --- packets under way, apart from any link


@given(
    size=st.integers(1, 20),
    counts=st.lists(st.integers(1, 30), min_size=1, max_size=6),
    lead=st.floats(0, 10),
    lag=st.floats(0, 10),
    each=st.floats(0.01, 5),
)
def test_a_packet_waits_for_the_place_of_one_before_it(
    size: int, counts: list[int], lead: float, lag: float, each: float
):
    """The same by its definition, packet by packet over the whole history."""
    window = Window(size)
    arrivals: list[float] = []
    ready = 0.0
    for count in counts:
        free = max([ready, *arrivals])
        for index in range(count):
            number = len(arrivals)
            place = arrivals[number - size] + lag if number >= size else 0.0
            before = free if index == 0 else arrivals[-1]
            arrivals.append(max(before, max(ready, place) + lead) + each)
        assert window.arrival(count, ready, free, each_s=each, lead_s=lead, lag_s=lag) == pytest.approx(arrivals[-1])
        ready += 1.0


def test_what_comes_late_gives_its_place_back_late():
    one, late = Window(2), Window(2)
    assert one.arrival(2, 0.0, 0.0, each_s=1.0) == late.arrival(2, 0.0, 0.0, each_s=1.0) == 2.0
    late.delay(2, 10.0)
    assert one.arrival(1, 0.0, 0.0, each_s=1.0) == 2.0
    assert late.arrival(1, 0.0, 0.0, each_s=1.0) == 12.0


# --- the ceiling


def test_every_link_reaches_its_ceiling_and_passes_none():
    for speed, width, payload, request in product(SPEEDS, WIDTHS, SIZES, SIZES):
        slot = slot_of(speed, width, payload, request)
        limit = pcie.ceiling(speed, width, payload, direction="both", read_request=request)
        share = link_timing(slot, train(slot)).echo_bytes_per_s() / float(limit)
        assert 1 - WITHIN < share < 1.0, (speed, width, payload, request)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.sampled_from(SPEEDS), st.sampled_from(WIDTHS), st.sampled_from(SIZES), st.sampled_from(SIZES))
@example(2.5, 1, 128, 4096)
@example(2.5, 1, 4096, 128)
@example(32.0, 16, 128, 512)
@example(32.0, 16, 256, 512)
def test_an_echo_reaches_the_ceiling_of_its_link(speed: float, width: int, payload: int, request: int):
    slot = slot_of(speed, width, payload, request)
    limit = float(pcie.ceiling(speed, width, payload, direction="both", read_request=request))
    assert 1 - WITHIN < steady_rate(slot) / limit <= 1.0


@pytest.mark.parametrize("boundary", [64, 128])
@pytest.mark.parametrize(("speed", "width", "payload"), [(2.5, 1, 128), (8.0, 8, 256), (32.0, 16, 512)])
def test_completions_cut_at_the_boundary_cost_what_the_ceiling_says(speed, width, payload, boundary):
    slot = changed(slot_of(speed, width, payload, 512), near={"completion": boundary})
    limit = pcie.ceiling(speed, width, payload, direction="both", completion_boundary=boundary)
    assert 1 - WITHIN < steady_rate(slot) / limit.split_bytes_per_second <= 1.0


# --- tags


def round_trip_s(slot: Slot) -> float:
    """Of one read request by itself: to the host, its memory, and all of its completions back."""
    timing = link_timing(slot, train(slot))
    request = slot.card.read_request
    both_ways = timing.requests(request).nbytes + timing.completions(request).nbytes
    return slot.near.read_latency + both_ways / timing.bytes_per_s


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    speed=st.sampled_from(SPEEDS),
    width=st.sampled_from(WIDTHS),
    payload=st.sampled_from(SIZES[:3]),
    request=st.sampled_from(SIZES),
    tags=st.sampled_from([1, 2, 3, 8, 32, 100, 256, 768]),
    latency=st.floats(0.3e-6, 20e-6),
)
def test_tags_bound_reads_as_the_ceiling_has_it(speed, width, payload, request, tags, latency):
    slot = changed(
        slot_of(speed, width, payload, request),
        near={"read_latency": latency},
        card={"tags": tags},
    )
    limit = pcie.ceiling(
        speed, width, payload, direction="to_card", read_request=request, tags=tags, round_trip_s=round_trip_s(slot)
    )
    # Requests go out in bursts of all tags; whole bursts, so that each transfer ends at the same place in one.
    burst = tags * request
    rate = steady_rate(slot, back=False, block=burst * -(-BLOCK // burst))
    assert rate / float(limit) == pytest.approx(1.0, abs=WITHIN)


@pytest.mark.parametrize("tags", [4, 16, 64])
def test_tags_bound_reads_as_in_the_slow_model(tags):
    # The other model has each packet by itself; both read 512 KiB, and the simulator's start and end are set aside.
    slot = changed(slot_of(8.0, 4, 256, 512), card={"tags": tags, "fifo": MIB})
    times = []
    for nbytes in (256 * KIB, 768 * KIB):
        bench = Bench(slot, seed=0)
        begin = bench.opened.clock.now_s()
        bench.path.submit(1, memoryview(bytes(nbytes)), None)
        bench.path.reap(bench.deadline())
        times.append(bench.opened.clock.now_s() - begin)
        bench.opened.close()
    setting = attrs.evolve(setting_of(link_timing(slot, train(slot))), tags=tags)
    slow = [run(setting, [("read", nbytes)]).last_s for nbytes in (256 * KIB, 768 * KIB)]
    assert times[1] - times[0] == pytest.approx(slow[1] - slow[0], rel=0.02)


def test_tags_enough_are_as_good_as_without_number():
    slot = slot_of(8.0, 8, 256, 512)
    assert steady_rate(changed(slot, card={"tags": 768})) == steady_rate(slot)


# --- credits of posted writes


@pytest.mark.parametrize("buffer", [256, 1024, 4096, 1 << 20])
@pytest.mark.parametrize(("speed", "width"), [(2.5, 1), (8.0, 8), (32.0, 16)])
def test_a_small_buffer_for_writes_bounds_them(speed, width, buffer):
    slot = changed(slot_of(speed, width, 256, 512), near={"posted_buffer": buffer})
    timing = link_timing(slot, train(slot))
    packet_s = timing.writes(256).nbytes / timing.bytes_per_s
    # As many packets as have room, each until what frees it has come back: one latency limit at either end.
    allowed = buffer // 256 * 256 / (packet_s + timing.nak_round_trip_s)
    assert write_rate(slot) == pytest.approx(min(allowed, 256 / packet_s), rel=0.02)


# --- below a switch, and with several channels


def read_rate(*benches: Bench) -> float:
    """Bytes per second of one long read by each of these channels at once."""
    clock = benches[0].opened.clock
    begin_s = clock.now_s()
    for bench in benches:
        bench.path.submit(1, memoryview(bytes(MIB)), None)
    for bench in benches:
        bench.path.reap(bench.deadline())
    benches[0].opened.close()
    return len(benches) * MIB / (clock.now_s() - begin_s)


def test_below_a_switch_the_same_tags_last_longer_round_trips():
    scenario = below_a_switch("north", card=attrs.evolve(plain_slot().card, tags=4, fifo=MIB))
    slot = scenario.slots[0]
    alone_s = round_trip_s(slot)
    # A request takes its own time on the second link too, and the switch is passed twice.
    request_s = WRITE_OVERHEAD_NBYTES / link_timing(slot, train(slot)).bytes_per_s
    longer = (alone_s + request_s + 2 * SWITCH_LATENCY_S) / alone_s
    alone = read_rate(Bench(attrs.evolve(slot, below=None), 0))
    assert alone / read_rate(Bench(slot, 0, scenario)) == pytest.approx(longer, rel=WITHIN)


def test_channels_share_the_tags_of_their_card():
    slot = changed(plain_slot(), card={"tags": 4, "channels": 2, "fifo": MIB})
    first = Bench(slot, 0)
    both = read_rate(first, Bench(slot, 0, channel=1, opened=first.opened))
    assert both == pytest.approx(4 * 512 / round_trip_s(slot), rel=WITHIN)


# --- the keys


MINE = """
schema = 1
name = "mine"
invented = "invented for a test"
description = "One slot."
[[slot]]
name = "north"
wiring = 8
near = {{ {near} max_speed = "8 GT/s", max_width = 8 }}
card = {{ {card} max_speed = "8 GT/s", max_width = 8, model = "echo card", serial = "invented" }}
"""


def scenario(near: str, card: str) -> dict:
    return tomllib.loads(MINE.format(near=near and near + ",", card=card and card + ","))


def test_the_keys_are_read():
    table = scenario('completion = "64 B", posted_buffer = "4 KiB", read_latency = "2 us"', "tags = 32")
    slot = read_scenario(table, "mine").slots[0]
    assert (slot.near.completion, slot.near.posted_buffer, slot.near.read_latency) == (64, 4096, pytest.approx(2e-6))
    assert slot.card.tags == 32


BELOW = """
below = "hub"
[[switch]]
name = "hub"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8 }
upstream = { max_speed = "8 GT/s", max_width = 8 }
"""


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("near = {", 'near = { completion = "64 B",', r"slot\[0\].near.completion: is the root port's"),
        ("near = {", 'near = { read_latency = "1 us",', r"slot\[0\].near.read_latency: is the root port's"),
        ("upstream = {", 'upstream = { posted_buffer = "4 KiB",', r"switch\[0\].upstream.posted_buffer: means nothing"),
    ],
)
def test_below_a_switch_the_host_is_described_once(old, new, problem):
    healthy = MINE.format(near="", card="") + BELOW
    assert read_scenario(tomllib.loads(healthy), "mine").switches
    with pytest.raises(BadInput, match=problem):
        read_scenario(tomllib.loads(healthy.replace(old, new, 1)), "mine")


@pytest.mark.parametrize(
    ("near", "card", "problem"),
    [
        ("", "tags = 0", r"slot\[0\].card.tags: 0 is no number of tags; use 1 to 768"),
        ("", "tags = 769", "use 1 to 768"),
        ('completion = "32 B"', "", "near.completion: .* no size of completions; use one of 64, 128"),
        ('posted_buffer = "128 B"', "", "near.posted_buffer: .* less than one write of 256 B"),
        ("read_latency = 1", "", "near.read_latency"),
        ('read_latency = "2 ms"', "", "near.read_latency: .* use up to 1000 us"),
        ('read_latency = "0 us"', "", "near.read_latency: is no time"),
    ],
)
def test_keys_out_of_range_are_refused_with_a_remedy(near, card, problem):
    with pytest.raises(BadInput, match=problem):
        read_scenario(scenario(near, card), "mine")
