"""Error counts of a recorded tree: lower bounds, in both dialects, and never zero where nobody counts."""

from __future__ import annotations

import errno
import shutil

import pytest
from recorded_sysfs import sections

from laneproof.readings import AtLeast, PartnerErrors, Unavailable
from laneproof_drivers.error_counters import (
    COALESCED,
    STICKY,
    keeper,
    read_counters,
    read_device_counters,
    root_messages,
)

NIC_PORT = "0000:00:06.0"
NVME, NIC, RNG = "0000:02:00.0", "0000:03:00.0", "0000:06:00.0"
AER_FILES = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")


def errors(tree, address) -> PartnerErrors:
    seen = read_counters(tree.function(address))
    assert isinstance(seen, PartnerErrors)
    return seen


def test_counts_are_lower_bounds_by_the_catalogues_names(tree):
    """The counters of the guest's kernel 6.1 after the injections that are named in the recording's README."""
    tree.write(RNG, **{name: text.rstrip() for name, text in sections("virtio_rng_after_injections").items()})
    seen = errors(tree, RNG)
    assert {name: count.n for name, count in seen.nonfatal.items() if count.n} == {
        "PoisonedTLP": 1,
        "CmpltTO": 1,
        "CmpltAbrt": 1,
        "UnxCmplt": 1,
        "ECRC": 1,
        "UnsupReq": 1,
        "ACSViol": 1,
        "BlockedTLP": 1,
        "AtomicOpBlocked": 1,
        "TLPBlockedErr": 1,
    }
    assert seen.nonfatal["ECRC"] == AtLeast(1, COALESCED)
    assert seen.correctable["BadTLP"] == AtLeast(0, COALESCED)


# Row labels before Linux made them short: from memory of Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats.
LONG_DIALECT = """Receiver Error 2
Bad TLP 3
Bad DLLP 5
RELAY_NUM Rollover 7
Replay Timer Timeout 11
Advisory Non-Fatal 13
Corrected Internal Error 17
Header Log Overflow 19
TOTAL_ERR_COR 77"""


def test_the_long_dialect_is_read_to_the_same_names(tree):
    tree.write(NIC, aer_dev_correctable=LONG_DIALECT)
    assert {name: count.n for name, count in errors(tree, NIC).correctable.items()} == {
        "RxErr": 2,
        "BadTLP": 3,
        "BadDLLP": 5,
        "Rollover": 7,
        "Timeout": 11,
        "NonFatalErr": 13,
        "CorrIntErr": 17,
        "HeaderOF": 19,
    }


def test_linuxs_own_total_is_no_error_of_its_own(tree):
    assert not [name for name in errors(tree, NIC).correctable if "TOTAL" in name]


def test_the_row_of_a_bit_that_no_error_has_is_left_out_unless_it_counts(tree):
    tree.write(RNG, aer_dev_fatal="Undefined 0\nDLP 0")
    assert errors(tree, RNG).fatal == {"DLP": AtLeast(0, COALESCED)}
    tree.write(RNG, aer_dev_fatal="Undefined 1\nDLP 0")
    assert errors(tree, RNG).fatal["Undefined"] == AtLeast(1, COALESCED)


def test_a_row_never_seen_before_is_kept_under_its_own_label(tree):
    tree.write(NIC, aer_dev_fatal="DLP 0\nSome New Error 4\n<unknown bit> 2\n\nTOTAL_ERR_FATAL 6")
    assert {name: count.n for name, count in errors(tree, NIC).fatal.items()} == {
        "DLP": 0,
        "Some New Error": 4,
        "<unknown bit>": 2,
    }


@pytest.mark.parametrize("number", ["-1", "many", "1e9", "9" * 21, "٣"])
def test_a_row_without_a_count_is_unavailable_not_zero(tree, number):
    tree.write(NIC, aer_dev_correctable=f"RxErr 1\nBadTLP {number}")
    seen = errors(tree, NIC).correctable
    assert seen["RxErr"] == AtLeast(1, COALESCED)
    assert isinstance(seen["BadTLP"], Unavailable)


@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES])
def test_a_table_that_cannot_be_read_makes_each_of_its_errors_unavailable(tree, failing_open, number):
    failing_open(number, "aer_dev_fatal")
    seen = errors(tree, NIC)
    assert isinstance(seen.fatal["SDES"], Unavailable)
    assert isinstance(seen.fatal["MalfTLP"], Unavailable)
    assert seen.nonfatal["SDES"] == AtLeast(0, COALESCED)


def test_a_function_without_error_files_is_unavailable(tree):
    seen = read_counters(tree.function(NVME))
    assert isinstance(seen, Unavailable)
    assert "no error counters" in seen.why


def test_a_function_none_of_whose_tables_can_be_read_is_unavailable_with_the_systems_reason(tree, failing_open):
    failing_open(errno.EIO, *AER_FILES)
    seen = read_counters(tree.function(NIC))
    assert isinstance(seen, Unavailable)
    assert "Input/output error" in seen.why


def aer_offset(image: bytes) -> int:
    """The AER capability's place, walked here by linux/pci_regs.h: list from 0x100, id 1, next in bits 31:20."""
    at = 0x100
    while int.from_bytes(image[at : at + 2], "little") != 0x0001:
        at = int.from_bytes(image[at : at + 4], "little") >> 20
        assert at
    return at


def test_a_status_flag_that_stays_set_is_at_least_one_event_and_hides_others(tree):
    """linux/pci_regs.h: correctable status 0x10, BadTLP bit 6; uncorrectable 0x04, severity 0x0c, DLP 4, CmpltTO 14."""
    at = aer_offset(tree.config(NIC))
    tree.patch_config(NIC, at + 0x10, (1 << 6).to_bytes(4, "little"))
    tree.patch_config(NIC, at + 0x04, (1 << 4 | 1 << 14).to_bytes(4, "little"))
    tree.patch_config(NIC, at + 0x0C, (1 << 4).to_bytes(4, "little"))
    tree.write(NIC, aer_dev_nonfatal="CmpltTO 8")
    seen = errors(tree, NIC)
    assert seen.correctable["BadTLP"] == AtLeast(1, STICKY, blind=True)
    assert seen.correctable["RxErr"] == AtLeast(0, COALESCED)
    assert seen.nonfatal == {"CmpltTO": AtLeast(8, STICKY, blind=True)}
    assert (seen.fatal["DLP"], seen.fatal["CmpltTO"]) == (AtLeast(1, STICKY, blind=True), AtLeast(0, COALESCED))


def test_a_root_ports_totals_are_read_apart(tree):
    tree.write(NIC_PORT, aer_rootport_total_err_cor="3", aer_rootport_total_err_fatal="garbage")
    totals = root_messages(tree.function(NIC_PORT))
    assert (totals["correctable"], totals["nonfatal"]) == (AtLeast(3, COALESCED), AtLeast(0, COALESCED))
    assert isinstance(totals["fatal"], Unavailable)
    assert root_messages(tree.function(NIC)) == totals  # what its root port has received


def test_the_epoch_stays_while_the_function_does_and_changes_when_it_is_found_again(tree):
    first = errors(tree, NIC)
    tree.write(NIC, aer_dev_correctable="RxErr 5")
    second = errors(tree, NIC)
    assert second.epoch == first.epoch
    tree.unplug(NIC)
    tree.replug(NIC, NIC_PORT)
    third = errors(tree, NIC)
    assert third.epoch != first.epoch
    assert second.since(first).correctable["RxErr"].n == 5
    assert third.since(second).correctable["RxErr"] == AtLeast(5, "the counters started anew in between")


def test_counters_that_the_kernel_does_not_keep_are_not_read_as_zero(tree):
    """Service device and driver named as Linux 6.1.0-56 of Debian 12 shows them in a QEMU 7.2 guest."""
    port, card = "0000:00:06.0", "0000:03:00.0"
    services = tree.root / "bus/pci_express/drivers/aer"
    services.mkdir(parents=True)
    for address in (port, card):
        errors = read_counters(tree.function(address))
        assert isinstance(errors, Unavailable)
        assert f"the kernel does not handle the errors reported to {port}" in errors.why
    (services / f"{port}:pcie002").mkdir()
    for address in (port, card):
        assert isinstance(read_counters(tree.function(address)), PartnerErrors)


def test_without_the_aer_driver_no_counter_is_kept(tree):
    """As the same guest shows it with pci=noaer: the counters' files are there, the driver is not."""
    (tree.root / "bus/pci_express/drivers").mkdir(parents=True)
    assert isinstance(read_counters(tree.function("0000:00:06.0")), Unavailable)


@pytest.mark.parametrize("argument", ["pci=noaer", "pci=nommconf,noaer", "quiet pcie_ports=compat"])
def test_the_kernel_argument_that_switched_counting_off_is_named(tree, argument):
    """Linux Documentation/admin-guide/kernel-parameters.txt."""
    (tree.root / "bus/pci_express/drivers").mkdir(parents=True)
    tree.proc(cmdline=f"root=/dev/sda1 {argument} ro")
    kept = keeper(tree.whole_function(NIC))
    assert kept.who == "nobody"
    assert f"switched off by the kernel argument {argument.split()[-1].replace('nommconf,', '')}" in kept.why


def test_firmware_that_lists_error_sources_is_named_as_their_owner(tree):
    """The ACPI HEST table lists sources that firmware handles first: ACPI specification 6.5, 18.3, from memory."""
    (tree.root / "bus/pci_express/drivers").mkdir(parents=True)
    tables = tree.root / "firmware/acpi/tables"
    tables.mkdir(parents=True)
    (tables / "HEST").write_bytes(b"")
    assert "firmware owns them" in keeper(tree.function(NIC)).why


def test_a_function_without_a_port_is_not_said_to_report_to_itself(tree):
    (tree.root / "bus/pci_express/drivers").mkdir(parents=True)
    bare = tree.root / "devices/pci0000:00/0000:00:0a.0"
    shutil.copytree(tree.folder(NIC), bare, symlinks=True)
    (tree.root / "bus/pci/devices/0000:00:0a.0").symlink_to(bare)
    kept = keeper(tree.function("0000:00:0a.0"))
    assert kept.who == "nobody"
    assert kept.why.startswith("no port is shown that would take the error messages of 0000:00:0a.0")


def test_a_link_error_that_every_function_of_a_card_shows_is_counted_once(tree):
    """A link error belongs to no function, so all of a device's functions log it (base specification, from memory)."""
    other = tree.add_function("0000:03:00.1", like=NIC)
    tree.write(NIC, aer_dev_correctable="RxErr 4\nBadTLP 2\nNonFatalErr 1")
    tree.write(other, aer_dev_correctable="RxErr 4\nBadTLP 3\nNonFatalErr 9")
    seen = read_device_counters(tree.function(NIC))
    assert isinstance(seen, PartnerErrors)
    assert {name: count.n for name, count in seen.correctable.items()} == {"RxErr": 4, "BadTLP": 3, "NonFatalErr": 1}


def test_a_sibling_whose_counters_cannot_be_read_takes_nothing_away(tree):
    other = tree.add_function("0000:03:00.1", like=NIC)
    tree.write(NIC, aer_dev_correctable="RxErr 4")
    tree.write(other, aer_dev_correctable="RxErr many")
    seen = read_device_counters(tree.function(NIC))
    assert isinstance(seen, PartnerErrors)
    assert seen.correctable["RxErr"] == AtLeast(4, COALESCED)


def test_messages_at_a_root_port_that_cannot_be_read_are_one_reason(tree, failing_open):
    failing_open(errno.EIO, *(f"aer_rootport_total_err_{name}" for name in ("cor", "nonfatal", "fatal")))
    seen = root_messages(tree.function(NIC_PORT))
    assert isinstance(seen, Unavailable)
    assert "Input/output error" in seen.why
