"""Every error that AER knows, injected through the kernel and seen through laneproof, at the right end and by name.

Outside references: the kernel's own log of each error as it handles it, and linux/pci_regs.h for the bits.
"""

from __future__ import annotations

import re

import guest_topology as at
import pytest
from guest_machine import Machine
from in_guest import clear_uncorrectable, conditions_of, errors_of, inject, registers_of, survey, text_of, traced, watch

from laneproof.pcie import CORRECTABLE, UNCORRECTABLE, AerError, canonical_name
from laneproof.pcie import registers as regs
from laneproof.readings import AtLeast, ErrorReading, PartnerErrors, Unavailable

pytestmark = [pytest.mark.kernel, pytest.mark.timeout(300)]

NO_HEADER = (0, 0, 0, 0)
HEADER = (0x40000001, 0x0100000F, 0xFE000000, 0xDEADBEEF)
CAN_BE_FATAL = tuple(error for error in UNCORRECTABLE if error.bit < 26)
"""Those for which QEMU's severity register has a bit: hw/pci/pcie_aer.c, PCI_ERR_UNC_SUPPORTED."""
FATAL_RECEIVED = f"/sys/bus/pci/devices/{at.WIDE_PORT}/aer_rootport_total_err_fatal"
FATAL_COUNTED = f"/sys/bus/pci/devices/{at.WIDE_CARD}/aer_dev_fatal"
LINK_ERRORS = regs.PCI_ERR_COR_RCVR | regs.PCI_ERR_COR_BAD_TLP | regs.PCI_ERR_COR_REP_TIMER


@pytest.fixture(scope="module", autouse=True)
def watched(guest: Machine) -> None:
    for card in (at.SLOW_CARD, at.FIRST_CARD, at.SECOND_CARD, at.WIDE_CARD):
        guest.call(watch, card)


def grown(before: ErrorReading, after: ErrorReading) -> dict[tuple[str, str, str], int]:
    """What has been added, by end, severity and name. All of it has to be a lower bound, as the kernel's counts are."""
    found: dict[tuple[str, str, str], int] = {}
    added = after.since(before)
    for end, errors in (("near", added.near), ("far", added.far)):
        assert isinstance(errors, PartnerErrors)
        for severity in ("correctable", "nonfatal", "fatal"):
            for name, count in getattr(errors, severity).items():
                if not isinstance(count, AtLeast):
                    raise AssertionError(f"{end} {severity} {name} is {count}")
                if count.n:
                    found[end, severity, name] = count.n
    return found


def in_the_log(lines: list[str]) -> set[str]:
    """The errors that the kernel's log names, "[ 6] BadTLP", by laneproof's names for its labels."""
    return {canonical_name(match[1]) for line in lines if (match := re.search(r"\[ ?[0-9]+\] (\S+)", line))}


def all_of(errors: tuple[AerError, ...]) -> list[object]:
    return [pytest.param(error, id=error.name) for error in errors]


def injected(
    guest: Machine,
    card: str,
    at_function: str,
    *,
    uncorrectable: int = 0,
    correctable: int = 0,
    header: tuple[int, int, int, int] = NO_HEADER,
    fatal: bool = False,
) -> tuple[dict[tuple[str, str, str], int], set[str]]:
    """What laneproof, watching `card`, finds added when a function meets these errors, and what the kernel names."""
    before = guest.call(errors_of, card)
    log = guest.call(inject, at_function, uncorrectable, correctable, header, fatal)
    after = guest.call(errors_of, card)
    if uncorrectable:
        guest.call(clear_uncorrectable, at_function)
    return grown(before, after), in_the_log(log)


@pytest.mark.parametrize("error", all_of(CORRECTABLE))
def test_a_correctable_error_of_the_card_is_counted_at_the_far_end(guest: Machine, error: AerError) -> None:
    found, logged = injected(guest, at.SLOW_CARD, at.SLOW_CARD, correctable=1 << error.bit)
    assert found == {("far", "correctable", error.name): 1}
    assert logged == {error.name}


@pytest.mark.parametrize("error", all_of(CORRECTABLE))
def test_a_correctable_error_of_the_port_is_counted_at_the_near_end(guest: Machine, error: AerError) -> None:
    found, logged = injected(guest, at.SLOW_CARD, at.SLOW_PORT, correctable=1 << error.bit)
    assert found == {("near", "correctable", error.name): 1}
    assert logged == {error.name}


@pytest.mark.parametrize("error", all_of(UNCORRECTABLE))
def test_a_nonfatal_error_of_the_card_is_counted_as_such(guest: Machine, error: AerError) -> None:
    found, logged = injected(guest, at.SLOW_CARD, at.SLOW_CARD, uncorrectable=1 << error.bit)
    assert found == {("far", "nonfatal", error.name): 1}
    assert logged == {error.name}


@pytest.mark.parametrize("error", all_of(CAN_BE_FATAL))
def test_a_fatal_error_of_the_port_is_counted_as_such(guest: Machine, error: AerError) -> None:
    found, logged = injected(guest, at.SLOW_CARD, at.SLOW_PORT, uncorrectable=1 << error.bit, fatal=True)
    assert found == {("near", "fatal", error.name): 1}
    assert logged == {error.name}


@pytest.mark.parametrize("error", all_of(CAN_BE_FATAL))
def test_a_fatal_error_of_the_card_shows_by_its_flag_where_the_kernel_counts_nothing(
    guest: Machine, error: AerError
) -> None:
    """The kernel does not read the registers behind a link that a fatal error may have taken down, and resets that
    link; a status flag outlasts the reset."""
    received, counted = guest.call(text_of, FATAL_RECEIVED), guest.call(text_of, FATAL_COUNTED)
    found, logged = injected(guest, at.WIDE_CARD, at.WIDE_CARD, uncorrectable=1 << error.bit, fatal=True)
    assert int(guest.call(text_of, FATAL_RECEIVED)) == int(received) + 1
    assert guest.call(text_of, FATAL_COUNTED) == counted
    assert logged == set()
    assert found == {("far", "fatal", error.name): 1}


def test_a_survey_tells_of_fatal_errors_that_no_end_has_counted(guest: Machine) -> None:
    guest.call(inject, at.WIDE_CARD, regs.PCI_ERR_UNC_DLP, 0, NO_HEADER, True)
    guest.call(clear_uncorrectable, at.WIDE_CARD)
    (link,) = (link for link in guest.call(survey).links if link.near_address == at.WIDE_PORT)
    assert isinstance(link.errors.far, PartnerErrors)
    assert not any(count.n for count in link.errors.far.fatal.values() if not isinstance(count, Unavailable))
    assert not isinstance(link.root_messages, Unavailable)
    fatal = link.root_messages["fatal"]
    assert isinstance(fatal, AtLeast)
    assert fatal.n == int(guest.call(text_of, FATAL_RECEIVED)) > 0
    assert any(re.search(rf"{at.WIDE_PORT}.*received.*fatal {fatal.n}\b", remark) for remark in link.remarks)


def test_several_correctable_errors_at_once_are_counted_once_each(guest: Machine) -> None:
    found, logged = injected(guest, at.SLOW_CARD, at.SLOW_CARD, correctable=LINK_ERRORS)
    names = {"RxErr", "BadTLP", "Timeout"}
    assert found == {("far", "correctable", name): 1 for name in names}
    assert logged == names


def test_several_uncorrectable_errors_at_once_are_counted_once_each(guest: Machine) -> None:
    bits = regs.PCI_ERR_UNC_UNSUP | regs.PCI_ERR_UNC_COMP_ABORT
    found, logged = injected(guest, at.SLOW_CARD, at.SLOW_CARD, uncorrectable=bits, header=HEADER)
    assert found == {("far", "nonfatal", name): 1 for name in ("UnsupReq", "CmpltAbrt")}
    assert logged == {"UnsupReq", "CmpltAbrt"}


def test_each_further_error_adds_one(guest: Machine) -> None:
    before = guest.call(errors_of, at.SLOW_CARD)
    for _ in range(5):
        guest.call(inject, at.SLOW_CARD, 0, regs.PCI_ERR_COR_BAD_TLP, NO_HEADER, False)
    assert grown(before, guest.call(errors_of, at.SLOW_CARD)) == {("far", "correctable", "BadTLP"): 5}


def test_an_error_whose_flag_nobody_cleared_leaves_its_end_blind_for_more(guest: Machine) -> None:
    """The card's driver has no handler for errors, so that the kernel's recovery fails and leaves the status set."""
    guest.call(inject, at.SLOW_CARD, regs.PCI_ERR_UNC_COMP_TIME, 0, NO_HEADER, False)
    far = guest.call(errors_of, at.SLOW_CARD).far
    guest.call(clear_uncorrectable, at.SLOW_CARD)
    assert isinstance(far, PartnerErrors)
    count = far.nonfatal["CmpltTO"]
    assert isinstance(count, AtLeast)
    assert count.blind


def test_the_header_of_the_packet_is_read_from_the_log(guest: Machine) -> None:
    guest.call(inject, at.SLOW_CARD, regs.PCI_ERR_UNC_POISON_TLP, 0, HEADER, False)
    aer = guest.call(registers_of, at.SLOW_CARD).aer
    guest.call(clear_uncorrectable, at.SLOW_CARD)
    assert aer is not None
    assert aer.header_log == HEADER
    assert aer.uncorrectable.status == ("PoisonedTLP",)


def test_the_kernels_trace_holds_error_severity_and_header(guest: Machine) -> None:
    guest.call(traced)
    guest.call(inject, at.FIRST_CARD, regs.PCI_ERR_UNC_POISON_TLP, 0, HEADER, False)
    guest.call(clear_uncorrectable, at.FIRST_CARD)
    (line,) = (line for line in guest.call(traced).splitlines() if "aer_event:" in line)
    assert line.endswith(
        f"aer_event: {at.FIRST_CARD} PCIe Bus Error: severity=Uncorrected, non-fatal, Poisoned TLP, "
        "TLP Header={0x40000001,0x100000f,0xfe000000,0xdeadbeef}"
    )


def test_the_observer_reports_what_the_trace_gained_for_its_link(guest: Machine) -> None:
    guest.call(traced)
    guest.call(watch, at.FIRST_CARD)
    guest.call(inject, at.SECOND_CARD, 0, regs.PCI_ERR_COR_BAD_TLP, NO_HEADER, False)
    guest.call(inject, at.FIRST_CARD, regs.PCI_ERR_UNC_UNSUP, 0, HEADER, False)
    guest.call(clear_uncorrectable, at.FIRST_CARD)
    guest.call(inject, at.FIRST_DOWNSTREAM, 0, regs.PCI_ERR_COR_BAD_DLLP, NO_HEADER, False)
    reported = guest.call(conditions_of, at.FIRST_CARD).reported
    assert not isinstance(reported, Unavailable)
    assert [(one.device, one.severity, one.errors, one.header_log) for one in reported] == [
        (at.FIRST_CARD, "nonfatal", ("UnsupReq",), HEADER),
        (at.FIRST_DOWNSTREAM, "correctable", ("BadDLLP",), None),
    ]


def test_errors_of_one_downstream_port_of_a_switch_are_its_own(guest: Machine) -> None:
    other = guest.call(errors_of, at.SECOND_CARD)
    found, logged = injected(guest, at.FIRST_CARD, at.FIRST_DOWNSTREAM, correctable=LINK_ERRORS)
    assert found == {("near", "correctable", name): 1 for name in ("RxErr", "BadTLP", "Timeout")}
    assert logged == {"RxErr", "BadTLP", "Timeout"}
    assert grown(other, guest.call(errors_of, at.SECOND_CARD)) == {}


def test_a_survey_finds_the_downstream_port_that_has_counted(guest: Machine) -> None:
    guest.call(inject, at.SECOND_DOWNSTREAM, 0, regs.PCI_ERR_COR_BAD_DLLP, NO_HEADER, False)
    counted = [
        link.near_address
        for link in guest.call(survey).links
        if isinstance(link.errors.near, PartnerErrors)
        and isinstance(count := link.errors.near.correctable["BadDLLP"], AtLeast)
        and count.n
    ]
    assert at.SECOND_DOWNSTREAM in counted
    assert at.SWITCH_PORT not in counted
