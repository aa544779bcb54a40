"""Configuration space of the two link partners, as bytes: built, set by hardware, read and written by software.

Layout and values come from `laneproof.pcie.registers` (linux/pci_regs.h); of the physical layer's capabilities, from
where `laneproof.pcie.physical_layer` has them. Identifiers are invented: no entry of the public list of PCI
identifiers has them. What software does with error reports is in `kernel`.

What a reset leaves: base specification, from memory. Sticky bits, those of Advanced Error Reporting among them, survive
both resets; a function level reset also leaves what belongs to the link, Max_Payload_Size included.
"""

from __future__ import annotations

from laneproof.pcie import aer, rates
from laneproof.pcie import registers as regs
from laneproof_sim.scenario import Slot
from laneproof_sim.training import Trained

VENDOR_ID = 0x5E50
ROOT_PORT_ID = 0x0001
ECHO_CARD_ID = 0x0002
CARD_REQUESTER_ID = 0x0100
"""Bus 1, device 0, function 0."""

_EXPRESS = 0x40
_POWER = 0x80
_AER = 0x100
_SECONDARY = 0x150
_PHYSICAL = {16.0: (0x180, 0x26), 32.0: (0x1B0, 0x2A)}
"""Place and identifier of the capability for a speed."""
_LANE_ERRORS = _SECONDARY + 0x08
_PHYSICAL_STATUS = 0x0C
_PHYSICAL_PRESETS = 0x20
_EQUALISED = 0xF
"""Equalisation complete, and its three phases successful."""
_PRESET = 4
"""No de-emphasis and no preshoot, the one that needs no channel to be assumed."""
_BRIDGE_CLASS = 0x060400
_CARD_CLASS = 0x118000  # signal processing controller, other

_WRITE_ONE_TO_CLEAR = {
    _AER + regs.PCI_ERR_UNCOR_STATUS: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_COR_STATUS: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_ROOT_STATUS: 0x0000007F,
    _EXPRESS + regs.PCI_EXP_DEVCTL: 0x000F0000,
    _EXPRESS + regs.PCI_EXP_LNKCTL: 0xC0000000,
    _EXPRESS + regs.PCI_EXP_SLTCTL: 0x011F0000,
    _LANE_ERRORS: 0x0000FFFF,
}
"""Status bits that a written one clears, by the offset of their double word; software cannot set them."""
_WRITABLE = {
    _AER + regs.PCI_ERR_UNCOR_MASK: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_UNCOR_SEVER: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_COR_MASK: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_ROOT_COMMAND: 0x00000007,
    regs.PCI_COMMAND: 0x00000547,
    regs.PCI_BASE_ADDRESS_0: 0xFFF00000,
    _EXPRESS + regs.PCI_EXP_DEVCTL: 0x0000FFFF,
    _EXPRESS + regs.PCI_EXP_LNKCTL: 0x000003CB,
    _EXPRESS + regs.PCI_EXP_LNKCTL2: 0x0000002F,
}
"""Bits that take what is written, by the offset of their double word. The rest is read-only in this model."""
_STICKY = {
    _AER + regs.PCI_ERR_UNCOR_STATUS: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_UNCOR_MASK: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_UNCOR_SEVER: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_COR_STATUS: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_COR_MASK: 0xFFFFFFFF,
    _AER + regs.PCI_ERR_CAP: 0xFFFFFFFF,
    _LANE_ERRORS: 0xFFFFFFFF,
}
"""What every reset leaves but the loss of power."""
_OF_THE_LINK = {
    _EXPRESS + regs.PCI_EXP_DEVCTL: 0x000000E0,
    _EXPRESS + regs.PCI_EXP_LNKCTL: 0xFFFFFFFF,
    _EXPRESS + regs.PCI_EXP_LNKCTL2: 0xFFFFFFFF,
    **{at + _PHYSICAL_STATUS: 0xFFFFFFFF for at, _ in _PHYSICAL.values()},
}
"""What a function level reset leaves beside that."""
_RESTORED = (
    regs.PCI_BASE_ADDRESS_0,
    regs.PCI_COMMAND,
    _EXPRESS + regs.PCI_EXP_DEVCTL,
    _EXPRESS + regs.PCI_EXP_LNKCTL,
    _EXPRESS + regs.PCI_EXP_LNKCTL2,
)
"""What an operating system keeps over a reset of its own (Linux, pci_save_state, from memory)."""


class ConfigSpace:
    """4096 bytes of one function. While `present` is False every read returns all ones and a write is lost."""

    def __init__(self) -> None:
        self._bytes = bytearray(regs.PCI_CFG_SPACE_EXP_SIZE)
        self.present = True

    def image(self) -> bytes:
        """All of it, as a reader sees it."""
        return bytes(self._bytes) if self.present else b"\xff" * len(self._bytes)

    def read(self, offset: int, nbytes: int = 4) -> int:
        """A little-endian register, or all ones where no card answers."""
        return int.from_bytes(self.image()[offset : offset + nbytes], "little")

    def write(self, offset: int, value: int) -> None:
        """Write a double word as software does: status bits are cleared by ones, read-only bits stay."""
        if not self.present:
            return
        old = self.hardware(offset)
        cleared = old & ~(value & _WRITE_ONE_TO_CLEAR.get(offset, 0))
        writable = _WRITABLE.get(offset, 0)
        self.set_hardware(offset, cleared & ~writable | value & writable)

    def hardware(self, offset: int, nbytes: int = 4) -> int:
        """A register as the function itself holds it."""
        return int.from_bytes(self._bytes[offset : offset + nbytes], "little")

    def set_hardware(self, offset: int, value: int, nbytes: int = 4) -> None:
        """Set a register from inside the function."""
        self._bytes[offset : offset + nbytes] = value.to_bytes(nbytes, "little")


class LinkPartner(ConfigSpace):
    """One partner's configuration space, with the registers that the link moves."""

    def __init__(self, slot: Slot, trained: Trained, *, near: bool) -> None:
        super().__init__()
        self.near = near
        self._partner = slot.near if near else slot.card
        self._power_on()
        self._configure(slot)
        self.link_up(trained)
        if near:
            self.set_hardware(_EXPRESS + regs.PCI_EXP_SLTSTA, regs.PCI_EXP_SLTSTA_PDS, 2)

    def reset(self, *, of_link: bool) -> None:
        """Back to how it powers on, but for what survives: a hot reset `of_link`, or one of the function alone."""
        kept = _STICKY if of_link else {**_STICKY, **_OF_THE_LINK}
        before = {at: self.hardware(at) for at in kept}
        self._bytes[:] = bytes(len(self._bytes))
        self._power_on()
        for at, mask in kept.items():
            self.set_hardware(at, self.hardware(at) & ~mask | before[at] & mask)

    def saved(self) -> dict[int, int]:
        """What software has set up, by offset, to be restored after a reset."""
        return {at: self.hardware(at) & _WRITABLE[at] for at in _RESTORED}

    def restore(self, saved: dict[int, int]) -> None:
        """Write back what was `saved`."""
        for at, value in saved.items():
            self.write(at, value)

    @property
    def correctable(self) -> int:
        return self.hardware(_AER + regs.PCI_ERR_COR_STATUS)

    @property
    def correctable_mask(self) -> int:
        return self.hardware(_AER + regs.PCI_ERR_COR_MASK)

    @property
    def uncorrectable(self) -> int:
        return self.hardware(_AER + regs.PCI_ERR_UNCOR_STATUS)

    @property
    def uncorrectable_mask(self) -> int:
        return self.hardware(_AER + regs.PCI_ERR_UNCOR_MASK)

    @property
    def fatal_mask(self) -> int:
        """Uncorrectable errors whose severity is fatal."""
        return self.hardware(_AER + regs.PCI_ERR_UNCOR_SEVER)

    def raise_error(self, name: str) -> aer.Severity | None:
        """Set an error's sticky flag; return the severity to be reported, or None for one that is masked.

        A masked error sets its status bit and Device Status, moves no pointer and is not reported.
        """
        error = aer.CATALOGUE[name]
        bit = 1 << error.bit
        correctable = error.group == "correctable"
        status = _AER + (regs.PCI_ERR_COR_STATUS if correctable else regs.PCI_ERR_UNCOR_STATUS)
        mask = _AER + (regs.PCI_ERR_COR_MASK if correctable else regs.PCI_ERR_UNCOR_MASK)
        fatal = not correctable and bool(self.hardware(_AER + regs.PCI_ERR_UNCOR_SEVER) & bit)
        severity: aer.Severity = "correctable" if correctable else "fatal" if fatal else "nonfatal"
        masked = bool(self.hardware(mask) & bit)
        already = self.hardware(status)
        if not correctable and not masked and not self._first_error_valid():
            control = self.hardware(_AER + regs.PCI_ERR_CAP)
            self.set_hardware(_AER + regs.PCI_ERR_CAP, control & ~0x1F | error.bit)
        self.set_hardware(status, already | bit)
        flag = {
            "correctable": regs.PCI_EXP_DEVSTA_CED,
            "nonfatal": regs.PCI_EXP_DEVSTA_NFED,
            "fatal": regs.PCI_EXP_DEVSTA_FED,
        }[severity]
        at = _EXPRESS + regs.PCI_EXP_DEVSTA
        self.set_hardware(at, self.hardware(at, 2) | flag, 2)
        return None if masked else severity

    def clear_errors(self) -> None:
        """Clear what is on record by writing ones, as the kernel does once it has counted."""
        for offset in (_AER + regs.PCI_ERR_COR_STATUS, _AER + regs.PCI_ERR_UNCOR_STATUS):
            self.write(offset, self.read(offset))
        control = _EXPRESS + regs.PCI_EXP_DEVCTL
        self.write(control, self.read(control))
        if self.near:
            root = _AER + regs.PCI_ERR_ROOT_STATUS
            self.write(root, self.read(root))

    def note_message(self, severity: aer.Severity, requester_id: int) -> None:
        """Root Status of a root port that received an error message, or noticed an error of its own."""
        correctable = severity == "correctable"
        received = regs.PCI_ERR_ROOT_COR_RCV if correctable else regs.PCI_ERR_ROOT_UNCOR_RCV
        multiple = regs.PCI_ERR_ROOT_MULTI_COR_RCV if correctable else regs.PCI_ERR_ROOT_MULTI_UNCOR_RCV
        at = _AER + regs.PCI_ERR_ROOT_STATUS
        status = self.hardware(at)
        source = _AER + regs.PCI_ERR_ROOT_ERR_SRC + (0 if correctable else 2)
        if status & received:
            self.set_hardware(at, status | multiple)
            return
        self.set_hardware(source, requester_id, 2)
        kind = {
            "correctable": 0,
            "nonfatal": regs.PCI_ERR_ROOT_NONFATAL_RCV,
            "fatal": regs.PCI_ERR_ROOT_FATAL_RCV | regs.PCI_ERR_ROOT_FIRST_FATAL,
        }[severity]
        self.set_hardware(at, status | received | kind)

    def link_up(self, trained: Trained) -> None:
        """The link has trained: its speed, width and equalisation; a fall-back is a change for reliability."""
        self.change_speed(trained.speed_gtps, by_itself=False)
        at = _EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~regs.PCI_EXP_LNKSTA_NLW | trained.width << 4
        if self.near:
            status |= regs.PCI_EXP_LNKSTA_DLLLA | (regs.PCI_EXP_LNKSTA_LBMS if trained.fell_back else 0)
        self.set_hardware(at, status, 2)
        done = {speed: _EQUALISED if speed in trained.equalised else 0 for speed in (8.0, 16.0, 32.0)}
        self.set_hardware(_EXPRESS + regs.PCI_EXP_LNKSTA2, done[8.0] << 1, 2)
        for speed, (offset, _) in _PHYSICAL.items():
            if self._partner.max_speed >= speed:
                self.set_hardware(offset + _PHYSICAL_STATUS, done[speed])

    def change_speed(self, speed_gtps: float, *, by_itself: bool = True) -> None:
        """The link runs at `speed_gtps`; `by_itself`, not for reliability, is noted at its upper end alone."""
        at = _EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~regs.PCI_EXP_LNKSTA_CLS | rates.speed_code(speed_gtps)
        if self.near and by_itself:
            status |= regs.PCI_EXP_LNKSTA_LABS
        self.set_hardware(at, status, 2)

    def show_training(self, training: bool) -> None:
        """Whether the link is in Recovery or being configured, which its upper end shows."""
        at = _EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~regs.PCI_EXP_LNKSTA_LT
        self.set_hardware(at, status | (regs.PCI_EXP_LNKSTA_LT if training else 0), 2)

    def link_down(self) -> None:
        """The near partner after its link went down: data link inactive, no width, slot empty or silent.

        Speed and width are undefined then (base specification, from memory); here they are 2.5 GT/s and 0.
        """
        at = _EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~(regs.PCI_EXP_LNKSTA_DLLLA | regs.PCI_EXP_LNKSTA_NLW)
        self.set_hardware(at, status & ~regs.PCI_EXP_LNKSTA_CLS | regs.PCI_EXP_LNKSTA_CLS_2_5GB, 2)
        slot_status = _EXPRESS + regs.PCI_EXP_SLTSTA
        changed = self.hardware(slot_status, 2) | regs.PCI_EXP_SLTSTA_DLLSC
        self.set_hardware(slot_status, changed, 2)

    def _first_error_valid(self) -> bool:
        pointer = self.hardware(_AER + regs.PCI_ERR_CAP) & 0x1F
        return bool(self.uncorrectable >> pointer & 1)

    def _power_on(self) -> None:
        self._header()
        self._express()
        self._advanced_errors()
        self._physical_layer()

    def _configure(self, slot: Slot) -> None:
        """What firmware and operating system set up before the card is used."""
        put = self.set_hardware
        enabled = regs.PCI_COMMAND_MEMORY | regs.PCI_COMMAND_MASTER | regs.PCI_COMMAND_SERR
        put(regs.PCI_COMMAND, enabled | regs.PCI_COMMAND_INTX_DISABLE, 2)
        payload = _size_code(min(slot.near.max_payload, slot.card.max_payload)) << 5
        request = _size_code(512 if self.near else slot.card.read_request) << 12
        reporting = regs.PCI_EXP_DEVCTL_CERE | regs.PCI_EXP_DEVCTL_NFERE | regs.PCI_EXP_DEVCTL_FERE
        put(_EXPRESS + regs.PCI_EXP_DEVCTL, reporting | regs.PCI_EXP_DEVCTL_URRE | payload | request, 2)
        put(_EXPRESS + regs.PCI_EXP_LNKCTL, regs.PCI_EXP_LNKCTL_CCC, 2)
        if self.near:
            put(regs.PCI_SECONDARY_BUS, 1, 1)
            put(regs.PCI_SUBORDINATE_BUS, 1, 1)
            put(regs.PCI_MEMORY_BASE, 0xFE80, 2)
            put(regs.PCI_MEMORY_LIMIT, 0xFE80, 2)
            put(regs.PCI_BRIDGE_CONTROL, regs.PCI_BRIDGE_CTL_SERR, 2)
            enabled = regs.PCI_ERR_ROOT_CMD_COR_EN | regs.PCI_ERR_ROOT_CMD_NONFATAL_EN
            put(_AER + regs.PCI_ERR_ROOT_COMMAND, enabled | regs.PCI_ERR_ROOT_CMD_FATAL_EN)
        else:
            put(regs.PCI_BASE_ADDRESS_0, 0xFE800000)

    def _header(self) -> None:
        put = self.set_hardware
        put(regs.PCI_VENDOR_ID, VENDOR_ID, 2)
        put(regs.PCI_DEVICE_ID, ROOT_PORT_ID if self.near else ECHO_CARD_ID, 2)
        put(regs.PCI_STATUS, regs.PCI_STATUS_CAP_LIST, 2)
        put(regs.PCI_CLASS_REVISION, (_BRIDGE_CLASS if self.near else _CARD_CLASS) << 8 | 0x01)
        put(regs.PCI_HEADER_TYPE, regs.PCI_HEADER_TYPE_BRIDGE if self.near else regs.PCI_HEADER_TYPE_NORMAL, 1)
        if not self.near:
            put(regs.PCI_SUBSYSTEM_VENDOR_ID, VENDOR_ID, 2)
            put(regs.PCI_SUBSYSTEM_ID, ECHO_CARD_ID, 2)
        put(regs.PCI_CAPABILITY_LIST, _EXPRESS, 1)
        put(_POWER, 0x0003_0000 | regs.PCI_CAP_ID_PM)  # version 3, no state below D0 entered by itself

    def _express(self) -> None:
        def put(offset: int, value: int, nbytes: int = 4) -> None:
            self.set_hardware(_EXPRESS + offset, value, nbytes)

        put(0, _POWER << 8 | regs.PCI_CAP_ID_EXP, 2)
        kind = regs.PCI_EXP_TYPE_ROOT_PORT if self.near else regs.PCI_EXP_TYPE_ENDPOINT
        put(regs.PCI_EXP_FLAGS, 2 | kind << 4 | (regs.PCI_EXP_FLAGS_SLOT if self.near else 0), 2)
        resets = 0 if self.near else regs.PCI_EXP_DEVCAP_FLR
        put(regs.PCI_EXP_DEVCAP, _size_code(self._partner.max_payload) | regs.PCI_EXP_DEVCAP_RBER | resets)
        relaxed = regs.PCI_EXP_DEVCTL_RELAX_EN | regs.PCI_EXP_DEVCTL_NOSNOOP_EN
        put(regs.PCI_EXP_DEVCTL, relaxed | _size_code(512) << 12, 2)

        code = rates.speed_code(self._partner.max_speed)
        link = code | self._partner.max_width << 4
        if self.near:
            link |= regs.PCI_EXP_LNKCAP_DLLLARC | regs.PCI_EXP_LNKCAP_SDERC | regs.PCI_EXP_LNKCAP_LBNC
            put(regs.PCI_EXP_SLTCAP, regs.PCI_EXP_SLTCAP_NCCS | 25 << 7 | 1 << 19)  # 25 W, slot 1
        put(regs.PCI_EXP_LNKCAP, link)
        put(regs.PCI_EXP_LNKSTA, regs.PCI_EXP_LNKSTA_SLC, 2)
        put(regs.PCI_EXP_LNKCAP2, (1 << code) - 1 << 1)
        put(regs.PCI_EXP_LNKCTL2, code, 2)

    def _advanced_errors(self) -> None:
        put = self.set_hardware
        follows = _SECONDARY << 20 if self._partner.max_speed >= 8 else 0
        put(_AER, follows | 2 << 16 | regs.PCI_EXT_CAP_ID_ERR)
        put(_AER + regs.PCI_ERR_UNCOR_MASK, aer.DEFAULT_UNCORRECTABLE_MASK)
        put(_AER + regs.PCI_ERR_UNCOR_SEVER, aer.DEFAULT_UNCORRECTABLE_SEVERITY)
        put(_AER + regs.PCI_ERR_COR_MASK, aer.DEFAULT_CORRECTABLE_MASK)

    def _physical_layer(self) -> None:
        """The capabilities of the speeds from 8 GT/s on, as far as the partner has them."""
        speed, lanes = self._partner.max_speed, range(self._partner.max_width)
        if speed < 8:
            return
        held = [(at, identifier) for known, (at, identifier) in _PHYSICAL.items() if known <= speed]
        nexts = [*(at for at, _ in held), 0]
        self.set_hardware(_SECONDARY, nexts[0] << 20 | 1 << 16 | regs.PCI_EXT_CAP_ID_SECPCI)
        for lane in lanes:
            self.set_hardware(_SECONDARY + 0x0C + 2 * lane, _PRESET | _PRESET << 8, 2)
        for (at, identifier), follows in zip(held, nexts[1:], strict=True):
            self.set_hardware(at, follows << 20 | 1 << 16 | identifier)
            for lane in lanes:
                self.set_hardware(at + _PHYSICAL_PRESETS + lane, _PRESET | _PRESET << 4, 1)


def _size_code(nbytes: int) -> int:
    """The standard's code of a payload or read request size: 128 bytes is 0, each step doubles."""
    return nbytes.bit_length() - 8
