"""Slots that meet on a link above a switch, and slots that do not: whose time it is, and what each takes of the link.

That a result depends on nothing but scenario and seed is held against other schedules of the same threads.
"""

from __future__ import annotations

import threading
import time

import attrs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sim_bench import Bench, below_a_switch, plain_slot
from together import MIB, SENT, all_seen, at_once, echoes, in_threads, patience, seen

from laneproof.clock import Deadline
from laneproof.errors import CannotOpen, DeviceLost, EndpointClosed, Interrupted
from laneproof.readings import Unavailable
from laneproof_sim import hierarchy
from laneproof_sim.faults import BitFlips, DropOff
from laneproof_sim.quantities import MAX_LANES
from laneproof_sim.route import SWITCH_LATENCY_S
from laneproof_sim.scenario import BitErrorRates

NOISY = BitErrorRates(to_card=(1e-6,) * MAX_LANES, from_card=(1e-6,) * MAX_LANES)
pauses = st.lists(st.sampled_from((0.0, 0.0, 0.001, 0.005)), min_size=1, max_size=6)


# --- the same again


@settings(max_examples=12, deadline=None)
@given(waits=st.lists(pauses, min_size=2, max_size=2), last_first=st.booleans())
def test_slots_with_a_common_link_see_the_same_however_their_threads_are_scheduled(waits, last_first):
    scenario = below_a_switch("west", "east", bit_error_rate=NOISY, switch={"bit_error_rate": NOISY})
    blocks = [[100_000, MIB], [MIB // 2, 70_000, MIB // 8]]
    assert all_seen(scenario, blocks, waits, last_first=last_first) == all_seen(scenario, blocks, [[0.0], [0.0]])


@pytest.mark.parametrize("last_first", [False, True])
def test_of_two_that_are_alike_the_same_one_goes_first_whichever_was_opened_first(last_first):
    scenario = below_a_switch("west", "east")
    blocks, waits = [[MIB], [MIB]], [[0.0], [0.0]]
    west, east = all_seen(scenario, blocks, waits, last_first=last_first)
    assert east[-1] < west[-1]


def test_a_slot_that_was_read_while_it_was_alone_is_waited_for_once_there_are_others():
    def seconds(*delays_s: float) -> list[float]:
        benches: list[Bench] = []
        for slot in below_a_switch("west", "east").slots:
            benches.append(Bench(slot, 0, below_a_switch("west", "east")))
            benches[-1].opened.read_link()

        def work(one: Bench, delay_s: float) -> float:
            time.sleep(delay_s)
            return one.echo(SENT[:MIB], MIB // 4).seconds

        with patience():
            pairs = zip(benches, delays_s, strict=True)
            found = in_threads(*(lambda pair=pair: work(*pair) for pair in pairs))
        for one in benches:
            one.opened.close()
        return found

    assert seconds(0.0, 0.05) == seconds(0.05, 0.0)


def test_when_in_real_time_a_slot_is_closed_makes_no_difference_to_the_others(together):
    def shared_s(closing_s: float, echoing_s: float) -> float:
        west, east = together(below_a_switch("west", "east"))

        def leaves() -> None:
            west.path.submit(1, memoryview(SENT)[:MIB], memoryview(bytearray(MIB)))
            west.opened.clock.sleep(1e-3)
            time.sleep(closing_s)
            west.opened.close()

        def echoes() -> float:
            time.sleep(echoing_s)
            return east.echo(SENT[:MIB], MIB).seconds

        _, seconds = at_once([west, east], leaves, echoes)
        east.opened.close()
        return seconds

    assert shared_s(0.0, 0.05) == shared_s(0.05, 0.0) > Bench(plain_slot(), 0).echo(SENT[:MIB], MIB).seconds * 1.3


def test_a_user_who_stands_aside_is_not_waited_for_and_its_clock_goes_along(together, monkeypatch):
    monkeypatch.setattr(hierarchy, "GRACE_S", 0.5)
    west, east = together(below_a_switch("west", "east"))
    clock, aside, done = east.opened.clock, threading.Event(), threading.Event()

    def rests() -> None:
        east.echo(SENT[:MIB], MIB)
        clock.stand_aside()
        aside.set()
        done.wait(60.0)

    thread = threading.Thread(target=rests)
    thread.start()
    aside.wait(60.0)
    alone = west.echo(SENT[:MIB], MIB)
    assert not east.opened.channels[0].participant.detached
    assert clock.now_s() == pytest.approx(west.opened.clock.now_s())
    clock.come_back()
    west.echo(SENT[:MIB], MIB)
    assert east.opened.channels[0].participant.detached, "back again, it is waited for"
    done.set()
    thread.join()
    assert alone.received == SENT[:MIB]


@settings(max_examples=12, deadline=None)
@given(waits=st.lists(pauses, min_size=2, max_size=2), turns=st.lists(st.booleans(), max_size=8))
def test_slots_without_a_common_link_see_the_same_threaded_interleaved_or_alone(waits, turns):
    slots = [attrs.evolve(plain_slot(), name=name, bit_error_rate=NOISY) for name in ("west", "east")]
    scenario = attrs.evolve(below_a_switch("west"), switches=(), slots=tuple(slots))
    blocks = [100_000, MIB // 2]
    alone = [seen(Bench(slot, 1), blocks, [0.0]) for slot in slots]
    assert all_seen(scenario, [blocks, blocks], waits) == alone
    mixed = [Bench(slot, 1, scenario) for slot in slots]
    for turn in turns:
        mixed[turn].opened.read_errors()
    assert [seen(one, blocks, [0.0]) for one in reversed(mixed)] == alone[::-1]


def test_another_seed_sees_something_else():
    scenario = below_a_switch("west", bit_error_rate=NOISY)
    first, second = (seen(Bench(scenario.slots[0], seed, scenario), [MIB], [0.0]) for seed in (1, 2))
    assert first != second


# --- what each takes of a link


def test_two_slots_on_a_shared_link_share_its_ceiling(together):
    west, east = together(below_a_switch("west", "east"))
    limit = west.opened.echo_bytes_per_s
    alone = len(SENT) / west.echo(SENT, MIB).seconds
    shared = echoes([west, east])
    both = [len(SENT) / echo.seconds for echo in shared]
    assert all(echo.received == SENT for echo in shared)
    assert alone == pytest.approx(limit, rel=0.02)
    assert sum(both) == pytest.approx(limit, rel=0.05)
    assert both[0] == pytest.approx(both[1], rel=0.1)


def test_slots_whose_shared_link_has_room_for_all_do_not_slow_each_other(together):
    slow = {"near": attrs.evolve(plain_slot().near, max_width=2), "wiring": 2}
    west, east = together(below_a_switch("west", "east", **slow))
    alone = west.echo(SENT, MIB).seconds
    assert [echo.seconds for echo in echoes([west, east])] == [pytest.approx(alone, rel=0.03)] * 2


def test_a_slot_on_a_link_of_its_own_is_not_slowed(together):
    shared = below_a_switch("west", "east")
    scenario = attrs.evolve(shared, slots=(*shared.slots, plain_slot()))
    west, east, north = together(scenario)
    alone = Bench(plain_slot(), 0).echo(SENT, MIB)
    assert echoes([west, east, north])[2] == alone


def test_three_slots_get_a_third_each_and_one_that_stops_leaves_its_part_to_the_others(together):
    benches = together(below_a_switch("west", "east", "middle"))
    limit = benches[0].opened.echo_bytes_per_s
    works = [lambda one=one, n=n: one.echo(SENT[: n * MIB], MIB) for one, n in zip(benches, (2, 8, 8), strict=True)]
    short, *long = at_once(benches, *works)
    assert 2 * MIB / short.seconds == pytest.approx(limit / 3, rel=0.1)
    assert all(limit / 3 < 8 * MIB / one.seconds < limit / 2 for one in long)


def test_small_transfers_wait_for_a_few_segments_of_large_ones_and_no_longer(together):
    west, east = together(below_a_switch("west", "east", switch={"wiring": 1}))
    alone = east.echo(SENT[: 64 * 4096], 4096, depth=1).seconds
    works = (lambda: west.echo(SENT, MIB), lambda: east.echo(SENT[: 64 * 4096], 4096, depth=1))
    large, small = at_once([west, east], *works)
    segment_s = 64 * 1024 / west.opened.echo_bytes_per_s
    assert alone + 64 * segment_s < small.seconds < alone + 64 * 3 * segment_s
    assert large.received == SENT


# --- the way through a switch


def test_a_switch_costs_its_latency_each_way_and_no_more(together):
    (west,) = together(below_a_switch("west"))
    direct = Bench(plain_slot(), 0)
    for block in (64, 4096, 64 * 1024):
        further = west.echo(SENT[:block], block, depth=1).seconds - direct.echo(SENT[:block], block, depth=1).seconds
        # A request, its completions, and the writes each pass it once.
        assert further == pytest.approx(3 * SWITCH_LATENCY_S, rel=0.05)


@pytest.mark.parametrize("narrow", ["above", "below"])
def test_the_slower_of_two_links_limits(together, narrow):
    width = {"max_width": 2}
    port = attrs.evolve(plain_slot().near, **width)
    scenario = (
        below_a_switch("west", switch={"upstream": port}) if narrow == "above" else below_a_switch("west", near=port)
    )
    (west,) = together(scenario)
    rate = len(SENT) / west.echo(SENT, MIB).seconds
    slow = attrs.evolve(plain_slot(), near=port)
    assert rate == pytest.approx(Bench(slow, 0).opened.echo_bytes_per_s, rel=0.02)
    assert rate == pytest.approx(west.opened.echo_bytes_per_s, rel=0.02)


@pytest.mark.parametrize("where", ["near", "upstream"])
def test_the_smallest_payload_on_the_way_counts(together, where):
    port = attrs.evolve(plain_slot().near, max_payload=128)
    (west,) = together(below_a_switch("west", switch={where: port}))
    small = attrs.evolve(plain_slot(), near=port)
    assert west.opened.link.timing.max_payload == 128
    assert west.opened.read_link().near.max_payload == 128
    assert west.opened.echo_bytes_per_s == pytest.approx(Bench(small, 0).opened.echo_bytes_per_s)


def test_errors_of_the_link_above_are_counted_at_its_ends_and_cost_all_slots_time(together):
    west, east = together(below_a_switch("west", "east", switch={"bit_error_rate": NOISY}))
    clean = Bench(plain_slot(), 0).echo(SENT, MIB).seconds
    echo = west.echo(SENT, MIB)
    above = west.opened._branch.link
    assert echo.received == SENT
    assert echo.seconds > 1.01 * clean
    assert west.counts("near") == west.counts("far") == east.counts("near") == {}
    assert above.kernel.errors("near", "").correctable["BadTLP"].n > 0
    assert above.kernel.errors("far", "").correctable["BadTLP"].n > 0


# --- one computer, one clock


def test_a_slot_that_is_used_alone_takes_the_others_clocks_along(together):
    west, east = together(below_a_switch("west", "east"))
    west.echo(SENT, MIB)
    assert east.opened.clock.now_s() == west.opened.clock.now_s()
    east.echo(SENT[:MIB], MIB)
    assert east.opened.clock.now_s() == west.opened.clock.now_s()


def test_a_slot_that_nobody_has_used_yet_or_whose_user_has_gone_is_not_waited_for(together, monkeypatch):
    monkeypatch.setattr(hierarchy, "GRACE_S", 1e9)
    west, east = together(below_a_switch("west", "east"))
    for one in (west, east, west):
        assert in_threads(lambda one=one: one.echo(SENT, MIB))[0].received == SENT


def test_who_only_watches_does_not_hold_up_the_others(together, monkeypatch):
    monkeypatch.setattr(hierarchy, "GRACE_S", 0.02)
    west, east = together(below_a_switch("west", "east"))
    done = threading.Event()

    def watches() -> int:
        count = 0
        while not done.wait(0.001):
            assert west.opened.read_link().near.active
            east.opened.read_errors()
            count += 1
        return count

    def works() -> bool:
        try:
            return west.echo(SENT, MIB).received == SENT
        finally:
            done.set()

    count, whole = in_threads(watches, works)
    assert count > 0
    assert whole


def test_a_slot_is_reset_below_a_switch_while_another_one_works(together):
    west, east = together(below_a_switch("west", "east"))
    _, echo = at_once([west, east], west.opened.reset_link, lambda: east.echo(SENT, MIB))
    assert echo.received == SENT
    assert west.echo(SENT[:MIB], MIB).received == SENT[:MIB]
    assert [change.state for change in west.opened.history].count("Hot Reset") == 1
    assert all(change.state != "Hot Reset" for change in east.opened.history)


def test_two_slots_used_in_turn_by_one_thread_do_not_wait_for_each_other(together, monkeypatch):
    monkeypatch.setattr(hierarchy, "GRACE_S", 30.0)
    west, east = together(below_a_switch("west", "east"))
    into = [bytearray(MIB), bytearray(MIB)]
    started_s = time.monotonic()
    for number in range(20):
        for one, buffer in zip((west, east), into, strict=True):
            one.path.submit(number, memoryview(SENT)[:MIB], memoryview(buffer))
        for one in (west, east):
            (done,) = one.path.reap(one.deadline())
            assert done.status == "done"
    assert into == [SENT[:MIB]] * 2
    assert time.monotonic() - started_s < hierarchy.GRACE_S


def test_who_takes_too_long_is_left_behind_and_takes_part_again_later(together, monkeypatch):
    monkeypatch.setattr(hierarchy, "GRACE_S", 0.02)
    west, east = together(below_a_switch("west", "east"))
    busy = threading.Event()

    def slow() -> float:
        east.echo(SENT[:4096], 4096)
        busy.wait(30.0)  # neither asleep by the card's clock nor inside a call
        return east.opened.clock.now_s()

    def quick() -> float:
        try:
            west.echo(SENT, MIB)
            return west.opened.clock.now_s()
        finally:
            busy.set()

    left, gone = in_threads(slow, quick)
    assert left >= gone
    assert east.echo(SENT[:MIB], MIB).received == SENT[:MIB]


def test_a_slot_opened_later_starts_where_the_others_are(together):
    scenario = below_a_switch("west", "east")
    west = Bench(scenario.slots[0], 0, scenario)
    west.echo(SENT, MIB)
    moved_s = west.opened.clock.now_s()
    east = Bench(scenario.slots[1], 0, scenario)
    assert east.opened.history[0].at_s == moved_s
    assert east.echo(SENT[:MIB], MIB).received == SENT[:MIB]
    for one in (west, east):
        one.opened.close()


def test_slots_opened_before_anything_moves_all_begin_at_power_on(together):
    for one in together(below_a_switch("west", "east")):
        one.opened.read_link()
        assert one.opened.history[0].at_s == 0.0


def test_a_computer_that_was_left_begins_anew(together):
    scenario = below_a_switch("west", "east")
    first = together(scenario)
    first[0].echo(SENT, MIB)
    for one in first:
        one.opened.close()
    assert together(scenario)[0].opened.history[0].at_s == 0.0


@pytest.mark.parametrize("other", ["seed", "scenario", "slot again"])
def test_another_computer_is_not_shared(together, other):
    scenario = below_a_switch("west", "east")
    west, _ = together(scenario)
    west.echo(SENT, MIB)
    another = attrs.evolve(scenario, name="another") if other == "scenario" else scenario
    second = Bench(another.slots[0 if other == "slot again" else 1], int(other == "seed"), another)
    assert second.opened.clock.now_s() < west.opened.clock.now_s()
    assert second.opened.hierarchy is not west.opened.hierarchy
    second.opened.close()


# --- losses and ends


def test_a_card_that_drops_off_leaves_the_others_their_link(together):
    scenario = below_a_switch("west", "east")
    lost = attrs.evolve(scenario.slots[0], faults=(DropOff(after=MIB),))
    west, east = together(attrs.evolve(scenario, slots=(lost, scenario.slots[1])))

    def drops() -> str:
        with pytest.raises(DeviceLost) as caught:
            west.echo(SENT, MIB)
        return caught.value.link_evidence

    evidence, echo = in_threads(drops, lambda: east.echo(SENT, MIB))
    assert evidence == "downstream port of slot west: data link layer not active"
    assert echo.received == SENT
    assert east.opened.read_link().near.active is True


def test_a_hopeless_link_above_takes_all_cards_away(together):
    hopeless = BitErrorRates(to_card=(0.01,) * MAX_LANES)
    west, east = together(below_a_switch("west", "east", switch={"bit_error_rate": hopeless}))
    for one in (west, east):
        with pytest.raises(DeviceLost) as caught:
            one.echo(SENT[:MIB], MIB)
        assert caught.value.link_evidence == "root port above switch hub: data link layer not active"
        link, errors = one.opened.read_link(), one.opened.read_errors()
        for end in (link.near, link.far, errors.near, errors.far):
            assert isinstance(end, Unavailable)
        one.opened.clock.sleep(1e-3)
        log = one.opened.read_conditions().reported
        assert ("0000:00:01.0", ("SDES",)) in [(entry.device, entry.errors) for entry in log]


def test_a_card_lost_before_the_switch_is_gone_with_it(together):
    scenario = below_a_switch("west", "east", switch={"bit_error_rate": BitErrorRates(to_card=(0.01,) * MAX_LANES)})
    west, east = together(scenario)
    west.opened._card.lose(west.opened.clock.now_s())
    assert west.opened.read_link().near.active is False
    with pytest.raises(DeviceLost):
        east.echo(SENT[:MIB], MIB)
    assert isinstance(west.opened.read_link().near, Unavailable)


def test_a_link_above_that_does_not_train_opens_no_slot():
    scenario = below_a_switch("west", switch={"dead_lanes": (0,)})
    with pytest.raises(CannotOpen, match="switch hub: receivers are detected, and lane 0 is silent"):
        Bench(scenario.slots[0], 0, scenario)


def test_a_wait_for_another_slot_can_be_cancelled(together):
    west, east = together(below_a_switch("west", "east"))
    east.echo(SENT[:4096], 4096)
    deadline = Deadline(1e3, west.opened.clock)
    busy = threading.Event()

    def waits() -> None:
        west.path.submit(1, memoryview(SENT), memoryview(bytearray(len(SENT))))
        with pytest.raises(Interrupted):
            west.path.reap(deadline)

    def holds() -> None:
        east.opened.read_link()
        in_threads_started.set()
        busy.wait(30.0)

    in_threads_started = threading.Event()
    holder = threading.Thread(target=lambda: (east.echo(SENT[:4096], 4096), holds()))
    holder.start()
    in_threads_started.wait(30.0)
    timer = threading.Timer(0.05, deadline.cancel)
    timer.start()
    with patience():
        in_threads(waits)
    busy.set()
    holder.join()
    timer.join()


def test_a_slot_closed_under_a_waiting_call_says_so(together):
    west, east = together(below_a_switch("west", "east"))
    busy, there = threading.Event(), threading.Event()

    def holds() -> None:
        east.echo(SENT[:4096], 4096)
        there.set()
        busy.wait(30.0)

    def waits() -> None:
        there.wait(30.0)
        west.path.submit(1, memoryview(SENT), memoryview(bytearray(len(SENT))))
        with pytest.raises(EndpointClosed):
            west.path.reap(west.deadline())
        busy.set()

    def closes() -> None:
        there.wait(30.0)
        time.sleep(0.05)
        west.opened.close()

    with patience():
        in_threads(holds, waits, closes)


def test_damage_of_one_card_stays_its_own(together):
    scenario = below_a_switch("west", "east")
    bad = attrs.evolve(scenario.slots[0], faults=(BitFlips(probability=1e-5),))
    west, east = together(attrs.evolve(scenario, slots=(bad, scenario.slots[1])))
    damaged, whole = echoes([west, east])
    assert damaged.received != SENT
    assert whole.received == SENT
