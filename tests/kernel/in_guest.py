"""What the tests have the guest do: see through laneproof's entry points, inject errors, pull cards out.

Runs as root in the guest, called by name from outside. Injection is that of the kernel's own aer_inject, which sets
status and header in a shadow of the function's registers and has the root port raise its interrupt
(Linux Documentation/PCI/pcieaer-howto.rst, drivers/pci/pcie/aer_inject.c).
"""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from laneproof.clock import Deadline
from laneproof.contract import ConditionObserver, ErrorObserver, IdentitySource, LinkObserver
from laneproof.errors import DeviceLost
from laneproof.pcie import ConfigSpace, decode
from laneproof.pcie import registers as regs
from laneproof.readings import Conditions, ErrorReading, HostSurvey, Identity, LinkReading
from laneproof.registry import host, observers_for

DEVICES = Path("/sys/bus/pci/devices")
TRACING = Path("/sys/kernel/tracing")
HANDLED_S = 10.0
_ADDRESS = re.compile(r"([0-9a-f]{4}):([0-9a-f]{2}):([0-9a-f]{2})\.([0-7])")
_HOTPLUG_INTERRUPT = regs.PCI_EXP_SLTCTL_HPIE
_POWER = regs.PCI_EXP_SLTCTL_PCC | 0x0300
"""Power controller and power indicator, both off: linux/pci_regs.h, PCI_EXP_SLTCTL_PWR_OFF and _PWR_IND_OFF."""


# --- what laneproof shows ---


def survey() -> HostSurvey:
    """This computer's links."""
    with Deadline(30) as deadline:
        return host().survey(deadline)


def commanded(*arguments: str) -> tuple[int, str, str]:
    """Status, output and messages of the command `laneproof`."""
    program = "import sys; from laneproof.cli import main; sys.exit(main())"
    done = subprocess.run([sys.executable, "-c", program, *arguments], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr


_watched: dict[str, Any] = {}


def watch(address: str) -> None:
    """Attaches the observer `pci:` to a function, to be asked under its address."""
    with Deadline(30) as deadline:
        (part,) = observers_for("pci").attach(address, deadline)
    assert isinstance(part, ConditionObserver)
    assert isinstance(part, ErrorObserver)
    assert isinstance(part, LinkObserver)
    assert isinstance(part, IdentitySource)
    _watched[address] = part


def errors_of(address: str) -> ErrorReading:
    """The counts at both ends of a watched function's link."""
    with Deadline(30) as deadline:
        return _watched[address].read_errors(deadline)


def link_of(address: str) -> LinkReading:
    """Both ends of a watched function's link."""
    with Deadline(30) as deadline:
        return _watched[address].read_link(deadline)


def conditions_of(address: str) -> Conditions:
    """What a watched function's observer tells beside link and errors."""
    with Deadline(30) as deadline:
        return _watched[address].read_conditions(deadline)


def identity_of(address: str) -> Identity | str:
    """Or, where the device is lost, what laneproof says of that."""
    with Deadline(30) as deadline:
        try:
            return _watched[address].read_identity(deadline)
        except DeviceLost as lost:
            return str(lost)


def registers_of(address: str) -> ConfigSpace:
    """The function's configuration space, decoded."""
    return decode(image_of(address))


# --- what the kernel shows, and what is done to it ---


def image_of(address: str) -> bytes:
    """All of the function's configuration bytes."""
    return bytes_of(f"{DEVICES}/{address}/config")


def text_of(path: str) -> str:
    """A file of the guest."""
    return Path(path).read_text()


def bytes_of(path: str) -> bytes:
    """The same, as it is."""
    return Path(path).read_bytes()


def inject(
    address: str, uncorrectable: int, correctable: int, header: tuple[int, int, int, int], fatal: bool
) -> list[str]:
    """Has the kernel meet these errors at once, unmasked, and returns what it logged until it had dealt with them."""
    _write(address, _aer(address) + regs.PCI_ERR_UNCOR_MASK, 0)
    _write(address, _aer(address) + regs.PCI_ERR_COR_MASK, 0)
    _write(address, _aer(address) + regs.PCI_ERR_UNCOR_SEVER, uncorrectable if fatal else 0)
    domain, bus, device, function = (int(part, 16) for part in _parts(address))
    record = struct.pack("<BBBx7I", bus, device, function, uncorrectable, correctable, *header, domain)
    log = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
    try:
        os.lseek(log, 0, os.SEEK_END)
        Path("/dev/aer_inject").write_bytes(record)
        last = re.compile(r"AER: device recovery" if uncorrectable else r"PCIe Bus Error: severity=Corrected")
        lines = _logged_until(log, last)
        if not uncorrectable:
            _until(lambda: _read(address, _aer(address) + regs.PCI_ERR_COR_STATUS) == 0)
            lines += _logged(log)
        return lines
    finally:
        os.close(log)


def clear_uncorrectable(address: str) -> None:
    """Clears the status that a failed recovery leaves behind: exactly the bits set, for the injector flips them."""
    offset = _aer(address) + regs.PCI_ERR_UNCOR_STATUS
    _write(address, offset, _read(address, offset))


def hold_back(port: str, *below: str) -> None:
    """Keeps a root port from interrupting for errors, and clears what it and functions below it have on record, so
    that registers can be looked at before the kernel handles them. Masks nothing, and enables every report."""
    _write(port, _aer(port) + regs.PCI_ERR_ROOT_COMMAND, 0)
    for address in (port, *below):
        aer, express = _aer(address), _express(address)
        for status, mask in (
            (regs.PCI_ERR_UNCOR_STATUS, regs.PCI_ERR_UNCOR_MASK),
            (regs.PCI_ERR_COR_STATUS, regs.PCI_ERR_COR_MASK),
        ):
            _write(address, aer + status, 0xFFFFFFFF)
            _write(address, aer + mask, 0)
        _write(address, express + regs.PCI_EXP_DEVCTL, _read(address, express + regs.PCI_EXP_DEVCTL, 2) | 0xF, 2)
        _write(address, express + regs.PCI_EXP_DEVSTA, 0xF, 2)
        _write(address, regs.PCI_COMMAND, _read(address, regs.PCI_COMMAND, 2) | regs.PCI_COMMAND_SERR, 2)
        _write(address, regs.PCI_STATUS, 0xF900, 2)
        if _read(address, regs.PCI_HEADER_TYPE, 1) & regs.PCI_HEADER_TYPE_MASK == regs.PCI_HEADER_TYPE_BRIDGE:
            _write(address, regs.PCI_SEC_STATUS, 0xF900, 2)
            control = _read(address, regs.PCI_BRIDGE_CONTROL, 2)
            _write(address, regs.PCI_BRIDGE_CONTROL, control | regs.PCI_BRIDGE_CTL_SERR, 2)
    _write(port, _aer(port) + regs.PCI_ERR_ROOT_STATUS, 0x7F)


def let_go(port: str, *below: str) -> None:
    """Undoes it, with nothing left on record and what is masked by default masked again."""
    hold_back(port, *below)
    for address in (port, *below):
        _write(address, _aer(address) + regs.PCI_ERR_COR_MASK, 0xE000)
    _write(port, _aer(port) + regs.PCI_ERR_ROOT_COMMAND, 7)


def write_register(address: str, offset: int, value: int, nbytes: int = 4) -> None:
    """Writes a register of a function."""
    _write(address, offset, value, nbytes)


def pull_out(port: str) -> None:
    """Takes the card out of a port with hotplug by switching its slot off, with the port's interrupt held back."""
    _change_slot(port, _HOTPLUG_INTERRUPT, 0)
    _change_slot(port, _POWER, _POWER)


def notice_pull(port: str) -> None:
    """Has Linux see what `pull_out` did as a card that went by itself, and waits until it has dropped the card and
    switched the empty slot off."""
    slot = _express(port) + regs.PCI_EXP_SLTCTL
    below = [path for path in (DEVICES / port).resolve().iterdir() if _ADDRESS.fullmatch(path.name)]
    _change_slot(port, _POWER, 0)
    _change_slot(port, _HOTPLUG_INTERRUPT, _HOTPLUG_INTERRUPT)
    _until(lambda: not any(path.exists() for path in below) and _read(port, slot, 2) & _POWER == _POWER)


def switch_power(port: str, on: bool) -> None:
    """Switches the power of a port's slot by its controller alone. The card stays, and answers nothing without; with
    it again, its registers are those of a reset."""
    _change_slot(port, regs.PCI_EXP_SLTCTL_PCC, 0 if on else regs.PCI_EXP_SLTCTL_PCC)


def await_card(address: str) -> None:
    """Waits until Linux shows a function at this address, with its error counters."""
    _until((DEVICES / address / "aer_dev_fatal").exists)


def traced() -> str:
    """The kernel's own trace of error events since the last look; the event is enabled by the first."""
    text = (TRACING / "trace").read_text()
    (TRACING / "events/ras/aer_event/enable").write_text("1")
    (TRACING / "trace").write_text("")
    return text


def _parts(address: str) -> tuple[str, ...]:
    match = _ADDRESS.fullmatch(address)
    assert match
    return match.groups()


def _read(address: str, offset: int, nbytes: int = 4) -> int:
    with open(DEVICES / address / "config", "rb", buffering=0) as config:
        return int.from_bytes(os.pread(config.fileno(), nbytes, offset), "little")


def _write(address: str, offset: int, value: int, nbytes: int = 4) -> None:
    with open(DEVICES / address / "config", "r+b", buffering=0) as config:
        os.pwrite(config.fileno(), value.to_bytes(nbytes, "little"), offset)


def _change_slot(port: str, mask: int, value: int) -> None:
    offset = _express(port) + regs.PCI_EXP_SLTCTL
    _write(port, offset, _read(port, offset, 2) & ~mask | value, 2)


def _express(address: str) -> int:
    """Where the PCI Express capability stands; walked here, so that injection does not rest on what is under test."""
    offset = _read(address, regs.PCI_CAPABILITY_LIST, 1)
    while _read(address, offset, 1) != regs.PCI_CAP_ID_EXP:
        offset = _read(address, offset + 1, 1)
    return offset


def _aer(address: str) -> int:
    """Where Advanced Error Reporting stands."""
    offset = 0x100
    while (head := _read(address, offset)) & 0xFFFF != regs.PCI_EXT_CAP_ID_ERR:
        offset = head >> 20
    return offset


def _logged(log: int) -> list[str]:
    lines: list[str] = []
    while True:
        try:
            lines.append(os.read(log, 8192).decode("utf-8", "replace").split(";", 1)[1].rstrip("\n"))
        except BlockingIOError:
            return lines


def _logged_until(log: int, last: re.Pattern[str]) -> list[str]:
    lines: list[str] = []

    def seen() -> bool:
        lines.extend(_logged(log))
        return any(last.search(line) for line in lines)

    _until(seen)
    return lines


def _until(done: Callable[[], bool]) -> None:
    until_s = time.monotonic() + HANDLED_S
    while not done():
        if time.monotonic() > until_s:
            raise TimeoutError("the kernel did not do what was waited for")
        time.sleep(0.005)
