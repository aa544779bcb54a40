"""Extended capabilities of few registers: containment, L1 substates, link features, access, serial number, BARs.

Registers and flags are those of Linux's header; what it lacks is from pciutils' lib/header.h and the base
specification, from memory.
"""

from __future__ import annotations

from attrs import frozen

from laneproof.pcie import registers as regs
from laneproof.pcie.error_reporting import header_log, logged_tlp
from laneproof.pcie.fields import dword, field, flags, function, set_of, word
from laneproof.pcie.tlp import Tlp

DPC_NBYTES = regs.PCI_EXP_DPC_SOURCE_ID + 2
L1SS_NBYTES = regs.PCI_L1SS_CTL2 + 4
LINK_FEATURE_NBYTES = 0x0C
ACS_NBYTES = regs.PCI_ACS_CTRL + 2
SERIAL_NUMBER_NBYTES = regs.PCI_EXT_CAP_DSN_SIZEOF
RESIZABLE_NBYTES = regs.PCI_REBAR_CTRL + 4

_DPC_SUPPORT = flags("PCI_EXP_DPC_CAP_", "RP_EXT", "POISONED_TLP", "SW_TRIGGER", "DL_ACTIVE")
_DPC_CONTROL = flags("PCI_EXP_DPC_CTL_", "INT_EN") | {
    "CMPL": 0x4,
    "ERR_COR": 0x10,
    "TLP": 0x20,
    "SW_TRIGGER": 0x40,
    "DL_ACTIVE": 0x80,
}
_DPC_TRIGGERS = {1: "ERR_FATAL", 2: "ERR_NONFATAL or ERR_FATAL"}
_BY_MESSAGE = {1: "ERR_NONFATAL received", 2: "ERR_FATAL received"}
_EXTENDED_REASONS = {0: "root port I/O error", 1: "software trigger"}
# Linux drivers/pci/pcie/dpc.c, rp_pio_error_string; names of the base specification.
_ROOT_PORT_IO = {
    "CfgUR": 1 << 0,
    "CfgCA": 1 << 1,
    "CfgCTO": 1 << 2,
    "IOUR": 1 << 8,
    "IOCA": 1 << 9,
    "IOCTO": 1 << 10,
    "MemUR": 1 << 16,
    "MemCA": 1 << 17,
    "MemCTO": 1 << 18,
}
_SUBSTATES = ("PCIPM_L1_2", "PCIPM_L1_1", "ASPM_L1_2", "ASPM_L1_1")
_L1SS_SUPPORT = flags("PCI_L1SS_CAP_", *_SUBSTATES, "L1_PM_SS")
_L1SS_CONTROL = flags("PCI_L1SS_CTL1_", *_SUBSTATES)
_POWER_ON_US = {0: 2, 1: 10, 2: 100}
_LINK_FEATURES = {"scaled flow control": 1}
_REMOTE_STATUS, _REMOTE_VALID = 0x08, 1 << 31
_ACS = flags("PCI_ACS_", "SV", "TB", "RR", "CR", "UF", "EC", "DT")
_SERIAL_NUMBER = 0x04
_SMALLEST_BAR = 1 << 20


@frozen(kw_only=True)
class RootPortErrors:
    """Requests of the root port itself that failed ("MemCTO": a memory request's completion timed out)."""

    status: tuple[str, ...]
    mask: tuple[str, ...]
    first_error: str | None
    header_log: tuple[int, int, int, int] | None
    tlp: Tlp | None
    tlp_undecoded: str | None


@frozen(kw_only=True)
class Containment:
    """Downstream Port Containment at byte `offset`: a triggered port keeps its link down until software releases it.

    `trigger_on` is what triggers it besides what the port finds itself, None while it is switched off. `reason` is
    None unless triggered; `source` ("03:00.0") only where a message was the reason. `supported` and `control` are
    flags of DPC Capability and Control.
    """

    offset: int
    supported: tuple[str, ...]
    control: tuple[str, ...]
    trigger_on: str | None
    triggered: bool
    reason: str | None
    source: str | None
    interrupt: bool
    root_port_busy: bool
    root_port_errors: RootPortErrors | None


@frozen(kw_only=True)
class L1Substates:
    """L1 PM Substates at byte `offset`; flags by the tails of PCI_L1SS_CAP_ and PCI_L1SS_CTL1_.

    Times are in microseconds, the threshold in nanoseconds; None for a scale that is reserved.
    """

    offset: int
    supported: tuple[str, ...]
    enabled: tuple[str, ...]
    port_common_mode_us: int
    port_power_on_us: int | None
    common_mode_us: int
    power_on_us: int | None
    ltr_threshold_ns: int | None


@frozen(kw_only=True)
class LinkFeature:
    """The Data Link Feature capability at byte `offset`; `remote` is None until the partner's features came."""

    offset: int
    exchange_enabled: bool
    local: tuple[str, ...]
    remote: tuple[str, ...] | None


@frozen(kw_only=True)
class AccessControl:
    """Access Control Services at byte `offset`: what the function can do and what of it is switched on (PCI_ACS_)."""

    offset: int
    supported: tuple[str, ...]
    enabled: tuple[str, ...]


@frozen(kw_only=True)
class ResizableBar:
    """One Base Address Register that can be resized: its index and its size now, in bytes."""

    index: int
    nbytes: int


def decode_containment(body: bytes, offset: int, flit_mode: bool) -> Containment:
    """The capability in `body`, of DPC_NBYTES or more."""
    capable, control = word(body, regs.PCI_EXP_DPC_CAP), word(body, regs.PCI_EXP_DPC_CTL)
    status = word(body, regs.PCI_EXP_DPC_STATUS)
    triggered = bool(status & regs.PCI_EXP_DPC_STATUS_TRIGGER)
    code = field(status, regs.PCI_EXP_DPC_STATUS_TRIGGER_RSN)
    extension = field(status, regs.PCI_EXP_DPC_STATUS_TRIGGER_RSN_EXT)
    reason = _BY_MESSAGE.get(code, "uncorrectable error of the port") if code < 3 else _EXTENDED_REASONS.get(extension)
    extended = capable & regs.PCI_EXP_DPC_CAP_RP_EXT and len(body) >= regs.PCI_EXP_DPC_RP_PIO_HEADER_LOG
    return Containment(
        offset=offset,
        supported=set_of(capable, _DPC_SUPPORT),
        control=set_of(control, _DPC_CONTROL),
        trigger_on=_DPC_TRIGGERS.get(control & (regs.PCI_EXP_DPC_CTL_EN_FATAL | regs.PCI_EXP_DPC_CTL_EN_NONFATAL)),
        triggered=triggered,
        reason=(reason or "reserved") if triggered else None,
        source=function(word(body, regs.PCI_EXP_DPC_SOURCE_ID)) if triggered and code in _BY_MESSAGE else None,
        interrupt=bool(status & regs.PCI_EXP_DPC_STATUS_INTERRUPT),
        root_port_busy=bool(status & regs.PCI_EXP_DPC_RP_BUSY),
        root_port_errors=_root_port_errors(body, capable, status, flit_mode) if extended else None,
    )


def _root_port_errors(body: bytes, capable: int, status: int, flit_mode: bool) -> RootPortErrors:
    errors = dword(body, regs.PCI_EXP_DPC_RP_PIO_STATUS)
    first = set_of(1 << field(status, regs.PCI_EXP_DPC_RP_PIO_FEP) & errors, _ROOT_PORT_IO)
    at = regs.PCI_EXP_DPC_RP_PIO_HEADER_LOG
    logs = field(capable, regs.PCI_EXP_DPC_RP_PIO_LOG_SIZE) >= 4 and len(body) >= at + 16
    log = header_log(body, at) if logs else None
    tlp, undecoded = (None, None) if log is None else logged_tlp(log, flit_mode)
    return RootPortErrors(
        status=set_of(errors, _ROOT_PORT_IO),
        mask=set_of(dword(body, regs.PCI_EXP_DPC_RP_PIO_MASK), _ROOT_PORT_IO),
        first_error=first[0] if first else None,
        header_log=log,
        tlp=tlp,
        tlp_undecoded=undecoded,
    )


def decode_l1_substates(body: bytes, offset: int) -> L1Substates:
    """The capability in `body`, of L1SS_NBYTES or more."""
    capable, control = dword(body, regs.PCI_L1SS_CAP), dword(body, regs.PCI_L1SS_CTL1)
    control2 = dword(body, regs.PCI_L1SS_CTL2)
    scale = field(control, regs.PCI_L1SS_CTL1_LTR_L12_TH_SCALE)
    return L1Substates(
        offset=offset,
        supported=set_of(capable, _L1SS_SUPPORT),
        enabled=set_of(control, _L1SS_CONTROL),
        port_common_mode_us=field(capable, regs.PCI_L1SS_CAP_CM_RESTORE_TIME),
        port_power_on_us=_power_on_us(
            field(capable, regs.PCI_L1SS_CAP_P_PWR_ON_VALUE), field(capable, regs.PCI_L1SS_CAP_P_PWR_ON_SCALE)
        ),
        common_mode_us=field(control, regs.PCI_L1SS_CTL1_CM_RESTORE_TIME),
        power_on_us=_power_on_us(control2 >> 3 & 0x1F, control2 & 3),
        ltr_threshold_ns=field(control, regs.PCI_L1SS_CTL1_LTR_L12_TH_VALUE) << 5 * scale if scale <= 5 else None,
    )


def _power_on_us(value: int, scale: int) -> int | None:
    unit = _POWER_ON_US.get(scale)
    return None if unit is None else value * unit


def decode_link_feature(body: bytes, offset: int) -> LinkFeature:
    """The capability in `body`, of LINK_FEATURE_NBYTES or more."""
    capable, remote = dword(body, regs.PCI_DLF_CAP), dword(body, _REMOTE_STATUS)
    return LinkFeature(
        offset=offset,
        exchange_enabled=bool(capable & regs.PCI_DLF_EXCHANGE_ENABLE),
        local=set_of(capable, _LINK_FEATURES),
        remote=set_of(remote, _LINK_FEATURES) if remote & _REMOTE_VALID else None,
    )


def decode_access_control(body: bytes, offset: int) -> AccessControl:
    """The capability in `body`, of ACS_NBYTES or more."""
    return AccessControl(
        offset=offset,
        supported=set_of(word(body, regs.PCI_ACS_CAP), _ACS),
        enabled=set_of(word(body, regs.PCI_ACS_CTRL), _ACS),
    )


def decode_serial_number(body: bytes) -> str:
    """Eight bytes as lspci writes them, the most significant first: "00-11-22-33-44-55-66-77"."""
    return body[_SERIAL_NUMBER : _SERIAL_NUMBER + 8][::-1].hex("-")


def decode_resizable_bars(body: bytes) -> tuple[ResizableBar, ...]:
    """The capability in `body`, of RESIZABLE_NBYTES or more: as many entries as the first one says and `body` holds."""
    count = min(field(dword(body, regs.PCI_REBAR_CTRL), regs.PCI_REBAR_CTRL_NBAR_MASK), (len(body) - 4) // 8)
    controls = (dword(body, regs.PCI_REBAR_CTRL + 8 * entry) for entry in range(count))
    return tuple(
        ResizableBar(
            index=control & regs.PCI_REBAR_CTRL_BAR_IDX,
            nbytes=_SMALLEST_BAR << field(control, regs.PCI_REBAR_CTRL_BAR_SIZE),
        )
        for control in controls
    )
