"""The two lists of capabilities in configuration space: walked, checked and named. What they hold is in `decode`.

Offsets count from the start of configuration space. Names follow the base specification; identifiers that Linux's
header does not hold yet are from memory of PCI-SIG's code and ID assignments.
"""

from __future__ import annotations

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import registers as regs

_STANDARD: dict[int, str] = {
    0x00: "Null",
    regs.PCI_CAP_ID_PM: "Power Management",
    0x02: "Accelerated Graphics Port",
    regs.PCI_CAP_ID_VPD: "Vital Product Data",
    0x04: "Slot Identification",
    regs.PCI_CAP_ID_MSI: "Message Signalled Interrupts",
    0x06: "CompactPCI Hot Swap",
    0x07: "PCI-X",
    0x08: "HyperTransport",
    regs.PCI_CAP_ID_VNDR: "Vendor-Specific",
    0x0A: "Debug Port",
    0x0B: "CompactPCI Central Resource Control",
    0x0C: "Standard Hot-Plug",
    regs.PCI_CAP_ID_SSVID: "Subsystem",
    0x0E: "Accelerated Graphics Port 8x",
    0x0F: "Secure Device",
    regs.PCI_CAP_ID_EXP: "PCI Express",
    regs.PCI_CAP_ID_MSIX: "MSI-X",
    0x12: "Serial ATA",
    regs.PCI_CAP_ID_AF: "Advanced Features",
    regs.PCI_CAP_ID_EA: "Enhanced Allocation",
    0x15: "Flattening Portal Bridge",
}

_EXTENDED: dict[int, str] = {
    0x00: "Null",
    regs.PCI_EXT_CAP_ID_ERR: "Advanced Error Reporting",
    regs.PCI_EXT_CAP_ID_VC: "Virtual Channel",
    regs.PCI_EXT_CAP_ID_DSN: "Device Serial Number",
    regs.PCI_EXT_CAP_ID_PWR: "Power Budgeting",
    0x05: "Root Complex Link Declaration",
    0x06: "Root Complex Internal Link Control",
    0x07: "Root Complex Event Collector Endpoint Association",
    0x08: "Multi-Function Virtual Channel",
    0x09: "Virtual Channel",
    0x0A: "Root Complex Register Block Header",
    regs.PCI_EXT_CAP_ID_VNDR: "Vendor-Specific Extended",
    0x0C: "Configuration Access Correlation",
    regs.PCI_EXT_CAP_ID_ACS: "Access Control Services",
    regs.PCI_EXT_CAP_ID_ARI: "Alternative Routing-ID Interpretation",
    regs.PCI_EXT_CAP_ID_ATS: "Address Translation Services",
    regs.PCI_EXT_CAP_ID_SRIOV: "Single Root I/O Virtualization",
    0x11: "Multi-Root I/O Virtualization",
    0x12: "Multicast",
    0x13: "Page Request Interface",
    regs.PCI_EXT_CAP_ID_REBAR: "Resizable BAR",
    0x16: "Dynamic Power Allocation",
    regs.PCI_EXT_CAP_ID_TPH: "TPH Requester",
    regs.PCI_EXT_CAP_ID_LTR: "Latency Tolerance Reporting",
    regs.PCI_EXT_CAP_ID_SECPCI: "Secondary PCI Express",
    0x1A: "Protocol Multiplexing",
    regs.PCI_EXT_CAP_ID_PASID: "Process Address Space ID",
    regs.PCI_EXT_CAP_ID_DPC: "Downstream Port Containment",
    regs.PCI_EXT_CAP_ID_L1SS: "L1 PM Substates",
    regs.PCI_EXT_CAP_ID_PTM: "Precision Time Measurement",
    0x22: "Readiness Time Reporting",
    regs.PCI_EXT_CAP_ID_DVSEC: "Designated Vendor-Specific Extended",
    0x24: "Virtual Function Resizable BAR",
    regs.PCI_EXT_CAP_ID_DLF: "Data Link Feature",
    regs.PCI_EXT_CAP_ID_PL_16GT: "Physical Layer 16.0 GT/s",
    0x27: "Lane Margining at the Receiver",
    0x28: "Hierarchy ID",
    0x29: "Native PCIe Enclosure Management",
    0x2A: "Physical Layer 32.0 GT/s",
    0x2B: "Alternate Protocol",
    0x2C: "System Firmware Intermediary",
    0x2E: "Data Object Exchange",
    0x2F: "Device 3",
    0x30: "Integrity and Data Encryption",
    0x31: "Physical Layer 64.0 GT/s",
    0x32: "Flit Logging",
}


@frozen
class Capability:
    """One entry of a list: its identifier, name ("unknown" where it has none here) and offset in bytes."""

    id: int
    name: str
    offset: int
    extended: bool


def standard_capabilities(image: bytes) -> tuple[Capability, ...]:
    """The capabilities below byte 256, in the list's order; none in an image of 64 bytes.

    Raises BadInput for a list that loops, leaves bytes 0x40 to 0xff, or stops answering.
    """
    status = int.from_bytes(image[regs.PCI_STATUS : regs.PCI_STATUS + 2], "little")
    if len(image) < regs.PCI_CFG_SPACE_SIZE or not status & regs.PCI_STATUS_CAP_LIST:
        return ()
    header_type = image[regs.PCI_HEADER_TYPE] & regs.PCI_HEADER_TYPE_MASK
    cardbus = header_type == regs.PCI_HEADER_TYPE_CARDBUS
    pointer_at = regs.PCI_CB_CAPABILITY_LIST if cardbus else regs.PCI_CAPABILITY_LIST
    found: dict[int, Capability] = {}
    # The two lowest bits of each pointer are reserved and to be masked.
    while offset := image[pointer_at] & 0xFC:
        if offset in found:
            raise BadInput(f"the capability list loops: byte {pointer_at:#04x} points back to {offset:#04x}")
        if offset < regs.PCI_STD_HEADER_SIZEOF:
            raise BadInput(f"the capability list leaves its room: byte {pointer_at:#04x} points to {offset:#04x}")
        identifier = image[offset]
        if identifier == 0xFF:
            raise BadInput(f"the capability at {offset:#04x} reads all ones: the device stopped answering there")
        found[offset] = Capability(identifier, _STANDARD.get(identifier, "unknown"), offset, False)
        pointer_at = offset + regs.PCI_CAP_LIST_NEXT
    return tuple(found.values())


def extended_capabilities(image: bytes) -> tuple[Capability, ...]:
    """The capabilities from byte 256 on, in the list's order; none in an image that ends there.

    Raises BadInput for a list that loops, points below byte 256, or stops answering.
    """
    if len(image) < regs.PCI_CFG_SPACE_EXP_SIZE:
        return ()
    found: dict[int, Capability] = {}
    came_from, offset = 0, regs.PCI_CFG_SPACE_SIZE
    while offset:
        if offset in found:
            raise BadInput(f"the extended capability list loops: {came_from:#05x} points back to {offset:#05x}")
        if offset < regs.PCI_CFG_SPACE_SIZE:
            raise BadInput(f"the extended capability list leaves its room: {came_from:#05x} points to {offset:#05x}")
        header = int.from_bytes(image[offset : offset + 4], "little")
        if not found and header in (0, 0xFFFFFFFF):
            return ()  # how a function without extended capabilities answers
        if header == 0xFFFFFFFF:
            raise BadInput(f"the capability at {offset:#05x} reads all ones: the device stopped answering there")
        identifier = header & 0xFFFF
        found[offset] = Capability(identifier, _EXTENDED.get(identifier, "unknown"), offset, True)
        came_from, offset = offset, header >> 20 & 0xFFC
    return tuple(found.values())
