"""Logged packet headers: a vector from Linux's documentation, each type and field, and what is not decoded."""

from __future__ import annotations

import pytest
from crafted_images import AER, DPC, EXPRESS, PORT, RECORDED, full_image, with_registers
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.pcie import AdvancedErrors, decode, decode_tlp
from laneproof.pcie import registers as regs

# Linux Documentation/PCI/pcieaer-howto.rst: the status and header that it logs with an unsupported request.
LOGGED = (0x04000001, 0x00200A03, 0x05010000, 0x00050100)
UNSUPPORTED = 0x00100000


def with_log(words: tuple[int, ...], status: int = UNSUPPORTED, control: int = 20, **more: int) -> AdvancedErrors:
    """Error reporting of the recorded root port with a header logged; `more` are registers by hexadecimal offset."""
    values = {AER + regs.PCI_ERR_UNCOR_STATUS: (status, 4), AER + regs.PCI_ERR_CAP: (control, 4)}
    values |= {AER + regs.PCI_ERR_HEADER_LOG + 4 * index: (word, 4) for index, word in enumerate(words)}
    values |= {int(offset, 16): (value, 4) for offset, value in more.items()}
    aer = decode(with_registers(values)).aer
    assert aer is not None
    return aer


def test_the_header_in_linuxs_documentation_is_a_configuration_read() -> None:
    aer = with_log(LOGGED)
    assert (aer.first_error, aer.header_logged, aer.tlp_undecoded) == ("UnsupReq", True, None)
    assert aer.tlp == decode_tlp(LOGGED)
    assert aer.tlp is not None
    assert (aer.tlp.type, aer.tlp.header_dwords, aer.tlp.length) == ("CfgRd0", 3, 1)
    assert (aer.tlp.requester, aer.tlp.tag) == ("00:04.0", 0x0A)
    assert (aer.tlp.target, aer.tlp.register) == ("05:00.1", 0)
    assert (aer.tlp.first_byte_enables, aer.tlp.last_byte_enables) == (3, 0)
    assert str(aer.tlp) == "CfgRd0 from 00:04.0, tag 0x0a, to 05:00.1 register 0x000, 1 DW"


# The first byte of each type. Configuration requests: Linux drivers/pci/controller/pcie-altera.c; the rest: base
# specification, table of Fmt and Type encodings, from memory.
FIRST_BYTES = {
    0x00: "MRd",
    0x20: "MRd",
    0x01: "MRdLk",
    0x21: "MRdLk",
    0x40: "MWr",
    0x60: "MWr",
    0x02: "IORd",
    0x42: "IOWr",
    0x04: "CfgRd0",
    0x44: "CfgWr0",
    0x05: "CfgRd1",
    0x45: "CfgWr1",
    0x0A: "Cpl",
    0x4A: "CplD",
    0x0B: "CplLk",
    0x4B: "CplDLk",
    0x4C: "FetchAdd",
    0x6C: "FetchAdd",
    0x4D: "Swap",
    0x6D: "Swap",
    0x4E: "CAS",
    0x6E: "CAS",
    0x5B: "DMWr",
    0x7B: "DMWr",
    **{0x30 + routing: "Msg" for routing in range(8)},
    **{0x70 + routing: "MsgD" for routing in range(8)},
    **{0x80 + code: "LPrfx" for code in range(16)},
    **{0x90 + code: "EPrfx" for code in range(16)},
}


@pytest.mark.parametrize("first", range(256))
def test_every_first_byte_names_its_type_or_none(first: int) -> None:
    assert decode_tlp((first << 24, 0, 0, 0)).type == FIRST_BYTES.get(first, "reserved")


@pytest.mark.parametrize("first", [byte for byte in FIRST_BYTES if byte < 0x80])
def test_the_format_says_how_long_a_header_is_and_whether_data_follow(first: int) -> None:
    tlp = decode_tlp((first << 24 | 7, 0, 0, 0))
    assert tlp.header_dwords == (4 if first & 0x20 else 3)
    assert tlp.with_data == bool(first & 0x40)


def test_a_configuration_request_has_a_target_and_the_offset_of_a_double_word() -> None:
    # The lowest two bits and the highest four of the last two bytes are reserved.
    tlp = decode_tlp((0x44000001, 0x0000000F, 0x0501FABF, 0))
    assert (tlp.type, tlp.target, tlp.register) == ("CfgWr0", "05:00.1", 0xABC)


def test_a_long_write_has_a_64_bit_address_and_a_length() -> None:
    tlp = decode_tlp((0x60000040, 0x03001FFF, 0x00000012, 0x3456789C))
    assert (tlp.type, tlp.requester, tlp.tag, tlp.length) == ("MWr", "03:00.0", 0x1F, 64)
    assert tlp.address == 0x12_3456789C
    assert str(tlp) == "MWr from 03:00.0, tag 0x1f, address 0x123456789c, 64 DW"


def test_a_short_read_has_a_32_bit_address_without_the_hint_in_its_lowest_bits() -> None:
    tlp = decode_tlp((0x00000000, 0x0000000F, 0xFEA00003, 0xFFFFFFFF))
    assert (tlp.type, tlp.address, tlp.length) == ("MRd", 0xFEA00000, 1024)  # a length of 0 means 1024


def test_a_completion_says_whose_it_is_how_it_ended_and_what_is_to_come() -> None:
    tlp = decode_tlp((0x4A000010, 0x05010040, 0x00201A7C, 0))
    assert (tlp.type, tlp.completer, tlp.requester, tlp.tag) == ("CplD", "05:00.1", "00:04.0", 0x1A)
    assert (tlp.status, tlp.byte_count, tlp.lower_address, tlp.length) == ("SC", 64, 0x7C, 16)
    assert tlp.address is None


@pytest.mark.parametrize(
    ("code", "status"), [(0, "SC"), (1, "UR"), (2, "CRS"), (4, "CA"), (3, "reserved"), (7, "reserved")]
)
def test_a_completion_without_data_has_a_status_and_no_length(code: int, status: str) -> None:
    tlp = decode_tlp((0x0A000000, 0x0100_0000 | code << 13, 0, 0))
    assert (tlp.status, tlp.byte_count, tlp.length) == (status, 4096, None)  # a byte count of 0 means 4096


@pytest.mark.parametrize(
    ("code", "name"),
    [(0x30, "ERR_COR"), (0x31, "ERR_NONFATAL"), (0x33, "ERR_FATAL"), (0x20, "Assert_INTA"), (0x27, "Deassert_INTD")],
)
def test_a_message_has_its_name_and_its_routing(code: int, name: str) -> None:
    tlp = decode_tlp((0x30000000, 0x03000000 | code, 0, 0))
    assert (tlp.type, tlp.message, tlp.routing) == ("Msg", name, "to the root complex")
    assert tlp.length is None


def test_a_message_by_address_has_one_and_a_message_by_id_has_a_target() -> None:
    by_address, by_id = decode_tlp((0x31000000, 0x7E, 1, 0x40)), decode_tlp((0x32000000, 0x7E, 0x05010000, 0))
    assert (by_address.address, by_address.target) == (0x1_00000040, None)
    assert (by_id.address, by_id.target) == (None, "05:00.1")


def test_a_tag_has_ten_bits() -> None:
    # Tag bits 9 and 8 stand in the first double word (base specification 4.0, from memory).
    assert decode_tlp((0x00800001, 0x0000FF00, 0, 0)).tag == 0x2FF
    assert decode_tlp((0x00080001, 0x00000100, 0, 0)).tag == 0x101


@pytest.mark.parametrize(("bit", "field"), [(14, "poisoned"), (15, "digest")], ids=["poisoned", "digest"])
def test_the_poisoned_and_the_digest_bit_show_alone(bit: int, field: str) -> None:
    tlp = decode_tlp((0x40000001 | 1 << bit, 0, 0, 0))
    assert {name: getattr(tlp, name) for name in ("poisoned", "digest")} == {
        "poisoned": field == "poisoned",
        "digest": field == "digest",
    }
    assert field in str(tlp)


def test_attributes_and_traffic_class_are_read() -> None:
    tlp = decode_tlp((0x00743001, 0, 0, 0))
    assert (tlp.traffic_class, tlp.attributes) == (7, ("ID-based ordering", "relaxed ordering", "no snoop"))


def test_a_hint_takes_the_place_of_the_byte_enables() -> None:
    tlp = decode_tlp((0x00010001, 0x000000AB, 0, 0))
    assert (tlp.first_byte_enables, tlp.last_byte_enables) == (None, None)


def test_a_prefix_in_the_headers_place_is_named_and_nothing_else_read() -> None:
    tlp = decode_tlp((0x91FFFFFF, 0x04000001, 0x00200A03, 0))
    assert (tlp.type, tlp.requester, tlp.tag, tlp.poisoned) == ("EPrfx", None, None, None)
    assert str(tlp) == "EPrfx"


# --- what the register says of the log ---


@pytest.mark.parametrize(
    ("offset", "value"), [(AER + regs.PCI_ERR_CAP, 20 | 1 << 18), (EXPRESS + regs.PCI_EXP_LNKSTA2, 0x0400)]
)
def test_a_header_of_flit_mode_is_shown_and_not_decoded(offset: int, value: int) -> None:
    # "TLP was logged in Flit Mode" is bit 18 of newer linux/pci_regs.h; Link Status 2 tells of the link.
    aer = with_log(LOGGED, **{f"{offset:x}": value})
    assert (aer.tlp, aer.tlp_undecoded) == (None, "flit-mode header, not decoded")
    assert aer.header_log == aer.flit_header_log == LOGGED


def test_a_header_of_flit_mode_goes_on_where_the_prefixes_were() -> None:
    # Linux drivers/pci/pcie/tlp.c: the logged size is in bits 19 to 23, and from the fifth on they lie at 0x38.
    aer = with_log(
        LOGGED, control=20 | 1 << 18 | 6 << 19, **{f"{AER + 0x38:x}": 0x11111111, f"{AER + 0x3C:x}": 0x22222222}
    )
    assert aer.flit_header_log == (*LOGGED, 0x11111111, 0x22222222)
    assert aer.tlp_prefix_log is None


def test_prefixes_are_read_where_they_are_said_to_be_logged() -> None:
    prefix = {f"{AER + 0x38:x}": 0x91000001}
    assert with_log(LOGGED, control=20 | 0x800, **prefix).tlp_prefix_log == (0x91000001, 0, 0, 0)
    assert with_log(LOGGED, **prefix).tlp_prefix_log is None


def test_an_empty_log_holds_no_packet() -> None:
    aer = with_log((0, 0, 0, 0))
    assert (aer.tlp, aer.tlp_undecoded) == (None, None)


def test_a_log_of_all_ones_overflowed() -> None:
    aer = with_log((0xFFFFFFFF,) * 4)
    assert (aer.tlp, aer.tlp_undecoded) == (None, "all ones: the header log overflowed")


@pytest.mark.parametrize(
    ("bit", "control", "logged"),
    [(20, 0, True), (12, 0, True), (17, 0, False), (5, 0, False), (14, 0, False), (14, 0x1000, True)],
    ids=["UnsupReq", "PoisonedTLP", "RxOF", "SDES", "CmpltTO", "CmpltTO logged"],
)
def test_a_header_belongs_to_the_first_error_if_that_is_of_a_packet(bit: int, control: int, logged: bool) -> None:
    # Completion timeouts are logged where bit 12, PCI_ERR_CAP_COMP_TIME_LOG of newer headers, says so.
    assert with_log(LOGGED, 1 << bit, bit | control).header_logged is logged


def test_a_header_left_by_an_error_since_cleared_is_decoded_and_said_to_be_left() -> None:
    aer = with_log(LOGGED, status=0)
    assert (aer.first_error, aer.header_logged) == (None, False)
    assert aer.tlp == decode_tlp(LOGGED)


def test_a_root_ports_own_failed_request_is_decoded() -> None:
    # linux/pci_regs.h: root port extensions, a log of four double words; bit 18 is a memory request's timeout.
    words = {DPC + regs.PCI_EXP_DPC_RP_PIO_HEADER_LOG + 4 * index: (word, 4) for index, word in enumerate(LOGGED)}
    capable = regs.PCI_EXP_DPC_CAP_RP_EXT | 4 << 8
    registers = {DPC + regs.PCI_EXP_DPC_CAP: (capable, 2), DPC + regs.PCI_EXP_DPC_STATUS: (0x1207, 2)}
    dpc = decode(full_image(words | registers | {DPC + regs.PCI_EXP_DPC_RP_PIO_STATUS: (1 << 18 | 1, 4)})).dpc
    assert dpc is not None
    assert dpc.root_port_errors is not None
    assert (dpc.triggered, dpc.reason, dpc.source) == (True, "root port I/O error", None)
    assert dpc.root_port_errors.status == ("CfgUR", "MemCTO")
    assert dpc.root_port_errors.first_error == "MemCTO"
    assert dpc.root_port_errors.tlp == decode_tlp(LOGGED)


@pytest.mark.parametrize(
    ("bit", "name"),
    [
        *enumerate(["CfgUR", "CfgCA", "CfgCTO"]),
        *enumerate(["IOUR", "IOCA", "IOCTO"], start=8),
        *enumerate(["MemUR", "MemCA", "MemCTO"], start=16),
    ],
)
@pytest.mark.parametrize(
    ("register", "field"),
    [(regs.PCI_EXP_DPC_RP_PIO_STATUS, "status"), (regs.PCI_EXP_DPC_RP_PIO_MASK, "mask")],
)
def test_each_failed_request_of_a_root_port_shows_alone(bit: int, name: str, register: int, field: str) -> None:
    # Linux drivers/pci/pcie/dpc.c, rp_pio_error_string.
    registers = {DPC + regs.PCI_EXP_DPC_CAP: (regs.PCI_EXP_DPC_CAP_RP_EXT | 3 << 8, 2), DPC + register: (1 << bit, 4)}
    dpc = decode(full_image(registers)).dpc
    assert dpc is not None
    errors = dpc.root_port_errors
    assert errors is not None
    assert {part: getattr(errors, part) for part in ("status", "mask")} == {
        part: (name,) if part == field else () for part in ("status", "mask")
    }
    assert errors.header_log is None  # a log of three double words holds no header


@pytest.mark.parametrize("words", [(), LOGGED[:3], (*LOGGED, 0), (-1, 0, 0, 0), (1 << 32, 0, 0, 0)])
def test_what_is_no_header_log_is_refused(words: tuple[int, ...]) -> None:
    with pytest.raises(BadInput, match=r"^a header log has four double words"):
        decode_tlp(words)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.tuples(*[st.integers(0, 0xFFFFFFFF)] * 4))
def test_any_four_double_words_are_described_on_one_line(words: tuple[int, ...]) -> None:
    tlp = decode_tlp(words)
    assert str(tlp).startswith(tlp.type)
    assert str(tlp).isprintable()


def test_a_recorded_image_has_no_packet_on_record() -> None:
    aer = decode(RECORDED[PORT]).aer
    assert aer is not None
    assert (aer.tlp, aer.tlp_undecoded, aer.tlp_prefix_log, aer.flit_header_log) == (None,) * 4
