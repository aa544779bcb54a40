"""The Advanced Error Reporting capability of an image. What each error means is in `aer`, a logged header in `tlp`.

Bits of Advanced Error Capabilities and Control that Linux 6.1's header does not hold are called as newer ones
(PCI_ERR_CAP_TLP_LOG_FLIT) or pciutils' lib/header.h (PCI_ERR_CAP_MULT_HDRC) call them. How FLIT mode lengthens the
log: Linux drivers/pci/pcie/tlp.c.
"""

from __future__ import annotations

from attrs import frozen

from laneproof.pcie import registers as regs
from laneproof.pcie.aer import Group, names_of
from laneproof.pcie.fields import dword, dwords, field, flags, function, set_of, word
from laneproof.pcie.tlp import Tlp, decode_tlp

FLIT_HEADER = "flit-mode header, not decoded"
"""Why a header that was logged in FLIT mode, whose layout differs, is shown as numbers only."""
LEAST_NBYTES = regs.PCI_ERR_HEADER_LOG + 16
_PREFIX_LOG, _PREFIX_LOG_PRESENT = 0x38, 0x800
_TIMEOUT_LOGGED, _LOGGED_IN_FLIT, _LOGGED_DWORDS = 0x1000, 0x40000, 0xF80000
_LONGEST_LOG = 14

_CONTROL = flags("PCI_ERR_CAP_", "ECRC_GENC", "ECRC_GENE", "ECRC_CHKC", "ECRC_CHKE") | {
    "MULT_HDRC": 0x200,
    "MULT_HDRE": 0x400,
    "PREFIX_LOG_PRESENT": _PREFIX_LOG_PRESENT,
    "COMP_TIME_LOG": _TIMEOUT_LOGGED,
    "TLP_LOG_FLIT": _LOGGED_IN_FLIT,
}
# Errors that belong to no packet; all others log its header (base specification, from memory).
_WITHOUT_HEADER = {"DLP", "SDES", "FCP", "RxOF", "UncorrIntErr"}
_WITH_ROOT_ERRORS = (regs.PCI_EXP_TYPE_ROOT_PORT, regs.PCI_EXP_TYPE_RC_EC)
_ROOT_COMMAND = flags("PCI_ERR_ROOT_CMD_", "COR_EN", "NONFATAL_EN", "FATAL_EN")
_ROOT_STATUS = flags(
    "PCI_ERR_ROOT_",
    "COR_RCV",
    "MULTI_COR_RCV",
    "UNCOR_RCV",
    "MULTI_UNCOR_RCV",
    "FIRST_FATAL",
    "NONFATAL_RCV",
    "FATAL_RCV",
)


@frozen(kw_only=True)
class CorrectableErrors:
    """Short names of the correctable errors on record (sticky flags, no counts) and of those masked."""

    status: tuple[str, ...]
    mask: tuple[str, ...]


@frozen(kw_only=True)
class UncorrectableErrors:
    """Short names of the uncorrectable errors on record, of those masked, and of those that count as fatal."""

    status: tuple[str, ...]
    mask: tuple[str, ...]
    severity: tuple[str, ...]


@frozen(kw_only=True)
class RootErrors:
    """What a root port heard from below. A source ("03:00.0") is the first one's, None where no message came."""

    command: tuple[str, ...]
    status: tuple[str, ...]
    correctable_source: str | None
    uncorrectable_source: str | None


@frozen(kw_only=True)
class AdvancedErrors:
    """The Advanced Error Reporting capability at byte `offset`.

    `first_error` is None unless the error that its pointer names is still on record. `header_log` holds four double
    words as integers. They belong to `first_error` where `header_logged` is true; else an earlier error, whose flag
    was cleared since, left them. `tlp` is the packet that they say, None where there is none or where
    `tlp_undecoded` says why not. `tlp_prefix_log` holds the prefixes logged with it, and `flit_header_log` the header
    in the double words that FLIT mode logs; both None otherwise. `control` are the abilities and enables.
    """

    offset: int
    correctable: CorrectableErrors
    uncorrectable: UncorrectableErrors
    first_error: str | None
    header_log: tuple[int, int, int, int]
    root: RootErrors | None
    control: tuple[str, ...]
    header_logged: bool
    tlp: Tlp | None
    tlp_undecoded: str | None
    tlp_prefix_log: tuple[int, ...] | None
    flit_header_log: tuple[int, ...] | None


def decode_errors(body: bytes, offset: int, kind: int | None, flit_mode: bool) -> AdvancedErrors:
    """The capability in `body`, of LEAST_NBYTES or more, for a port of this kind; `flit_mode` is its link's state.

    A header that was logged before the link went to FLIT mode is not told from one in it by every part, so that in
    FLIT mode none is decoded.
    """

    def names(at: int, group: Group) -> tuple[str, ...]:
        return names_of(dword(body, at), group)

    control = dword(body, regs.PCI_ERR_CAP)
    pointed = 1 << (control & 0x1F) & dword(body, regs.PCI_ERR_UNCOR_STATUS)
    first_error = names_of(pointed, "uncorrectable")[0] if pointed else None
    log = header_log(body, regs.PCI_ERR_HEADER_LOG)
    in_flit = flit_mode or bool(control & _LOGGED_IN_FLIT)
    tlp, undecoded = logged_tlp(log, in_flit)
    prefixed = not in_flit and control & _PREFIX_LOG_PRESENT and len(body) >= _PREFIX_LOG + 16
    return AdvancedErrors(
        offset=offset,
        correctable=CorrectableErrors(
            status=names(regs.PCI_ERR_COR_STATUS, "correctable"),
            mask=names(regs.PCI_ERR_COR_MASK, "correctable"),
        ),
        uncorrectable=UncorrectableErrors(
            status=names(regs.PCI_ERR_UNCOR_STATUS, "uncorrectable"),
            mask=names(regs.PCI_ERR_UNCOR_MASK, "uncorrectable"),
            severity=names(regs.PCI_ERR_UNCOR_SEVER, "uncorrectable"),
        ),
        first_error=first_error,
        header_log=log,
        root=_root_errors(body) if kind in _WITH_ROOT_ERRORS and len(body) >= regs.PCI_ERR_ROOT_ERR_SRC + 4 else None,
        control=set_of(control, _CONTROL),
        header_logged=_logs_header(first_error, control),
        tlp=tlp,
        tlp_undecoded=undecoded,
        tlp_prefix_log=dwords(body, _PREFIX_LOG, 4) if prefixed else None,
        flit_header_log=_flit_header(body, log, field(control, _LOGGED_DWORDS)) if undecoded == FLIT_HEADER else None,
    )


def header_log(body: bytes, at: int) -> tuple[int, int, int, int]:
    """The four double words of a Header Log register at byte `at`."""
    return dword(body, at), dword(body, at + 4), dword(body, at + 8), dword(body, at + 12)


def logged_tlp(log: tuple[int, int, int, int], in_flit: bool) -> tuple[Tlp | None, str | None]:
    """The packet of a Header Log, or why it is not decoded; neither for a log that is empty."""
    if not any(log):
        return None, None
    if log == (0xFFFFFFFF,) * 4:  # what a function that shares its log reads once the log overflowed
        return None, "all ones: the header log overflowed"
    return (None, FLIT_HEADER) if in_flit else (decode_tlp(log), None)


def _logs_header(error: str | None, control: int) -> bool:
    if error is None or error.startswith("bit "):
        return False
    return bool(control & _TIMEOUT_LOGGED) if error == "CmpltTO" else error not in _WITHOUT_HEADER


def _flit_header(body: bytes, log: tuple[int, ...], count: int) -> tuple[int, ...]:
    """FLIT mode goes on where the prefix log was; as many double words as were logged, four where that is not said."""
    room = max(0, len(body) - _PREFIX_LOG) // 4
    more = min(max(0, count - len(log)), room, _LONGEST_LOG - len(log))
    return log[: count or len(log)] + dwords(body, _PREFIX_LOG, more)


def _root_errors(body: bytes) -> RootErrors:
    status, sources = dword(body, regs.PCI_ERR_ROOT_STATUS), regs.PCI_ERR_ROOT_ERR_SRC
    correctable = status & regs.PCI_ERR_ROOT_COR_RCV
    uncorrectable = status & regs.PCI_ERR_ROOT_UNCOR_RCV
    return RootErrors(
        command=set_of(dword(body, regs.PCI_ERR_ROOT_COMMAND), _ROOT_COMMAND),
        status=set_of(status, _ROOT_STATUS),
        correctable_source=function(word(body, sources)) if correctable else None,
        uncorrectable_source=function(word(body, sources + 2)) if uncorrectable else None,
    )
