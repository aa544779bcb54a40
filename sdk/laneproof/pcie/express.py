"""The PCI Express capability: device, link, slot and root registers, those of version 2 included.

Error reporting beyond Device Status is in `error_reporting`; lanes and equalisation above 8 GT/s are in
`physical_layer`, margining in `margining`. Bits that Linux 6.1's header does not hold are from pciutils' lib/header.h
and the base specification, from memory.
"""

from __future__ import annotations

from attrs import frozen

from laneproof.pcie import registers as regs
from laneproof.pcie.fields import dword, field, flags, function, set_of, speeds, width, word
from laneproof.pcie.rates import speed_from_code

LNKSTA2_FLIT = 0x0400
"""FLIT mode in Link Status 2, as in Linux's PCI_EXP_LNKSTA2_FLIT, which older headers do not have."""

PORT_TYPES: dict[int, str] = {
    regs.PCI_EXP_TYPE_ENDPOINT: "endpoint",
    regs.PCI_EXP_TYPE_LEG_END: "legacy endpoint",
    regs.PCI_EXP_TYPE_ROOT_PORT: "root port",
    regs.PCI_EXP_TYPE_UPSTREAM: "upstream port",
    regs.PCI_EXP_TYPE_DOWNSTREAM: "downstream port",
    regs.PCI_EXP_TYPE_PCI_BRIDGE: "PCI Express to PCI bridge",
    regs.PCI_EXP_TYPE_PCIE_BRIDGE: "PCI to PCI Express bridge",
    regs.PCI_EXP_TYPE_RC_END: "root complex integrated endpoint",
    regs.PCI_EXP_TYPE_RC_EC: "root complex event collector",
}
# A root complex's own functions have no link (base specification, from memory).
_WITHOUT_LINK = (regs.PCI_EXP_TYPE_RC_END, regs.PCI_EXP_TYPE_RC_EC)
# Link Training and Link Disable are reserved at a link's lower end; these stand at its upper one.
_UPPER_END = (regs.PCI_EXP_TYPE_ROOT_PORT, regs.PCI_EXP_TYPE_DOWNSTREAM, regs.PCI_EXP_TYPE_PCIE_BRIDGE)
_WITH_SLOT = (regs.PCI_EXP_TYPE_ROOT_PORT, regs.PCI_EXP_TYPE_DOWNSTREAM)
_WITH_ROOT = (regs.PCI_EXP_TYPE_ROOT_PORT, regs.PCI_EXP_TYPE_RC_EC)

_DEVICE_CONTROL = flags(
    "PCI_EXP_DEVCTL_",
    "CERE",
    "NFERE",
    "FERE",
    "URRE",
    "RELAX_EN",
    "EXT_TAG",
    "PHANTOM",
    "AUX_PME",
    "NOSNOOP_EN",
)
_DEVICE_STATUS = flags("PCI_EXP_DEVSTA_", "CED", "NFED", "FED", "URD", "AUXPD", "TRPND")
_DEVICE_CONTROL_2 = flags(
    "PCI_EXP_DEVCTL2_",
    "COMP_TMOUT_DIS",
    "ARI",
    "ATOMIC_REQ",
    "ATOMIC_EGRESS_BLOCK",
    "IDO_REQ_EN",
    "IDO_CMP_EN",
    "LTR_EN",
)
_TEN_BIT_TAGS = 0x1000
# Ranges of Device Control 2 in seconds, as lspci prints them.
_COMPLETION_TIMEOUT_S: dict[int, tuple[float, float]] = {
    0x0: (50e-6, 50e-3),
    0x1: (50e-6, 100e-6),
    0x2: (1e-3, 10e-3),
    0x5: (16e-3, 55e-3),
    0x6: (65e-3, 210e-3),
    0x9: (260e-3, 900e-3),
    0xA: (1.0, 3.5),
    0xD: (4.0, 13.0),
    0xE: (17.0, 64.0),
}
_LINK_CONTROL = flags("PCI_EXP_LNKCTL_", "LD", "CCC", "ES", "CLKREQ_EN", "HAWD", "LBMIE", "LABIE")
_ASPM_SUPPORT = {"L0s": regs.PCI_EXP_LNKCAP_ASPM_L0S, "L1": regs.PCI_EXP_LNKCAP_ASPM_L1}
_ASPM_CONTROL = {"L0s": regs.PCI_EXP_LNKCTL_ASPM_L0S, "L1": regs.PCI_EXP_LNKCTL_ASPM_L1}
EQUALISATION = {"complete": 1, "phase 1": 2, "phase 2": 4, "phase 3": 8, "requested": 16}
"""Equalisation status, as every rate has it, counted from its lowest bit."""
# Link Capabilities 2: speeds at which fewer SKP ordered sets may be sent, and received, as SRIS wants it.
_SKP_GENERATION, _SKP_RECEPTION = 0x0000FE00, 0x007F0000
_RETIMERS_SEEN = 0x01800000
_RETIMER, _TWO_RETIMERS = 0x0040, 0x0080

_SLOT_SUPPORT = flags("PCI_EXP_SLTCAP_", "ABP", "PCP", "MRLSP", "AIP", "PIP", "HPS", "HPC", "EIP", "NCCS")
_SLOT_CONTROL = flags("PCI_EXP_SLTCTL_", "ABPE", "PFDE", "MRLSCE", "PDCE", "CCIE", "HPIE", "PCC", "EIC", "DLLSCE")
_SLOT_STATUS = flags("PCI_EXP_SLTSTA_", "ABP", "PFD", "MRLSC", "PDC", "CC", "MRLSS", "PDS", "EIS", "DLLSC")
_ROOT_CONTROL = flags("PCI_EXP_RTCTL_", "SECEE", "SENFEE", "SEFEE", "PMEIE", "CRSSVE")
_ROOT_STATUS = flags("PCI_EXP_RTSTA_", "PME", "PENDING")


@frozen(kw_only=True)
class Device:
    """Device registers. `version` is the capability's; the fields from `control2` on exist from version 2 only.

    `control` and `status` are flags of DEVCTL and DEVSTA. Without AER the status' error flags are the only evidence
    of errors. `tag_bits` is the width of the tags that the function may use: 5, 8 or 10. `captured_power_limit_w` is
    the limit that the slot above announced, None where none was received. `completion_timeout_s` is the range set.
    """

    version: int
    control: tuple[str, ...]
    status: tuple[str, ...]
    role_based_errors: bool
    function_level_reset: bool
    tag_bits: int
    captured_power_limit_w: float | None
    control2: tuple[str, ...] | None
    completion_timeout_s: tuple[float, float] | None


@frozen(kw_only=True)
class Link:
    """Link registers of one port. Speeds in GT/s, widths in lanes; a code that names none is None.

    `training` exists at a link's upper end only, `dl_active` and the two bandwidth flags only where the port says
    that it reports them; the registers of capability version 2 (`supported_speeds_gtps` where the maximum does not
    settle it, `target_speed_gtps`, `flit_mode`, `equalisation`, `retimers`) only there.

    `control` holds flags of LNKCTL. `aspm_supported` and `aspm_enabled` name "L0s" and "L1". `clocking` is "common",
    "separate" or, where the port can send and take SKP ordered sets for it, "separate, SRIS": as software has
    configured it, not measured; the speeds at which it can are `sris_generation_gtps` and `sris_reception_gtps`.
    `equalisation` is that of 8 GT/s: "complete", "phase 1" to "phase 3", "requested". `retimers` is None where the
    port does not look for any.
    """

    max_speed_gtps: float | None
    max_width: int | None
    speed_gtps: float | None
    width: int | None
    training: bool | None
    dl_active: bool | None
    bandwidth_management: bool | None
    autonomous_bandwidth: bool | None
    slot_clock: bool
    supported_speeds_gtps: tuple[float, ...] | None
    target_speed_gtps: float | None
    flit_mode: bool | None
    port_number: int
    control: tuple[str, ...]
    aspm_supported: tuple[str, ...]
    aspm_enabled: tuple[str, ...]
    common_clock: bool
    clocking: str
    surprise_down_reporting: bool
    read_completion_boundary: int
    autonomous_speed_disabled: bool | None
    equalisation: tuple[str, ...] | None
    retimers: int | None
    sris_generation_gtps: tuple[float, ...] | None
    sris_reception_gtps: tuple[float, ...] | None


@frozen(kw_only=True)
class Payload:
    """Largest payload that the function can take, the one set, and the largest read request set, all in bytes."""

    supported: int | None
    set: int | None
    read_request: int | None


@frozen(kw_only=True)
class Slot:
    """Slot registers of a port that has a slot; `supported`, `control`, `status` are flags of SLTCAP, SLTCTL, SLTSTA.

    `power_limit_w` is None for a code that the base specification reserves. `powered` is None without a power
    controller: then the slot's power is not switched by this port.
    """

    number: int
    power_limit_w: float | None
    hot_plug: bool
    hot_plug_surprise: bool
    card_present: bool
    powered: bool | None
    supported: tuple[str, ...]
    control: tuple[str, ...]
    status: tuple[str, ...]


@frozen(kw_only=True)
class Root:
    """Root registers: flags of RTCTL and RTSTA, and who sent the power management event, None where none is set."""

    control: tuple[str, ...]
    status: tuple[str, ...]
    pme_requester: str | None


@frozen(kw_only=True)
class Express:
    """What the capability's registers say, each part None where the port or its room does not have it."""

    kind: int
    port_type: str | None
    device: Device
    payload: Payload
    link: Link | None
    slot: Slot | None
    root: Root | None


def least_nbytes(body: bytes) -> int:
    """How far the capability of a port of this kind reaches at least, in whichever version.

    Version 2 wants more, but parts in use end it early where they lack the last registers.
    """
    register = word(body, regs.PCI_EXP_FLAGS)
    kind = field(register, regs.PCI_EXP_FLAGS_TYPE)
    if kind in _WITH_ROOT:
        return regs.PCI_EXP_RTSTA + 4
    if kind in _WITH_SLOT and register & regs.PCI_EXP_FLAGS_SLOT:
        return regs.PCI_EXP_SLTSTA + 2
    return regs.PCI_EXP_DEVSTA + 2 if kind in _WITHOUT_LINK else regs.PCI_EXP_LNKSTA + 2


def decode_express(body: bytes) -> Express:
    """The capability in `body`, of `least_nbytes` or more. What version 2 added is read where `body` holds it."""
    register = word(body, regs.PCI_EXP_FLAGS)
    kind, version = field(register, regs.PCI_EXP_FLAGS_TYPE), register & regs.PCI_EXP_FLAGS_VERS
    second = version >= 2
    second_link = second and len(body) >= regs.PCI_EXP_LNKSTA2 + 2
    return Express(
        kind=kind,
        port_type=PORT_TYPES.get(kind),
        device=_device(body, second and len(body) >= regs.PCI_EXP_DEVSTA2, version),
        payload=_payload(body),
        link=None if kind in _WITHOUT_LINK else _link(body, kind, second_link),
        slot=_slot(body) if kind in _WITH_SLOT and register & regs.PCI_EXP_FLAGS_SLOT else None,
        root=_root(body) if kind in _WITH_ROOT else None,
    )


def power_limit_w(value: int, scale: int) -> float | None:
    """Watts of a slot power limit's value and scale fields; None for a value that is reserved.

    At scale 0 the values above 0xEF count in steps of 25 W from 250 W (0xF0) to 600 W (0xFE), each the upper end of a
    range (base specification 6.0, 7.5.3.9, as quoted on the list linux-pci), and as Linux's
    of_pci_get_slot_power_limit (drivers/pci/of.c) encodes them.
    """
    if scale == 0 and value > 0xEF:
        return 250.0 + 25.0 * (value - 0xF0) if value <= 0xFE else None
    return value / 10**scale


def _device(body: bytes, second: bool, version: int) -> Device:
    capable, control = dword(body, regs.PCI_EXP_DEVCAP), word(body, regs.PCI_EXP_DEVCTL)
    control2 = word(body, regs.PCI_EXP_DEVCTL2) if second else 0
    limit = power_limit_w(field(capable, regs.PCI_EXP_DEVCAP_PWR_VAL), field(capable, regs.PCI_EXP_DEVCAP_PWR_SCL))
    disabled = control2 & regs.PCI_EXP_DEVCTL2_COMP_TMOUT_DIS
    timeout = None if disabled else _COMPLETION_TIMEOUT_S.get(control2 & regs.PCI_EXP_DEVCTL2_COMP_TIMEOUT)
    return Device(
        version=version,
        control=set_of(control, _DEVICE_CONTROL),
        status=set_of(word(body, regs.PCI_EXP_DEVSTA), _DEVICE_STATUS),
        role_based_errors=bool(capable & regs.PCI_EXP_DEVCAP_RBER),
        function_level_reset=bool(capable & regs.PCI_EXP_DEVCAP_FLR),
        tag_bits=10 if control2 & _TEN_BIT_TAGS else 8 if control & regs.PCI_EXP_DEVCTL_EXT_TAG else 5,
        captured_power_limit_w=limit or None,
        control2=set_of(control2, _DEVICE_CONTROL_2) if second else None,
        completion_timeout_s=timeout if second else None,
    )


def _payload(body: bytes) -> Payload:
    control = word(body, regs.PCI_EXP_DEVCTL)
    return Payload(
        supported=_size(dword(body, regs.PCI_EXP_DEVCAP) & regs.PCI_EXP_DEVCAP_PAYLOAD),
        set=_size(field(control, regs.PCI_EXP_DEVCTL_PAYLOAD)),
        read_request=_size(field(control, regs.PCI_EXP_DEVCTL_READRQ)),
    )


def _size(code: int) -> int | None:
    return 128 << code if code <= 5 else None


def _link(body: bytes, kind: int, second: bool) -> Link:
    capable, control, status = (
        dword(body, regs.PCI_EXP_LNKCAP),
        word(body, regs.PCI_EXP_LNKCTL),
        word(body, regs.PCI_EXP_LNKSTA),
    )
    notifies = bool(capable & regs.PCI_EXP_LNKCAP_LBNC)
    max_speed_gtps = speed_from_code(capable & regs.PCI_EXP_LNKCAP_SLS)
    capable2 = dword(body, regs.PCI_EXP_LNKCAP2) if second else 0
    control2 = word(body, regs.PCI_EXP_LNKCTL2) if second else 0
    status2 = word(body, regs.PCI_EXP_LNKSTA2) if second else 0
    common = bool(control & regs.PCI_EXP_LNKCTL_CCC)
    sris = bool(capable2 & _SKP_GENERATION and capable2 & _SKP_RECEPTION)
    return Link(
        max_speed_gtps=max_speed_gtps,
        max_width=width(field(capable, regs.PCI_EXP_LNKCAP_MLW)),
        speed_gtps=speed_from_code(status & regs.PCI_EXP_LNKSTA_CLS),
        width=width(field(status, regs.PCI_EXP_LNKSTA_NLW)),
        training=bool(status & regs.PCI_EXP_LNKSTA_LT) if kind in _UPPER_END else None,
        dl_active=bool(status & regs.PCI_EXP_LNKSTA_DLLLA) if capable & regs.PCI_EXP_LNKCAP_DLLLARC else None,
        bandwidth_management=bool(status & regs.PCI_EXP_LNKSTA_LBMS) if notifies else None,
        autonomous_bandwidth=bool(status & regs.PCI_EXP_LNKSTA_LABS) if notifies else None,
        slot_clock=bool(status & regs.PCI_EXP_LNKSTA_SLC),
        supported_speeds_gtps=_supported_speeds(capable2, max_speed_gtps),
        target_speed_gtps=speed_from_code(control2 & regs.PCI_EXP_LNKCTL2_TLS),
        flit_mode=bool(status2 & LNKSTA2_FLIT) if second else None,
        port_number=field(capable, regs.PCI_EXP_LNKCAP_PN),
        control=set_of(control, _LINK_CONTROL),
        aspm_supported=set_of(capable, _ASPM_SUPPORT),
        aspm_enabled=set_of(control, _ASPM_CONTROL),
        common_clock=common,
        clocking="common" if common else "separate, SRIS" if sris else "separate",
        surprise_down_reporting=bool(capable & regs.PCI_EXP_LNKCAP_SDERC),
        read_completion_boundary=128 if control & regs.PCI_EXP_LNKCTL_RCB else 64,
        autonomous_speed_disabled=bool(control2 & regs.PCI_EXP_LNKCTL2_HASD) if second else None,
        equalisation=set_of(status2 >> 1, EQUALISATION) if second else None,
        retimers=_retimers(capable2, status2),
        sris_generation_gtps=speeds(field(capable2, _SKP_GENERATION)) if second else None,
        sris_reception_gtps=speeds(field(capable2, _SKP_RECEPTION)) if second else None,
    )


def _retimers(capable2: int, status2: int) -> int | None:
    if status2 & _TWO_RETIMERS:
        return 2
    if status2 & _RETIMER:
        return 1
    return 0 if capable2 & _RETIMERS_SEEN else None


def _supported_speeds(capable2: int, max_speed_gtps: float | None) -> tuple[float, ...] | None:
    """Speeds of the vector in Link Capabilities 2; parts older than 3.0 have none, and then the maximum settles it.

    The rule of Linux's pcie_get_supported_speeds (drivers/pci/pci.c), from memory.
    """
    return speeds(capable2 >> 1) or {2.5: (2.5,), 5.0: (2.5, 5.0)}.get(max_speed_gtps or 0.0)


def _slot(body: bytes) -> Slot:
    capable, control, status = (
        dword(body, regs.PCI_EXP_SLTCAP),
        word(body, regs.PCI_EXP_SLTCTL),
        word(body, regs.PCI_EXP_SLTSTA),
    )
    switched = capable & regs.PCI_EXP_SLTCAP_PCP
    return Slot(
        number=field(capable, regs.PCI_EXP_SLTCAP_PSN),
        power_limit_w=power_limit_w(field(capable, regs.PCI_EXP_SLTCAP_SPLV), field(capable, regs.PCI_EXP_SLTCAP_SPLS)),
        hot_plug=bool(capable & regs.PCI_EXP_SLTCAP_HPC),
        hot_plug_surprise=bool(capable & regs.PCI_EXP_SLTCAP_HPS),
        card_present=bool(status & regs.PCI_EXP_SLTSTA_PDS),
        powered=not control & regs.PCI_EXP_SLTCTL_PCC if switched else None,
        supported=set_of(capable, _SLOT_SUPPORT),
        control=set_of(control, _SLOT_CONTROL),
        status=set_of(status, _SLOT_STATUS),
    )


def _root(body: bytes) -> Root:
    status = dword(body, regs.PCI_EXP_RTSTA)
    return Root(
        control=set_of(word(body, regs.PCI_EXP_RTCTL), _ROOT_CONTROL),
        status=set_of(status, _ROOT_STATUS),
        pme_requester=function(status & 0xFFFF) if status & regs.PCI_EXP_RTSTA_PME else None,
    )
