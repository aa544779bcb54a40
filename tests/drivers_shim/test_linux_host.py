"""A survey of a computer's links: on a recorded tree, with single faults in it, and on whatever this computer has."""

from __future__ import annotations

import errno
import os

import pytest

from laneproof.clock import Deadline
from laneproof.contract import CONTRACT, Host
from laneproof.errors import Interrupted
from laneproof.readings import HostLink, HostSurvey, PartnerErrors, PartnerLink, Unavailable
from laneproof_drivers.linux_host import LinuxHost, host

NVME_PORT, NVME = "0000:00:05.0", "0000:02:00.0"
NIC_PORT, NIC = "0000:00:06.0", "0000:03:00.0"
EMPTY_PORT = "0000:00:08.0"


def survey(tree) -> HostSurvey:
    with Deadline(20) as deadline:
        return LinuxHost(tree.root).survey(deadline)


def link_at(tree, near_address: str) -> HostLink:
    (link,) = [link for link in survey(tree).links if link.near_address == near_address]
    return link


def test_every_port_is_one_link_with_the_first_function_below_it(tree):
    """The guest's topology as lspci -tv recorded it."""
    assert [(link.near_address, link.far_address) for link in survey(tree).links] == [
        ("0000:00:04.0", "0000:01:00.0"),
        ("0000:00:05.0", "0000:02:00.0"),
        ("0000:00:06.0", "0000:03:00.0"),
        ("0000:00:07.0", "0000:04:00.0"),
        ("0000:00:08.0", None),
        ("0000:05:00.0", "0000:06:00.0"),
        ("0000:05:01.0", "0000:07:00.0"),
    ]


def test_both_ends_of_a_link_are_read(tree):
    link = link_at(tree, NIC_PORT)
    assert isinstance(link.link.near, PartnerLink)
    assert isinstance(link.link.far, PartnerLink)
    assert (link.link.near.max_speed_gtps, link.link.near.max_width) == (16.0, 4)
    assert (link.link.far.max_speed_gtps, link.link.far.max_width) == (2.5, 1)
    assert isinstance(link.errors.near, PartnerErrors)
    assert isinstance(link.errors.far, PartnerErrors)


def test_a_device_is_described_by_class_and_numbers(tree):
    assert link_at(tree, NVME_PORT).description == "storage controller 1b36:0010"
    assert link_at(tree, EMPTY_PORT).description == "bridge 1b36:000c"


def test_an_empty_port_is_a_link_with_nobody_at_its_far_end(tree):
    tree.write(EMPTY_PORT, current_link_speed="Unknown", current_link_width="0")
    link = link_at(tree, EMPTY_PORT)
    assert link.link.near.active is False
    assert link.link.far == Unavailable("nothing is plugged in, or it is powered off")
    assert link.errors.far == link.link.far


def test_an_empty_port_is_not_said_to_have_trained(tree):
    """Without privilege nothing tells that the link is down, and its registers hold 16 GT/s x1 all the same."""
    tree.without_privilege()
    link = link_at(tree, EMPTY_PORT)
    assert link.link.near.active is None
    assert (link.link.near.speed_gtps, link.link.near.width) == (None, None)
    assert "does not train" in link.link.far.why


def test_a_card_that_sits_in_a_slot_and_does_not_train_is_not_called_absent(tree):
    """linux/pci_regs.h: SLTSTA at 0x1a, PDS 0x0040; SLTCTL at 0x18, power controller off 0x0400."""
    at = tree.express(EMPTY_PORT)
    tree.patch_config(EMPTY_PORT, at + 0x1A, b"\x40\x00")
    assert "whose power the port has switched off" in link_at(tree, EMPTY_PORT).link.far.why
    tree.patch_config(EMPTY_PORT, at + 0x18, b"\x00\x00")
    assert "does not train" in link_at(tree, EMPTY_PORT).link.far.why


def test_a_healthy_link_of_a_slow_card_is_no_remark(tree):
    """The card can 2.5 GT/s x1 and has it, though the port could 16 GT/s x4."""
    assert link_at(tree, NIC_PORT).remarks == ()


def wide_card(tree, **files: str) -> HostLink:
    tree.write(NVME, max_link_speed="8.0 GT/s PCIe", max_link_width="8")
    for address in (NVME_PORT, NVME):
        tree.write(address, **{"current_link_speed": "8.0 GT/s PCIe", "current_link_width": "8", **files})
    return link_at(tree, NVME_PORT)


def shortfalls(link: HostLink) -> list[str]:
    return [remark for remark in link.remarks if remark.startswith("trained below")]


def test_a_link_of_full_speed_and_width_has_no_shortfall(tree):
    assert shortfalls(wide_card(tree)) == []


def test_a_link_at_half_its_width_is_remarked_with_power_management_in_mind(tree):
    (remark,) = shortfalls(wide_card(tree, current_link_width="4"))
    assert "x4 of x8" in remark
    assert "power management" in remark


def test_a_link_below_its_speed_is_remarked_with_power_management_in_mind(tree):
    (remark,) = shortfalls(wide_card(tree, current_link_speed="2.5 GT/s PCIe"))
    assert "2.5 of 8 GT/s" in remark
    assert "power management" in remark


def test_without_privilege_the_survey_names_what_root_would_add(tree):
    tree.without_privilege()
    link = link_at(tree, NIC_PORT)
    assert link.link.near.speed_gtps == 2.5
    seen = survey(tree)
    assert len(seen.links) == 7
    (gap,) = seen.missing
    assert "root (CAP_SYS_ADMIN)" in gap
    assert "0000:00:04.0, 0000:00:05.0, 0000:00:06.0, 0000:00:07.0 and 7 more" in gap


def test_error_counters_that_are_not_shown_are_unavailable_with_the_reason(tree):
    far = link_at(tree, NVME_PORT).errors.far
    assert isinstance(far, Unavailable)
    assert NVME in far.why
    assert "no error counters" in far.why


def test_what_a_root_port_was_told_is_shown_for_every_link_below_it(tree):
    tree.write("0000:00:07.0", aer_rootport_total_err_cor="3")
    for port in ("0000:00:07.0", "0000:05:00.0", "0000:05:01.0"):
        assert link_at(tree, port).root_messages["correctable"].n == 3
    assert link_at(tree, NIC_PORT).root_messages["correctable"].n == 0


def test_functions_without_a_port_above_are_one_remark(tree):
    """As in a virtual machine whose devices stand on the root bus."""
    for number in range(6):
        address = f"0000:00:1{number}.0"
        folder = tree.root / "devices/pci0000:00" / address
        folder.mkdir()
        (folder / "class").write_text("0x020000\n")
        (tree.root / "bus/pci/devices" / address).symlink_to(folder)
    seen = survey(tree)
    (remark,) = seen.remarks
    assert "0000:00:10.0, 0000:00:11.0, 0000:00:12.0, 0000:00:13.0 and 2 more" in remark
    assert "hypervisor's and not shown" in remark
    assert len(seen.links) == 7


def test_a_link_whose_port_is_hidden_is_shown_by_half_and_not_judged(tree):
    """As in a virtual machine that was given a card: link files, and no port above."""
    folder = tree.folder(NIC)
    (tree.root / "bus/pci/devices" / NIC).unlink()
    alone = tree.root / "devices/pci0000:00" / "0000:00:1d.0"
    folder.rename(alone)
    (tree.root / "bus/pci/devices/0000:00:1d.0").symlink_to(alone)
    (link,) = [link for link in survey(tree).links if link.far_address == "0000:00:1d.0"]
    assert link.near_address is None
    assert isinstance(link.link.near, Unavailable)
    assert (link.link.far.width, link.link.far.max_width) == (1, 1)
    assert isinstance(link.errors.near, Unavailable)
    assert "what the link should train to is not known" in link.remarks[-1]


@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES, errno.ENODEV])
def test_a_survey_survives_that_nothing_can_be_read(tree, failing_open, number):
    names = {name for _, _, files in os.walk(tree.root) for name in files}
    failing_open(number, *names)
    seen = survey(tree)
    assert isinstance(seen, HostSurvey)
    assert seen.links == ()  # no port can be told without its class
    assert seen.remarks


def test_a_card_that_vanishes_during_the_survey_leaves_its_port(tree, monkeypatch):
    from laneproof_drivers.sysfs import PciFunction

    really_below = PciFunction.below

    def below_then_gone(self):
        found = really_below(self)
        if self.address == NIC_PORT and found and tree.folder(NIC_PORT).joinpath(NIC).exists():
            tree.unplug(NIC)
        return found

    monkeypatch.setattr(PciFunction, "below", below_then_gone)
    link = link_at(tree, NIC_PORT)
    assert isinstance(link.link.near, PartnerLink)
    assert isinstance(link.link.far, Unavailable)
    assert isinstance(link.errors.far, Unavailable)


def test_a_survey_past_its_deadline_says_what_it_left_out(tree):
    with Deadline(0) as deadline:
        seen = LinuxHost(tree.root).survey(deadline)
    assert seen.links == ()
    assert "13 of 13 functions not read" in seen.remarks[0]


def test_a_survey_can_be_interrupted(tree):
    with Deadline(20) as deadline:
        deadline.cancel()
        with pytest.raises(Interrupted):
            LinuxHost(tree.root).survey(deadline)


def test_a_survey_writes_nothing(tree):
    def state():
        return {path: (path.lstat().st_mtime_ns, path.lstat().st_size) for path in sorted(tree.root.rglob("*"))}

    before = state()
    survey(tree)
    assert state() == before


def test_this_computers_own_tree_is_surveyed_whatever_it_holds():
    with Deadline(60) as deadline:
        seen = host.survey(deadline)
    functions_here = len(os.listdir("/sys/bus/pci/devices")) if os.path.isdir("/sys/bus/pci/devices") else 0
    assert seen.links or seen.remarks or not functions_here
    assert isinstance(host, Host)
    assert host.contract == CONTRACT
