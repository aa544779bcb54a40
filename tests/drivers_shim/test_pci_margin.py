"""Margining a link's receivers through its ports: the way of a command, what an eye comes to, and nothing left moved.

The ports are written from the base specification in `margined_link`. That the near port reaches receivers 1 to 5 and
the card's own registers receiver 6 alone: the public manual of a controller core, table of valid commands.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from margined_link import AT, CARD, LANES, NOTHING, PORT, MarginedLink

from laneproof.campaign.steps.margins import Quantity, search
from laneproof.clock import Deadline
from laneproof.contract import LaneMargining
from laneproof.errors import DriverFault, Interrupted
from laneproof.on_request import MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.pcie.margining import Direction
from laneproof.readings import Unavailable
from laneproof_drivers.pci_margin import PciMargining
from laneproof_drivers.pci_observer import PciObservers

LINK_CONTROL, LINK_CONTROL_2, LINK_STATUS_2 = 0x10, 0x30, 0x32
QUANTITIES: tuple[Quantity, ...] = ("timing", "voltage")
WIDTH_DISABLE, SPEED_DISABLE = 0x0200, 0x0020
"""linux/pci_regs.h: PCI_EXP_LNKCTL_HAWD and PCI_EXP_LNKCTL2_HASD."""


@pytest.fixture
def link(tree) -> MarginedLink:
    return MarginedLink(tree)


def part(link: MarginedLink) -> PciMargining:
    card = link._tree.function(CARD)
    assert card.port is not None
    return PciMargining(
        link._tree.files, card.port.route, card.route, read=link.read, write=link.write, clock=link.clock
    )


def offered(link: MarginedLink) -> MarginingOffer:
    with Deadline(30, link.clock) as deadline:
        found = part(link).offered(deadline)
    assert isinstance(found, MarginingOffer), found
    return found


def refused(link: MarginedLink) -> str:
    with Deadline(30, link.clock) as deadline:
        found = part(link).offered(deadline)
    assert isinstance(found, Unavailable)
    assert link.near.written == link.far.written == []
    return found.why


def receiver(link: MarginedLink, number: int = 1) -> MarginingReceiver:
    return next(one for one in offered(link).receivers if one.number == number)


def margin(link: MarginedLink, direction: str, step: int, *, number: int = 1, lane: int = 0, **more) -> MarginPoint:
    wanted = receiver(link, number)
    settings = {"dwell_s": 0.1, "error_limit": 4} | more
    with Deadline(30, link.clock) as deadline:
        return part(link).margin(wanted, lane, direction, step, deadline=deadline, **settings)  # type: ignore[arg-type]


def test_each_receiver_says_what_it_offers(link):
    found = offered(link)
    assert [one.number for one in found.receivers] == [1, 6]
    near = found.receivers[0]
    assert near.lanes == tuple(range(LANES))
    # 20 steps to 0.5 UI and 40 to 120 mV; a sampling rate of 31 stands for 32 of 64 bits, 63 for all.
    assert (near.timing_steps, near.timing_offset_ui) == (20, 0.5)
    assert (near.voltage_steps, near.voltage_offset_v) == (40, 0.12)
    assert (near.voltage_sampling, near.timing_sampling) == (0.5, 1.0)
    assert (near.independent_timing, near.independent_voltage, near.independent_sampler) == (True, True, True)
    assert PORT in found.wrote
    assert CARD in found.wrote


def test_the_receivers_of_a_retimer_are_there_where_one_is_reported(link):
    # linux/pci_regs.h and the base specification: Link Capabilities 2 bit 23, Link Status 2 bit 6.
    link.put(PORT, link.near.express + 0x2E, 0x0080)
    link.put(PORT, link.near.express + LINK_STATUS_2, 0x0040)
    assert [one.number for one in offered(link).receivers] == [1, 2, 3, 6]


def test_a_retimer_that_answers_nothing_is_left_out_and_no_command_stays(link):
    link.put(PORT, link.near.express + 0x2E, 0x0080)
    link.put(PORT, link.near.express + LINK_STATUS_2, 0x0040)
    for lane in range(LANES):
        del link.near.receivers[lane, 3]
    assert [one.number for one in offered(link).receivers] == [1, 2, 6]
    assert link.near.read(AT + 8, 2) == NOTHING.to_bytes(2, "little")


def test_no_voltage_margining_means_no_voltage_steps(link):
    for place in link.near.receivers.values():
        place.reports[0x88] = 0b10100
    near = receiver(link)
    assert (near.voltage_steps, near.voltage_offset_v, near.independent_voltage) == (0, None, False)


def test_an_offset_of_zero_is_not_reported(link):
    for place in link.near.receivers.values():
        place.reports[0x8B] = 0
    assert receiver(link).timing_offset_ui is None


@pytest.mark.parametrize(("direction", "last"), [("right", 8), ("left", 7), ("up", 15), ("down", 13)])
@pytest.mark.parametrize("number", [1, 6])
def test_an_eye_ends_where_the_receivers_does(link, direction, last, number):
    assert margin(link, direction, last, number=number).outcome == "within"
    beyond = margin(link, direction, last + 1, number=number)
    assert beyond.outcome == "beyond"
    assert beyond.errors > 4


def test_a_search_outward_finds_the_receivers_eye(link):
    far, ports = receiver(link, 6), part(link)

    def measure(one: MarginingReceiver, lane: int, direction: Direction, step: int) -> MarginPoint:
        with Deadline(30, link.clock) as deadline:
            return ports.margin(one, lane, direction, step, dwell_s=0.01, error_limit=4, deadline=deadline)

    found = {one.side: one for key in QUANTITIES for one in search(far, 2, key, 0.01, measure)}
    assert {side: one.steps for side, one in found.items()} == link.far.receivers[2, 6].eye
    # 8 of 20 steps to 0.5 UI, 13 of 40 to 120 mV.
    assert (found["right"].offset, found["down"].offset) == (pytest.approx(0.2), pytest.approx(0.039))
    assert link.far.at_a_step() == []


def test_directions_that_are_not_told_apart_end_at_the_nearer_side(link):
    for place in link.near.receivers.values():
        place.reports[0x88] = 0b10001
    assert margin(link, "right", 7).outcome == "within"
    assert margin(link, "right", 8).outcome == "beyond"


def test_a_step_that_is_not_there_is_refused(link):
    for place in link.near.receivers.values():
        place.reports[0x88] |= 1
    wanted = receiver(link)
    link.near.receivers[0, 1].reports[0x8A] = 3
    with Deadline(30, link.clock) as deadline:
        assert (
            part(link).margin(wanted, 0, "right", 4, dwell_s=0.1, error_limit=4, deadline=deadline).outcome == "refused"
        )
    assert link.near.at_a_step() == []


def test_the_dwell_counts_from_when_the_step_has_begun(link):
    point = margin(link, "right", 8, dwell_s=0.25)
    assert point.seconds == pytest.approx(0.25, abs=0.002)
    assert point.bits == pytest.approx(2 ** (90 / 3))  # it reports a count of 90: three times the logarithm


def test_bits_follow_from_rate_and_time_where_the_receiver_does_not_count_them(link):
    for place in link.near.receivers.values():
        place.reports[0x88] &= ~8
    assert margin(link, "up", 3).bits == pytest.approx(0.5 * 16e9 * 0.1, rel=0.02)
    assert margin(link, "left", 3).bits == pytest.approx(16e9 * 0.1, rel=0.02)


def test_a_closed_eye_ends_a_step_long_before_its_dwell(link):
    assert margin(link, "right", 20, dwell_s=20.0).seconds < 0.1


def test_the_limit_of_errors_is_the_callers_and_old_errors_are_cleared_first(link):
    place = link.near.receivers[0, 1]
    place.errors = 60
    assert margin(link, "right", 20, error_limit=11).errors == 14  # the receiver counts three more before it gives up
    assert place.limit == 11
    assert margin(link, "right", 2).errors == 0


def test_each_command_comes_after_no_command(link):
    margin(link, "left", 5)
    lane = [value for at, value in link.near.written if at == AT + 8]
    assert {before for before, value in pairwise(lane) if value != NOTHING} == {NOTHING}
    # Right or left of the normal setting is bit 6 of a timing step's payload: the step to the left is 45h.
    assert 0x4519 in lane
    assert lane[-1] == NOTHING


def test_only_the_lane_and_the_two_autonomous_changes_are_written_and_those_are_put_back(link):
    near, far = bytes(link.near.bytes[:AT]), bytes(link.far.bytes[:AT])
    margin(link, "right", 8, lane=2)
    assert (bytes(link.near.bytes[:AT]), bytes(link.far.bytes[:AT])) == (near, far)
    for port in (link.near, link.far):
        others = {at - port.express for at, _ in port.written if at < AT}
        assert others == {LINK_CONTROL, LINK_CONTROL_2}
    first = dict(reversed(link.near.written))
    assert first[link.near.express + LINK_CONTROL] == 0x0040 | WIDTH_DISABLE
    assert first[link.near.express + LINK_CONTROL_2] & SPEED_DISABLE


def test_what_was_disabled_before_stays_disabled(link):
    link.put(PORT, link.near.express + LINK_CONTROL, 0x0240)
    margin(link, "right", 1)
    assert link.near.read(link.near.express + LINK_CONTROL, 2) == b"\x40\x02"


def test_a_receiver_is_back_at_its_normal_settings_after_each_step(link):
    for step in (3, 9):
        margin(link, "left", step, lane=1)
        assert link.near.at_a_step() == []


def test_a_cancelled_step_is_put_back_all_the_same(link):
    wanted, deadline = receiver(link), Deadline(30, link.clock)
    slept = link.clock.sleep

    def cancel_while_it_dwells(seconds: float) -> None:
        slept(seconds)
        if link.near.at_a_step() and link.clock.now_s() > begun_s + 0.5:
            deadline.cancel()

    begun_s, link.clock.sleep = link.clock.now_s(), cancel_while_it_dwells  # type: ignore[method-assign]
    with pytest.raises(Interrupted):
        part(link).margin(wanted, 3, "right", 2, dwell_s=5.0, error_limit=4, deadline=deadline)
    deadline.release()
    assert link.near.at_a_step() == []
    assert link.near.read(link.near.express + LINK_CONTROL, 2) == b"\x40\x00"


def test_a_deadline_that_passes_ends_a_step_and_puts_it_back(link):
    wanted = receiver(link)
    with Deadline(0.2, link.clock) as deadline:
        point = part(link).margin(wanted, 0, "right", 2, dwell_s=5.0, error_limit=4, deadline=deadline)
    assert point.outcome == "within"
    assert point.seconds < 0.3
    assert link.near.at_a_step() == []


def test_a_lane_that_answers_nothing_is_an_error_and_says_what_may_be_left(link):
    wanted = receiver(link)
    link.near.deaf = {2}
    begun_s = link.clock.now_s()
    with (
        Deadline(30, link.clock) as deadline,
        pytest.raises(DriverFault, match="lane 2 may not be back at its normal settings, which a reset of the link"),
    ):
        part(link).margin(wanted, 2, "right", 2, dwell_s=0.1, error_limit=4, deadline=deadline)
    assert link.clock.now_s() - begun_s < 0.1  # 10 ms for each of few commands
    assert link.near.read(link.near.express + LINK_CONTROL, 2) == b"\x40\x00"


def test_a_link_that_leaves_its_speed_under_a_step_is_an_error(link):
    wanted, slept = receiver(link), link.clock.sleep

    def fall_back(seconds: float) -> None:
        slept(seconds)
        link.near.bytes[link.near.express + 0x12] = LANES << 4 | 3

    link.clock.sleep = fall_back  # type: ignore[method-assign]
    with Deadline(30, link.clock) as deadline, pytest.raises(DriverFault, match="left 16 GT/s while lane 0"):
        part(link).margin(wanted, 0, "right", 2, dwell_s=0.1, error_limit=4, deadline=deadline)
    assert link.near.at_a_step() == []


def test_a_card_that_is_gone_is_an_error_and_the_near_port_is_put_back(link):
    wanted = receiver(link, 6)
    link.far.gone = True
    with Deadline(30, link.clock) as deadline, pytest.raises(DriverFault, match="does not answer"):
        part(link).margin(wanted, 0, "right", 2, dwell_s=0.1, error_limit=4, deadline=deadline)
    assert link.near.read(link.near.express + LINK_CONTROL, 2) == b"\x40\x00"


@pytest.mark.parametrize(("code", "shown"), [(1, "2.5"), (3, "8"), (6, "64")])
def test_below_16_and_at_64_gtps_nothing_is_margined(link, code, shown):
    link.put(PORT, link.near.express + 0x12, 0x2000 | LANES << 4 | code)
    assert f"runs at {shown} GT/s" in refused(link)


@pytest.mark.parametrize("address", [PORT, CARD])
def test_an_end_without_the_capability_is_named(link, address):
    link._tree.patch_config(address, AT, b"\x28")
    assert f"{address} has no Lane Margining at the Receiver" in refused(link)


@pytest.mark.parametrize("address", [PORT, CARD])
@pytest.mark.parametrize(
    ("status", "capabilities", "shown"), [(0, 0, "Margining Ready is clear"), (1, 1, "Margining Software Ready is")]
)
def test_an_end_that_is_not_ready_is_named(link, address, status, capabilities, shown):
    link.capability(address, status, capabilities)
    why = refused(link)
    assert address in why
    assert shown in why


def test_an_end_whose_driver_software_is_ready_is_taken(link):
    link.capability(PORT, 3, 1)
    assert len(offered(link).receivers) == 2


def test_aspm_that_is_enabled_is_refused_with_the_remedy(link):
    link.put(CARD, link.far.express + LINK_CONTROL, 0x0042)
    assert "ASPM enabled (L1)" in refused(link)


def test_a_link_that_trains_is_refused(link):
    link.put(PORT, link.near.express + 0x12, 0x2800 | LANES << 4 | 4)
    assert "in training" in refused(link)


def test_registers_that_may_not_be_read_are_no_guess(link):
    link._tree.without_privilege()
    assert "need root" in refused(link)


def test_what_observes_never_margins_and_a_recording_offers_no_margining(tree):
    source = PciObservers(tree.root)
    with Deadline(20) as deadline:
        assert not any(isinstance(part, LaneMargining) for part in source.attach(CARD, deadline))
        assert source.margining(CARD, deadline) is None
