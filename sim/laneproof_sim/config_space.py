"""Configuration space of one function as bytes: laid out, powered on and set up, read and written by software, reset.

There are four kinds of function: a root port, a switch's upstream and downstream ports, and an endpoint. Layout and
values come from `laneproof.pcie.registers` (linux/pci_regs.h); of the physical layer's capabilities, from where
`laneproof.pcie.physical_layer` and `margining` have them. Identifiers are invented: no entry of the public list of PCI
identifiers has them. What an error does to the registers is in `error_registers`, what the link does in `registers`.

What a reset leaves: base specification, from memory. Bits that it calls sticky, those of Advanced Error Reporting
among them, survive both resets; a function level reset also leaves what belongs to the link, Max_Payload_Size included.
"""

from __future__ import annotations

from typing import Literal

from attrs import frozen

from laneproof.pcie import aer, margining, rates
from laneproof.pcie import registers as regs

VENDOR_ID = 0x5E50

Kind = Literal["root port", "upstream port", "downstream port", "endpoint"]

_PORT_TYPES: dict[Kind, int] = {
    "root port": regs.PCI_EXP_TYPE_ROOT_PORT,
    "upstream port": regs.PCI_EXP_TYPE_UPSTREAM,
    "downstream port": regs.PCI_EXP_TYPE_DOWNSTREAM,
    "endpoint": regs.PCI_EXP_TYPE_ENDPOINT,
}
_DEVICE_IDS: dict[Kind, int] = {
    "root port": 0x0001,
    "endpoint": 0x0002,
    "upstream port": 0x0003,
    "downstream port": 0x0004,
}

EXPRESS = 0x40
AER = 0x100
SECONDARY = 0x150
PHYSICAL = {16.0: (0x180, 0x26), 32.0: (0x1B0, 0x2A)}
"""Place and identifier of the capability for a speed."""
MARGINING, MARGINING_ID = 0x200, 0x27
LANE_ERRORS = SECONDARY + 0x08
PARITY_MISMATCHES = PHYSICAL[16.0][0] + 0x10
"""Those of this port's own receiver."""
PHYSICAL_STATUS = 0x0C
COMPLETION_TIMEOUT_LOGGED = 0x1000
"""In Advanced Error Capabilities and Control: the header of a request that was not answered is logged."""

_POWER = 0x80
_IO_BASE, _PREFETCHABLE_BASE = 0x1C, 0x24
"""Windows of a bridge; closed where the base is above the limit after it."""
_PHYSICAL_PRESETS = 0x20
_PRESET = 4
"""No de-emphasis and no preshoot, the one that needs no channel to be assumed."""
_BRIDGE_CLASS = 0x060400
_CARD_CLASS = 0x118000  # signal processing controller, other
_ECRC_ABLE = regs.PCI_ERR_CAP_ECRC_GENC | regs.PCI_ERR_CAP_ECRC_CHKC
_ECRC_ON = regs.PCI_ERR_CAP_ECRC_GENE | regs.PCI_ERR_CAP_ECRC_CHKE
_CLEARABLE_STATUS = 0xF900
"""Error flags of Status and of Secondary Status."""

# Bits that a written one clears, by the offset of their double word; software cannot set them.
_CLEARED_BY_ONES = {
    regs.PCI_COMMAND: _CLEARABLE_STATUS << 16,
    AER + regs.PCI_ERR_UNCOR_STATUS: 0xFFFFFFFF,
    AER + regs.PCI_ERR_COR_STATUS: 0xFFFFFFFF,
    EXPRESS + regs.PCI_EXP_DEVCTL: 0x000F0000,
    LANE_ERRORS: 0x0000FFFF,
    PARITY_MISMATCHES: 0x0000FFFF,
}
_CLEARED_BY_ONES_ABOVE_A_LINK = {
    EXPRESS + regs.PCI_EXP_LNKCTL: 0xC0000000,
    EXPRESS + regs.PCI_EXP_SLTCTL: 0x011F0000,
}
_CLEARED_BY_ONES_IN_A_BRIDGE = {regs.PCI_SEC_STATUS & ~3: _CLEARABLE_STATUS << 16}
_CLEARED_BY_ONES_IN_A_ROOT_PORT = {AER + regs.PCI_ERR_ROOT_STATUS: 0x0000007F}

# Bits that take what is written, by the offset of their double word. The rest is read-only in this model.
_WRITABLE = {
    regs.PCI_COMMAND: 0x00000547,
    AER + regs.PCI_ERR_UNCOR_MASK: sum(1 << error.bit for error in aer.UNCORRECTABLE),
    AER + regs.PCI_ERR_UNCOR_SEVER: sum(1 << error.bit for error in aer.UNCORRECTABLE),
    AER + regs.PCI_ERR_COR_MASK: sum(1 << error.bit for error in aer.CORRECTABLE),
    AER + regs.PCI_ERR_CAP: _ECRC_ON,
    EXPRESS + regs.PCI_EXP_DEVCTL: 0x0000FFFF,
    EXPRESS + regs.PCI_EXP_LNKCTL: 0x000003CB,
    EXPRESS + regs.PCI_EXP_LNKCTL2: 0x0000002F,
}
_WRITABLE_IN_A_BRIDGE = {
    regs.PCI_PRIMARY_BUS: 0x00FFFFFF,
    regs.PCI_MEMORY_BASE: 0xFFF0FFF0,
    regs.PCI_BRIDGE_CONTROL & ~3: (regs.PCI_BRIDGE_CTL_PARITY | regs.PCI_BRIDGE_CTL_SERR) << 16,
}
_WRITABLE_IN_AN_ENDPOINT = {regs.PCI_BASE_ADDRESS_0: 0xFFF00000}
_WRITABLE_IN_A_ROOT_PORT = {AER + regs.PCI_ERR_ROOT_COMMAND: 0x00000007}

_STICKY = {
    **{
        AER + at: 0xFFFFFFFF
        for at in (
            regs.PCI_ERR_UNCOR_STATUS,
            regs.PCI_ERR_UNCOR_MASK,
            regs.PCI_ERR_UNCOR_SEVER,
            regs.PCI_ERR_COR_STATUS,
            regs.PCI_ERR_COR_MASK,
            regs.PCI_ERR_CAP,
            *range(regs.PCI_ERR_HEADER_LOG, regs.PCI_ERR_HEADER_LOG + 16, 4),
        )
    },
    EXPRESS + regs.PCI_EXP_LNKCTL2: 0x0000000F,
    LANE_ERRORS: 0x0000FFFF,
    PARITY_MISMATCHES: 0x0000FFFF,
}
"""What every reset leaves but the loss of power. There is no auxiliary power here."""
_OF_THE_LINK = {
    EXPRESS + regs.PCI_EXP_DEVCTL: 0x000000E0,
    EXPRESS + regs.PCI_EXP_LNKCTL: 0xFFFFFFFF,
    EXPRESS + regs.PCI_EXP_LNKCTL2: 0xFFFFFFFF,
    **{at + PHYSICAL_STATUS: 0xFFFFFFFF for at, _ in PHYSICAL.values()},
}
"""What a function level reset leaves beside that."""
_RESTORED = (
    regs.PCI_COMMAND,
    EXPRESS + regs.PCI_EXP_DEVCTL,
    EXPRESS + regs.PCI_EXP_LNKCTL,
    EXPRESS + regs.PCI_EXP_LNKCTL2,
)
"""What an operating system keeps over a reset of its own, beside a card's BARs (Linux, pci_save_state, from memory)."""


@frozen(kw_only=True)
class Function:
    """One function: what it is and can do, and what firmware and operating system set up in it.

    Speeds in GT/s, widths in lanes, sizes in bytes. `requester_id` holds bus, device and function. The two bus numbers
    count for ports; without `subordinate_bus` the secondary one is the last below. `slot_number` counts for a port
    above its link: None is one that leads to no slot. `slot_power_w` is what the slot grants, and an endpoint was told.
    `ecrc` switches on the end-to-end CRC, generated and checked. With `margining` it shows Lane Margining at the
    Receiver, ready and at rest; commands do not go through its registers (`margining`).
    """

    kind: Kind
    max_speed_gtps: float
    max_width: int
    max_payload: int
    payload: int
    requester_id: int
    read_request: int = 512
    secondary_bus: int = 0
    subordinate_bus: int | None = None
    slot_number: int | None = None
    slot_power_w: float = 25.0
    ecrc: bool = False
    margining: bool = False

    @property
    def above_its_link(self) -> bool:
        """Whether the link is below the function; there it shows its state, and any slot."""
        return self.kind in ("root port", "downstream port")

    @property
    def is_bridge(self) -> bool:
        return self.kind != "endpoint"


class ConfigSpace:
    """4096 bytes of one function. While `present` is False every read returns all ones and a write is lost.

    While `ready` is False the function asks for requests to be tried again: the vendor id reads 0001, the rest ones.
    """

    def __init__(self, function: Function) -> None:
        self.function = function
        self.present = True
        self.ready = True
        self._bytes = bytearray(regs.PCI_CFG_SPACE_EXP_SIZE)
        self._cleared_by_ones = dict(_CLEARED_BY_ONES)
        self._writable = dict(_WRITABLE)
        if function.above_its_link:
            self._cleared_by_ones |= _CLEARED_BY_ONES_ABOVE_A_LINK
        if function.is_bridge:
            self._cleared_by_ones |= _CLEARED_BY_ONES_IN_A_BRIDGE
        self._writable |= _WRITABLE_IN_A_BRIDGE if function.is_bridge else _WRITABLE_IN_AN_ENDPOINT
        if function.kind == "root port":
            self._cleared_by_ones |= _CLEARED_BY_ONES_IN_A_ROOT_PORT
            self._writable |= _WRITABLE_IN_A_ROOT_PORT
        self._power_on()
        self._configure()

    @property
    def answers(self) -> bool:
        """Whether its registers can be read and written."""
        return self.present and self.ready

    def image(self) -> bytes:
        """All of it, as a reader sees it."""
        if self.answers:
            return bytes(self._bytes)
        return (b"\x01\x00" if self.present else b"\xff\xff").ljust(len(self._bytes), b"\xff")

    def read(self, offset: int, nbytes: int = 4) -> int:
        """A little-endian register, or all ones where no card answers."""
        if self.answers:
            return self.hardware(offset, nbytes)
        return int.from_bytes(self.image()[offset : offset + nbytes], "little")

    def write(self, offset: int, value: int) -> None:
        """Write a double word as software does: status bits are cleared by ones, read-only bits stay."""
        if not self.answers:
            return
        old = self.hardware(offset)
        cleared = old & ~(value & self._cleared_by_ones.get(offset, 0))
        writable = self._writable.get(offset, 0)
        self.set_hardware(offset, cleared & ~writable | value & writable)

    def hardware(self, offset: int, nbytes: int = 4) -> int:
        """A register as the function itself holds it."""
        return int.from_bytes(self._bytes[offset : offset + nbytes], "little")

    def set_hardware(self, offset: int, value: int, nbytes: int = 4) -> None:
        """Set a register from inside the function."""
        self._bytes[offset : offset + nbytes] = value.to_bytes(nbytes, "little")

    def raise_bits(self, offset: int, bits: int, nbytes: int = 4) -> None:
        """Set bits from inside the function, and leave the others."""
        self.set_hardware(offset, self.hardware(offset, nbytes) | bits, nbytes)

    def reset(self, *, of_link: bool) -> None:
        """Back to how it powers on, but for what survives: a hot reset `of_link`, or one of the function alone."""
        kept = _STICKY if of_link else _STICKY | _OF_THE_LINK
        before = {at: self.hardware(at) for at in kept}
        self._bytes[:] = bytes(len(self._bytes))
        self._power_on()
        for at, mask in kept.items():
            self.set_hardware(at, self.hardware(at) & ~mask | before[at] & mask)

    def saved(self) -> dict[int, int]:
        """What software has set up, by offset, to be restored after a reset."""
        kept = (*_RESTORED, *(_WRITABLE_IN_A_BRIDGE if self.function.is_bridge else _WRITABLE_IN_AN_ENDPOINT))
        return {at: self.hardware(at) & self._writable[at] for at in kept}

    def restore(self, saved: dict[int, int]) -> None:
        """The function is ready, and software writes back what was `saved`."""
        self.ready = True
        for at, value in saved.items():
            self.write(at, value)

    # --- how it powers on

    def _power_on(self) -> None:
        self._header()
        self._express()
        self._advanced_errors()
        self._physical_layer()

    def _header(self) -> None:
        put, function = self.set_hardware, self.function
        bridge = function.is_bridge
        put(regs.PCI_VENDOR_ID, VENDOR_ID, 2)
        put(regs.PCI_DEVICE_ID, _DEVICE_IDS[function.kind], 2)
        put(regs.PCI_STATUS, regs.PCI_STATUS_CAP_LIST, 2)
        put(regs.PCI_CLASS_REVISION, (_BRIDGE_CLASS if bridge else _CARD_CLASS) << 8 | 0x01)
        put(regs.PCI_HEADER_TYPE, regs.PCI_HEADER_TYPE_BRIDGE if bridge else regs.PCI_HEADER_TYPE_NORMAL, 1)
        if not bridge:
            put(regs.PCI_SUBSYSTEM_VENDOR_ID, VENDOR_ID, 2)
            put(regs.PCI_SUBSYSTEM_ID, _DEVICE_IDS[function.kind], 2)
        put(regs.PCI_CAPABILITY_LIST, EXPRESS, 1)
        put(_POWER, 0x0003_0000 | regs.PCI_CAP_ID_PM)  # version 3, no state below D0 entered by itself

    def _express(self) -> None:
        function = self.function

        def put(offset: int, value: int, nbytes: int = 4) -> None:
            self.set_hardware(EXPRESS + offset, value, nbytes)

        put(0, _POWER << 8 | regs.PCI_CAP_ID_EXP, 2)
        slot = 0 if function.slot_number is None else regs.PCI_EXP_FLAGS_SLOT
        put(regs.PCI_EXP_FLAGS, 2 | _PORT_TYPES[function.kind] << 4 | slot, 2)
        resets = 0 if function.is_bridge else regs.PCI_EXP_DEVCAP_FLR
        value, scale = slot_power_code(function.slot_power_w)
        told = 0 if function.is_bridge else value << 18 | scale << 26
        put(regs.PCI_EXP_DEVCAP, _size_code(function.max_payload) | regs.PCI_EXP_DEVCAP_RBER | resets | told)
        relaxed = regs.PCI_EXP_DEVCTL_RELAX_EN | regs.PCI_EXP_DEVCTL_NOSNOOP_EN
        put(regs.PCI_EXP_DEVCTL, relaxed | _size_code(512) << 12, 2)

        code = rates.speed_code(function.max_speed_gtps)
        link = code | function.max_width << 4
        if function.above_its_link:
            link |= regs.PCI_EXP_LNKCAP_DLLLARC | regs.PCI_EXP_LNKCAP_SDERC | regs.PCI_EXP_LNKCAP_LBNC
            put(regs.PCI_EXP_SLTSTA, regs.PCI_EXP_SLTSTA_PDS, 2)
        if function.slot_number is not None:
            grants = value << 7 | scale << 15
            put(regs.PCI_EXP_SLTCAP, regs.PCI_EXP_SLTCAP_NCCS | grants | function.slot_number << 19)
        put(regs.PCI_EXP_LNKCAP, link)
        put(regs.PCI_EXP_LNKSTA, regs.PCI_EXP_LNKSTA_SLC, 2)
        put(regs.PCI_EXP_LNKCAP2, (1 << code) - 1 << 1)
        put(regs.PCI_EXP_LNKCTL2, code, 2)

    def _advanced_errors(self) -> None:
        put = self.set_hardware
        follows = SECONDARY << 20 if self.function.max_speed_gtps >= 8 else 0
        put(AER, follows | 2 << 16 | regs.PCI_EXT_CAP_ID_ERR)
        put(AER + regs.PCI_ERR_UNCOR_MASK, aer.DEFAULT_UNCORRECTABLE_MASK)
        put(AER + regs.PCI_ERR_UNCOR_SEVER, aer.DEFAULT_UNCORRECTABLE_SEVERITY)
        put(AER + regs.PCI_ERR_COR_MASK, aer.DEFAULT_CORRECTABLE_MASK)
        put(AER + regs.PCI_ERR_CAP, _ECRC_ABLE | COMPLETION_TIMEOUT_LOGGED)

    def _physical_layer(self) -> None:
        """The capabilities of the speeds from 8 GT/s on, as far as the function has them."""
        speed, lanes = self.function.max_speed_gtps, range(self.function.max_width)
        if speed < 8:
            return
        held = [(at, identifier) for known, (at, identifier) in PHYSICAL.items() if known <= speed]
        margined = self.function.margining and speed >= 16
        nexts = [*(at for at, _ in held), MARGINING if margined else 0]
        self.set_hardware(SECONDARY, nexts[0] << 20 | 1 << 16 | regs.PCI_EXT_CAP_ID_SECPCI)
        for lane in lanes:
            self.set_hardware(SECONDARY + 0x0C + 2 * lane, _PRESET | _PRESET << 8, 2)
        for (at, identifier), follows in zip(held, nexts[1:], strict=True):
            self.set_hardware(at, follows << 20 | 1 << 16 | identifier)
            for lane in lanes:
                self.set_hardware(at + _PHYSICAL_PRESETS + lane, _PRESET | _PRESET << 4, 1)
        if margined:
            self.set_hardware(MARGINING, 1 << 16 | MARGINING_ID)
            self.set_hardware(MARGINING + margining.PORT_STATUS, 1, 2)
            for lane in lanes:
                at = MARGINING + margining.LANES + margining.LANE_NBYTES * lane
                self.set_hardware(at, margining.NO_COMMAND.value, 2)
                self.set_hardware(at + margining.STATUS, margining.NO_COMMAND.value, 2)

    # --- what is set up before the card is used

    def _configure(self) -> None:
        put, function = self.set_hardware, self.function
        enabled = regs.PCI_COMMAND_MEMORY | regs.PCI_COMMAND_MASTER | regs.PCI_COMMAND_SERR
        put(regs.PCI_COMMAND, enabled | regs.PCI_COMMAND_INTX_DISABLE, 2)
        sizes = _size_code(function.payload) << 5 | _size_code(function.read_request) << 12
        reporting = regs.PCI_EXP_DEVCTL_CERE | regs.PCI_EXP_DEVCTL_NFERE | regs.PCI_EXP_DEVCTL_FERE
        put(EXPRESS + regs.PCI_EXP_DEVCTL, reporting | regs.PCI_EXP_DEVCTL_URRE | sizes, 2)
        put(EXPRESS + regs.PCI_EXP_LNKCTL, regs.PCI_EXP_LNKCTL_CCC, 2)
        if function.ecrc:
            self.raise_bits(AER + regs.PCI_ERR_CAP, _ECRC_ON)
        if function.is_bridge:
            put(regs.PCI_PRIMARY_BUS, function.requester_id >> 8, 1)
            put(regs.PCI_SECONDARY_BUS, function.secondary_bus, 1)
            last = function.secondary_bus if function.subordinate_bus is None else function.subordinate_bus
            put(regs.PCI_SUBORDINATE_BUS, last, 1)
            put(regs.PCI_MEMORY_BASE, 0xFE80, 2)
            put(regs.PCI_MEMORY_LIMIT, 0xFE80, 2)
            put(_IO_BASE, 0x00F0, 2)
            put(_PREFETCHABLE_BASE, 0xFFF0)
            put(regs.PCI_BRIDGE_CONTROL, regs.PCI_BRIDGE_CTL_SERR, 2)
        else:
            put(regs.PCI_BASE_ADDRESS_0, 0xFE800000)
        if function.kind == "root port":
            enabled = regs.PCI_ERR_ROOT_CMD_COR_EN | regs.PCI_ERR_ROOT_CMD_NONFATAL_EN
            put(AER + regs.PCI_ERR_ROOT_COMMAND, enabled | regs.PCI_ERR_ROOT_CMD_FATAL_EN)


def slot_power_code(watts: float) -> tuple[int, int]:
    """Value and scale of a slot power limit, as `pcie.express` reads them. Raises ValueError where none stands for it.

    Above 239 W the values count in steps of 25 W from 250 W (0xF0) to 600 W (0xFE).
    """
    if 250 <= watts <= 600 and watts % 25 == 0:
        return 0xF0 + int(watts - 250) // 25, 0
    for scale in range(4):
        value = round(watts * 10**scale)
        if value <= 0xEF and abs(value / 10**scale - watts) < 1e-9:
            return value, scale
    raise ValueError(f"no slot power limit stands for {watts:g} W; use whole watts to 239 W, or 250, 275 … 600 W")


def _size_code(nbytes: int) -> int:
    """The standard's code of a payload or read request size: 128 bytes is 0, each step doubles."""
    return nbytes.bit_length() - 8
