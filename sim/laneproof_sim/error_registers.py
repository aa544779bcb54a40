"""What an error does to the registers of the function that meets it, and an error message to the ports on its way up.

The rules are those of the base specification, sections 6.2.3 to 6.2.8 and 7.8.4, as a public copy has them;
QEMU's hw/pci/pcie_aer.c has them too, but for the second of two errors, by which it replaces the first one's header.
When an error happens, and what software makes of it, is in `kernel`.

Where the specification leaves a choice: one header is recorded (multiple header recording is not offered), Header Log
Overflow is checked for, a completion timeout logs its request, and the First Error Pointer of no error is 0, a bit
that is never set.
"""

from __future__ import annotations

from laneproof.pcie import aer
from laneproof.pcie import registers as regs
from laneproof_sim.config_space import AER, EXPRESS, ConfigSpace

Header = tuple[int, int, int, int]
"""The first four double words of a packet, as the Header Log holds them; a header of three ends with a zero."""

_POINTER = 0x1F
_NO_HEADER: Header = (0, 0, 0, 0)
_WITHOUT_HEADER = ("DLP", "SDES", "FCP", "RxOF", "UncorrIntErr")
"""Uncorrectable errors that belong to no packet. For UncorrIntErr a header would be optional."""
_DETECTED = {
    "correctable": regs.PCI_EXP_DEVSTA_CED,
    "nonfatal": regs.PCI_EXP_DEVSTA_NFED,
    "fatal": regs.PCI_EXP_DEVSTA_FED,
}
_ENABLES = {
    "correctable": regs.PCI_EXP_DEVCTL_CERE,
    "nonfatal": regs.PCI_EXP_DEVCTL_NFERE,
    "fatal": regs.PCI_EXP_DEVCTL_FERE,
}
_ROOT_ENABLES = {
    "correctable": regs.PCI_ERR_ROOT_CMD_COR_EN,
    "nonfatal": regs.PCI_ERR_ROOT_CMD_NONFATAL_EN,
    "fatal": regs.PCI_ERR_ROOT_CMD_FATAL_EN,
}
_CONVENTIONAL = {
    "PoisonedTLP": regs.PCI_STATUS_DETECTED_PARITY,
    "CmpltAbrt": regs.PCI_STATUS_SIG_TARGET_ABORT,
}
"""What an error is in terms of conventional PCI: in Status, or in Secondary Status for what is below a port."""


class ErrorRegisters(ConfigSpace):
    """A function's Device Status, Advanced Error Reporting and Status, as errors and messages move them."""

    @property
    def correctable(self) -> int:
        return self.hardware(AER + regs.PCI_ERR_COR_STATUS)

    @property
    def correctable_mask(self) -> int:
        return self.hardware(AER + regs.PCI_ERR_COR_MASK)

    @property
    def uncorrectable(self) -> int:
        return self.hardware(AER + regs.PCI_ERR_UNCOR_STATUS)

    @property
    def uncorrectable_mask(self) -> int:
        return self.hardware(AER + regs.PCI_ERR_UNCOR_MASK)

    @property
    def fatal_mask(self) -> int:
        """Uncorrectable errors whose severity is fatal."""
        return self.hardware(AER + regs.PCI_ERR_UNCOR_SEVER)

    @property
    def header_log(self) -> Header:
        one, two, three, four = (self.hardware(AER + regs.PCI_ERR_HEADER_LOG + at) for at in (0, 4, 8, 12))
        return one, two, three, four

    def write(self, offset: int, value: int) -> None:
        """As for any register; the First Error Pointer lets go of an error whose status is cleared."""
        super().write(offset, value)
        if offset == AER + regs.PCI_ERR_UNCOR_STATUS and not self._occupied():
            self._point_to(0)

    def raise_error(self, name: str, *, header: Header | None = None, advisory: bool = False) -> aer.Severity | None:
        """The function meets the error of that short name; `header` is that of the packet to which it belongs.

        `advisory` says that another party is better placed to handle it, as the sender of a request that is answered
        with a completion is: at non-fatal severity it is then reported as correctable. Returns the severity of the
        message that goes out, None where none does: it is masked, or switched off.
        """
        error = aer.CATALOGUE[name]
        bit = 1 << error.bit
        unsupported = name == "UnsupReq"
        if error.group == "correctable":
            return self._correctable(bit)
        severity: aer.Severity = "fatal" if self.fatal_mask & bit else "nonfatal"
        side = regs.PCI_SEC_STATUS if self.function.above_its_link else regs.PCI_STATUS
        self.raise_bits(side, _CONVENTIONAL.get(name, 0), 2)
        if unsupported:
            self.raise_bits(EXPRESS + regs.PCI_EXP_DEVSTA, regs.PCI_EXP_DEVSTA_URD, 2)
        if advisory and severity == "nonfatal":
            return self._advisory(name, bit, header)
        self.raise_bits(EXPRESS + regs.PCI_EXP_DEVSTA, _DETECTED[severity], 2)
        masked = self.uncorrectable_mask & bit
        if masked:
            self.raise_bits(AER + regs.PCI_ERR_UNCOR_STATUS, bit)
            return None
        self._record(name, bit, header)
        return self._transmitted(severity, unsupported=unsupported)

    def forward(self, severity: aer.Severity) -> bool:
        """A port takes a message from below; return whether it goes on, or counts as received at a root port."""
        if severity != "correctable":
            # Received System Error, at the place where Status has Signaled System Error.
            self.raise_bits(regs.PCI_SEC_STATUS, regs.PCI_STATUS_SIG_SYSTEM_ERROR, 2)
        passes = self.hardware(regs.PCI_BRIDGE_CONTROL, 2) & regs.PCI_BRIDGE_CTL_SERR
        return bool(passes) and self._transmitted(severity) is not None

    def receive(self, severity: aer.Severity, requester_id: int) -> bool:
        """A root port notes a message that came up to it, or one of its own; return whether it interrupts for it."""
        correctable = severity == "correctable"
        received = regs.PCI_ERR_ROOT_COR_RCV if correctable else regs.PCI_ERR_ROOT_UNCOR_RCV
        multiple = regs.PCI_ERR_ROOT_MULTI_COR_RCV if correctable else regs.PCI_ERR_ROOT_MULTI_UNCOR_RCV
        at = AER + regs.PCI_ERR_ROOT_STATUS
        first = not self.hardware(at) & received
        if first:
            self.set_hardware(AER + regs.PCI_ERR_ROOT_ERR_SRC + (0 if correctable else 2), requester_id, 2)
        kind = {
            "correctable": 0,
            "nonfatal": regs.PCI_ERR_ROOT_NONFATAL_RCV,
            "fatal": regs.PCI_ERR_ROOT_FATAL_RCV | (regs.PCI_ERR_ROOT_FIRST_FATAL if first else 0),
        }[severity]
        self.raise_bits(at, received | kind | (0 if first else multiple))
        return bool(self.hardware(AER + regs.PCI_ERR_ROOT_COMMAND) & _ROOT_ENABLES[severity])

    def clear_errors(self) -> None:
        """Clear all that is on record by writing ones, as software may."""
        offsets = [AER + regs.PCI_ERR_COR_STATUS, AER + regs.PCI_ERR_UNCOR_STATUS, EXPRESS + regs.PCI_EXP_DEVCTL]
        if self.function.kind == "root port":
            offsets.append(AER + regs.PCI_ERR_ROOT_STATUS)
        for offset in offsets:
            self.write(offset, self.read(offset))

    def _correctable(self, bit: int) -> aer.Severity | None:
        self.raise_bits(EXPRESS + regs.PCI_EXP_DEVSTA, _DETECTED["correctable"], 2)
        self.raise_bits(AER + regs.PCI_ERR_COR_STATUS, bit)
        return None if self.correctable_mask & bit else self._transmitted("correctable")

    def _advisory(self, name: str, bit: int, header: Header | None) -> aer.Severity | None:
        """While it is masked, as it is by default, not even the uncorrectable status shows which error it was."""
        self.raise_bits(EXPRESS + regs.PCI_EXP_DEVSTA, _DETECTED["correctable"], 2)
        self.raise_bits(AER + regs.PCI_ERR_COR_STATUS, regs.PCI_ERR_COR_ADV_NFAT)
        if self.correctable_mask & regs.PCI_ERR_COR_ADV_NFAT:
            return None
        if self.uncorrectable_mask & bit:
            self.raise_bits(AER + regs.PCI_ERR_UNCOR_STATUS, bit)
        else:
            self._record(name, bit, header)
        return self._transmitted("correctable", unsupported=name == "UnsupReq")

    def _record(self, name: str, bit: int, header: Header | None) -> None:
        """Status, and pointer and header unless they still hold an error before; its header is lost then."""
        logs_header = name not in _WITHOUT_HEADER
        if self._occupied():
            if logs_header:
                self._correctable(regs.PCI_ERR_COR_LOG_OVER)
        else:
            self._point_to(bit.bit_length() - 1)
            for place, value in enumerate(header if logs_header and header is not None else _NO_HEADER):
                self.set_hardware(AER + regs.PCI_ERR_HEADER_LOG + 4 * place, value)
        self.raise_bits(AER + regs.PCI_ERR_UNCOR_STATUS, bit)

    def _transmitted(self, severity: aer.Severity, *, unsupported: bool = False) -> aer.Severity | None:
        """Whether a message leaves on the primary side, the function's own or one from below.

        Either the enable of its severity or SERR# lets an uncorrectable one pass, the enable alone a correctable one.
        """
        control = self.hardware(EXPRESS + regs.PCI_EXP_DEVCTL, 2)
        system_error = severity != "correctable" and self.hardware(regs.PCI_COMMAND, 2) & regs.PCI_COMMAND_SERR
        enabled = control & _ENABLES[severity] and not (unsupported and not control & regs.PCI_EXP_DEVCTL_URRE)
        if system_error:
            self.raise_bits(regs.PCI_STATUS, regs.PCI_STATUS_SIG_SYSTEM_ERROR, 2)
        return severity if enabled or system_error else None

    def _occupied(self) -> bool:
        """Whether the First Error Pointer names an error that is still on record."""
        return bool(self.uncorrectable >> (self.hardware(AER + regs.PCI_ERR_CAP) & _POINTER) & 1)

    def _point_to(self, bit: int) -> None:
        control = self.hardware(AER + regs.PCI_ERR_CAP)
        self.set_hardware(AER + regs.PCI_ERR_CAP, control & ~_POINTER | bit)
