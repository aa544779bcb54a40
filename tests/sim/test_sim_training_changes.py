"""What a link does after its first training: retrains, idle speed, resets and loss, and what its registers show of it.

From memory of the base specification, unless another source stands beside the check: bandwidth bits at downstream
ports only, what a hot reset and a function level reset leave, lane status and equalisation status.
"""

from __future__ import annotations

from itertools import pairwise
from typing import get_args

import pytest

from laneproof import pcie
from laneproof.errors import EndpointBusy
from laneproof.pcie import registers as regs
from laneproof_sim.faults import DropOff
from laneproof_sim.scenario import BitErrorRates
from laneproof_sim.training import State

EXPRESS, AER, SECONDARY = 0x40, 0x100, 0x150
MIB = 1 << 20


def speeds(one) -> tuple[float, float]:
    reading = one.opened.read_link()
    return reading.near.speed_gtps, reading.far.speed_gtps


def states(one, since: int = 0) -> list[str]:
    return [change.state for change in one.opened.history[since:]]


def decoded(one):
    return [pcie.decode(image) for image in one.opened.images()]


def test_the_states_are_the_eleven_of_the_standard():
    assert len(set(get_args(State))) == 11


# --- idle speed


def test_an_idle_link_is_slow_and_its_port_says_that_it_was_not_for_reliability(bench):
    one = bench(idle_speed=2.5)
    assert speeds(one) == (2.5, 2.5)
    near, far = (partner.link for partner in decoded(one))
    assert (near.autonomous_bandwidth, near.bandwidth_management) == (True, False)
    assert (far.autonomous_bandwidth, far.bandwidth_management) == (None, None)
    status = int.from_bytes(one.opened.images()[1][EXPRESS + regs.PCI_EXP_LNKSTA :][:2], "little")
    assert not status & (regs.PCI_EXP_LNKSTA_LABS | regs.PCI_EXP_LNKSTA_LBMS)


def test_load_brings_an_idle_link_up_at_the_cost_of_one_recovery(bench, data):
    sent = data(4 * MIB)
    plain, saving = bench(), bench(idle_speed=2.5)
    seconds = [one.echo(sent, MIB).seconds for one in (plain, saving)]
    assert speeds(saving) == (8.0, 8.0)
    assert seconds[1] - seconds[0] == pytest.approx(100e-6, rel=0.01)


def test_a_link_goes_down_again_once_idle_and_its_history_tells(bench, data):
    one = bench(idle_speed=5.0, idle_after=2e-3)
    assert one.echo(data(MIB), MIB // 4).received == data(MIB)
    before = len(one.opened.history)
    one.opened.clock.sleep(1.9e-3)
    assert speeds(one) == (8.0, 8.0)
    one.opened.clock.sleep(1e-3)
    assert speeds(one) == (5.0, 5.0)
    assert [(change.state, change.speed_gtps) for change in one.opened.history[before:]] == [
        ("Recovery", 8.0),
        ("L0", 5.0),
    ]


def test_a_link_stays_up_as_long_as_small_transfers_come_often_enough(bench, data):
    one = bench(idle_speed=5.0, idle_after=1e-3)
    one.echo(data(4096), 4096)
    before = one.opened.history
    for _ in range(10):
        one.opened.clock.sleep(0.5e-3)
        one.echo(data(4096), 4096)
    assert one.opened.history == before


def test_an_idle_speed_that_the_link_does_not_reach_changes_nothing(bench):
    one = bench(idle_speed=8.0)
    one.opened.clock.sleep(1.0)
    assert states(one)[-1] == "L0"
    assert decoded(one)[0].link.autonomous_bandwidth is False


def test_data_on_a_link_that_saves_power_are_the_same(bench, data):
    one = bench(idle_speed=2.5, idle_after=1e-3)
    for _ in range(3):
        assert one.echo(data(MIB), MIB // 4).received == data(MIB)
        one.opened.clock.sleep(5e-3)
    assert one.counts("near") == one.counts("far") == {}


# --- reliability


def test_a_speed_that_did_not_hold_is_noted_as_for_reliability(bench):
    one = bench(speed=16.0, marginal_lanes=(32.0,) * 3 + (8.0,) + (32.0,) * 12)
    near, far = decoded(one)
    assert speeds(one) == (8.0, 8.0)
    assert (near.link.bandwidth_management, near.link.autonomous_bandwidth) == (True, False)
    for partner in (near, far):
        assert partner.link.equalisation == ("complete", "phase 1", "phase 2", "phase 3")
        assert partner.physical_16gt.equalisation == ()


def test_a_width_from_the_first_training_is_no_change_for_reliability(bench):
    assert decoded(bench(dead_lanes=(5,)))[0].link.bandwidth_management is False


def test_an_error_that_retrains_the_link_is_in_its_history(bench, data):
    one = bench(bit_error_rate=BitErrorRates(to_card=(1e-6,) * 16))
    first = len(one.opened.history)
    one.echo(data(2 * MIB), MIB)
    assert one.counts("far")["RxErr"] > 0
    later = states(one, first)
    assert later[:2] == ["Recovery", "L0"]
    assert {(first, second) for first, second in pairwise(later)} == {
        ("Recovery", "L0"),
        ("L0", "Recovery"),
    }
    times = [change.at_s for change in one.opened.history]
    assert times == sorted(times)
    assert times[-1] <= one.opened.clock.now_s()


def test_an_error_of_8b10b_does_not_retrain_the_link(bench, data):
    one = bench(speed=5.0, bit_error_rate=BitErrorRates(to_card=(1e-6,) * 16))
    first = len(one.opened.history)
    one.echo(data(2 * MIB), MIB)
    assert one.counts("far")["RxErr"] > 0
    assert states(one, first) == []


# --- loss


def test_a_lost_card_leaves_its_port_in_detect(bench, data):
    one = bench(faults=(DropOff(after=MIB),))
    with pytest.raises(Exception, match="all ones"):
        one.echo(data(2 * MIB), MIB // 4)
    last = one.opened.history[-1]
    assert (last.state, last.width) == ("Detect", 0)
    one.opened.clock.sleep(1.0)
    assert one.opened.history[-1] == last


# --- resets


def test_a_hot_reset_trains_the_link_anew_and_takes_time(bench):
    one = bench(speed=16.0)
    first, begun_s = one.opened.history, one.opened.clock.now_s()
    one.opened.reset_link()
    assert states(one, len(first)) == ["Recovery", "Hot Reset", *(change.state for change in first)]
    assert speeds(one) == (16.0, 16.0)
    took_s = one.opened.clock.now_s() - begun_s
    assert took_s > 0.1 + first[-1].at_s - first[0].at_s  # 100 ms before the first configuration access


def test_a_hot_reset_is_no_surprise_down_but_the_port_notes_that_its_link_was_down(bench):
    one = bench()
    one.opened.reset_link()
    assert one.counts("near") == one.counts("far") == {}
    near = decoded(one)[0]
    assert "DLLSC" in near.slot.status
    assert near.link.dl_active


@pytest.mark.parametrize("level", ["reset_function", "reset_link"])
def test_error_status_mask_and_severity_survive_a_reset_and_device_status_does_not(bench, level):
    # Sticky bits. The status is set behind the kernel's back, which would clear it.
    one = bench()
    far = one.opened.far
    far.raise_error("BadTLP")
    far.raise_error("CmpltTO")
    far.write(AER + regs.PCI_ERR_COR_MASK, 0xE001)
    far.write(AER + regs.PCI_ERR_UNCOR_SEVER, 0x00062030)
    aer_before = one.opened.images()[1][AER : AER + 0x2C]
    getattr(one.opened, level)()
    assert one.opened.images()[1][AER : AER + 0x2C] == aer_before
    assert far.read(EXPRESS + regs.PCI_EXP_DEVSTA, 2) == 0


@pytest.mark.parametrize(("of_link", "payload"), [(True, 128), (False, 256)])
def test_the_registers_lose_command_and_address_and_in_a_hot_reset_the_payload_too(bench, of_link, payload):
    # That a function level reset leaves Max_Payload_Size: base specification, function level reset, from memory.
    far = bench().opened.far
    far.reset(of_link=of_link)
    seen = pcie.decode(far.image())
    assert seen.command == ()
    assert far.read(regs.PCI_BASE_ADDRESS_0) == 0
    assert (seen.payload.set, seen.payload.read_request) == (payload, 512)


@pytest.mark.parametrize("level", ["reset_function", "reset_link"])
def test_after_a_reset_of_its_own_software_has_set_the_card_up_as_before(bench, level):
    one = bench(card={"read_request": 1024})
    before = one.opened.images()[1]
    getattr(one.opened, level)()
    assert one.opened.images()[1] == before


def test_a_function_level_reset_leaves_the_link_alone(bench):
    one = bench()
    before = one.opened.history
    one.opened.reset_function()
    assert one.opened.history == before


@pytest.mark.parametrize("level", ["reset_function", "reset_link"])
def test_nothing_is_reset_while_transfers_are_out(bench, data, level):
    one = bench()
    one.path.submit(0, memoryview(data(MIB)), memoryview(bytearray(MIB)))
    before = one.opened.history
    with pytest.raises(EndpointBusy, match="stop the engine"):
        getattr(one.opened, level)()
    assert one.opened.history == before


@pytest.mark.parametrize("level", ["flush", "reset_function", "reset_link"])
def test_data_come_back_intact_after_a_reset(bench, data, level):
    one = bench(idle_speed=2.5, bit_error_rate=BitErrorRates(to_card=(1e-7,) * 16))
    for _ in range(2):
        assert one.echo(data(MIB), MIB // 4).received == data(MIB)
        getattr(one.opened, level)()
    assert one.echo(data(MIB), MIB // 4).received == data(MIB)


# --- capabilities of the physical layer


@pytest.mark.parametrize(("speed", "shown"), [(5.0, (0, 0, 0)), (8.0, (1, 0, 0)), (16.0, (1, 1, 0)), (32.0, (1, 1, 1))])
def test_a_partner_has_the_capability_of_each_speed_that_it_can_do(bench, speed, shown):
    for seen in decoded(bench(speed=speed, width=4)):
        held = (seen.secondary, seen.physical_16gt, seen.physical_32gt)
        assert tuple(int(one is not None) for one in held) == shown
        assert seen.oddities == ()
        assert all(len(one.lanes) == 4 for one in held if one is not None)


def test_each_partner_shows_equalisation_at_the_speeds_that_the_link_went_through(bench):
    one = bench(speed=32.0, card={"max_speed": 16.0})
    near, far = decoded(one)
    done = ("complete", "phase 1", "phase 2", "phase 3")
    assert (near.link.equalisation, near.physical_16gt.equalisation) == (done, done)
    assert near.physical_32gt.equalisation == ()
    assert (far.link.equalisation, far.physical_16gt.equalisation) == (done, done)
    assert dict(one.opened.read_conditions().near.equalisation) == {8.0: done, 16.0: done, 32.0: ()}


def test_lane_error_status_is_cleared_by_ones_and_cannot_be_set_by_software(bench):
    near = bench().opened.near
    status = SECONDARY + 0x08
    near.write(status, 0xFFFF)
    assert near.read(status) == 0
    near.set_hardware(status, 0b101)
    near.write(status, 0b001)
    assert pcie.decode(near.image()).secondary.lane_errors == (2,)


def test_bandwidth_bits_are_cleared_by_ones(bench):
    near = bench(idle_speed=2.5).opened.near
    near.write(EXPRESS + regs.PCI_EXP_LNKCTL, near.read(EXPRESS + regs.PCI_EXP_LNKCTL))
    assert pcie.decode(near.image()).link.autonomous_bandwidth is False
