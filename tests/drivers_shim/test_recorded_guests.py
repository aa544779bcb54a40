"""Whole trees of /sys that a real kernel showed in guests with a fault each: what a survey says of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from laneproof.campaign.meeting import way_above
from laneproof.clock import Deadline
from laneproof.readings import HostLink, HostSurvey, PartnerErrors, Unavailable
from laneproof_drivers.linux_host import LinuxHost
from laneproof_drivers.pci_observer import PciObservers

TREES = Path(__file__).parents[1] / "fixtures" / "sysfs_trees"
NAMES = ("bottleneck_above", "counters_unreadable", "firmware_owned", "half_width", "switch_downstream_errors")
WIDE_PORT, SWITCH_PORT = "0000:00:04.0", "0000:00:03.0"
FIRST_DOWNSTREAM = "0000:03:00.0"


def survey(name: str) -> HostSurvey:
    with Deadline(20) as deadline:
        return LinuxHost(TREES / f"{name}.tar").survey(deadline)


def link_at(name: str, port: str) -> HostLink:
    (link,) = [link for link in survey(name).links if link.near_address == port]
    return link


@pytest.mark.parametrize("name", NAMES)
def test_every_recorded_guest_shows_its_seven_links(name):
    assert [(link.near_address, link.far_address) for link in survey(name).links] == [
        ("0000:00:02.0", "0000:01:00.0"),
        (SWITCH_PORT, "0000:02:00.0"),
        (WIDE_PORT, "0000:06:00.0"),
        ("0000:00:05.0", "0000:07:00.0"),
        ("0000:00:06.0", None),
        (FIRST_DOWNSTREAM, "0000:04:00.0"),
        ("0000:03:01.0", "0000:05:00.0"),
    ]


def test_half_the_width_is_one_remark_at_one_link():
    shortfalls = {
        link.near_address: remark
        for link in survey("half_width").links
        for remark in link.remarks
        if "trained below" in remark
    }
    assert shortfalls.keys() == {WIDE_PORT}
    assert "x8 of x16" in shortfalls[WIDE_PORT]


def test_a_slow_link_above_a_switch_is_the_bottleneck_below_it():
    link = link_at("bottleneck_above", FIRST_DOWNSTREAM)
    assert (link.link.far.speed_gtps, link.link.far.width) == (8.0, 8)
    assert link.bottleneck == SWITCH_PORT
    assert any("limited further up" in remark and "250 MB/s" in remark for remark in link.remarks)


def test_an_observer_of_the_card_shows_the_link_above_the_switch_too():
    with Deadline(20) as deadline:
        (below,) = PciObservers(TREES / "bottleneck_above.tar").attach("0000:04:00.0", deadline)
        (beside,) = PciObservers(TREES / "bottleneck_above.tar").attach("0000:06:00.0", deadline)
        above = below.read_link(deadline).above
        assert [(link.name, link.speed_gtps, link.width) for link in above] == [(SWITCH_PORT, 2.5, 1)]
        assert beside.read_link(deadline).above == ()


def test_two_cards_below_one_switch_name_the_same_link_above_it():
    with Deadline(20) as deadline:
        attach = PciObservers(TREES / "bottleneck_above.tar").attach
        names = {way_above(attach(f"0000:{bus}:00.0", deadline)[0].read_link(deadline)) for bus in ("04", "05")}
    assert names == {(SWITCH_PORT,)}


def test_errors_of_a_downstream_port_are_shown_at_its_own_link_alone():
    counted = {
        (link.near_address, end, name): count.n
        for link in survey("switch_downstream_errors").links
        for end in ("near", "far")
        if isinstance(errors := getattr(link.errors, end), PartnerErrors)
        for name, count in errors.correctable.items()
        if not isinstance(count, Unavailable) and count.n
    }
    assert counted == {(FIRST_DOWNSTREAM, "near", "BadTLP"): 3}
    assert link_at("switch_downstream_errors", SWITCH_PORT).root_messages["correctable"].n == 3


def test_errors_that_the_kernel_does_not_handle_are_not_zero():
    for link in survey("firmware_owned").links:
        assert link.errors_kept_by == "nobody"
        assert isinstance(link.errors.near, Unavailable)
        assert "firmware owns them" in link.errors.near.why


def test_counters_that_could_not_be_read_are_not_zero():
    for link in survey("counters_unreadable").links:
        assert link.errors_kept_by == "kernel"
        assert isinstance(link.errors.near, Unavailable)
        assert "not readable when this was recorded" in link.errors.near.why
        assert isinstance(link.root_messages, Unavailable)
