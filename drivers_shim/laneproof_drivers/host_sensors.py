"""Temperatures, voltages, currents and power, and memory errors of the host, as Linux counts and measures them.

Files and units: Linux Documentation/hwmon/sysfs-interface.rst, Documentation/admin-guide/ras.rst (EDAC).
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from laneproof.readings import AtLeast, Count, Sensor, Unavailable
from laneproof_drivers.host_tree import HostTree

_CHIPS = PurePosixPath("/sys/class/hwmon")
_CHIP = re.compile(r"hwmon[0-9]{1,4}")
_INPUT = re.compile(r"(temp|in|curr|power)([0-9]{1,4})_input")
_UNITS = {"temp": ("°C", 1e-3), "in": ("V", 1e-3), "curr": ("A", 1e-3), "power": ("W", 1e-6)}
_ADDRESS = re.compile(r"[0-9a-f]{4,8}:[0-9a-f]{2}:[01][0-9a-f]\.[0-7]")

_CONTROLLERS = PurePosixPath("/sys/devices/system/edac/mc")
_CONTROLLER = re.compile(r"mc[0-9]{1,4}")
_MEMORY_FILES = {"corrected": "ce_count", "uncorrected": "ue_count"}
_POLLED = "the kernel counts what memory controllers hand on, which may be fewer than there were"


def read_sensors(tree: HostTree) -> tuple[Sensor, ...] | Unavailable:
    """Every sensor that answers; one on a card is named after the card's address."""
    try:
        chips = tree.names(_CHIPS, _CHIP)
    except OSError as error:
        return Unavailable(f"{_CHIPS} cannot be listed: {error.strerror or error}")
    found: list[Sensor] = []
    for chip in chips:
        try:
            folder = tree.resolved(_CHIPS / chip)
            inputs = tree.names(folder, _INPUT)
        except OSError:
            continue
        label = tree.text(folder / "name")
        address = next((part for part in reversed(folder.parts) if _ADDRESS.fullmatch(part)), None)
        name = label[:60] if isinstance(label, str) else chip
        found += _sensors(tree, folder, inputs, f"{address} {name}" if address else name)
    if not found:
        return Unavailable("Linux shows no sensor: there is none, or no driver for it; virtual machines have none")
    return tuple(found)


def _sensors(tree: HostTree, folder: PurePosixPath, inputs: tuple[str, ...], chip: str) -> list[Sensor]:
    found: list[Sensor] = []
    for file in inputs:
        match = _INPUT.fullmatch(file)
        raw = tree.text(folder / file)
        if match is None or not isinstance(raw, str) or not re.fullmatch(r"-?[0-9]{1,15}", raw):
            continue
        stem = f"{match[1]}{match[2]}"
        if tree.text(folder / f"{stem}_fault") == "1":
            continue
        label = tree.text(folder / f"{stem}_label")
        unit, scale = _UNITS[match[1]]
        found.append(
            Sensor(name=f"{chip} {label[:60] if isinstance(label, str) else stem}", value=int(raw) * scale, unit=unit)
        )
    return found


def read_memory_errors(tree: HostTree) -> dict[str, Count] | Unavailable:
    """Errors of the host's memory over all controllers, as lower bounds."""
    try:
        controllers = tree.names(_CONTROLLERS, _CONTROLLER)
    except OSError:
        controllers = ()
    if not controllers:
        return Unavailable(
            "no memory controller reports errors: memory without ECC, a kernel without its EDAC driver, or a virtual "
            "machine"
        )
    return {kind: _summed(tree, controllers, file) for kind, file in _MEMORY_FILES.items()}


def _summed(tree: HostTree, controllers: tuple[str, ...], file: str) -> Count:
    total = 0
    for controller in controllers:
        text = tree.text(_CONTROLLERS / controller / file)
        if isinstance(text, Unavailable):
            return text
        if not re.fullmatch(r"[0-9]{1,20}", text):
            return Unavailable(f"{_CONTROLLERS / controller / file} is {text[:40]!r}, which is no count")
        total += int(text)
    return AtLeast(total, _POLLED)
