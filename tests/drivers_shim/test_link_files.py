"""One end of a link read from a recorded tree, whole and with files that fail, vanish or hold odd things."""

from __future__ import annotations

import errno

import pytest

from laneproof.readings import PartnerLink, Unavailable
from laneproof_drivers.error_counters import read_counters
from laneproof_drivers.link_files import aspm_enabled, read_end
from laneproof_drivers.sysfs import find

EMPTY_PORT, NVME_PORT = "0000:00:08.0", "0000:00:05.0"
NVME, EDU = "0000:02:00.0", "0000:01:00.0"


def partner(tree, address) -> PartnerLink:
    seen = read_end(tree.function(address)).partner
    assert isinstance(seen, PartnerLink)
    return seen


def test_a_port_is_read_with_its_payload_settings(tree):
    """lspci 3.9.0, recorded with this tree: can 8 GT/s x8, has 2.5 GT/s x1, DLActive+ BWMgmt- ABWMgmt-, payload 128."""
    assert partner(tree, NVME_PORT) == PartnerLink(
        name=NVME_PORT,
        speed_gtps=2.5,
        width=1,
        max_speed_gtps=8.0,
        max_width=8,
        max_payload=128,
        read_request=128,
        active=True,
        bandwidth_management=False,
        autonomous_bandwidth=False,
    )


def test_a_device_does_not_report_whether_its_link_is_up(tree):
    """Link active reporting is a port's; lspci shows DLActive- for the device of a link that is up."""
    assert partner(tree, NVME).active is None


def test_a_port_whose_link_is_down_shows_no_speed_and_width(tree):
    """lspci 3.9.0, recorded with this tree: DLActive- and yet 16 GT/s x1."""
    seen = read_end(tree.function(EMPTY_PORT))
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
    seen = read_end(tree.function(NVME))
    assert seen.partner.speed_gtps is None
    assert any("current_link_speed" in gap and text in gap for gap in seen.gaps)


@pytest.mark.parametrize(
    ("text", "reason"),
    [("0", "no lanes"), ("63", "does not answer"), ("3", "no width"), ("x8", "no width"), ("255", "")],
)
def test_what_is_no_width_is_missing_with_the_reason(tree, text, reason):
    tree.write(NVME, current_link_width=text)
    seen = read_end(tree.function(NVME))
    assert seen.partner.width is None
    assert any("current_link_width" in gap and reason in gap for gap in seen.gaps)


def test_a_switch_port_of_unknown_capability_has_none(tree):
    """The emulated switch's downstream port, as recorded: "Unknown" and 0."""
    seen = partner(tree, "0000:05:00.0")
    assert (seen.max_speed_gtps, seen.max_width, seen.speed_gtps, seen.width) == (None, None, 2.5, 1)


def test_a_function_without_link_files_has_no_link(tree):
    seen = read_end(tree.function(EDU)).partner
    assert isinstance(seen, Unavailable)
    assert "no PCI Express link" in seen.why


def test_a_device_that_answers_all_ones_is_unavailable_with_the_reason(tree):
    tree.write(
        NVME, current_link_speed="Unknown", current_link_width="63", max_link_speed="Unknown", max_link_width="63"
    )
    tree.write_config(NVME, b"\xff" * 4096)
    seen = read_end(tree.function(NVME)).partner
    assert isinstance(seen, Unavailable)
    assert "all ones" in seen.why


def test_without_privilege_payload_settings_are_missing(tree):
    tree.without_privilege()
    seen = read_end(tree.function(NVME_PORT))
    assert (seen.partner.max_payload, seen.partner.read_request, seen.partner.active) == (None, None, None)
    assert (seen.partner.speed_gtps, seen.partner.width) == (2.5, 1)


@pytest.mark.parametrize("image", [b"", b"\x00" * 63, b"\x00" * 4096, b"\x36\x1b\x10\x00" + b"\xff" * 4092])
def test_configuration_bytes_of_nonsense_cost_only_what_they_would_have_told(tree, image):
    tree.write_config(NVME, image)
    seen = read_end(tree.function(NVME))
    assert (seen.partner.speed_gtps, seen.partner.max_payload) == (2.5, None)
    assert any("config" in gap for gap in seen.gaps)


@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES, errno.ENODEV, errno.ENOENT, errno.EINVAL])
@pytest.mark.parametrize(
    "name", ["current_link_speed", "current_link_width", "max_link_speed", "max_link_width", "config"]
)
def test_a_file_that_fails_costs_only_its_own_value(tree, failing_open, name, number):
    whole = partner(tree, NVME)
    failing_open(number, name)
    seen = read_end(tree.function(NVME))
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
    seen = read_end(tree.function(NVME))
    assert seen.partner.width is None
    assert any("is empty" in gap for gap in seen.gaps)


def test_a_function_that_vanishes_between_two_reads_is_unavailable(tree):
    nvme = tree.function(NVME)
    tree.unplug(NVME)
    assert isinstance(read_end(nvme).partner, Unavailable)
    assert isinstance(read_counters(nvme), Unavailable)
    assert find(tree.files, NVME) is None


def test_link_power_states_are_read_without_privilege(tree):
    """Files and meaning: Linux Documentation/ABI/testing/sysfs-bus-pci, /sys/bus/pci/devices/.../link/."""
    tree.without_privilege()
    assert aspm_enabled(tree.function(NVME)) is None
    folder = tree.folder(NVME) / "link"
    folder.mkdir()
    for name, text in {"l0s_aspm": "0", "l1_aspm": "1", "l1_1_aspm": "0", "l1_2_aspm": "1", "clkpm": "1"}.items():
        (folder / name).write_text(f"{text}\n")
    assert aspm_enabled(tree.function(NVME)) == ("L1", "L1.2")


def test_link_power_states_are_read_from_registers_where_linux_has_no_files(tree):
    """linux/pci_regs.h: LNKCTL at 0x10, L0s bit 0, L1 bit 1."""
    at = tree.express(NVME) + 0x10
    assert aspm_enabled(tree.function(NVME)) == ()
    tree.patch_config(NVME, at, bytes([tree.config(NVME)[at] | 0x03]))
    assert aspm_enabled(tree.function(NVME)) == ("L0s", "L1")
