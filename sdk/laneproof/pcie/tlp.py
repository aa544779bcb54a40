"""A logged packet header as the transaction layer reads it: type, requester, tag, address or completion.

Non-FLIT headers of three or four double words, in the order of the Header Log registers: the header's byte 0 is the
most significant byte of the first. FLIT mode has another layout, which is not decoded here. Types, fields and message
codes: from memory of the base specification, chapter 2. A CfgRd0 as logged: Linux Documentation/PCI/pcieaer-howto.rst.
"""

from __future__ import annotations

from collections.abc import Sequence

from attrs import evolve, frozen

from laneproof.errors import BadInput
from laneproof.pcie.fields import function

_READ_3, _READ_4, _DATA_3, _DATA_4, _PREFIX = range(5)
# By Fmt and Type. Fmt bit 0 is a header of four double words, bit 1 is data.
_TYPES: dict[tuple[int, int], str] = {
    (_READ_3, 0x00): "MRd",
    (_READ_4, 0x00): "MRd",
    (_READ_3, 0x01): "MRdLk",
    (_READ_4, 0x01): "MRdLk",
    (_DATA_3, 0x00): "MWr",
    (_DATA_4, 0x00): "MWr",
    (_READ_3, 0x02): "IORd",
    (_DATA_3, 0x02): "IOWr",
    (_READ_3, 0x04): "CfgRd0",
    (_DATA_3, 0x04): "CfgWr0",
    (_READ_3, 0x05): "CfgRd1",
    (_DATA_3, 0x05): "CfgWr1",
    (_READ_3, 0x0A): "Cpl",
    (_DATA_3, 0x0A): "CplD",
    (_READ_3, 0x0B): "CplLk",
    (_DATA_3, 0x0B): "CplDLk",
    (_DATA_3, 0x0C): "FetchAdd",
    (_DATA_4, 0x0C): "FetchAdd",
    (_DATA_3, 0x0D): "Swap",
    (_DATA_4, 0x0D): "Swap",
    (_DATA_3, 0x0E): "CAS",
    (_DATA_4, 0x0E): "CAS",
    (_DATA_3, 0x1B): "DMWr",
    (_DATA_4, 0x1B): "DMWr",
    **{(_READ_4, 0x10 | routing): "Msg" for routing in range(8)},
    **{(_DATA_4, 0x10 | routing): "MsgD" for routing in range(8)},
}
_READS = {"MRd", "MRdLk", "IORd", "CfgRd0", "CfgRd1"}
# Atomic operations and deferrable writes have no byte enables; those bits belong to something else.
_WITH_BYTE_ENABLES = {"MRd", "MRdLk", "MWr", "IORd", "IOWr", "CfgRd0", "CfgWr0", "CfgRd1", "CfgWr1"}
_HINT, _DIGEST, _POISONED = 1 << 16, 1 << 15, 1 << 14
_ATTRIBUTES = {1 << 18: "ID-based ordering", 1 << 13: "relaxed ordering", 1 << 12: "no snoop"}
_COMPLETION_STATUS = {0: "SC", 1: "UR", 2: "CRS", 4: "CA"}
_BY_ADDRESS, _BY_ID = 1, 2
_ROUTING = {
    0: "to the root complex",
    _BY_ADDRESS: "by address",
    _BY_ID: "by ID",
    3: "broadcast from the root complex",
    4: "local",
    5: "gathered to the root complex",
}
_MESSAGES: dict[int, str] = {
    0x00: "Unlock",
    0x10: "LTR",
    0x12: "OBFF",
    0x14: "PM_Active_State_Nak",
    0x18: "PM_PME",
    0x19: "PME_Turn_Off",
    0x1B: "PME_TO_Ack",
    **{0x20 + pin: f"Assert_INT{'ABCD'[pin]}" for pin in range(4)},
    **{0x24 + pin: f"Deassert_INT{'ABCD'[pin]}" for pin in range(4)},
    0x30: "ERR_COR",
    0x31: "ERR_NONFATAL",
    0x33: "ERR_FATAL",
    0x50: "Set_Slot_Power_Limit",
    0x52: "PTM_Request",
    0x53: "PTM_Response",
    0x7E: "Vendor_Defined_Type_0",
    0x7F: "Vendor_Defined_Type_1",
}


@frozen(kw_only=True)
class Tlp:
    """One packet header. Functions are written "03:00.0"; what a packet of this type does not carry is None.

    `type` is the base specification's short name (MRd, MWr, CfgRd0, CplD, Msg, …); "LPrfx" or "EPrfx" where a prefix
    was logged in the header's place; "reserved" for codes that name none. `length` counts the double words of the
    payload, or for a read of what it asks for. `register` is the byte offset that a configuration request goes to, in
    the function `target`. A completion has `completer`, `status` ("SC", "UR", "CRS", "CA" or "reserved"),
    `byte_count` still to come and `lower_address`.
    """

    type: str
    header_dwords: int | None = None
    with_data: bool | None = None
    traffic_class: int | None = None
    attributes: tuple[str, ...] = ()
    poisoned: bool | None = None
    digest: bool | None = None
    length: int | None = None
    requester: str | None = None
    tag: int | None = None
    address: int | None = None
    first_byte_enables: int | None = None
    last_byte_enables: int | None = None
    target: str | None = None
    register: int | None = None
    completer: str | None = None
    status: str | None = None
    byte_count: int | None = None
    lower_address: int | None = None
    message: str | None = None
    routing: str | None = None

    def __str__(self) -> str:
        """One line: "CfgRd0 from 00:04.0, tag 0x0a, to 05:00.1 register 0x000, 1 DW"."""
        name = self.type if self.message is None else f"{self.type} {self.message}"
        if self.completer is not None:
            parts = [f"{name} from {self.completer}", f"status {self.status}", f"to {self.requester}"]
        else:
            parts = [name if self.requester is None else f"{name} from {self.requester}"]
        if self.tag is not None:
            parts.append(f"tag {self.tag:#04x}")
        if self.address is not None:
            parts.append(f"address {self.address:#x}")
        if self.target is not None:
            parts.append(f"to {self.target}" + ("" if self.register is None else f" register {self.register:#05x}"))
        if self.routing is not None:
            parts.append(f"routed {self.routing}")
        if self.byte_count is not None:
            parts.append(f"{self.byte_count} bytes to come")
        if self.length is not None:
            parts.append(f"{self.length} DW")
        parts += [text for text, there in (("poisoned", self.poisoned), ("with digest", self.digest)) if there]
        return ", ".join(parts)


def decode_tlp(words: Sequence[int]) -> Tlp:
    """The packet whose header begins with the four double words of a Header Log, in its order.

    Raises BadInput for anything but four values of 32 bits. Every such four are described.
    """
    if len(words) != 4 or not all(0 <= word <= 0xFFFFFFFF for word in words):
        raise BadInput("a header log has four double words, each of 32 bits and not negative")
    first, second, third, fourth = words
    fmt, code = first >> 29, first >> 24 & 0x1F
    if fmt > _DATA_4:
        return Tlp(type=("EPrfx" if code & 0x10 else "LPrfx") if fmt == _PREFIX else "reserved")
    name = _TYPES.get((fmt, code), "reserved")
    with_data, long = fmt >= _DATA_3, fmt in (_READ_4, _DATA_4)
    packet = Tlp(
        type=name,
        header_dwords=4 if long else 3,
        with_data=with_data,
        traffic_class=first >> 20 & 7,
        attributes=tuple(text for mask, text in _ATTRIBUTES.items() if first & mask),
        poisoned=bool(first & _POISONED),
        digest=bool(first & _DIGEST),
        # A length field of 0 means 1024, and a packet that neither carries nor asks for data has none.
        length=((first & 0x3FF) or 1024) if with_data or name in _READS else None,
    )
    if name == "reserved":
        return packet
    # Bits 9 and 8 of a tag lie apart from the rest, for older parts had eight.
    tag_high = (first >> 23 & 1) << 9 | (first >> 19 & 1) << 8
    if name.startswith("Cpl"):
        return evolve(
            packet,
            completer=function(second >> 16),
            status=_COMPLETION_STATUS.get(second >> 13 & 7, "reserved"),
            byte_count=(second & 0xFFF) or 4096,
            requester=function(third >> 16),
            tag=tag_high | third >> 8 & 0xFF,
            lower_address=third & 0x7F,
        )
    packet = evolve(packet, requester=function(second >> 16), tag=tag_high | second >> 8 & 0xFF)
    address = (third << 32 | fourth if long else third) & ~3
    if name.startswith("Msg"):
        routing = code & 7
        return evolve(
            packet,
            message=_MESSAGES.get(second & 0xFF, f"message {second & 0xFF:#04x}"),
            routing=_ROUTING.get(routing, "reserved"),
            address=address if routing == _BY_ADDRESS else None,
            target=function(third >> 16) if routing == _BY_ID else None,
        )
    if name in _WITH_BYTE_ENABLES and not first & _HINT:  # a hint puts a steering tag in their place
        packet = evolve(packet, first_byte_enables=second & 0xF, last_byte_enables=second >> 4 & 0xF)
    if name.startswith("Cfg"):
        return evolve(packet, target=function(third >> 16), register=third & 0xFFC)
    return evolve(packet, address=address)
