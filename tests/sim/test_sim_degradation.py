"""What of a link fails in use: when it sets in, where the link ends up, and what registers, counters and data show.

From memory of the base specification: Recovery that runs into its time limit goes on to Configuration, or to 2.5 GT/s
where it was the speed that did not hold; the upper port's Link Bandwidth Management Status for a change of speed or
width for reliability; which lanes a narrower link is left with, as at its first training.
"""

from __future__ import annotations

import json
import math

import attrs
import pytest
from sim_bench import Bench, below_a_switch

from laneproof import pcie
from laneproof.clock import Deadline
from laneproof.errors import BadInput, DeviceLost
from laneproof_sim.damage.when import When
from laneproof_sim.degradation import Degradation, FailingLane, FailingSpeed
from laneproof_sim.pattern_engine import CardPatternEngine
from laneproof_sim.scenario import BitErrorRates
from laneproof_sim.slot import OpenSlot
from laneproof_sim.temperature import TemperaturePoint
from laneproof_sim.training import degraded, fall_back, train
from laneproof_sim.truth import Opened, Truth

MIB = 1 << 20
WARMING = (TemperaturePoint(at=0.0, card=20.0), TemperaturePoint(at=1.0, card=100.0))


def states(trained) -> list[tuple[str, float, int]]:
    return [(change.state, change.speed_gtps, change.width) for change in trained.history]


def fallen(slot, *failures):
    return fall_back(degraded(slot, failures), train(slot), 1.0)


# --- when


def lane(until: str = "never", number: int = 5, **when) -> FailingLane:
    return FailingLane(lane=number, until=until, when=When(**when))


def test_a_failure_sets_in_at_its_time_and_once():
    failures = Degradation((lane(at=0.5),), ())
    assert failures.next_s == 0.5
    assert failures.set_in(0.4) == ()
    assert failures.set_in(0.5) == failures.acting() == (lane(at=0.5),)
    assert failures.set_in(9.0) == ()
    assert failures.next_s == math.inf


def test_a_failure_that_waits_for_bytes_sets_in_when_they_have_passed():
    failures = Degradation((lane(after=MIB),), ())
    failures.passed(MIB - 1, 0.1)
    assert failures.next_s == math.inf
    failures.passed(MIB, 0.2)
    failures.passed(2 * MIB, 0.3)
    assert failures.next_s == 0.2


def test_all_conditions_must_hold():
    failures = Degradation((lane(after=MIB, temperature_above=60.0, at=0.1),), WARMING)
    assert failures.next_s == math.inf
    failures.passed(MIB, 0.2)
    assert failures.next_s == pytest.approx(0.5)  # 60 °C on the way from 20 to 100
    failures = Degradation((lane(after=MIB, temperature_above=60.0),), WARMING)
    failures.passed(MIB, 0.7)
    assert failures.next_s == 0.7


def test_failures_set_in_one_after_the_other():
    failures = Degradation((lane(at=0.5), lane(at=0.2, number=6)), ())
    assert failures.set_in(failures.next_s) == (lane(at=0.2, number=6),)
    assert failures.next_s == 0.5


def test_a_link_reset_ends_what_it_can_and_its_conditions_count_anew():
    failures = Degradation((lane("link reset", at=0.5), lane("link reset", number=6, after=MIB), lane(at=0.1)), ())
    failures.passed(MIB, 0.3)
    assert len(failures.set_in(0.6)) == 3
    failures.link_reset(2.0, 3 * MIB)
    assert failures.acting() == (lane(at=0.1),)
    assert failures.next_s == 2.5
    failures.passed(4 * MIB - 1, 2.1)
    assert failures.next_s == 2.5
    failures.passed(4 * MIB, 2.2)
    assert failures.next_s == 2.2


@pytest.mark.parametrize("when", [None, When(every=2), When(at=1.0, probability=0.5), When(size_from=64)])
def test_a_lane_fails_from_a_moment_on_and_not_by_messages(when):
    with pytest.raises(BadInput, match="give after, at, temperature_above"):
        FailingLane(lane=5, when=when)


# --- where the link ends up


@pytest.mark.parametrize(("dead", "width", "lanes"), [(5, 8, 4), (1, 8, 1), (2, 4, 2), (12, 16, 8), (3, 16, 2)])
def test_a_lane_that_dies_leaves_the_width_that_a_dead_lane_would(slot, dead, width, lanes):
    one = slot(width=width)
    trained = fallen(one, lane(number=dead, at=0.0))
    assert trained.lanes == train(degraded(one, [lane(number=dead, at=0.0)])).lanes
    assert (trained.width, trained.speed_gtps, trained.fell_back) == (lanes, 8.0, True)
    assert states(trained) == [("Recovery", 8.0, width), ("Configuration", 8.0, width), ("L0", 8.0, lanes)]


def test_reversed_lanes_are_another_way_out(slot):
    one = slot(width=16, near={"lane_reversal": True})
    assert fallen(one, lane(number=3, at=0.0)).lanes == tuple(range(15, 7, -1))


def test_without_lane_0_the_link_is_down(slot):
    trained = fallen(slot(), lane(number=0, at=0.0))
    assert trained.problem
    assert [state for state, _, _ in states(trained)] == ["Recovery", "Configuration", "Detect"]


def test_a_lane_that_the_link_does_not_use_changes_nothing(slot):
    one = slot(dead_lanes=(5,))
    before = train(one)
    assert fall_back(degraded(one, [lane(number=6, at=0.0)]), before, 1.0) is before


@pytest.mark.parametrize(
    ("speed", "holds", "left"),
    [(8.0, 5.0, 5.0), (8.0, 2.5, 2.5), (16.0, 8.0, 8.0), (32.0, 16.0, 16.0), (32.0, 5.0, 5.0), (5.0, 2.5, 2.5)],
)
def test_a_speed_that_no_longer_holds_is_left_for_the_highest_that_does(slot, speed, holds, left):
    trained = fallen(slot(speed=speed), FailingSpeed(lane=2, holds=holds, when=When(at=0.0)))
    assert (trained.speed_gtps, trained.width, trained.fell_back) == (left, 8, True)
    assert states(trained)[:2] == [("Recovery", speed, 8), ("L0", 2.5, 8)]
    assert list(trained.equalised) == sorted(trained.equalised)
    assert max(trained.equalised, default=0.0) <= left


def test_a_speed_that_the_link_did_not_have_changes_nothing(slot):
    one = slot(speed=8.0)
    before = train(one)
    failure = FailingSpeed(lane=2, holds=8.0, when=When(at=0.0))
    assert fall_back(degraded(one, [failure]), before, 1.0) is before


def test_the_states_come_in_order_of_time(slot):
    for failure in (lane(at=0.0), FailingSpeed(lane=2, holds=5.0, when=When(at=0.0))):
        times = [change.at_s for change in fallen(slot(), failure).history]
        assert times[0] == 1.0
        assert times == sorted(times)
        assert 0.024 < times[-1] - 1.0 < 0.1  # Recovery's time limit, and what comes after it


# --- what is seen of it


def failing(bench, *faults, **changes):
    return bench(faults=faults, **changes)


def later(one, since: int) -> list[tuple[str, float, int]]:
    return [(change.state, change.speed_gtps, change.width) for change in one.opened.history[since:]]


def test_a_lane_that_dies_under_load_costs_width_and_time_and_no_byte(bench, data):
    sent = data(8 * MIB)
    one, healthy = failing(bench, lane(after=4 * MIB)), bench()
    first = len(one.opened.history)
    seen, expected = one.echo(sent, MIB), healthy.echo(sent, MIB)
    assert seen.received == sent
    assert later(one, first) == [("Recovery", 8.0, 8), ("Configuration", 8.0, 8), ("L0", 8.0, 4)]
    outage_s = one.opened.history[-1].at_s - one.opened.history[first].at_s
    assert seen.seconds == pytest.approx(outage_s + 1.5 * expected.seconds, rel=0.02)


def test_both_ends_see_one_receiver_error_and_name_the_lane(bench, data):
    one = failing(bench, lane(after=4 * MIB))
    one.echo(data(8 * MIB), MIB)
    assert one.counts("near") == one.counts("far") == {"RxErr": 1}
    seen = one.opened.read_conditions()
    assert seen.near.lane_errors == seen.far.lane_errors == (5,)


@pytest.mark.parametrize(
    ("fault", "speed", "width"),
    [(lane(after=MIB), 8.0, 4), (FailingSpeed(lane=5, holds=5.0, when=When(after=MIB)), 5.0, 8)],
)
def test_the_upper_port_alone_notes_a_change_for_reliability(bench, data, fault, speed, width):
    one = failing(bench, fault)
    one.echo(data(2 * MIB), MIB // 4)
    near, far = (pcie.decode(image).link for image in one.opened.images())
    assert (near.bandwidth_management, near.autonomous_bandwidth) == (True, False)
    assert (far.bandwidth_management, far.autonomous_bandwidth) == (None, None)
    assert (near.speed_gtps, near.width) == (far.speed_gtps, far.width) == (speed, width)
    assert near.dl_active
    assert not near.training


def test_what_comes_after_it_runs_at_the_rate_that_is_left(bench, data):
    sent = data(4 * MIB)
    for fault, changes in (
        (lane(after=MIB), {"dead_lanes": (5,)}),
        (FailingSpeed(lane=5, holds=5.0, when=When(after=MIB)), {"marginal_lanes": (5.0,) * 16}),
    ):
        one, narrow = failing(bench, fault), bench(**changes)
        one.echo(data(2 * MIB), MIB)
        assert one.echo(sent, MIB).seconds == pytest.approx(narrow.echo(sent, MIB).seconds, rel=0.01)


def test_while_the_link_falls_back_its_port_shows_that_it_trains_and_nothing_passes(bench, data):
    one = failing(bench, lane(at=0.1))
    one.opened.clock.advance_to(0.11)
    near = pcie.decode(one.opened.images()[0]).link
    assert (near.training, near.width, near.speed_gtps) == (True, 8, 8.0)
    begun_s = one.opened.clock.now_s()
    assert one.echo(data(64), 64).received == data(64)
    assert one.opened.clock.now_s() - begun_s > 0.014
    assert pcie.decode(one.opened.images()[0]).link.width == 4


def test_an_idle_link_falls_back_when_the_time_has_come(bench):
    one = failing(bench, lane(at=1.0))
    one.opened.clock.sleep(0.9)
    assert one.opened.read_link().near.width == 8
    one.opened.clock.sleep(0.2)
    assert one.opened.read_link().near.width == one.opened.read_link().far.width == 4


def test_warmth_takes_a_speed_away(bench, data):
    fault = FailingSpeed(lane=0, holds=2.5, when=When(temperature_above=60.0))
    one = failing(bench, fault, temperature=WARMING)
    assert one.echo(data(MIB), MIB // 4).received == data(MIB)
    assert one.opened.read_link().near.speed_gtps == 8.0
    one.opened.clock.advance_to(0.51)
    assert one.echo(data(MIB), MIB // 4).received == data(MIB)
    assert one.opened.read_link().near.speed_gtps == 2.5
    assert next(change.at_s for change in one.opened.history if change.state == "Recovery" and change.at_s > 0.1) == (
        pytest.approx(0.5)
    )


def test_failures_add_up(bench, data):
    faults = lane(after=MIB), lane(after=2 * MIB, number=2), FailingSpeed(lane=0, holds=5.0, when=When(after=3 * MIB))
    one = failing(bench, *faults)
    first = len(one.opened.history)
    assert one.echo(data(8 * MIB), MIB).received == data(8 * MIB)
    levels = [(speed, width) for state, speed, width in later(one, first) if state == "L0"]
    assert levels == [(8.0, 4), (8.0, 2), (2.5, 2), (2.5, 2), (5.0, 2)]
    assert one.counts("near") == {"RxErr": 3}
    times = [change.at_s for change in one.opened.history]
    assert times == sorted(times)


def test_a_link_that_loses_lane_0_is_down_and_its_port_says_so(bench, data):
    one = failing(bench, lane(number=0, after=MIB))
    with pytest.raises(DeviceLost) as caught:
        one.echo(data(2 * MIB), MIB // 4)
    assert "not active" in caught.value.link_evidence
    assert one.counts("near") == {"RxErr": 1, "SDES": 1}
    assert [change.state for change in one.opened.history[-3:]] == ["Recovery", "Configuration", "Detect"]


def test_a_lane_that_is_not_in_use_fails_unseen(bench, data):
    one = failing(bench, lane(after=MIB, number=6), dead_lanes=(5,))
    assert one.echo(data(2 * MIB), MIB // 4).received == data(2 * MIB)
    assert one.counts("near") == one.counts("far") == {}
    assert one.opened.read_link().near.bandwidth_management is False


def test_errors_of_a_lane_that_is_left_out_hit_nothing_any_more(bench, data):
    rates = BitErrorRates(to_card=(0.0,) * 5 + (1e-6,) + (0.0,) * 10)
    one = failing(bench, lane(after=MIB), bit_error_rate=rates)
    one.echo(data(2 * MIB), MIB // 4)
    before = one.counts("far")
    assert before["BadTLP"] > 0
    assert one.echo(data(8 * MIB), MIB).received == data(8 * MIB)
    assert one.counts("far") == before


def test_an_idle_speed_is_left_for_what_still_holds(bench, data):
    one = failing(bench, FailingSpeed(lane=0, holds=5.0, when=When(after=MIB)), idle_speed=2.5, idle_after=2e-3)
    one.echo(data(2 * MIB), MIB // 4)
    one.opened.clock.sleep(0.1)
    assert one.opened.read_link().near.speed_gtps == 2.5
    assert one.echo(data(MIB), MIB // 4).received == data(MIB)
    assert one.opened.read_link().near.speed_gtps == 5.0


def test_a_pattern_of_the_cards_own_goes_on_at_the_rate_that_is_left(bench):
    one, deadline = failing(bench, lane(at=0.2)), Deadline(9.0)
    engine = CardPatternEngine(one.opened)
    engine.start("dma0", "from_card", "prbs31", deadline)

    def bits(start_s: float, stop_s: float) -> int:
        one.opened.clock.advance_to(start_s)
        before = engine.read(deadline)
        one.opened.clock.advance_to(stop_s)
        after = engine.read(deadline)
        assert (after.errors, after.locked, after.lock_losses) == (0, True, 0)
        return after.bits - before.bits

    whole = bits(0.1, 0.2)
    assert bits(0.201, 0.22) == 0
    assert bits(0.3, 0.4) == pytest.approx(whole / 2, rel=0.01)
    assert one.opened.read_link().near.width == 4


def test_a_slot_below_a_switch_falls_back_by_itself(data):
    scenario = below_a_switch("west", "east")
    west, east = scenario.slots
    west = attrs.evolve(west, faults=(lane(after=MIB),))
    scenario = attrs.evolve(scenario, slots=(west, east))
    one, other = Bench(west, 0, scenario), Bench(east, 0, scenario)
    assert one.echo(data(2 * MIB), MIB // 4).received == data(2 * MIB)
    assert one.opened.read_link().near.width == 4
    assert one.counts("near") == one.counts("far") == {"RxErr": 1}
    assert other.opened.read_link().near.width == 8
    assert other.counts("near") == other.counts("far") == {}
    one.opened.close()
    other.opened.close()


def test_the_truth_tells_which_lane_failed_and_when(slot, tmp_path):
    path = tmp_path / "truth.jsonl"
    opened = OpenSlot(slot(faults=(lane(at=0.1),)), 0, Truth(str(path), Opened("mine", "north", 0)))
    opened.clock.sleep(1.0)
    opened.read_link()
    opened.close()
    event = json.loads(path.read_text("utf-8").splitlines()[1])
    assert event == {"time_s": 0.1, "message": 0, "kind": "failing-lane", "lane": 5}


def test_load_that_wakes_a_link_on_its_way_down_waits_and_meets_no_second_recovery(bench, data):
    one = failing(bench, lane(at=0.1), idle_speed=2.5)
    one.opened.clock.advance_to(0.11)
    assert one.opened.history[-1].state == "Recovery"
    first = len(one.opened.history)
    one.path.submit(0, memoryview(data(64)), memoryview(bytearray(64)))
    one.opened.clock.advance_to(0.115)
    assert later(one, first) == []
    assert one.path.reap(one.deadline())
    assert later(one, first) == [("Configuration", 8.0, 8), ("L0", 8.0, 4)]


def test_errors_of_the_idle_link_before_it_fails_are_met(bench):
    counts = []
    for faults in ((), (lane(at=0.02),)):
        one = failing(bench, *faults, bit_error_rate=BitErrorRates(to_card=(1e-7,) * 16))
        one.opened.clock.advance_to(0.1)
        counts.append(one.counts("far")["RxErr"])
    assert counts[0] > 2
    assert counts[1] == counts[0] + 1


def test_the_same_scenario_falls_back_at_the_same_time(bench, data):
    histories = []
    for _ in range(2):
        one = failing(bench, lane(after=MIB), bit_error_rate=BitErrorRates(from_card=(1e-7,) * 16))
        one.echo(data(4 * MIB), MIB)
        histories.append(one.opened.history)
    assert histories[0] == histories[1]
