"""The simulator's error registers and kernel beside QEMU's and Linux's own, given the same errors.

Registers: QEMU's monitor command pcie_aer_inject_error has an emulated function meet an error (hw/pci/pcie_aer.c), and
the root port's interrupt is held back, so that the kernel does not clear what is compared. Counts and log: the kernel's
aer_inject sets the flags and has Linux handle them (drivers/pci/pcie/aer.c).

Not compared, where QEMU (7.2) is not the standard: it masks no uncorrectable error by default, takes the default
severity whatever the register says, sends no correctable message up and others only with both of their enables, passes
a root port's own errors through its Bridge Control, replaces pointer and header by those of a second error without a
Header Log Overflow, and keeps no error in Status but Signaled System Error. It logs a header in the order of the wire's
bytes, which is turned round here. It has no link layer: what leads to an error is the simulator's own. In the guest a
card's driver has no handler for errors, so that Linux's recovery fails there and leaves non-fatal flags set; the
simulated one succeeds.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import guest_topology as at
import pytest
from attrs import frozen
from guest_machine import Machine
from in_guest import clear_uncorrectable, errors_of, hold_back, image_of, inject, let_go, traced, watch, write_register

from laneproof import pcie
from laneproof.pcie import registers as regs
from laneproof.readings import ErrorReading, PartnerErrors
from laneproof_drivers.aer_trace import parsed
from laneproof_sim.config_space import AER, EXPRESS, Function, Kind
from laneproof_sim.kernel import Kernel
from laneproof_sim.registers import LinkPartner
from laneproof_sim.training import Change, Trained

pytestmark = [pytest.mark.kernel, pytest.mark.timeout(300)]

HEADER = (0x40000001, 0x0100000F, 0xFE000000, 0xDEADBEEF)
NO_HEADER = (0, 0, 0, 0)
NAMES = {at.SLOW_CARD: "slow_card", at.FIRST_CARD: "first_card", at.SECOND_CARD: "second_card"}
"""What QEMU calls the cards."""
IN_QEMU = tuple(error for error in pcie.UNCORRECTABLE if error.bit < 26)
"""Those that it knows: hw/pci/pcie_aer.c, PCI_ERR_UNC_SUPPORTED."""
LOGGED = tuple(error for error in IN_QEMU if error.name not in ("DLP", "SDES", "FCP", "RxOF", "UncorrIntErr"))
"""Those that belong to a packet."""


def simulated(kind: Kind, address: str) -> LinkPartner:
    """A function of that kind and number, with nothing masked."""
    bus, slot = int(address[5:7], 16), int(address[8:10], 16)
    function = Function(
        kind=kind, max_speed_gtps=16.0, max_width=4, max_payload=256, payload=256, requester_id=bus << 8 | slot << 3
    )
    found = LinkPartner(function, Trained(speed_gtps=16.0, lanes=(0,), history=(Change(at_s=0.0, state="L0"),)))
    found.write(AER + regs.PCI_ERR_UNCOR_MASK, 0)
    found.write(AER + regs.PCI_ERR_COR_MASK, 0)
    return found


@frozen
class Shown:
    """What is compared of a function's registers; of the header log only while it belongs to an error."""

    correctable: tuple[str, ...]
    correctable_mask: tuple[str, ...]
    uncorrectable: tuple[str, ...]
    uncorrectable_mask: tuple[str, ...]
    first_error: str | None
    header: tuple[int, ...]
    detected: tuple[str, ...]

    @classmethod
    def of(cls, image: bytes, header_order: str) -> Shown:
        aer, detected = pcie.decode(image).aer, pcie.decode(image).device_status
        assert aer is not None
        assert detected is not None
        return cls(
            aer.correctable.status,
            aer.correctable.mask,
            aer.uncorrectable.status,
            aer.uncorrectable.mask,
            aer.first_error,
            struct.unpack(f"{header_order}4I", struct.pack("<4I", *aer.header_log)) if aer.first_error else (),
            tuple(flag for flag in detected if flag in ("CED", "NFED", "FED", "URD")),
        )


class SlowLink:
    """The card below a root port, in the guest and simulated, both with nothing on record and nothing masked."""

    def __init__(self, guest: Machine) -> None:
        self.guest = guest
        held_back(guest, at.SLOW_PORT, at.SLOW_CARD)
        self.near, self.far = simulated("root port", at.SLOW_PORT), simulated("endpoint", at.SLOW_CARD)
        self.kernel = Kernel(self.near, self.far, owned=True)
        self.near.write(AER + regs.PCI_ERR_ROOT_COMMAND, 0)

    def mask(self, register: int, bits: int) -> None:
        aer = pcie.decode(self.guest.call(image_of, at.SLOW_CARD)).aer
        assert aer is not None
        overwritten(self.guest, at.SLOW_CARD, aer.offset + register, bits)
        self.far.write(AER + register, bits)

    def meet(
        self, error: pcie.AerError, *, header: tuple[int, int, int, int] | None = None, advisory: bool = False
    ) -> None:
        injected(self.guest, at.SLOW_CARD, error, header, advisory)
        self.kernel.note(1.0, "far", error.name, header=header, advisory=advisory)
        self.kernel.run_until(1.0)

    def card(self) -> tuple[Shown, Shown]:
        """The card of the guest, and the simulated one."""
        return Shown.of(self.guest.call(image_of, at.SLOW_CARD), ">"), Shown.of(self.far.image(), "<")

    def port(self) -> tuple[tuple[object, ...], tuple[object, ...]]:
        """What the root ports heard of it."""
        return heard(self.guest.call(image_of, at.SLOW_PORT)), heard(self.near.image())


def held_back(guest: Machine, port: str, *below: str) -> None:
    """What `hold_back` does, and what QEMU 7.2 lets no guest do: clear uncorrectable masks, Secondary Status and a
    pointer that names an error of before."""
    guest.call(hold_back, port, *below)
    for address in (port, *below):
        seen = pcie.decode(guest.call(image_of, address))
        assert seen.aer is not None
        overwritten(guest, address, seen.aer.offset + regs.PCI_ERR_UNCOR_MASK, 0)
        overwritten(guest, address, seen.aer.offset + regs.PCI_ERR_CAP, 0, 0x1F)
        if seen.bridge is not None:
            overwritten(guest, address, regs.PCI_SEC_STATUS & ~3, 0, 0xFFFF0000)


def overwritten(guest: Machine, address: str, offset: int, value: int, bits: int = 0xFFFFFFFF) -> None:
    """Sets `bits` of a function's register from outside, unless they are right."""
    image = guest.call(image_of, address)
    (old,) = struct.unpack_from("<I", image, offset)
    if (old ^ value) & bits:
        guest.set_register(image[:64], offset, struct.pack("<I", old & ~bits | value))


def heard(image: bytes) -> tuple[object, ...]:
    """A root port's status and source for uncorrectable errors, and whether a system error came from below."""
    seen = pcie.decode(image)
    assert seen.aer is not None
    assert seen.bridge is not None
    root = seen.aer.root
    assert root is not None
    status = tuple(flag for flag in root.status if "COR_RCV" not in flag or "UNCOR" in flag)
    return status, root.uncorrectable_source, "REC_SYSTEM_ERROR" in seen.bridge.secondary_status


def injected(
    guest: Machine,
    address: str,
    error: pcie.AerError,
    header: tuple[int, int, int, int] | None = None,
    advisory: bool = False,
) -> None:
    words = "" if header is None else " ".join(f"{word:#x}" for word in header)
    flag = "-c " if error.group == "correctable" else "-a " if advisory else ""
    line = f"pcie_aer_inject_error {flag}{NAMES[address]} {1 << error.bit:#x} {words}"
    assert guest.monitor("human-monitor-command", **{"command-line": line}).startswith("OK")


@pytest.fixture
def slow(guest: Machine) -> Iterator[SlowLink]:
    yield SlowLink(guest)
    guest.call(let_go, at.SLOW_PORT, at.SLOW_CARD)


def by_name(errors: tuple[pcie.AerError, ...]) -> list[object]:
    return [pytest.param(error, id=error.name) for error in errors]


@pytest.mark.parametrize("error", by_name(pcie.CORRECTABLE))
def test_a_correctable_error_leaves_the_same_in_the_card(slow: SlowLink, error: pcie.AerError) -> None:
    slow.meet(error)
    theirs, ours = slow.card()
    assert ours == theirs
    assert ours.correctable == (error.name,)


@pytest.mark.parametrize("error", by_name(IN_QEMU))
def test_an_uncorrectable_error_leaves_the_same_in_card_and_root_port(slow: SlowLink, error: pcie.AerError) -> None:
    slow.meet(error, header=HEADER if error in LOGGED else None)
    theirs, ours = slow.card()
    assert ours == theirs
    assert ours.uncorrectable == (error.name,)
    port_theirs, port_ours = slow.port()
    assert port_ours == port_theirs
    assert port_ours[1] == "01:00.0"


@pytest.mark.parametrize("name", ["BadTLP", "SDES", "PoisonedTLP", "UnsupReq"])
def test_a_masked_error_leaves_the_same_flag_and_nothing_else(slow: SlowLink, name: str) -> None:
    error = pcie.CATALOGUE[name]
    slow.mask(regs.PCI_ERR_COR_MASK if error.group == "correctable" else regs.PCI_ERR_UNCOR_MASK, 1 << error.bit)
    slow.meet(error, header=HEADER if error in LOGGED else None)
    theirs, ours = slow.card()
    assert ours == theirs
    assert (ours.first_error, len(ours.correctable + ours.uncorrectable)) == (None, 1)
    assert slow.port()[0] == slow.port()[1] == ((), None, False)


@pytest.mark.parametrize("register", [regs.PCI_ERR_COR_MASK, regs.PCI_ERR_UNCOR_MASK, None])
@pytest.mark.parametrize("name", ["UnsupReq", "UnxCmplt", "PoisonedTLP", "MalfTLP"])
def test_an_advisory_error_leaves_the_same_whatever_is_masked(slow: SlowLink, name: str, register: int | None) -> None:
    error = pcie.CATALOGUE[name]
    if register is not None:
        advisory = regs.PCI_ERR_COR_ADV_NFAT
        slow.mask(register, advisory if register == regs.PCI_ERR_COR_MASK else 1 << error.bit)
    slow.meet(error, header=HEADER, advisory=True)
    theirs, ours = slow.card()
    assert ours == theirs
    assert ("NonFatalErr" in ours.correctable) == (name != "MalfTLP")  # fatal by default, and so no advice


def test_several_messages_leave_the_first_source_and_the_same_root_status(slow: SlowLink) -> None:
    for name in ("CmpltTO", "DLP", "UnsupReq"):
        slow.meet(pcie.CATALOGUE[name])
        theirs, ours = slow.port()
        assert ours == theirs
    assert ours[0] == ("UNCOR_RCV", "MULTI_UNCOR_RCV", "NONFATAL_RCV", "FATAL_RCV")


def test_a_message_of_a_severity_with_neither_enable_is_not_sent(slow: SlowLink) -> None:
    capabilities = pcie.decode(slow.guest.call(image_of, at.SLOW_CARD)).capabilities
    express = next(entry.offset for entry in capabilities if entry.name == "PCI Express")
    slow.guest.call(write_register, at.SLOW_CARD, express + regs.PCI_EXP_DEVCTL, 0, 2)
    slow.guest.call(write_register, at.SLOW_CARD, regs.PCI_COMMAND, regs.PCI_COMMAND_MASTER, 2)
    slow.far.write(EXPRESS + regs.PCI_EXP_DEVCTL, 0)
    slow.far.write(regs.PCI_COMMAND, regs.PCI_COMMAND_MASTER)
    slow.meet(pcie.CATALOGUE["CmpltTO"])
    assert slow.card()[0] == slow.card()[1]
    assert slow.port()[0] == slow.port()[1] == ((), None, False)


# --- below a switch


BELOW = (at.SWITCH, at.FIRST_DOWNSTREAM, at.FIRST_CARD, at.SECOND_DOWNSTREAM, at.SECOND_CARD)


@pytest.mark.parametrize("stopped_at", ["", at.SWITCH_PORT, at.SWITCH, at.FIRST_DOWNSTREAM])
def test_messages_from_below_a_switch_travel_the_same_way(guest: Machine, stopped_at: str) -> None:
    held_back(guest, at.SWITCH_PORT, *BELOW)
    root, upstream = simulated("root port", at.SWITCH_PORT), simulated("upstream port", at.SWITCH)
    above = Kernel(root, upstream, owned=True)
    root.write(AER + regs.PCI_ERR_ROOT_COMMAND, 0)
    ports = {at.SWITCH_PORT: root, at.SWITCH: upstream}
    cards: dict[str, Kernel] = {}
    for port, card in ((at.FIRST_DOWNSTREAM, at.FIRST_CARD), (at.SECOND_DOWNSTREAM, at.SECOND_CARD)):
        ports[port] = simulated("downstream port", port)
        cards[card] = Kernel(ports[port], simulated("endpoint", card), owned=True, above=above)
    if stopped_at:
        guest.call(write_register, stopped_at, regs.PCI_BRIDGE_CONTROL, 0, 2)
        ports[stopped_at].write(regs.PCI_BRIDGE_CONTROL & ~3, 0)
    for card, name in ((at.FIRST_CARD, "CmpltTO"), (at.SECOND_CARD, "DLP")):
        injected(guest, card, pcie.CATALOGUE[name])
        cards[card].note(1.0, "far", name)
        cards[card].run_until(1.0)
    try:
        for address, port in ports.items():
            theirs, ours = pcie.decode(guest.call(image_of, address)), pcie.decode(port.image())
            assert ours.bridge is not None
            assert theirs.bridge is not None
            assert ours.bridge.secondary_status == theirs.bridge.secondary_status
        theirs_heard, ours_heard = heard(guest.call(image_of, at.SWITCH_PORT)), heard(root.image())
        assert ours_heard == theirs_heard
        first = {at.SWITCH_PORT: None, at.SWITCH: None, at.FIRST_DOWNSTREAM: "05:00.0"}.get(stopped_at, "04:00.0")
        assert ours_heard[1] == first
    finally:
        guest.call(let_go, at.SWITCH_PORT, *BELOW)


# --- Linux's counts and log


@pytest.mark.parametrize(
    ("end", "names", "fatal"),
    [
        ("far", ("BadTLP",), False),
        ("near", ("BadDLLP",), False),
        ("far", ("RxErr", "BadTLP", "Timeout"), False),
        ("far", ("PoisonedTLP",), False),
        ("far", ("CmpltTO",), False),
        ("far", ("UnsupReq", "CmpltAbrt"), False),
        ("near", ("PoisonedTLP",), False),
        ("near", ("DLP",), True),
        ("near", ("MalfTLP", "SDES"), True),
        ("far", ("MalfTLP",), True),
    ],
    ids=lambda value: "+".join(value) if isinstance(value, tuple) else None,
)
def test_the_kernel_counts_and_logs_the_same(guest: Machine, end: str, names: tuple[str, ...], fatal: bool) -> None:
    errors = [pcie.CATALOGUE[name] for name in names]
    correctable = sum(1 << error.bit for error in errors if error.group == "correctable")
    uncorrectable = sum(1 << error.bit for error in errors if error.group == "uncorrectable")
    address = at.SLOW_PORT if end == "near" else at.SLOW_CARD
    guest.call(watch, at.SLOW_CARD)
    guest.call(traced)
    before = guest.call(errors_of, at.SLOW_CARD)
    guest.call(inject, address, uncorrectable, correctable, HEADER, fatal)
    theirs = added(guest.call(errors_of, at.SLOW_CARD).since(before))
    if uncorrectable:
        guest.call(clear_uncorrectable, address)
    their_log = list(parsed(guest.call(traced)))

    near, far = simulated("root port", at.SLOW_PORT), simulated("endpoint", at.SLOW_CARD)
    kernel = Kernel(near, far, owned=True)
    partner = near if end == "near" else far
    partner.write(AER + regs.PCI_ERR_UNCOR_SEVER, uncorrectable if fatal else 0)
    untouched = ErrorReading(near=kernel.errors("near", ""), far=kernel.errors("far", ""))
    for error in errors:
        kernel.note(1.0, end, error.name, header=HEADER)
    kernel.run_until(2.0)
    ours = added(ErrorReading(near=kernel.errors("near", ""), far=kernel.errors("far", "")).since(untouched))

    ours.pop((end, "correctable", "HeaderOF"), None)  # the injector raises several flags and overflows no log
    assert ours == theirs
    shown = [(one.device, one.severity, one.errors, one.header_log) for one in their_log]
    assert [(one.device, one.severity, one.errors, one.header_log) for one in kernel.reported] == shown
    assert shown


def added(reading: ErrorReading) -> dict[tuple[str, str, str], object]:
    """What is not zero, by end, severity and name."""
    found: dict[tuple[str, str, str], object] = {}
    for end, partner in (("near", reading.near), ("far", reading.far)):
        assert isinstance(partner, PartnerErrors)
        for severity in ("correctable", "nonfatal", "fatal"):
            for name, count in getattr(partner, severity).items():
                if n := getattr(count, "n", count):
                    found[end, severity, name] = n
    return found
