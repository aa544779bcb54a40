"""A configuration space image into a frozen description: identity, link, payload and error reporting.

Bytes in, values out: nothing is read from a device here. The lists of capabilities are walked in `capabilities`;
what an error means is in `aer`. Flags are called by the tails of their names in Linux's header (PCI_COMMAND_SERR is
"SERR"). What an image does not hold, and what its port does not have, is None.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, cast

import attrs
from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import registers as regs
from laneproof.pcie.aer import Group, names_of
from laneproof.pcie.capabilities import Capability, extended_capabilities, standard_capabilities
from laneproof.pcie.rates import SPEEDS_GTPS, WIDTHS, speed_from_code

LNKSTA2_FLIT = 0x0400
"""FLIT mode in Link Status 2, as in Linux's PCI_EXP_LNKSTA2_FLIT, which older headers do not have."""

_PORT_TYPES: dict[int, str] = {
    regs.PCI_EXP_TYPE_ENDPOINT: "endpoint",
    regs.PCI_EXP_TYPE_LEG_END: "legacy endpoint",
    regs.PCI_EXP_TYPE_ROOT_PORT: "root port",
    regs.PCI_EXP_TYPE_UPSTREAM: "upstream port",
    regs.PCI_EXP_TYPE_DOWNSTREAM: "downstream port",
    0x7: "PCI Express to PCI bridge",
    0x8: "PCI to PCI Express bridge",
    regs.PCI_EXP_TYPE_RC_END: "root complex integrated endpoint",
    regs.PCI_EXP_TYPE_RC_EC: "root complex event collector",
}
# A root complex's own functions have no link (base specification, from memory).
_WITHOUT_LINK = (regs.PCI_EXP_TYPE_RC_END, regs.PCI_EXP_TYPE_RC_EC)
# Link Training is reserved at a link's lower end; these stand at its upper one.
_UPPER_END = (regs.PCI_EXP_TYPE_ROOT_PORT, regs.PCI_EXP_TYPE_DOWNSTREAM, 0x8)
# Only these have Root Error Command, Status and Source Identification.
_WITH_ROOT_ERRORS = (regs.PCI_EXP_TYPE_ROOT_PORT, regs.PCI_EXP_TYPE_RC_EC)

_COMMAND = ("IO", "MEMORY", "MASTER", "PARITY", "SERR", "INTX_DISABLE")
_STATUS = (
    "INTERRUPT",
    "CAP_LIST",
    "PARITY",
    "SIG_TARGET_ABORT",
    "REC_TARGET_ABORT",
    "REC_MASTER_ABORT",
    "SIG_SYSTEM_ERROR",
    "DETECTED_PARITY",
)
_DEVICE_STATUS = ("CED", "NFED", "FED", "URD", "AUXPD", "TRPND")
_ROOT_COMMAND = ("COR_EN", "NONFATAL_EN", "FATAL_EN")
_ROOT_STATUS = (
    "COR_RCV",
    "MULTI_COR_RCV",
    "UNCOR_RCV",
    "MULTI_UNCOR_RCV",
    "FIRST_FATAL",
    "NONFATAL_RCV",
    "FATAL_RCV",
)


@frozen(kw_only=True)
class Link:
    """Link registers of one port. Speeds in GT/s, widths in lanes; a code that names none is None.

    `training` exists at a link's upper end only, `dl_active` and the two bandwidth flags only where the port says
    that it reports them; the registers of capability version 2 (`supported_speeds_gtps` where the maximum does not
    settle it, `target_speed_gtps`, `flit_mode`) only there.
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


@frozen(kw_only=True)
class Payload:
    """Largest payload that the function can take, the one set, and the largest read request set, all in bytes."""

    supported: int | None
    set: int | None
    read_request: int | None


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
    words as integers; they belong to `first_error`, where that one logs a header.
    """

    offset: int
    correctable: CorrectableErrors
    uncorrectable: UncorrectableErrors
    first_error: str | None
    header_log: tuple[int, int, int, int]
    root: RootErrors | None


@frozen(kw_only=True)
class ConfigSpace:
    """One function's configuration space, as far as an image of `size` bytes (64, 256 or 4096) shows it.

    `class_code` holds class, subclass and programming interface in 24 bits. An image of 64 bytes, all that Linux
    shows without privilege, lists no capabilities, whatever the function has.
    """

    size: int
    vendor_id: int
    device_id: int
    revision_id: int
    class_code: int
    header_type: int
    command: tuple[str, ...]
    status: tuple[str, ...]
    capabilities: tuple[Capability, ...]
    port_type: str | None
    device_status: tuple[str, ...] | None
    link: Link | None
    payload: Payload | None
    aer: AdvancedErrors | None

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts, lists, numbers, strings and None, ready for JSON; the keys are the field names."""
        return attrs.asdict(self, value_serializer=_plain)


def decode(config_bytes: bytes | bytearray | memoryview) -> ConfigSpace:
    """Describe an image of configuration space of 64, 256 or 4096 bytes, as Linux's `config` file holds it.

    Raises BadInput, and nothing else, for another size, for all ones or all zeros, and for a list of capabilities
    that loops, leaves its room or runs one capability into another.
    """
    image = _checked(config_bytes)
    standard, extended = standard_capabilities(image), extended_capabilities(image)
    express = next((entry for entry in standard if entry.id == regs.PCI_CAP_ID_EXP), None)
    reporting = next((entry for entry in extended if entry.id == regs.PCI_EXT_CAP_ID_ERR), None)
    flags = 0 if express is None else _word(image, express.offset + regs.PCI_EXP_FLAGS)
    kind = None if express is None else (flags & regs.PCI_EXP_FLAGS_TYPE) >> 4
    version = flags & regs.PCI_EXP_FLAGS_VERS
    if express is not None:
        _check_room(express, _express_nbytes(kind, version), standard, regs.PCI_CFG_SPACE_SIZE)
    if reporting is not None:
        nbytes = regs.PCI_ERR_ROOT_ERR_SRC + 4 if kind in _WITH_ROOT_ERRORS else regs.PCI_ERR_ROOT_COMMAND
        _check_room(reporting, nbytes, extended, regs.PCI_CFG_SPACE_EXP_SIZE)
    with_link = express is not None and kind not in _WITHOUT_LINK
    return ConfigSpace(
        size=len(image),
        vendor_id=_word(image, regs.PCI_VENDOR_ID),
        device_id=_word(image, regs.PCI_DEVICE_ID),
        revision_id=image[regs.PCI_REVISION_ID],
        class_code=_dword(image, regs.PCI_CLASS_REVISION) >> 8,
        header_type=image[regs.PCI_HEADER_TYPE] & regs.PCI_HEADER_TYPE_MASK,
        command=_set_flags(_word(image, regs.PCI_COMMAND), "PCI_COMMAND_", _COMMAND),
        status=_set_flags(_word(image, regs.PCI_STATUS), "PCI_STATUS_", _STATUS),
        capabilities=standard + extended,
        port_type=None if kind is None else _PORT_TYPES.get(kind),
        device_status=None if express is None else _device_status(image, express.offset),
        link=_link(image, express.offset, kind, version) if express is not None and with_link else None,
        payload=None if express is None else _payload(image, express.offset),
        aer=None if reporting is None else _advanced_errors(image, reporting.offset, kind),
    )


def _plain(_instance: object, _field: object, value: Any) -> Any:
    return list(cast("tuple[object, ...]", value)) if isinstance(value, tuple) else value


def _checked(given: bytes | bytearray | memoryview) -> bytes:
    try:
        image = bytes(memoryview(given))
    except TypeError:
        raise BadInput(f"a configuration space image is bytes, not {type(given).__name__}") from None
    if len(image) not in (regs.PCI_STD_HEADER_SIZEOF, regs.PCI_CFG_SPACE_SIZE, regs.PCI_CFG_SPACE_EXP_SIZE):
        raise BadInput(f"{len(image)} bytes are no configuration space image; it has 64, 256 or 4096")
    if image.count(0xFF) == len(image):
        raise BadInput("the image is all ones from byte 0x00 on: no device answered; it was gone or asleep when read")
    if not any(image):
        raise BadInput("the image is all zeros from byte 0x00 on: nothing was read into it")
    return image


def _word(image: bytes, offset: int) -> int:
    return int.from_bytes(image[offset : offset + 2], "little")


def _dword(image: bytes, offset: int) -> int:
    return int.from_bytes(image[offset : offset + 4], "little")


def _set_flags(value: int, prefix: str, names: Iterable[str]) -> tuple[str, ...]:
    return tuple(name for name in names if value & getattr(regs, prefix + name))


def _express_nbytes(kind: int | None, version: int) -> int:
    """As far as the decoder reads the PCI Express capability; the rest differs between parts."""
    if kind in _WITHOUT_LINK:
        return regs.PCI_EXP_DEVSTA + 2
    return regs.PCI_EXP_LNKSTA2 + 2 if version >= 2 else regs.PCI_EXP_LNKSTA + 2


def _check_room(entry: Capability, nbytes: int, others: Iterable[Capability], limit: int) -> None:
    end = entry.offset + nbytes
    if end > limit:
        raise BadInput(f"the {entry.name} capability at {entry.offset:#04x} runs past the end of its room, {limit:#x}")
    for other in others:
        if entry.offset < other.offset < end:
            raise BadInput(
                f"the {entry.name} capability at {entry.offset:#04x} overlaps the one at {other.offset:#04x}"
            )


def _device_status(image: bytes, at: int) -> tuple[str, ...]:
    return _set_flags(_word(image, at + regs.PCI_EXP_DEVSTA), "PCI_EXP_DEVSTA_", _DEVICE_STATUS)


def _payload(image: bytes, at: int) -> Payload:
    control = _word(image, at + regs.PCI_EXP_DEVCTL)
    return Payload(
        supported=_size(_dword(image, at + regs.PCI_EXP_DEVCAP) & regs.PCI_EXP_DEVCAP_PAYLOAD),
        set=_size((control & regs.PCI_EXP_DEVCTL_PAYLOAD) >> 5),
        read_request=_size((control & regs.PCI_EXP_DEVCTL_READRQ) >> 12),
    )


def _size(code: int) -> int | None:
    return 128 << code if code <= 5 else None


def _width(code: int) -> int | None:
    return code if code in WIDTHS else None


def _link(image: bytes, at: int, kind: int | None, version: int) -> Link:
    capable = _dword(image, at + regs.PCI_EXP_LNKCAP)
    status = _word(image, at + regs.PCI_EXP_LNKSTA)
    notifies = bool(capable & regs.PCI_EXP_LNKCAP_LBNC)
    max_speed_gtps = speed_from_code(capable & regs.PCI_EXP_LNKCAP_SLS)
    vector = _dword(image, at + regs.PCI_EXP_LNKCAP2) if version >= 2 else 0
    control2 = _word(image, at + regs.PCI_EXP_LNKCTL2) if version >= 2 else 0
    return Link(
        max_speed_gtps=max_speed_gtps,
        max_width=_width((capable & regs.PCI_EXP_LNKCAP_MLW) >> 4),
        speed_gtps=speed_from_code(status & regs.PCI_EXP_LNKSTA_CLS),
        width=_width((status & regs.PCI_EXP_LNKSTA_NLW) >> regs.PCI_EXP_LNKSTA_NLW_SHIFT),
        training=bool(status & regs.PCI_EXP_LNKSTA_LT) if kind in _UPPER_END else None,
        dl_active=bool(status & regs.PCI_EXP_LNKSTA_DLLLA) if capable & regs.PCI_EXP_LNKCAP_DLLLARC else None,
        bandwidth_management=bool(status & regs.PCI_EXP_LNKSTA_LBMS) if notifies else None,
        autonomous_bandwidth=bool(status & regs.PCI_EXP_LNKSTA_LABS) if notifies else None,
        slot_clock=bool(status & regs.PCI_EXP_LNKSTA_SLC),
        supported_speeds_gtps=_supported_speeds(vector, max_speed_gtps),
        target_speed_gtps=speed_from_code(control2 & regs.PCI_EXP_LNKCTL2_TLS),
        flit_mode=bool(_word(image, at + regs.PCI_EXP_LNKSTA2) & LNKSTA2_FLIT) if version >= 2 else None,
    )


def _supported_speeds(vector: int, max_speed_gtps: float | None) -> tuple[float, ...] | None:
    """Speeds of the vector in Link Capabilities 2; parts older than 3.0 have none, and then the maximum settles it.

    The rule of Linux's pcie_get_supported_speeds (drivers/pci/pci.c), from memory.
    """
    listed = tuple(speed for bit, speed in enumerate(SPEEDS_GTPS, start=1) if vector >> bit & 1)
    if listed:
        return listed
    return {2.5: (2.5,), 5.0: (2.5, 5.0)}.get(max_speed_gtps or 0.0)


def _advanced_errors(image: bytes, at: int, kind: int | None) -> AdvancedErrors:
    def names(offset: int, group: Group) -> tuple[str, ...]:
        return names_of(_dword(image, at + offset), group)

    pointer = _dword(image, at + regs.PCI_ERR_CAP) & 0x1F
    first = 1 << pointer & _dword(image, at + regs.PCI_ERR_UNCOR_STATUS)
    log = at + regs.PCI_ERR_HEADER_LOG
    return AdvancedErrors(
        offset=at,
        correctable=CorrectableErrors(
            status=names(regs.PCI_ERR_COR_STATUS, "correctable"),
            mask=names(regs.PCI_ERR_COR_MASK, "correctable"),
        ),
        uncorrectable=UncorrectableErrors(
            status=names(regs.PCI_ERR_UNCOR_STATUS, "uncorrectable"),
            mask=names(regs.PCI_ERR_UNCOR_MASK, "uncorrectable"),
            severity=names(regs.PCI_ERR_UNCOR_SEVER, "uncorrectable"),
        ),
        first_error=names_of(first, "uncorrectable")[0] if first else None,
        header_log=(_dword(image, log), _dword(image, log + 4), _dword(image, log + 8), _dword(image, log + 12)),
        root=_root_errors(image, at) if kind in _WITH_ROOT_ERRORS else None,
    )


def _root_errors(image: bytes, at: int) -> RootErrors:
    status = _dword(image, at + regs.PCI_ERR_ROOT_STATUS)
    sources = _dword(image, at + regs.PCI_ERR_ROOT_ERR_SRC)
    return RootErrors(
        command=_set_flags(_dword(image, at + regs.PCI_ERR_ROOT_COMMAND), "PCI_ERR_ROOT_CMD_", _ROOT_COMMAND),
        status=_set_flags(status, "PCI_ERR_ROOT_", _ROOT_STATUS),
        correctable_source=_function(sources & 0xFFFF) if status & regs.PCI_ERR_ROOT_COR_RCV else None,
        uncorrectable_source=_function(sources >> 16) if status & regs.PCI_ERR_ROOT_UNCOR_RCV else None,
    )


def _function(requester_id: int) -> str:
    """Bus, device and function as Linux writes them."""
    return f"{requester_id >> 8:02x}:{requester_id >> 3 & 0x1F:02x}.{requester_id & 7}"
