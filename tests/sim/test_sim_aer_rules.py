"""What an error does to registers: status, masks, severity, pointer, header, messages and their way up, resets.

Sources: sections 6.2.3 to 6.2.8 and 7.8.4 of the PCI Express base specification, as a public copy has them;
linux/pci_regs.h for places and bits. Registers are read through laneproof's decoder, but for a few by linux/pci_regs.h.
"""

from __future__ import annotations

import pytest
from one_partner import KINDS, READ, WRITE, errors, flags, partner, unmask

from laneproof import pcie
from laneproof.pcie import registers as regs
from laneproof_sim.config_space import AER, LANE_ERRORS, PARITY_MISMATCHES, Kind
from laneproof_sim.registers import LinkPartner

# --- status, masks, severity


@pytest.mark.parametrize("error", pcie.CORRECTABLE, ids=lambda error: error.name)
def test_a_correctable_error_sets_its_bit_and_sends_a_message_unless_it_is_masked(error: pcie.AerError) -> None:
    one = partner()
    severity = one.raise_error(error.name)
    assert errors(one).correctable.status == (error.name,)
    assert severity == (None if error.masked_by_default else "correctable")
    assert flags(one) == ("CED",)  # "an error is detected" holds for masked ones too


@pytest.mark.parametrize("error", pcie.UNCORRECTABLE, ids=lambda error: error.name)
def test_an_uncorrectable_error_is_reported_at_its_severity_unless_it_is_masked(error: pcie.AerError) -> None:
    one = partner()
    severity = one.raise_error(error.name)
    assert errors(one).uncorrectable.status == (error.name,)
    assert severity == (None if error.masked_by_default else error.default_severity)
    assert ("FED" if error.default_severity == "fatal" else "NFED") in flags(one)


@pytest.mark.parametrize(("fatal", "severity", "flag"), [(True, "fatal", "FED"), (False, "nonfatal", "NFED")])
def test_software_settles_the_severity_of_an_uncorrectable_error(fatal: bool, severity: str, flag: str) -> None:
    one = partner()
    one.write(AER + regs.PCI_ERR_UNCOR_SEVER, regs.PCI_ERR_UNC_COMP_TIME if fatal else 0)
    assert one.raise_error("CmpltTO") == severity
    assert flags(one) == (flag,)


def test_a_masked_error_sets_its_bit_and_leaves_pointer_header_and_message_alone() -> None:
    one = partner()
    one.write(AER + regs.PCI_ERR_UNCOR_MASK, regs.PCI_ERR_UNC_POISON_TLP)
    assert one.raise_error("PoisonedTLP", header=WRITE) is None
    seen = errors(one)
    assert (seen.uncorrectable.status, seen.first_error) == (("PoisonedTLP",), None)
    assert (seen.header_log, seen.tlp) == ((0, 0, 0, 0), None)
    assert flags(one) == ("NFED",)


def test_status_bits_stay_until_a_one_is_written_to_them() -> None:
    one = partner()
    one.raise_error("DLP")
    one.raise_error("FCP")
    one.write(AER + regs.PCI_ERR_UNCOR_STATUS, 0)
    assert errors(one).uncorrectable.status == ("DLP", "FCP")
    one.write(AER + regs.PCI_ERR_UNCOR_STATUS, regs.PCI_ERR_UNC_DLP)
    assert errors(one).uncorrectable.status == ("FCP",)


def test_only_bits_of_errors_that_exist_take_what_is_written_to_mask_and_severity() -> None:
    one = partner()
    one.write(AER + regs.PCI_ERR_COR_MASK, 0xFFFFFFFF)
    one.write(AER + regs.PCI_ERR_UNCOR_MASK, 0xFFFFFFFF)
    assert errors(one).correctable.mask == tuple(error.name for error in pcie.CORRECTABLE)
    assert errors(one).uncorrectable.mask == tuple(error.name for error in pcie.UNCORRECTABLE)


# --- first error pointer and header log


def test_the_pointer_names_the_oldest_error_that_is_not_masked() -> None:
    one = partner()
    one.write(AER + regs.PCI_ERR_UNCOR_MASK, regs.PCI_ERR_UNC_DLP)
    one.raise_error("DLP")
    one.raise_error("CmpltTO")
    one.raise_error("FCP")
    assert errors(one).first_error == "CmpltTO"


def test_the_pointer_names_nothing_once_its_error_is_cleared_and_then_the_next_to_come() -> None:
    one = partner()
    one.raise_error("CmpltTO", header=READ)
    one.raise_error("FCP")
    one.write(AER + regs.PCI_ERR_UNCOR_STATUS, regs.PCI_ERR_UNC_COMP_TIME)
    assert (errors(one).first_error, errors(one).uncorrectable.status) == (None, ("FCP",))
    one.raise_error("PoisonedTLP", header=WRITE)
    assert (errors(one).first_error, errors(one).header_log) == ("PoisonedTLP", WRITE)


def test_a_masked_error_does_not_make_an_old_pointer_valid_again() -> None:
    # The case of the specification's note on section 6.2.4.2: its pointer should rest on a bit that is never set.
    one = partner()
    one.raise_error("UnsupReq", header=WRITE)
    one.write(AER + regs.PCI_ERR_UNCOR_STATUS, regs.PCI_ERR_UNC_UNSUP)
    one.write(AER + regs.PCI_ERR_UNCOR_MASK, regs.PCI_ERR_UNC_UNSUP)
    one.raise_error("UnsupReq", header=READ)
    assert errors(one).first_error is None
    one.raise_error("PoisonedTLP", header=WRITE)
    assert (errors(one).first_error, errors(one).header_log) == ("PoisonedTLP", WRITE)


def test_the_header_is_that_of_the_first_error_and_decodes() -> None:
    one = partner()
    one.raise_error("PoisonedTLP", header=WRITE)
    one.raise_error("UnsupReq", header=READ)
    seen = errors(one)
    assert (seen.first_error, seen.header_log, seen.header_logged) == ("PoisonedTLP", WRITE, True)
    assert seen.tlp is not None
    assert str(seen.tlp) == "MWr from 01:00.0, tag 0x00, address 0xfe000000, 1 DW"


@pytest.mark.parametrize("name", ["DLP", "SDES", "FCP", "RxOF"])
def test_an_error_without_a_packet_leaves_no_header_of_one_before(name: str) -> None:
    one = partner("root port")
    one.raise_error("PoisonedTLP", header=WRITE)
    one.write(AER + regs.PCI_ERR_UNCOR_STATUS, 0xFFFFFFFF)
    one.raise_error(name, header=READ)
    assert errors(one).header_log == (0, 0, 0, 0)
    assert not errors(one).header_logged


def test_a_completion_timeout_logs_its_request_as_the_port_says_that_it_can() -> None:
    one = partner()
    one.raise_error("CmpltTO", header=READ)
    assert "COMP_TIME_LOG" in errors(one).control
    assert (errors(one).header_log, errors(one).header_logged) == (READ, True)


def test_a_header_that_finds_no_room_is_a_header_log_overflow_which_is_masked_by_default() -> None:
    # 6.2.4.2: with multiple header recording off, an error that requires logging while the pointer is valid.
    one = partner()
    assert "MULT_HDRC" not in errors(one).control
    one.raise_error("PoisonedTLP", header=WRITE)
    assert one.raise_error("UnsupReq", header=READ) == "nonfatal"
    assert errors(one).correctable.status == ("HeaderOF",)
    assert "HeaderOF" in errors(one).correctable.mask


@pytest.mark.parametrize(("first", "second"), [("DLP", "FCP"), ("PoisonedTLP", "FCP")])
def test_an_error_without_a_header_overflows_nothing(first: str, second: str) -> None:
    one = partner()
    one.raise_error(first)
    one.raise_error(second)
    assert errors(one).correctable.status == ()


# --- advisory errors and unsupported requests


def test_a_masked_advisory_error_shows_as_that_and_nothing_more() -> None:
    # 6.2.4.3: "Advisory Non-Fatal Error Mask bit … if set, no further processing is done". It is set by default.
    one = partner()
    assert one.raise_error("UnxCmplt", header=READ, advisory=True) is None
    seen = errors(one)
    assert (seen.correctable.status, seen.uncorrectable.status, seen.first_error) == (("NonFatalErr",), (), None)
    assert flags(one) == ("CED",)


def test_an_unmasked_advisory_error_is_correctable_and_keeps_bit_pointer_and_header() -> None:
    one = partner()
    unmask(one, correctable=True)
    assert one.raise_error("UnxCmplt", header=READ, advisory=True) == "correctable"
    seen = errors(one)
    assert (seen.correctable.status, seen.uncorrectable.status) == (("NonFatalErr",), ("UnxCmplt",))
    assert (seen.first_error, seen.header_log) == ("UnxCmplt", READ)
    assert flags(one) == ("CED",)


def test_an_unmasked_advisory_error_whose_own_bit_is_masked_is_not_recorded() -> None:
    one = partner()
    unmask(one, correctable=True)
    one.write(AER + regs.PCI_ERR_UNCOR_MASK, regs.PCI_ERR_UNC_UNX_COMP)
    assert one.raise_error("UnxCmplt", header=READ, advisory=True) == "correctable"
    seen = errors(one)
    assert (seen.uncorrectable.status, seen.first_error, seen.header_log) == (("UnxCmplt",), None, (0, 0, 0, 0))


def test_an_advisory_case_of_fatal_severity_is_fatal() -> None:
    one = partner()
    one.write(AER + regs.PCI_ERR_UNCOR_SEVER, regs.PCI_ERR_UNC_UNX_COMP)
    assert one.raise_error("UnxCmplt", header=READ, advisory=True) == "fatal"
    assert errors(one).correctable.status == ()


@pytest.mark.parametrize(
    ("advisory", "severity", "detected"), [(False, "nonfatal", "NFED"), (True, "correctable", "CED")]
)
def test_an_unsupported_request_is_nonfatal_if_posted_and_advisory_if_not(
    advisory: bool, severity: str, detected: str
) -> None:
    one = partner()
    unmask(one, correctable=True)
    assert one.raise_error("UnsupReq", header=READ if advisory else WRITE, advisory=advisory) == severity
    assert flags(one) == (detected, "URD")


# --- the end-to-end CRC


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("ecrc", "on"), [(False, ()), (True, ("ECRC_GENE", "ECRC_CHKE"))])
def test_the_end_to_end_crc_is_offered_and_on_where_it_is_asked_for(
    kind: Kind, ecrc: bool, on: tuple[str, ...]
) -> None:
    shown = errors(partner(kind, ecrc=ecrc)).control
    assert {"ECRC_GENC", "ECRC_CHKC"} <= set(shown)
    assert tuple(flag for flag in shown if flag.startswith("ECRC") and flag.endswith("E")) == on


# --- resets


@pytest.mark.parametrize("of_link", [True, False], ids=["hot reset", "function level reset"])
def test_errors_masks_severities_pointer_and_header_survive_a_reset(of_link: bool) -> None:
    one = partner(ecrc=True)
    one.write(AER + regs.PCI_ERR_COR_MASK, 0x40)
    one.write(AER + regs.PCI_ERR_UNCOR_SEVER, regs.PCI_ERR_UNC_POISON_TLP)
    one.raise_error("PoisonedTLP", header=WRITE)
    one.raise_error("RxErr")
    before = errors(one)
    one.reset(of_link=of_link)
    assert errors(one) == before


@pytest.mark.parametrize("of_link", [True, False], ids=["hot reset", "function level reset"])
def test_lane_flags_survive_a_reset_and_are_cleared_by_ones(of_link: bool) -> None:
    one = partner()
    one.mark_lane(2, parity=False)
    one.mark_lane(3, parity=True)
    one.reset(of_link=of_link)
    assert lanes(one) == ((2,), (3,))
    one.write(LANE_ERRORS, 1 << 2)
    one.write(PARITY_MISMATCHES, 1 << 3)
    assert lanes(one) == ((), ())


def lanes(one: LinkPartner) -> tuple[tuple[int, ...], tuple[int, ...] | None]:
    seen = pcie.decode(one.image())
    assert seen.secondary is not None
    assert seen.physical_16gt is not None
    return seen.secondary.lane_errors, seen.physical_16gt.local_parity_mismatch


@pytest.mark.parametrize("of_link", [True, False], ids=["hot reset", "function level reset"])
def test_device_status_status_and_enables_do_not_survive_a_reset(of_link: bool) -> None:
    one = partner()
    one.raise_error("PoisonedTLP", header=WRITE)
    one.reset(of_link=of_link)
    seen = pcie.decode(one.image())
    assert (seen.device_status, seen.command) == ((), ())
    assert "DETECTED_PARITY" not in seen.status
    assert one.raise_error("CmpltTO") is None  # nobody has enabled messages since


@pytest.mark.parametrize(("of_link", "payload"), [(True, 128), (False, 256)], ids=["hot reset", "function level reset"])
def test_the_payload_survives_a_function_level_reset_alone(of_link: bool, payload: int) -> None:
    one = partner()
    one.reset(of_link=of_link)
    seen = pcie.decode(one.image()).payload
    assert seen is not None
    assert seen.set == payload


# --- what each kind of function shows


@pytest.mark.parametrize("kind", KINDS)
def test_the_decoder_finds_each_kind_of_function_complete_and_nothing_odd(kind: Kind) -> None:
    seen = pcie.decode(partner(kind).image())
    assert (seen.port_type, seen.oddities) == (kind, ())
    assert (seen.header_type, seen.bridge is not None) == ((0, False) if kind == "endpoint" else (1, True))
    names = [capability.name for capability in seen.capabilities]
    assert names == [
        "PCI Express",
        "Power Management",
        "Advanced Error Reporting",
        "Secondary PCI Express",
        "Physical Layer 16.0 GT/s",
    ]
    assert seen.link is not None
    above = kind in ("root port", "downstream port")
    assert (seen.link.dl_active, seen.link.bandwidth_management) == ((True, False) if above else (None, None))
    assert seen.link.surprise_down_reporting == above
