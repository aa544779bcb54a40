"""What resets end and what they take: deadlines, stalls and losses that end, configuration lost, not ready yet.

From memory of the base specification: a function without Bus Master Enable sends no memory requests; a configuration
request that comes too early is answered with a request to try again, and the vendor id then reads 0001 (Configuration
Request Retry Status); software waits 100 ms after a reset. That a kernel goes on asking meanwhile: Linux pci_dev_wait.
"""

from __future__ import annotations

import math

import pytest
from sim_bench import below_a_switch

from laneproof import pcie
from laneproof.clock import Deadline
from laneproof.contract import ResetLevel
from laneproof.errors import DeviceLost, DriverFault
from laneproof.pcie import registers as regs
from laneproof.readings import Unavailable
from laneproof_sim.damage.halting import Halts
from laneproof_sim.damage.when import Occasion, When
from laneproof_sim.driver import SlotParts
from laneproof_sim.faults import BitFlips, ConfigLost, DropOff, FailingLane, NotReady, Stall
from laneproof_sim.quantities import MAX_LANES
from laneproof_sim.scenario import BitErrorRates

MIB = 1 << 20
LEVELS = tuple(ResetLevel)
CONFIGURED = regs.PCI_COMMAND_MEMORY | regs.PCI_COMMAND_MASTER


def reset(one, level: ResetLevel, timeout_s: float = 10.0) -> None:
    SlotParts(one.opened).reset(level, Deadline(timeout_s, one.opened.clock))


def echoes(one, data) -> bool:
    """Whether 256 KiB come back, and come back right."""
    sent = data(MIB // 4)
    return one.echo(sent, MIB // 4, timeout_s=0.01).received == sent


def stalled(one, data) -> None:
    """Load the card until it stands still."""
    assert one.echo(data(2 * MIB), MIB // 4, timeout_s=0.01).unfinished


# --- deadlines


@pytest.mark.parametrize(("level", "seconds"), [(ResetLevel.FUNCTION, 0.1), (ResetLevel.LINK, 0.12)])
def test_a_reset_that_its_deadline_leaves_no_time_for_is_not_begun(bench, data, level, seconds):
    one = bench()
    before, begun_s = (one.opened.images(), one.opened.history), one.opened.clock.now_s()
    with pytest.raises(DriverFault, match="nothing was reset"):
        reset(one, level, seconds - 0.01)
    assert (one.opened.images(), one.opened.history) == before
    assert one.opened.clock.now_s() == begun_s
    assert echoes(one, data)


@pytest.mark.parametrize("level", LEVELS)
def test_a_reset_that_its_deadline_leaves_time_for_is_over_by_then(bench, data, level):
    one = bench()
    begun_s = one.opened.clock.now_s()
    reset(one, level, 0.2)
    assert one.opened.clock.now_s() - begun_s < 0.2
    assert echoes(one, data)


def test_a_data_reset_takes_no_time(bench, data):
    one = bench()
    reset(one, ResetLevel.DATA, 0.0)
    assert echoes(one, data)


# --- stall and loss


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize(
    ("until", "mildest"),
    [("data reset", 1), ("function reset", 2), ("link reset", 3), ("never", math.inf)],
)
def test_a_stall_ends_at_the_reset_that_it_says_and_at_harsher_ones(bench, data, until, mildest, level):
    one = bench(faults=(Stall(after=MIB, until=until),))
    stalled(one, data)
    reset(one, level)
    assert echoes(one, data) == (level >= mildest)


def test_a_stall_that_a_reset_ended_comes_again_after_as_many_bytes(bench, data):
    one = bench(faults=(Stall(after=MIB, until="data reset"),))
    for _ in range(3):
        stalled(one, data)
        reset(one, ResetLevel.DATA)
    assert [echoes(one, data) for _ in range(4)] == [True, True, True, False]


def test_a_lost_card_comes_back_with_a_link_reset_where_its_fault_says_so(bench, data):
    one = bench(faults=(DropOff(after=MIB, until="link reset"),))
    before = one.opened.images()[1]
    with pytest.raises(DeviceLost):
        one.echo(data(2 * MIB), MIB // 4)
    one.path.quiesce(one.deadline())
    for level in (ResetLevel.DATA, ResetLevel.FUNCTION):
        with pytest.raises(DeviceLost):
            reset(one, level)
    since = len(one.opened.history)
    reset(one, ResetLevel.LINK)
    assert [change.state for change in one.opened.history[since:]][:3] == ["Detect", "Polling", "Configuration"]
    assert echoes(one, data)
    assert one.opened.images()[1] == before
    assert one.opened.read_link().near.active
    assert one.counts("near") == {"SDES": 1}


def test_a_card_that_is_lost_for_good_outlasts_a_link_reset(bench, data):
    one = bench(faults=(DropOff(after=MIB),))
    with pytest.raises(DeviceLost):
        one.echo(data(2 * MIB), MIB // 4)
    with pytest.raises(DeviceLost):
        reset(one, ResetLevel.LINK)


def test_a_reset_ends_no_fault_but_those_that_say_so(bench, data):
    one = bench(faults=(Stall(after=MIB, until="data reset"), BitFlips(probability=0.5)))
    stalled(one, data)
    reset(one, ResetLevel.LINK)
    assert one.echo(data(MIB // 4), MIB // 4).received != data(MIB // 4)


def occasion(passed: int, at_s: float = 0.0) -> Occasion:
    return Occasion(number=1, passed=passed, at_s=at_s, size=64, address=0, depth=1)


def test_conditions_must_hold_again_after_a_reset():
    halts = Halts((Stall(after=100, until="link reset", when=When(after=1000)),), 0, "north")
    assert halts.stall_after == math.inf
    halts.begin(occasion(1000))
    assert halts.stall_after == 1100
    halts.reset(ResetLevel.FUNCTION, 1100)
    assert halts.stall_after == 1100
    halts.reset(ResetLevel.LINK, 1100)
    assert halts.stall_after == math.inf
    halts.begin(occasion(1200))
    assert halts.stall_after == 1300


# --- a lane that heals


def test_a_lane_that_a_link_reset_brings_back_gives_the_link_its_width(bench, data):
    when = When(after=MIB)
    for until, width in (("link reset", 8), ("never", 4)):
        one = bench(faults=(FailingLane(lane=5, until=until, when=when),))
        one.echo(data(2 * MIB), MIB // 4)
        assert one.opened.read_link().near.width == 4
        reset(one, ResetLevel.LINK)
        assert one.opened.read_link().near.width == one.opened.read_link().far.width == width
        like = bench(dead_lanes=() if width == 8 else (5,))
        assert one.echo(data(MIB // 2), MIB // 4).seconds == pytest.approx(like.echo(data(MIB // 2), MIB // 4).seconds)


def test_a_lane_that_comes_back_brings_its_bit_errors_with_it(bench, data):
    rates = BitErrorRates(to_card=(0.0,) * 5 + (1e-6,) + (0.0,) * 10)
    one = bench(faults=(FailingLane(lane=5, until="link reset", when=When(after=MIB)),), bit_error_rate=rates)
    one.echo(data(2 * MIB), MIB // 4)
    before = one.counts("far")["BadTLP"]
    reset(one, ResetLevel.LINK)
    assert one.echo(data(MIB // 2), MIB // 4).received == data(MIB // 2)
    assert one.counts("far")["BadTLP"] > before


# --- configuration lost


@pytest.mark.parametrize(
    ("over", "level", "lost"),
    [
        ("function reset", ResetLevel.DATA, False),
        ("function reset", ResetLevel.FUNCTION, True),
        ("function reset", ResetLevel.LINK, True),
        ("link reset", ResetLevel.FUNCTION, False),
        ("link reset", ResetLevel.LINK, True),
    ],
)
def test_a_configuration_that_nobody_restores_is_lost_over_the_reset_that_it_says(bench, data, over, level, lost):
    one = bench(faults=(ConfigLost(over=over),))
    assert echoes(one, data)
    before = one.opened.images()
    reset(one, level)
    near, far = one.opened.images()
    seen = pcie.decode(far)
    assert (seen.command == (), int.from_bytes(far[0x10:0x14], "little") == 0) == (lost, lost)
    assert (far != before[1]) == lost
    assert pcie.decode(near).link.dl_active
    assert seen.vendor_id == pcie.decode(before[1]).vendor_id
    assert echoes(one, data) == (not lost)
    assert one.counts("near") == one.counts("far") == {}


def test_a_card_without_its_configuration_stays_so(bench, data):
    one = bench(faults=(ConfigLost(over="function reset"),))
    reset(one, ResetLevel.FUNCTION)
    for level in LEVELS:
        reset(one, level)
        assert not echoes(one, data)


# --- not ready yet


@pytest.mark.parametrize("level", [ResetLevel.FUNCTION, ResetLevel.LINK])
def test_a_card_that_takes_long_makes_its_reset_take_as_much_longer(bench, data, level):
    took_s = []
    for faults in ((), (NotReady(lasts=2.0),)):
        one = bench(faults=faults)
        before, begun_s = one.opened.images()[1], one.opened.clock.now_s()
        reset(one, level)
        took_s.append(one.opened.clock.now_s() - begun_s)
        assert one.opened.images()[1] == before
        assert echoes(one, data)
    assert took_s[1] - took_s[0] == pytest.approx(2.0)


def test_meanwhile_the_vendor_id_reads_0001_and_the_link_is_up(bench, data):
    one = bench(faults=(NotReady(lasts=2.0, over="link reset"),))
    before, begun_s = one.opened.images()[1], one.opened.clock.now_s()
    with pytest.raises(DriverFault, match="vendor id reads 0001"):
        reset(one, ResetLevel.LINK, 1.0)
    assert one.opened.clock.now_s() == pytest.approx(begun_s + 1.0)
    near, far = one.opened.images()
    assert far == b"\x01\x00" + b"\xff" * 4094
    assert pcie.decode(near).link.dl_active
    far_link = one.opened.read_link().far
    assert isinstance(far_link, Unavailable)
    assert "0001" in far_link.why
    with pytest.raises(DriverFault, match="vendor id reads 0001"):
        one.echo(data(64), 64)
    one.opened.clock.sleep(2.0)
    assert one.opened.images()[1] == before
    assert echoes(one, data)


def test_a_milder_reset_than_it_says_is_as_quick_as_ever(bench):
    one = bench(faults=(NotReady(lasts=2.0, over="link reset"),))
    reset(one, ResetLevel.FUNCTION, 0.2)
    assert int.from_bytes(one.opened.images()[1][regs.PCI_COMMAND :][:2], "little") & CONFIGURED == CONFIGURED


@pytest.mark.parametrize("looked_at", [False, True])
def test_errors_of_a_card_that_is_not_set_up_yet_are_never_reported(together, looked_at):
    noisy = BitErrorRates(to_card=(1e-6,) * MAX_LANES)
    scenario = below_a_switch("west", "east", bit_error_rate=noisy, faults=(NotReady(lasts=1.0),))
    west, east = together(scenario)
    before = west.counts("far")
    with pytest.raises(DriverFault, match="vendor id reads 0001"):
        reset(west, ResetLevel.FUNCTION, 0.2)
    if looked_at:  # by which the computer comes to a time at which the card is not ready
        east.opened.clock.sleep(0.5)
        east.opened.read_errors()
    west.opened.clock.sleep(2.0)
    assert west.counts("far") == before != {}
