"""One PCI function observed beside a card on another path, while it is there and once it is gone."""

from __future__ import annotations

import errno

import pytest

from laneproof.clock import Deadline
from laneproof.contract import ErrorObserver, IdentitySource, LinkObserver, ObserverSource
from laneproof.errors import BadInput, CannotOpen, DeviceLost, DriverFault, Interrupted
from laneproof.readings import AtLeast, Component, ErrorReading, Identity, LinkReading, PartnerLink, Unavailable
from laneproof_drivers.pci_observer import PciObserver, PciObservers, observers

PORT, CARD = "0000:00:06.0", "0000:03:00.0"
LINK_STATUS_DL_ACTIVE_HIGH_BYTE = 0x20
"""Bit 13 of LNKSTA, in its second byte (linux/pci_regs.h)."""


def attach(tree, address: str = CARD) -> PciObserver:
    with Deadline(20) as deadline:
        (part,) = PciObservers(tree.root).attach(address, deadline)
    assert isinstance(part, PciObserver)
    return part


def read_link(part) -> LinkReading:
    with Deadline(20) as deadline:
        return part.read_link(deadline)


def read_errors(part) -> ErrorReading:
    with Deadline(20) as deadline:
        return part.read_errors(deadline)


def read_identity(part) -> Identity:
    with Deadline(20) as deadline:
        return part.read_identity(deadline)


def take_link_down(tree) -> None:
    image = tree.config(PORT)
    high = tree.express(PORT) + 0x12 + 1
    assert image[high] & LINK_STATUS_DL_ACTIVE_HIGH_BYTE
    tree.patch_config(PORT, high, bytes([image[high] & ~LINK_STATUS_DL_ACTIVE_HIGH_BYTE]))


def test_one_part_observes_link_errors_and_identity(tree):
    part = attach(tree)
    assert isinstance(part, LinkObserver)
    assert isinstance(part, ErrorObserver)
    assert isinstance(part, IdentitySource)
    assert isinstance(observers, ObserverSource)


def test_the_link_is_read_at_both_ends(tree):
    reading = read_link(attach(tree))
    assert (reading.near.name, reading.near.active, reading.near.max_width) == (PORT, True, 4)
    assert (reading.far.name, reading.far.width, reading.far.max_width) == (CARD, 1, 1)


@pytest.mark.parametrize(("value", "watts"), [(75, 75.0), (0xF2, 300.0), (0, None), (0xFF, None)])
def test_the_power_that_the_slot_grants_is_read_with_the_link(tree, value, watts):
    """linux/pci_regs.h: FLAGS 0x02, slot implemented 0x0100; SLTCAP 0x14, limit in bits 14:7, scale in 16:15.

    A limit of nought is one that nobody has set; 0xF2 is 300 W, 0xFF reserved (base specification 6.0, 7.5.3.9).
    """
    at = tree.express(PORT)
    flags = int.from_bytes(tree.config(PORT)[at + 2 : at + 4], "little")
    tree.patch_config(PORT, at + 0x02, (flags | 0x0100).to_bytes(2, "little"))
    tree.patch_config(PORT, at + 0x14, (value << 7).to_bytes(4, "little"))
    assert read_link(attach(tree)).slot_power_w == watts


def test_every_reading_is_made_anew(tree):
    part = attach(tree)
    before_link, before = read_link(part), read_errors(part)
    tree.write(CARD, current_link_speed="5.0 GT/s PCIe", aer_dev_correctable="RxErr 2\nBadTLP 4")
    assert (before_link.far.speed_gtps, read_link(part).far.speed_gtps) == (2.5, 5.0)
    added = read_errors(part).since(before).far.correctable
    counted = {name: count.n for name, count in added.items() if not isinstance(count, Unavailable)}
    assert counted == {"RxErr": 2, "BadTLP": 4}


def test_identity_is_what_the_function_itself_answers(tree):
    """e1000e is 8086:10d3 revision 00, as lspci 3.9.0 recorded it."""
    part = attach(tree)
    assert read_identity(part) == Identity(model="8086:10d3", components=(Component("revision", "00"),))
    tree.patch_config(CARD, 0x08, b"\x07")
    assert read_identity(part).components == (Component("revision", "07"),)


def test_a_short_address_is_enough(tree):
    assert read_link(attach(tree, "03:00.0")).far.name == CARD


@pytest.mark.parametrize("address", ["", "03:00", "/dev/echo0", "0000:03:00.0?x", "../../../etc/passwd"])
def test_no_address_is_bad_input(tree, address):
    with pytest.raises(BadInput):
        attach(tree, address)


def test_an_address_where_nothing_is_cannot_be_opened(tree):
    with pytest.raises(CannotOpen, match=r"0000:65:00\.0"):
        attach(tree, "65:00.0")


def test_a_port_is_refused_in_favour_of_the_card_below_it(tree):
    with pytest.raises(BadInput, match="port above a card"):
        attach(tree, PORT)


def test_a_card_that_is_gone_leaves_the_near_end_to_be_read(tree):
    part = attach(tree)
    take_link_down(tree)
    tree.unplug(CARD)
    reading, errors = read_link(part), read_errors(part)
    assert isinstance(reading.far, Unavailable)
    assert isinstance(errors.far, Unavailable)
    assert isinstance(reading.near, PartnerLink)
    assert reading.near.active is False
    assert errors.near.correctable["RxErr"].n == 0


def test_a_card_that_is_gone_is_lost_and_its_port_tells_of_the_link(tree):
    """The endpoint reads the port for evidence; it is the one place that does."""
    part = attach(tree)
    take_link_down(tree)
    tree.unplug(CARD)
    with pytest.raises(DeviceLost, match="no longer shows"):
        read_identity(part)
    assert read_link(part).near.active is False


def test_a_card_that_answers_all_ones_is_lost(tree):
    part = attach(tree)
    tree.write_config(CARD, b"\xff" * 4096)
    with pytest.raises(DeviceLost, match="all ones"):
        read_identity(part)


def test_a_card_whose_answer_cannot_be_read_is_not_called_lost(tree, failing_open):
    part = attach(tree)
    failing_open(errno.EIO, "config")
    with pytest.raises(DriverFault):
        read_identity(part)


def test_a_damaged_list_of_capabilities_changes_no_identity(tree):
    part = attach(tree)
    tree.patch_config(CARD, 0x34, b"\x40")
    tree.patch_config(CARD, 0x40, b"\x01\x40")  # a list that loops
    assert read_identity(part).model == "8086:10d3"


def test_counts_after_a_card_was_found_again_are_no_delta(tree):
    part = attach(tree)
    tree.write(CARD, aer_dev_correctable="RxErr 9")
    before = read_errors(part)
    tree.unplug(CARD)
    tree.replug(CARD, PORT)
    tree.write(CARD, aer_dev_correctable="RxErr 2")
    added = read_errors(part).since(before)
    assert added.far.correctable["RxErr"] == AtLeast(2, "the counters started anew in between")
    assert added.near.epoch == before.near.epoch


def test_a_card_that_comes_back_under_another_bus_number_is_found_again_in_a_new_epoch(tree):
    """Linux numbers the buses below a switch anew when one is plugged; the way down from the root port stays."""
    part = attach(tree, "0000:06:00.0")
    tree.write("0000:06:00.0", aer_dev_correctable="RxErr 9")
    before = read_errors(part)
    tree.unplug("0000:06:00.0")
    assert isinstance(read_errors(part).far, Unavailable)
    tree.replug("0000:06:00.0", "0000:05:00.0")
    tree.renumber("0000:06:00.0", "0000:0b:00.0")
    tree.write("0000:0b:00.0", aer_dev_correctable="RxErr 2")
    after = read_errors(part)
    assert after.far.name == "0000:0b:00.0"
    assert after.since(before).far.correctable["RxErr"] == AtLeast(2, "the counters started anew in between")
    assert read_identity(part).model == "1af4:1044"


def test_another_card_that_takes_the_old_bus_number_is_not_watched(tree):
    part = attach(tree)
    tree.unplug(CARD)
    tree.renumber("0000:02:00.0", CARD)
    assert isinstance(read_link(part).far, Unavailable)


def test_counters_that_fall_are_counters_that_started_anew(tree):
    part = attach(tree)
    tree.write(CARD, aer_dev_correctable="RxErr 9")
    before = read_errors(part)
    tree.write(CARD, aer_dev_correctable="RxErr 1")
    added = read_errors(part).since(before).far
    assert added.correctable["RxErr"] == AtLeast(1, "the counters started anew in between")


def test_a_link_error_that_two_functions_show_is_read_once(tree):
    part = attach(tree)
    before = read_errors(part)
    for address in (CARD, tree.add_function("0000:03:00.1", like=CARD)):
        tree.write(address, aer_dev_correctable="RxErr 3")
    added = read_errors(part).since(before).far
    assert {name: count.n for name, count in added.correctable.items() if getattr(count, "n", 0)} == {"RxErr": 3}


def test_the_link_of_a_virtual_function_is_read_at_its_physical_one(tree):
    """A virtual function's own link registers are zeros (SR-IOV, from memory); Linux links to it by physfn."""
    virtual = tree.add_function("0000:03:10.0", like=CARD)
    (tree.folder(virtual) / "physfn").symlink_to(f"../{CARD}")
    tree.write(virtual, current_link_speed="Unknown", current_link_width="0")
    part = attach(tree, virtual)
    reading = read_link(part)
    assert (reading.far.name, reading.far.width, reading.near.name) == (CARD, 1, PORT)
    before = read_errors(part)
    tree.write(CARD, aer_dev_correctable="RxErr 3")
    assert read_errors(part).since(before).far.correctable["RxErr"].n == 3


def test_a_function_on_the_root_bus_has_no_near_end_to_read(tree):
    folder = tree.root / "devices/pci0000:00/0000:00:1e.0"
    folder.mkdir()
    (folder / "class").write_text("0x078000\n")
    (tree.root / "bus/pci/devices/0000:00:1e.0").symlink_to(folder)
    reading = read_link(attach(tree, "00:1e.0"))
    assert isinstance(reading.near, Unavailable)
    assert "hypervisor" in reading.near.why
    assert isinstance(reading.far, Unavailable)


def test_a_cancelled_call_reads_nothing(tree):
    part = attach(tree)
    with Deadline(20) as deadline:
        deadline.cancel()
        for call in (part.read_link, part.read_errors, part.read_identity):
            with pytest.raises(Interrupted):
                call(deadline)
