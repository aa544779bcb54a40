"""PCI functions read from a recorded tree, whole and with files that fail, vanish or hold odd things."""

from __future__ import annotations

import errno

import pytest
from recorded_sysfs import sections

from laneproof.errors import BadInput
from laneproof.readings import AtLeast, PartnerErrors, PartnerLink, Unavailable
from laneproof_drivers.sysfs import COALESCED, STICKY, bus_address, find, functions

EMPTY_PORT, NVME_PORT, NIC_PORT = "0000:00:08.0", "0000:00:05.0", "0000:00:06.0"
NVME, NIC, RNG, EDU = "0000:02:00.0", "0000:03:00.0", "0000:06:00.0", "0000:01:00.0"
AER_FILES = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")


def function(tree, address):
    found = find(tree.root, address)
    assert found is not None
    return found


def partner(tree, address) -> PartnerLink:
    seen = function(tree, address).link().partner
    assert isinstance(seen, PartnerLink)
    return seen


def errors(tree, address) -> PartnerErrors:
    seen = function(tree, address).errors()
    assert isinstance(seen, PartnerErrors)
    return seen


# --- where things stand ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "address"),
    [("0000:65:00.0", "0000:65:00.0"), ("65:00.0", "0000:65:00.0"), ("10000:E1:1F.7", "10000:e1:1f.7")],
)
def test_an_address_is_read_with_or_without_its_domain(written, address):
    assert bus_address(written) == address


@pytest.mark.parametrize(
    "text", ["", "65:00", "65:00.8", "65:20.0", "../../etc", "0000:65:00.0/..", "0000:65:00.0\n:x"]
)
def test_what_is_no_address_is_bad_input(text):
    with pytest.raises(BadInput, match="no PCI address"):
        bus_address(text)


@pytest.mark.parametrize("privileged", [True, False])
def test_links_run_from_root_ports_and_downstream_ports_to_what_is_below(tree, privileged):
    """Port types as lspci 3.9.0 recorded them for this tree; without privilege they follow from the place."""
    if not privileged:
        tree.without_privilege()
    ports = {f.address: f.port.address for f in functions(tree.root) if f.port is not None}
    assert ports == {
        "0000:01:00.0": "0000:00:04.0",
        "0000:02:00.0": "0000:00:05.0",
        "0000:03:00.0": "0000:00:06.0",
        "0000:04:00.0": "0000:00:07.0",
        "0000:06:00.0": "0000:05:00.0",
        "0000:07:00.0": "0000:05:01.0",
    }


def test_a_tree_without_pci_says_why(tmp_path):
    listed = functions(tmp_path)
    assert isinstance(listed, Unavailable)
    assert "No such file" in listed.why


def test_a_link_that_leads_in_a_circle_is_no_function(tree):
    (tree.root / "bus/pci/devices/0000:0a:00.0").symlink_to("0000:0a:00.0")
    assert find(tree.root, "0000:0a:00.0") is None
    assert len(functions(tree.root)) == 13


# --- the link -------------------------------------------------------------------------------------------------


def test_a_port_is_read_with_its_payload_settings(tree):
    """lspci 3.9.0, recorded with this tree: can 8 GT/s x8, has 2.5 GT/s x1, payload and read request 128, DLActive+."""
    assert partner(tree, NVME_PORT) == PartnerLink(
        name=NVME_PORT,
        speed_gtps=2.5,
        width=1,
        max_speed_gtps=8.0,
        max_width=8,
        max_payload=128,
        read_request=128,
        active=True,
    )


def test_a_device_does_not_report_whether_its_link_is_up(tree):
    """Link active reporting is a port's; lspci shows DLActive- for the device of a link that is up."""
    assert partner(tree, NVME).active is None


def test_a_port_whose_link_is_down_shows_no_speed_and_width(tree):
    """lspci 3.9.0, recorded with this tree: DLActive- and yet 16 GT/s x1."""
    seen = function(tree, EMPTY_PORT).link()
    assert (seen.partner.active, seen.partner.speed_gtps, seen.partner.width) == (False, None, None)
    assert (seen.partner.max_speed_gtps, seen.partner.max_width) == (16.0, 1)
    assert any("link is down" in gap for gap in seen.gaps)


@pytest.mark.parametrize(
    ("text", "speed_gtps"),
    [("8.0 GT/s PCIe", 8.0), ("8 GT/s", 8.0), ("2.5 GT/s", 2.5), ("64.0 GT/s PCIe", 64.0)],
)
def test_both_spellings_of_a_speed_are_read(tree, text, speed_gtps):
    """Linux drivers/pci/pci.c now; older kernels wrote neither decimals nor suffix."""
    tree.write(NVME, current_link_speed=text)
    assert partner(tree, NVME).speed_gtps == speed_gtps


@pytest.mark.parametrize("text", ["Unknown", "Unknown speed", "8", "GT/s", "1e400 GT/s", "0 GT/s", "-8 GT/s"])
def test_what_is_no_speed_is_missing_with_the_reason(tree, text):
    tree.write(NVME, current_link_speed=text)
    seen = function(tree, NVME).link()
    assert seen.partner.speed_gtps is None
    assert any("current_link_speed" in gap and text in gap for gap in seen.gaps)


@pytest.mark.parametrize(
    ("text", "reason"),
    [("0", "no lanes"), ("63", "does not answer"), ("3", "no width"), ("x8", "no width"), ("255", "")],
)
def test_what_is_no_width_is_missing_with_the_reason(tree, text, reason):
    tree.write(NVME, current_link_width=text)
    seen = function(tree, NVME).link()
    assert seen.partner.width is None
    assert any("current_link_width" in gap and reason in gap for gap in seen.gaps)


def test_a_switch_port_of_unknown_capability_has_none(tree):
    """The emulated switch's downstream port, as recorded: "Unknown" and 0."""
    seen = partner(tree, "0000:05:00.0")
    assert (seen.max_speed_gtps, seen.max_width, seen.speed_gtps, seen.width) == (None, None, 2.5, 1)


def test_a_function_without_link_files_has_no_link(tree):
    seen = function(tree, EDU).link().partner
    assert isinstance(seen, Unavailable)
    assert "no PCI Express link" in seen.why


def test_a_device_that_answers_all_ones_is_unavailable_with_the_reason(tree):
    tree.write(
        NVME, current_link_speed="Unknown", current_link_width="63", max_link_speed="Unknown", max_link_width="63"
    )
    tree.write_config(NVME, b"\xff" * 4096)
    seen = function(tree, NVME).link().partner
    assert isinstance(seen, Unavailable)
    assert "all ones" in seen.why


def test_without_privilege_payload_settings_are_missing_and_the_remedy_is_named(tree):
    tree.without_privilege()
    seen = function(tree, NVME_PORT).link()
    assert (seen.partner.max_payload, seen.partner.read_request, seen.partner.active) == (None, None, None)
    assert (seen.partner.speed_gtps, seen.partner.width) == (2.5, 1)
    assert [gap for gap in seen.gaps if "need root" in gap and "byte 64" in gap]


@pytest.mark.parametrize("image", [b"", b"\x00" * 63, b"\x00" * 4096, b"\x36\x1b\x10\x00" + b"\xff" * 4092])
def test_configuration_bytes_of_nonsense_cost_only_what_they_would_have_told(tree, image):
    tree.write_config(NVME, image)
    seen = function(tree, NVME).link()
    assert (seen.partner.speed_gtps, seen.partner.max_payload) == (2.5, None)
    assert any("config" in gap for gap in seen.gaps)


@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES, errno.ENODEV, errno.ENOENT, errno.EINVAL])
@pytest.mark.parametrize(
    "name", ["current_link_speed", "current_link_width", "max_link_speed", "max_link_width", "config"]
)
def test_a_file_that_fails_costs_only_its_own_value(tree, failing_open, name, number):
    whole = partner(tree, NVME)
    failing_open(number, name)
    seen = function(tree, NVME).link()
    lost = {
        "current_link_speed": {"speed_gtps"},
        "current_link_width": {"width"},
        "max_link_speed": {"max_speed_gtps"},
        "max_link_width": {"max_width"},
        "config": {"max_payload", "read_request"},
    }[name]
    fields = ("speed_gtps", "width", "max_speed_gtps", "max_width", "max_payload", "read_request")
    assert {field for field in fields if getattr(seen.partner, field) is None} == lost
    assert all(getattr(seen.partner, field) in (None, getattr(whole, field)) for field in fields)
    assert any(f"{NVME}/{name} cannot be read" in gap for gap in seen.gaps)


def test_an_empty_file_is_no_value(tree):
    tree.write(NVME, current_link_width="")
    seen = function(tree, NVME).link()
    assert seen.partner.width is None
    assert any("is empty" in gap for gap in seen.gaps)


def test_a_function_that_vanishes_between_two_reads_is_unavailable(tree):
    nvme = function(tree, NVME)
    tree.unplug(NVME)
    assert isinstance(nvme.link().partner, Unavailable)
    assert isinstance(nvme.errors(), Unavailable)
    assert find(tree.root, NVME) is None


# --- errors ---------------------------------------------------------------------------------------------------


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
    seen = function(tree, NVME).errors()
    assert isinstance(seen, Unavailable)
    assert "no error counters" in seen.why


def test_a_function_none_of_whose_tables_can_be_read_is_unavailable_with_the_systems_reason(tree, failing_open):
    failing_open(errno.EIO, *AER_FILES)
    seen = function(tree, NIC).errors()
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
    totals = function(tree, NIC_PORT).root_port_totals()
    assert (totals["correctable"], totals["nonfatal"]) == (AtLeast(3, COALESCED), AtLeast(0, COALESCED))
    assert isinstance(totals["fatal"], Unavailable)
    assert function(tree, NIC).root_port_totals() == {}


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
        errors = find(tree.root, address).errors()
        assert isinstance(errors, Unavailable)
        assert f"the kernel does not handle the errors reported to {port}" in errors.why
    (services / f"{port}:pcie002").mkdir()
    for address in (port, card):
        assert isinstance(find(tree.root, address).errors(), PartnerErrors)


def test_without_the_aer_driver_no_counter_is_kept(tree):
    """As the same guest shows it with pci=noaer: the counters' files are there, the driver is not."""
    (tree.root / "bus/pci_express/drivers").mkdir(parents=True)
    assert isinstance(find(tree.root, "0000:00:06.0").errors(), Unavailable)
