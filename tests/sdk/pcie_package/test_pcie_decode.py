"""Decoding of configuration space: recorded images against sysfs, made ones against what was put in, hostile ones."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from laneproof.pcie import decode
from laneproof.pcie import registers as regs

CONFIG = Path(__file__).parents[2] / "fixtures" / "config"
IMAGES = {
    path.stem: path.read_bytes()
    for path in sorted(CONFIG.glob("*.bin"))
    if path.with_suffix(".sysfs.txt").exists()  # most were recorded without what sysfs says of them
}
PORT = "rootport_16gts_x16_edu"
EXPRESS, AER = 0x54, 0x100  # where that root port has them, as lspci lists them


def sysfs(name: str) -> dict[str, str]:
    sections = re.split(r"^== (\w+)\n", (CONFIG / f"{name}.sysfs.txt").read_text(), flags=re.MULTILINE)
    return {key: value.strip() for key, value in zip(sections[1::2], sections[2::2], strict=True)}


def with_register(offset: int, value: int, nbytes: int, name: str = PORT) -> bytes:
    """The image of `name`, one register set to `value`."""
    image = bytearray(IMAGES[name])
    image[offset : offset + nbytes] = value.to_bytes(nbytes, "little")
    return bytes(image)


# --- recorded images, against the attributes that Linux 6.1 showed for the same functions ---


@pytest.mark.parametrize("name", IMAGES)
def test_the_identity_is_that_of_sysfs(name: str) -> None:
    seen, attributes = decode(IMAGES[name]), sysfs(name)
    assert seen.vendor_id == int(attributes["vendor"], 16)
    assert seen.device_id == int(attributes["device"], 16)
    assert seen.class_code == int(attributes["class"], 16)
    assert seen.revision_id == int(attributes["revision"], 16)


@pytest.mark.parametrize("name", [name for name in IMAGES if "current_link_speed" in sysfs(name)])
def test_the_link_is_that_of_sysfs(name: str) -> None:
    link, attributes = decode(IMAGES[name]).link, sysfs(name)
    assert link is not None

    def speed(value: float | None) -> str:
        return "Unknown" if value is None else f"{value} GT/s PCIe"

    assert speed(link.speed_gtps) == attributes["current_link_speed"]
    assert speed(link.max_speed_gtps) == attributes["max_link_speed"]
    assert (link.width or 0) == int(attributes["current_link_width"])
    assert (link.max_width or 0) == int(attributes["max_link_width"])


def test_error_reporting_is_found_where_linux_counts_errors() -> None:
    assert {name for name in IMAGES if decode(IMAGES[name]).aer} == {
        name for name in IMAGES if "aer_dev_correctable" in sysfs(name)
    }


def test_root_errors_are_found_where_linux_counts_what_a_root_port_heard() -> None:
    found = {name: decode(IMAGES[name]).aer for name in IMAGES}
    assert {name for name, aer in found.items() if aer and aer.root} == {
        name for name in IMAGES if "aer_rootport_total_err_cor" in sysfs(name)
    }


# --- what an image does not hold ---


def test_a_header_alone_holds_neither_capabilities_nor_link() -> None:
    seen = decode(IMAGES[PORT][:64])
    assert (seen.size, seen.vendor_id, seen.header_type) == (64, 0x1B36, 1)
    assert seen.capabilities == ()
    assert (seen.port_type, seen.device_status, seen.link, seen.payload, seen.aer) == (None,) * 5
    described = {"size", "vendor_id", "device_id", "revision_id", "class_code", "header_type", "command", "status"}
    described |= {"capabilities", "bridge", "oddities"}
    assert {key for key, value in seen.to_dict().items() if value is not None} == described


def test_the_first_256_bytes_hold_the_link_but_no_error_reporting() -> None:
    seen = decode(IMAGES[PORT][:256])
    assert seen.link == decode(IMAGES[PORT]).link
    assert seen.aer is None
    assert not any(capability.extended for capability in seen.capabilities)


def test_a_function_without_pci_express_has_no_link() -> None:
    seen = decode(IMAGES["edu"])
    assert [capability.name for capability in seen.capabilities] == ["Message Signalled Interrupts"]
    assert seen.link is None


def test_without_the_capability_flag_the_pointer_is_not_followed() -> None:
    image = with_register(regs.PCI_STATUS, 0, 2)
    assert all(capability.extended for capability in decode(image).capabilities)


@pytest.mark.parametrize("code", [0, 7, 15])
def test_a_speed_code_that_names_no_speed_is_none(code: int) -> None:
    link = decode(with_register(EXPRESS + regs.PCI_EXP_LNKSTA, 0x10 | code, 2)).link
    assert link is not None
    assert (link.speed_gtps, link.width) == (None, 1)


@pytest.mark.parametrize("code", [0, 3, 63])
def test_a_width_code_that_names_no_width_is_none(code: int) -> None:
    link = decode(with_register(EXPRESS + regs.PCI_EXP_LNKSTA, code << 4 | 4, 2)).link
    assert link is not None
    assert (link.speed_gtps, link.width) == (16.0, None)


@pytest.mark.parametrize("code", [6, 7])
def test_a_payload_code_that_names_no_size_is_none(code: int) -> None:
    payload = decode(with_register(EXPRESS + regs.PCI_EXP_DEVCTL, code << 5 | 2 << 12, 2)).payload
    assert payload is not None
    assert (payload.supported, payload.set, payload.read_request) == (128, None, 512)


def test_a_card_does_not_say_whether_its_link_trains_or_is_active() -> None:
    # The bits are reserved at a link's lower end (from memory of the base specification), whatever they read.
    image = with_register(0xE0 + regs.PCI_EXP_LNKSTA, 0xE811, 2, "e1000e_aer")
    link = decode(image).link
    assert link is not None
    assert (link.training, link.dl_active, link.bandwidth_management, link.autonomous_bandwidth) == (None,) * 4


def test_version_1_of_the_capability_has_no_second_link_registers() -> None:
    link = decode(IMAGES["e1000e_aer"]).link
    assert link is not None
    assert (link.target_speed_gtps, link.flit_mode, link.supported_speeds_gtps) == (None, None, (2.5,))
    assert (link.equalisation, link.autonomous_speed_disabled, link.sris_generation_gtps) == (None, None, None)
    device = decode(IMAGES["e1000e_aer"]).device
    assert device is not None
    assert (device.version, device.control2, device.completion_timeout_s) == (1, None, None)


@pytest.mark.parametrize(
    ("kind", "name", "root"),
    [(9, "root complex integrated endpoint", False), (10, "root complex event collector", True)],
)
def test_a_root_complexs_own_function_has_no_link(kind: int, name: str, root: bool) -> None:
    # Which of them have root registers: base specification, from memory.
    flags = int.from_bytes(IMAGES["nvme"][0x82:0x84], "little")
    seen = decode(with_register(0x82, flags & 0xFF0F | kind << 4, 2, "nvme"))
    assert (seen.port_type, seen.link, seen.root is not None) == (name, None, root)
    assert seen.payload is not None


# --- what an image holds ---


@pytest.mark.parametrize(
    ("bit", "field"),
    [
        (regs.PCI_EXP_LNKSTA_LT, "training"),
        (regs.PCI_EXP_LNKSTA_DLLLA, "dl_active"),
        (regs.PCI_EXP_LNKSTA_LBMS, "bandwidth_management"),
        (regs.PCI_EXP_LNKSTA_LABS, "autonomous_bandwidth"),
        (regs.PCI_EXP_LNKSTA_SLC, "slot_clock"),
    ],
)
def test_each_status_bit_of_a_port_shows_alone(bit: int, field: str) -> None:
    link = decode(with_register(EXPRESS + regs.PCI_EXP_LNKSTA, 0x14 | bit, 2)).to_dict()["link"]
    assert [key for key, value in link.items() if value is True] == [field]
    assert link["clocking"] == "separate"


@pytest.mark.parametrize("bit", range(16))
def test_flit_mode_is_one_bit_of_the_second_link_status(bit: int) -> None:
    # Bit 0x0400: Linux linux/pci_regs.h of kernels newer than 6.1, PCI_EXP_LNKSTA2_FLIT.
    link = decode(with_register(EXPRESS + regs.PCI_EXP_LNKSTA2, 1 << bit, 2)).link
    assert link is not None
    assert link.flit_mode is (bit == 10)


def test_supported_speeds_may_have_gaps() -> None:
    link = decode(with_register(EXPRESS + regs.PCI_EXP_LNKCAP2, 0x5A, 4)).link
    assert link is not None
    assert link.supported_speeds_gtps == (2.5, 8.0, 16.0, 64.0)


def test_without_a_vector_only_the_oldest_speeds_are_settled_by_the_maximum() -> None:
    # From memory of Linux drivers/pci/pci.c, pcie_get_supported_speeds.
    link = decode(with_register(EXPRESS + regs.PCI_EXP_LNKCAP2, 0, 4)).link
    assert link is not None
    assert (link.max_speed_gtps, link.supported_speeds_gtps) == (16.0, None)


@pytest.mark.parametrize(
    ("control", "capable2", "clocking"),
    [(0, 0x1E, "separate"), (0x40, 0x1E, "common"), (0, 0x0001021E, "separate, SRIS"), (0x40, 0x0001021E, "common")],
)
def test_clocking_is_as_software_configured_it(control: int, capable2: int, clocking: str) -> None:
    # Link Capabilities 2, bits 9 to 15 and 16 to 22: SKP ordered sets for separate clocks, sent and received (base
    # specification, from memory).
    image = bytearray(with_register(EXPRESS + regs.PCI_EXP_LNKCTL, control, 2))
    image[EXPRESS + regs.PCI_EXP_LNKCAP2 : EXPRESS + regs.PCI_EXP_LNKCAP2 + 4] = capable2.to_bytes(4, "little")
    link = decode(image).link
    assert link is not None
    assert link.clocking == clocking


@pytest.mark.parametrize(
    ("status2", "capable2", "retimers"),
    [(0, 0x1E, None), (0, 0x0080001E, 0), (0x40, 0x0080001E, 1), (0xC0, 0x0180001E, 2), (0x40, 0x1E, 1)],
)
def test_retimers_are_counted_where_the_port_looks_for_them(status2: int, capable2: int, retimers: int | None) -> None:
    image = bytearray(with_register(EXPRESS + regs.PCI_EXP_LNKSTA2, status2, 2))
    image[EXPRESS + regs.PCI_EXP_LNKCAP2 : EXPRESS + regs.PCI_EXP_LNKCAP2 + 4] = capable2.to_bytes(4, "little")
    link = decode(image).link
    assert link is not None
    assert link.retimers == retimers


@pytest.mark.parametrize(
    ("value", "watts"),
    [
        (0xEF, 239),
        *zip(
            range(0xF0, 0xFF),
            (250, 275, 300, 325, 350, 375, 400, 425, 450, 475, 500, 525, 550, 575, 600),
            strict=True,
        ),
        (0xFF, None),
    ],
)
def test_above_239_watts_a_slots_power_limit_is_a_table(value: int, watts: int | None) -> None:
    # Base specification 6.0, 7.5.3.9, as quoted on the list linux-pci: the upper ends of ranges, 0xFF reserved.
    slot = decode(with_register(EXPRESS + regs.PCI_EXP_SLTCAP, value << 7, 4)).slot
    assert slot is not None
    assert slot.power_limit_w == watts


@pytest.mark.parametrize(
    ("value", "scale", "watts"), [(0xFF, 1, 25.5), (0xF0, 2, 2.4), (0xFA, 3, 0.25), (75, 0, 75), (0, 0, 0)]
)
def test_the_table_holds_for_whole_watts_alone(value: int, scale: int, watts: float) -> None:
    # linux/pci_regs.h: value in bits 14:7, scale in 16:15; scale n counts in tenths to the n-th (base specification).
    slot = decode(with_register(EXPRESS + regs.PCI_EXP_SLTCAP, scale << 15 | value << 7, 4)).slot
    assert slot is not None
    assert slot.power_limit_w == pytest.approx(watts)


def test_a_port_without_a_slot_has_no_slot_registers() -> None:
    flags = int.from_bytes(IMAGES[PORT][EXPRESS + 2 : EXPRESS + 4], "little")
    seen = decode(with_register(EXPRESS + regs.PCI_EXP_FLAGS, flags & ~regs.PCI_EXP_FLAGS_SLOT, 2))
    assert seen.slot is None
    assert seen.root is not None


def test_the_first_error_counts_only_while_it_is_on_record() -> None:
    image = bytearray(with_register(AER + regs.PCI_ERR_CAP, 20, 4))
    cleared = decode(image).aer
    image[AER + regs.PCI_ERR_UNCOR_STATUS : AER + regs.PCI_ERR_UNCOR_STATUS + 4] = (0x00104000).to_bytes(4, "little")
    on_record = decode(image).aer
    assert cleared is not None
    assert on_record is not None
    assert (cleared.first_error, on_record.first_error) == (None, "UnsupReq")
    assert on_record.uncorrectable.status == ("CmpltTO", "UnsupReq")


def test_the_header_log_keeps_its_double_words() -> None:
    # Linux Documentation/PCI/pcieaer-howto.rst: the header that it logs with an unsupported request.
    words = (0x04000001, 0x00200A03, 0x05010000, 0x00050100)
    log = b"".join(word.to_bytes(4, "little") for word in words)
    aer = decode(with_register(AER + regs.PCI_ERR_HEADER_LOG, int.from_bytes(log, "little"), 16)).aer
    assert aer is not None
    assert aer.header_log == words


def test_an_error_source_counts_only_if_a_message_came() -> None:
    sources = 0x0300_0608  # 03:00.0 for the uncorrectable one, 06:01.0 for the correctable one
    image = bytearray(with_register(AER + regs.PCI_ERR_ROOT_ERR_SRC, sources, 4))
    image[AER + regs.PCI_ERR_ROOT_STATUS] = regs.PCI_ERR_ROOT_COR_RCV | regs.PCI_ERR_ROOT_MULTI_COR_RCV
    aer = decode(image).aer
    assert aer is not None
    assert aer.root is not None
    assert aer.root.status == ("COR_RCV", "MULTI_COR_RCV")
    assert (aer.root.correctable_source, aer.root.uncorrectable_source) == ("06:01.0", None)


def test_the_plain_form_has_the_documented_keys_and_is_ready_for_json() -> None:
    plain = json.loads(json.dumps(decode(IMAGES[PORT]).to_dict()))
    assert plain == decode(IMAGES[PORT]).to_dict()
    assert {"vendor_id", "device_id", "class_code", "capabilities", "link", "payload", "aer"} <= set(plain)
    assert set(plain["capabilities"][0]) == {"id", "name", "offset", "extended"}
    assert {"max_speed_gtps", "max_width", "speed_gtps", "width", "training", "dl_active"} <= set(plain["link"])
    assert set(plain["payload"]) == {"supported", "set", "read_request"}
    assert {"offset", "correctable", "uncorrectable", "first_error", "header_log", "root"} <= set(plain["aer"])
    assert set(plain["aer"]["correctable"]) == {"status", "mask"}
    assert set(plain["aer"]["uncorrectable"]) == {"status", "mask", "severity"}
    assert plain["aer"]["correctable"]["mask"] == ["NonFatalErr", "CorrIntErr", "HeaderOF"]
