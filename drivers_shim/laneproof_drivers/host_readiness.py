"""Whether this computer is ready for a run: what holds for all cards; and, by `card_readiness`, for each.

Reads only. Files: Linux Documentation/admin-guide/pm/cpufreq.rst, proc(5), adjtimex(2), kernel_lockdown(7).
"""

from __future__ import annotations

import ctypes
import re
import resource
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import PurePosixPath
from typing import Literal

from laneproof.clock import Deadline
from laneproof.documents import printable
from laneproof.readings import Check, Unavailable, Use
from laneproof.units import format_bytes
from laneproof_drivers import kernel_settings
from laneproof_drivers.card_readiness import Computer, card_checks, is_mapped, pinned_bytes
from laneproof_drivers.host_tree import HostTree, reason

_LOCKDOWN = PurePosixPath("/sys/kernel/security/lockdown")
_GROUPS = PurePosixPath("/sys/kernel/iommu_groups")
_POLICIES = PurePosixPath("/sys/devices/system/cpu/cpufreq")
_STAT = PurePosixPath("/proc/stat")
_STATUS = PurePosixPath("/proc/self/status")
_AER = PurePosixPath("/sys/bus/pci_express/drivers/aer")
_SERVICE = re.compile(r"([0-9a-f:.]+):pcie[0-9a-f]+")
_POLICY = re.compile(r"policy[0-9]{1,5}")
_NUMBER = re.compile(r"[0-9]{1,9}")
_STOLEN_SHARE = 0.01
"""Of the processors' time since the start. Our choice: a fifth of what makes a rate inconclusive."""
_IPC_LOCK = 14
"""linux/capability.h, CAP_IPC_LOCK."""
_UNSYNCHRONISED = 0x0040
"""linux/timex.h, STA_UNSYNC."""
_BLINDING = ("pci=off", "pci=noaer", "pci=nommconf", "pci=conf1", "pcie_ports=compat")
"""Arguments under which link errors or their registers cannot be read."""


def readiness(computer: Computer, uses: Sequence[Use], deadline: Deadline) -> tuple[Check, ...]:
    """The host's checks, then those of each card."""
    return (*_host_checks(computer.tree, uses, deadline), *card_checks(computer, uses, deadline))


def _host_checks(tree: HostTree, uses: Sequence[Use], deadline: Deadline) -> Iterator[Check]:
    deadline.check()
    yield _hypervisor(tree)
    yield _frequency(tree)
    yield _lockdown(tree, uses)
    if not uses or any(use.scheme == "vfio" for use in uses):
        yield _iommu(tree, needed=bool(uses))
        yield _memory_lock(tree, uses)
    yield _error_reports(tree)
    yield _clock()


def _hypervisor(tree: HostTree) -> Check:
    stolen = _stolen_share(tree)
    said = "" if stolen is None else f"; others took {stolen:.1%} of the processors' time since the start"
    if not kernel_settings.under_hypervisor(tree):
        return Check(name="computer", outcome="ok", found=f"the processor names no hypervisor{said}")
    return Check(
        name="computer",
        outcome="warning",
        found=f"a hypervisor runs this computer{said}",
        remedy="for rates, and for what the wires do, run on the computer itself; ports shown here may be emulated",
    )


def _stolen_share(tree: HostTree) -> float | None:
    """The eighth number of /proc/stat's first line over the first eight (proc(5)); guests' time is within user's."""
    text = tree.text(_STAT)
    numbers = [] if isinstance(text, Unavailable) else text.split("\n", 1)[0].split()[1:9]
    if len(numbers) < 8 or not all(re.fullmatch(r"[0-9]{1,20}", number) for number in numbers):
        return None
    total = sum(map(int, numbers))
    share = int(numbers[7]) / total if total else 0.0
    return share if share >= _STOLEN_SHARE else None


def _frequency(tree: HostTree) -> Check:
    try:
        policies = tree.names(_POLICIES, _POLICY)
    except OSError:
        policies = ()
    governors: Counter[str] = Counter()
    limited: list[str] = []
    for policy in policies:
        governor = tree.text(_POLICIES / policy / "scaling_governor")
        governors["not readable" if isinstance(governor, Unavailable) else printable(governor, most=20)] += 1
        now, full = (_khz(tree, policy, name) for name in ("scaling_max_freq", "cpuinfo_max_freq"))
        if now is not None and full is not None and now < full:
            limited.append(f"{policy} held to {now / 1e6:.1f} of {full / 1e6:.1f} GHz")
    if not governors:
        return Check(
            name="processors",
            outcome="warning",
            found="Linux shows no frequency control: firmware, or a hypervisor, sets the processors' speed",
            remedy="set the firmware to full performance, or compare rates only with those of this computer",
        )
    shown = ", ".join(f"{count} {governor}" for governor, count in governors.most_common(4))
    found = f"frequency governors: {shown}" + (f"; {limited[0]}, {len(limited)} limited" if limited else "")
    if set(governors) == {"performance"} and not limited:
        return Check(name="processors", outcome="ok", found=found)
    orders = ["-g performance"] if set(governors) != {"performance"} else []
    orders += ["-u FREQUENCY"] if limited else []
    return Check(
        name="processors",
        outcome="warning",
        found=found,
        remedy=f"rates may be the processors': `cpupower frequency-set {' '.join(orders)}` as root for the run",
    )


def _khz(tree: HostTree, policy: str, name: str) -> int | None:
    text = tree.text(_POLICIES / policy / name)
    return int(text) if isinstance(text, str) and re.fullmatch(r"[0-9]{1,12}", text) else None


def _lockdown(tree: HostTree, uses: Sequence[Use]) -> Check:
    """kernel_lockdown(7): integrity forbids mapping a BAR and writing configuration space, for root too. VFIO, whose
    cards an IOMMU confines, it lets pass."""
    mapped = any(is_mapped(use) for use in uses)
    try:
        text = tree.read(_LOCKDOWN, 200).decode("ascii", "replace")
    except FileNotFoundError:
        return Check(name="lockdown", outcome="ok", found="the kernel shows no lockdown")
    except OSError as error:
        outcome: Literal["not known", "warning"] = "not known" if mapped else "warning"
        return Check(
            name="lockdown",
            outcome=outcome,
            found=f"{_LOCKDOWN}: {reason(error)}",
            remedy=f"`cat {_LOCKDOWN}` as root tells; under lockdown no card's memory can be mapped",
        )
    chosen = re.search(r"\[(\w{1,40})\]", text)
    mode = chosen[1] if chosen else "of an unknown mode"
    if mode == "none":
        return Check(name="lockdown", outcome="ok", found="off")
    lost = "no card's memory can be mapped (window:), no link retrained"
    lost += ", no trace of error reports read" if mode == "confidentiality" else ""
    return Check(
        name="lockdown",
        outcome="missing" if mapped else "warning",
        found=f"the kernel is locked down, {mode}: {lost}",
        remedy="open the card by VFIO, which is allowed, or start without Secure Boot and without lockdown=",
    )


def _iommu(tree: HostTree, *, needed: bool) -> Check:
    try:
        groups = len(tree.names(_GROUPS, _NUMBER))
    except OSError:
        groups = 0
    given = [argument for argument in kernel_settings.arguments(tree) if "iommu" in argument]
    told = f"; on the kernel's command line: {', '.join(given[:3])}" if given else ""
    if groups:
        return Check(name="IOMMU", outcome="ok", found=f"{groups} groups{told}")
    return Check(
        name="IOMMU",
        outcome="missing" if needed else "warning",
        found=f"no groups: it is off, or there is none{told}; no card can be opened by VFIO",
        remedy="switch it on in the firmware and, where the kernel leaves it off, with its option intel_iommu=on",
    )


def _memory_lock(tree: HostTree, uses: Sequence[Use]) -> Check:
    limit = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0]
    needed = sum(pinned_bytes(use) for use in uses)
    wanted = f", of which the run needs about {format_bytes(needed)}" if needed else ""
    if limit == resource.RLIM_INFINITY or _may_lock(tree):
        return Check(name="locked memory", outcome="ok", found=f"no limit for this process{wanted}")
    found = f"this process may keep {format_bytes(limit)} in memory{wanted}"
    if needed <= limit:
        return Check(name="locked memory", outcome="ok", found=found)
    return Check(
        name="locked memory",
        outcome="missing",
        found=found,
        remedy=f"`ulimit -l {-(-needed // 1024)}`, by memlock in limits.conf(5), or smaller block, depth, buffer_size",
    )


def _may_lock(tree: HostTree) -> bool:
    text = tree.text(_STATUS)
    match = re.search(r"^CapEff:\s*([0-9a-f]{1,16})$", text, re.MULTILINE) if isinstance(text, str) else None
    return match is not None and bool(int(match[1], 16) >> _IPC_LOCK & 1)


def _error_reports(tree: HostTree) -> Check:
    given = [argument for argument in kernel_settings.arguments(tree) if argument in _BLINDING]
    if given:
        return Check(
            name="error reports",
            outcome="warning",
            found=f"{given[0]} on the kernel's command line: {kernel_settings.EFFECTS[given[0]]}",
            remedy=f"start the kernel without {' '.join(given)}",
        )
    try:
        ports = {match[1] for name in tree.names(_AER, _SERVICE) if (match := _SERVICE.fullmatch(name))}
    except OSError:
        ports = set[str]()
    if ports:
        return Check(
            name="error reports", outcome="ok", found=f"the kernel takes those of {len(ports)} root ports (AER)"
        )
    return Check(
        name="error reports",
        outcome="warning",
        found="the kernel takes no root port's (AER): firmware keeps them, no port has them, or none is shown",
        remedy="let firmware leave AER to the kernel, or pcie_ports=native; without, link errors are not judged",
    )


def _clock() -> Check:
    """adjtimex(2) with no modes set reads only. The status is its sixth field, after an unsigned and four longs."""
    state = (ctypes.c_ulong * 64)()  # more than struct timex, and zero modes
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "adjtimex") or libc.adjtimex(ctypes.byref(state)) < 0:
        found = "the kernel does not say whether the clock is synchronised"
    else:
        maxerror_us = ctypes.c_long.from_buffer(state, 3 * ctypes.sizeof(ctypes.c_long)).value
        status = ctypes.c_int.from_buffer(state, 5 * ctypes.sizeof(ctypes.c_long)).value
        if not status & _UNSYNCHRONISED:
            return Check(name="clock", outcome="ok", found=f"synchronised, to within {maxerror_us / 1e3:.0f} ms")
        found = "the clock is not synchronised with UTC"
    return Check(
        name="clock",
        outcome="warning",
        found=found,
        remedy="`timedatectl set-ntp true` as root; until then the ledger's times are this computer's own",
    )
