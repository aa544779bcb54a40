"""What the kernel was told and chose that bears on the evidence: arguments, ASPM policy, its release, a hypervisor.

Meaning of the arguments: Linux Documentation/admin-guide/kernel-parameters.txt.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from laneproof.readings import Unavailable
from laneproof_drivers.host_tree import HostTree

CMDLINE = PurePosixPath("/proc/cmdline")
CPUINFO = PurePosixPath("/proc/cpuinfo")
_RELEASE = PurePosixPath("/proc/sys/kernel/osrelease")
_ASPM_POLICY = PurePosixPath("/sys/module/pcie_aspm/parameters/policy")

EFFECTS: dict[str, str] = {
    "pci=off": "the kernel looks for no PCI device",
    "pci=noaer": "the kernel counts and reports no PCI Express error",
    "pci=nommconf": "configuration space ends at byte 256: no AER registers, lane errors or margining can be read",
    "pci=conf1": "configuration space ends at byte 256: no AER registers, lane errors or margining can be read",
    "pci=pcie_bus_tune_off": "payload sizes stay as firmware left them, and need not fit along a path",
    "pci=pcie_bus_safe": "payload sizes are the largest that all on a path can take",
    "pci=pcie_bus_perf": "payload sizes are as large as each parent takes, read requests limited to them",
    "pci=pcie_bus_peer2peer": "payload is set to 128 bytes everywhere",
    "pci=ecrc=off": "packets carry no end-to-end CRC: damage inside a switch looks like damage at an end",
    "pci=ecrc=on": "packets carry an end-to-end CRC where both ends can: damage inside a switch shows",
    "pcie_ports=compat": "ports have no services: no errors are counted, no hot-plug, no containment",
    "pcie_ports=native": "the kernel took error reporting from firmware without asking it",
    "pcie_ports=dpc-native": "the kernel took containment from firmware without asking it",
    "pcie_aspm=off": "the kernel leaves link power states as firmware set them, and shows no files for them",
    "pcie_aspm=force": "link power states are on even where a device says that it cannot: link errors may come of it",
    "pcie_port_pm=off": "ports do not sleep",
    "pcie_port_pm=force": "ports may sleep even where that is not known to work",
    "hest_disable": "error reports of the firmware are ignored",
    "ghes.disable=1": "error reports of the firmware are ignored",
    "mce=off": "machine checks, and with them memory errors, are not reported",
    "iommu=off": "no IOMMU checks what a card reads and writes",
    "iommu=pt": "the IOMMU lets pass what cards with a kernel driver read and write",
    "iommu.passthrough=1": "the IOMMU lets pass what cards with a kernel driver read and write",
    "intel_iommu=off": "no IOMMU checks what a card reads and writes",
    "amd_iommu=off": "no IOMMU checks what a card reads and writes",
}
"""What each argument does to the evidence."""
_PREFIXES = ("pci=", "pcie_ports=", "pcie_aspm", "pcie_port_pm=", "pciehp.", "aer", "edac", "mce=", "hest_disable")
_MORE = ("ghes.", "iommu", "intel_iommu=", "amd_iommu=")


def arguments(tree: HostTree) -> tuple[str, ...]:
    """The arguments on the kernel's command line that bear on PCI Express, one value each: "pci=a,b" gives two."""
    text = tree.text(CMDLINE)
    return () if isinstance(text, Unavailable) else relevant(text)


def relevant(command_line: str) -> tuple[str, ...]:
    """The arguments of a command line that bear on PCI Express; the others may say more of a computer than it likes."""
    found: list[str] = []
    for argument in command_line.split():
        if argument == "--":  # what follows is for the first process
            break
        name, equals, values = argument.partition("=")
        if argument.startswith(_PREFIXES + _MORE):
            found += [f"{name}={value}" for value in values.split(",")] if equals else [name]
    return tuple(dict.fromkeys(found))


def aspm_policy(tree: HostTree) -> str | None:
    """Which of the kernel's policies for link power states holds: "default", "performance", "powersave", ..."""
    text = tree.text(_ASPM_POLICY)
    if isinstance(text, Unavailable):
        return None
    chosen = re.search(r"\[(\w{1,40})\]", text)
    return chosen[1] if chosen else None


def release(tree: HostTree) -> str | None:
    text = tree.text(_RELEASE)
    return None if isinstance(text, Unavailable) else text[:80]


def under_hypervisor(tree: HostTree) -> bool:
    """Whether the processor says that a hypervisor runs it, as x86 processors do."""
    text = tree.text(CPUINFO)
    return isinstance(text, str) and re.search(r"^flags\s*:.*\bhypervisor\b", text, re.MULTILINE) is not None
