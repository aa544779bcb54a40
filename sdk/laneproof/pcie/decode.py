"""A configuration space image into a frozen description: the header, and what each known capability says.

Bytes in, values out: nothing is read from a device here. The lists of capabilities are walked in `capabilities`, each
family of registers has a module of its own. What an image does not hold, and what its port does not have, is None.

Refused is only what makes the whole image doubtful: a wrong size, no answer at all, a list that leads nowhere. A
capability with too little room before the next one or the end of its space is listed, not described, and named in
`oddities`: the base specification gives no length in the list, parts in use end a capability early where they lack
its last registers, and one odd capability says nothing against the others. Its optional registers, those of later
versions and those of single lanes are read as far as its room goes.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from typing import Any, TypeVar, cast

import attrs
from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import error_reporting, features, margining, physical_layer
from laneproof.pcie import registers as regs
from laneproof.pcie.capabilities import Capability, extended_capabilities, standard_capabilities
from laneproof.pcie.error_reporting import AdvancedErrors
from laneproof.pcie.express import Device, Express, Link, Payload, Root, Slot, decode_express, least_nbytes
from laneproof.pcie.features import AccessControl, Containment, L1Substates, LinkFeature, ResizableBar
from laneproof.pcie.fields import dword, flags, set_of, word
from laneproof.pcie.margining import Margining
from laneproof.pcie.physical_layer import PHYSICAL_NBYTES, FlitLogging, PhysicalLayer, Secondary

T = TypeVar("T")

_COMMAND = flags("PCI_COMMAND_", "IO", "MEMORY", "MASTER", "PARITY", "SERR", "INTX_DISABLE")
_STATUS = flags(
    "PCI_STATUS_",
    "INTERRUPT",
    "CAP_LIST",
    "PARITY",
    "SIG_TARGET_ABORT",
    "REC_TARGET_ABORT",
    "REC_MASTER_ABORT",
    "SIG_SYSTEM_ERROR",
    "DETECTED_PARITY",
)
# Bit 14 means another thing on a bridge's secondary side: an error message came from below.
_SECONDARY_STATUS = {
    "REC_SYSTEM_ERROR" if name == "SIG_SYSTEM_ERROR" else name: mask
    for name, mask in _STATUS.items()
    if name not in ("INTERRUPT", "CAP_LIST")
}
_BRIDGE_CONTROL = flags("PCI_BRIDGE_CTL_", "PARITY", "SERR", "ISA", "VGA", "MASTER_ABORT", "BUS_RESET", "FAST_BACK")
_PHYSICAL = {16.0: regs.PCI_EXT_CAP_ID_PL_16GT, 32.0: 0x2A, 64.0: 0x31}
_MARGINING, _FLIT_LOGGING = 0x27, 0x32


@frozen(kw_only=True)
class Bridge:
    """Header type 1: the buses above and below, and flags of Secondary Status and Bridge Control.

    An error message from below passes upward only with SERR in `control`.
    """

    primary_bus: int
    secondary_bus: int
    subordinate_bus: int
    secondary_status: tuple[str, ...]
    control: tuple[str, ...]


@frozen(kw_only=True)
class ConfigSpace:
    """One function's configuration space, as far as an image of `size` bytes (64, 256 or 4096) shows it.

    `class_code` holds class, subclass and programming interface in 24 bits. An image of 64 bytes, all that Linux
    shows without privilege, lists no capabilities, whatever the function has. Of two capabilities with one
    identifier the first is described, which is the one that Linux uses. `oddities` are sentences on what is listed
    but could not be described. `serial_number` identifies the one card: leave it out of what is passed on.
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
    bridge: Bridge | None
    device: Device | None
    slot: Slot | None
    root: Root | None
    secondary: Secondary | None
    physical_16gt: PhysicalLayer | None
    physical_32gt: PhysicalLayer | None
    physical_64gt: PhysicalLayer | None
    margining: Margining | None
    flit_logging: FlitLogging | None
    dpc: Containment | None
    l1_substates: L1Substates | None
    data_link_feature: LinkFeature | None
    acs: AccessControl | None
    serial_number: str | None
    resizable_bars: tuple[ResizableBar, ...] | None
    oddities: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The same as dicts, lists, numbers, strings and None, ready for JSON; the keys are the field names."""
        return attrs.asdict(self, value_serializer=_plain)


class _Rooms:
    """The bytes of each listed capability, from its header to whatever comes next, and complaints of too few."""

    def __init__(self, image: bytes, listed: tuple[Capability, ...]) -> None:
        self._image = image
        self._first = {(entry.extended, entry.id): entry for entry in reversed(listed)}
        self._starts = sorted(entry.offset for entry in listed)
        self.oddities: list[str] = []

    def extended(self, identifier: int, nbytes: int, decode: Callable[[bytes, int], T]) -> T | None:
        """What `decode` makes of the extended capability's bytes and offset, None unless there are `nbytes`."""
        entry = self._first.get((True, identifier))
        if entry is None:
            return None
        body = self.body(entry)
        if len(body) < nbytes:
            self.complain(entry, len(body), nbytes)
            return None
        return decode(body, entry.offset)

    def standard(self, identifier: int) -> Capability | None:
        return self._first.get((False, identifier))

    def body(self, entry: Capability) -> bytes:
        end = regs.PCI_CFG_SPACE_EXP_SIZE if entry.extended else regs.PCI_CFG_SPACE_SIZE
        after = bisect_right(self._starts, entry.offset)
        if after < len(self._starts):
            end = min(end, self._starts[after])
        return self._image[entry.offset : end]

    def complain(self, entry: Capability, held: int, nbytes: int) -> None:
        self.oddities.append(
            f"the {entry.name} capability at {entry.offset:#04x} has {held} bytes before the next one or the end of its"
            f" space, and needs {nbytes}; it is not described"
        )


def decode(config_bytes: bytes | bytearray | memoryview) -> ConfigSpace:
    """Describe an image of configuration space of 64, 256 or 4096 bytes, as Linux's `config` file holds it.

    Raises BadInput, and nothing else, for another size, for all ones or all zeros, and for a list of capabilities
    that loops, leaves its room or stops answering.
    """
    image = _checked(config_bytes)
    listed = standard_capabilities(image) + extended_capabilities(image)
    rooms = _Rooms(image, listed)
    express = _express(rooms)
    kind = None if express is None else express.kind
    link = None if express is None else express.link
    width = None if link is None else link.max_width
    flit_mode = link is not None and bool(link.flit_mode)
    header_type = image[regs.PCI_HEADER_TYPE] & regs.PCI_HEADER_TYPE_MASK

    def physical(speed_gtps: float) -> PhysicalLayer | None:
        return rooms.extended(
            _PHYSICAL[speed_gtps],
            PHYSICAL_NBYTES[speed_gtps],
            lambda body, at: physical_layer.decode_physical(body, at, speed_gtps, width),
        )

    return ConfigSpace(
        size=len(image),
        vendor_id=word(image, regs.PCI_VENDOR_ID),
        device_id=word(image, regs.PCI_DEVICE_ID),
        revision_id=image[regs.PCI_REVISION_ID],
        class_code=dword(image, regs.PCI_CLASS_REVISION) >> 8,
        header_type=header_type,
        command=set_of(word(image, regs.PCI_COMMAND), _COMMAND),
        status=set_of(word(image, regs.PCI_STATUS), _STATUS),
        capabilities=listed,
        port_type=None if express is None else express.port_type,
        device_status=None if express is None else express.device.status,
        link=link,
        payload=None if express is None else express.payload,
        aer=rooms.extended(
            regs.PCI_EXT_CAP_ID_ERR,
            error_reporting.LEAST_NBYTES,
            lambda body, at: error_reporting.decode_errors(body, at, kind, flit_mode),
        ),
        bridge=_bridge(image) if header_type == regs.PCI_HEADER_TYPE_BRIDGE else None,
        device=None if express is None else express.device,
        slot=None if express is None else express.slot,
        root=None if express is None else express.root,
        secondary=rooms.extended(
            regs.PCI_EXT_CAP_ID_SECPCI,
            physical_layer.SECONDARY_NBYTES,
            lambda body, at: physical_layer.decode_secondary(body, at, width),
        ),
        physical_16gt=physical(16.0),
        physical_32gt=physical(32.0),
        physical_64gt=physical(64.0),
        margining=rooms.extended(
            _MARGINING,
            margining.LEAST_NBYTES,
            lambda body, at: margining.decode_margining(body, at, width),
        ),
        flit_logging=rooms.extended(
            _FLIT_LOGGING,
            physical_layer.FLIT_LOGGING_NBYTES,
            lambda body, at: physical_layer.decode_flit_logging(body, at, width),
        ),
        dpc=rooms.extended(
            regs.PCI_EXT_CAP_ID_DPC,
            features.DPC_NBYTES,
            lambda body, at: features.decode_containment(body, at, flit_mode),
        ),
        l1_substates=rooms.extended(regs.PCI_EXT_CAP_ID_L1SS, features.L1SS_NBYTES, features.decode_l1_substates),
        data_link_feature=rooms.extended(
            regs.PCI_EXT_CAP_ID_DLF, features.LINK_FEATURE_NBYTES, features.decode_link_feature
        ),
        acs=rooms.extended(regs.PCI_EXT_CAP_ID_ACS, features.ACS_NBYTES, features.decode_access_control),
        serial_number=rooms.extended(
            regs.PCI_EXT_CAP_ID_DSN,
            features.SERIAL_NUMBER_NBYTES,
            lambda body, _: features.decode_serial_number(body),
        ),
        resizable_bars=rooms.extended(
            regs.PCI_EXT_CAP_ID_REBAR,
            features.RESIZABLE_NBYTES,
            lambda body, _: features.decode_resizable_bars(body),
        ),
        oddities=tuple(rooms.oddities),
    )


def _plain(_instance: object, _field: object, value: Any) -> Any:
    if not isinstance(value, tuple):
        return value
    return [_plain(None, None, item) for item in cast("tuple[object, ...]", value)]


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


def _express(rooms: _Rooms) -> Express | None:
    entry = rooms.standard(regs.PCI_CAP_ID_EXP)
    if entry is None:
        return None
    body = rooms.body(entry)
    nbytes = least_nbytes(body)
    if len(body) < nbytes:
        rooms.complain(entry, len(body), nbytes)
        return None
    return decode_express(body)


def _bridge(image: bytes) -> Bridge:
    return Bridge(
        primary_bus=image[regs.PCI_PRIMARY_BUS],
        secondary_bus=image[regs.PCI_SECONDARY_BUS],
        subordinate_bus=image[regs.PCI_SUBORDINATE_BUS],
        secondary_status=set_of(word(image, regs.PCI_SEC_STATUS), _SECONDARY_STATUS),
        control=set_of(word(image, regs.PCI_BRIDGE_CONTROL), _BRIDGE_CONTROL),
    )
