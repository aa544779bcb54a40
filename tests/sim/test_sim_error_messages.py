"""Error messages: who lets them out, what passes them on, what the root port notes of them.

Sources: sections 6.2.4.1, 6.2.6 to 6.2.8 of the PCI Express base specification, as a public copy has them, and
QEMU's hw/pci/pcie_aer.c, which follows its figure 6-3; linux/pci_regs.h for places and bits.
"""

from __future__ import annotations

import pytest
from one_partner import KINDS, READ, WRITE, errors, flags, partner, switch_off, unmask

from laneproof import pcie
from laneproof.pcie import registers as regs
from laneproof_sim.config_space import AER, Kind
from laneproof_sim.registers import LinkPartner


@pytest.mark.parametrize(
    ("name", "enable"),
    [
        ("BadTLP", regs.PCI_EXP_DEVCTL_CERE),
        ("CmpltTO", regs.PCI_EXP_DEVCTL_NFERE),
        ("DLP", regs.PCI_EXP_DEVCTL_FERE),
    ],
)
def test_a_severity_that_is_not_enabled_sends_nothing_and_still_shows(name: str, enable: int) -> None:
    one = partner()
    switch_off(one, regs.PCI_COMMAND_SERR, enable)
    assert one.raise_error(name) is None
    assert name in (*errors(one).correctable.status, *errors(one).uncorrectable.status)


@pytest.mark.parametrize(("name", "severity"), [("BadTLP", None), ("CmpltTO", "nonfatal"), ("DLP", "fatal")])
def test_the_system_error_enable_lets_uncorrectable_messages_out_alone(name: str, severity: str | None) -> None:
    one = partner()
    switch_off(one, control=0xFFFF)
    assert one.raise_error(name) == severity


@pytest.mark.parametrize(
    ("command", "advisory", "severity"),
    [
        (0, False, "nonfatal"),  # 6.2.7, note: SERR# enables it though reporting of unsupported requests is off
        (0, True, None),
        (regs.PCI_COMMAND_SERR, False, None),
    ],
)
def test_an_unsupported_request_has_an_enable_of_its_own(command: int, advisory: bool, severity: str | None) -> None:
    one = partner()
    unmask(one, correctable=True)
    switch_off(one, command, regs.PCI_EXP_DEVCTL_URRE)
    assert one.raise_error("UnsupReq", header=READ, advisory=advisory) == severity


@pytest.mark.parametrize(("name", "signalled"), [("BadTLP", False), ("CmpltTO", True), ("DLP", True)])
def test_a_system_error_is_signalled_in_status_for_uncorrectable_messages(name: str, signalled: bool) -> None:
    one = partner()
    one.raise_error(name)
    assert ("SIG_SYSTEM_ERROR" in pcie.decode(one.image()).status) == signalled
    one.write(regs.PCI_COMMAND, 0xFFFF0000 | one.read(regs.PCI_COMMAND, 2))
    assert "SIG_SYSTEM_ERROR" not in pcie.decode(one.image()).status


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("name", "flag"), [("PoisonedTLP", "DETECTED_PARITY"), ("CmpltAbrt", "SIG_TARGET_ABORT")])
def test_conventional_status_shows_the_error_on_the_side_of_its_link(kind: Kind, name: str, flag: str) -> None:
    one = partner(kind)
    one.raise_error(name, header=WRITE)
    seen = pcie.decode(one.image())
    below = kind in ("root port", "downstream port")
    assert (flag in seen.status) != below
    assert seen.bridge is None or (flag in seen.bridge.secondary_status) == below


# --- the way up


@pytest.mark.parametrize("kind", ["root port", "upstream port", "downstream port"])
@pytest.mark.parametrize("severity", ["correctable", "nonfatal", "fatal"])
def test_a_port_passes_messages_on_only_with_system_error_in_bridge_control(kind: Kind, severity: str) -> None:
    port = partner(kind)
    assert port.forward(severity)
    port.write(regs.PCI_BRIDGE_CONTROL & ~3, 0)
    assert not port.forward(severity)


def test_a_port_notes_that_a_system_error_came_from_below_whether_it_passes_or_not() -> None:
    port = partner("downstream port")
    port.write(regs.PCI_BRIDGE_CONTROL & ~3, 0)
    port.forward("correctable")
    assert pcie.decode(port.image()).bridge.secondary_status == ()
    port.forward("nonfatal")
    assert pcie.decode(port.image()).bridge.secondary_status == ("REC_SYSTEM_ERROR",)
    assert flags(port) == ()  # 6.2.8.1: forwarding sets no error flag in Device Status


@pytest.mark.parametrize(("severity", "passes"), [("correctable", False), ("nonfatal", True), ("fatal", True)])
def test_what_a_port_passes_on_needs_its_own_enables_too(severity: str, passes: bool) -> None:
    port = partner("upstream port")
    switch_off(port, control=0xFFFF)
    assert port.forward(severity) == passes  # SERR# alone does for those that are uncorrectable
    switch_off(port, command=regs.PCI_COMMAND_SERR)
    assert not port.forward(severity)


# --- the root port


def root(port: LinkPartner) -> pcie.RootErrors:
    found = errors(port).root
    assert found is not None
    return found


def test_only_a_root_port_has_root_errors() -> None:
    assert [errors(partner(kind)).root is not None for kind in KINDS] == [True, False, False, False]


def test_the_root_port_names_the_first_source_and_says_that_there_were_more() -> None:
    port = partner("root port")
    port.receive("correctable", 0x0100)
    assert (root(port).status, root(port).correctable_source) == (("COR_RCV",), "01:00.0")
    port.receive("correctable", 0x0208)
    assert (root(port).status, root(port).correctable_source) == (("COR_RCV", "MULTI_COR_RCV"), "01:00.0")
    assert root(port).uncorrectable_source is None


@pytest.mark.parametrize(
    ("messages", "status"),
    [
        (("nonfatal",), ("UNCOR_RCV", "NONFATAL_RCV")),
        (("fatal",), ("UNCOR_RCV", "FIRST_FATAL", "FATAL_RCV")),
        (("nonfatal", "fatal"), ("UNCOR_RCV", "MULTI_UNCOR_RCV", "NONFATAL_RCV", "FATAL_RCV")),
        (("fatal", "nonfatal"), ("UNCOR_RCV", "MULTI_UNCOR_RCV", "FIRST_FATAL", "NONFATAL_RCV", "FATAL_RCV")),
    ],
)
def test_the_root_port_tells_which_uncorrectable_messages_came_and_whether_the_first_was_fatal(
    messages: tuple[str, ...], status: tuple[str, ...]
) -> None:
    port = partner("root port")
    for number, severity in enumerate(messages, 1):
        port.receive(severity, number << 8)
    assert (root(port).status, root(port).uncorrectable_source) == (status, "01:00.0")


@pytest.mark.parametrize(("bit", "severity"), [(1, "correctable"), (2, "nonfatal"), (4, "fatal")])
def test_the_root_command_lets_each_severity_interrupt(bit: int, severity: str) -> None:
    port = partner("root port")
    port.write(AER + regs.PCI_ERR_ROOT_COMMAND, bit)
    interrupts = {each: port.receive(each, 0x0100) for each in ("correctable", "nonfatal", "fatal")}
    assert interrupts == {each: each == severity for each in interrupts}


def test_root_status_is_cleared_by_ones() -> None:
    port = partner("root port")
    port.receive("fatal", 0x0100)
    port.write(AER + regs.PCI_ERR_ROOT_STATUS, port.read(AER + regs.PCI_ERR_ROOT_STATUS))
    assert (root(port).status, root(port).uncorrectable_source) == ((), None)
