"""Whether a computer is ready for a run, on made trees of /sys and /proc; and this computer, as it is."""

from __future__ import annotations

import ctypes
import resource
import struct
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from laneproof.clock import Deadline
from laneproof.errors import NotOffered
from laneproof.readings import Check, Use
from laneproof_drivers.card_readiness import Computer
from laneproof_drivers.host_readiness import readiness
from laneproof_drivers.host_tree import FolderTree
from laneproof_drivers.linux_host import LinuxHost, host

VFIO = Use(
    uri="vfio:0000:65:00.0",
    scheme="vfio",
    address="0000:65:00.0",
    options={"buffer": "0", "buffer_size": "1 MiB", "go_to_card": "1", "go_from_card": "3"},
    in_flight_bytes=8 << 20,
)


class Host:
    """Files of a computer, to be written one by one."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.write("proc/cmdline", "quiet")
        self.write("sys/kernel/uevent_seqnum", "1")

    def write(self, place: str, text: str) -> None:
        file = self.root / place
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text + "\n")

    def governor(self, number: int, name: str, held_khz: int = 4_000_000) -> None:
        folder = f"sys/devices/system/cpu/cpufreq/policy{number}"
        self.write(f"{folder}/scaling_governor", name)
        self.write(f"{folder}/scaling_max_freq", str(held_khz))
        self.write(f"{folder}/cpuinfo_max_freq", "4000000")

    def check(self, name: str, *uses: Use) -> Check:
        computer = Computer(FolderTree.at(self.root), self.root / "sys", self.root / "dev")
        with Deadline(20) as deadline:
            (found,) = [one for one in readiness(computer, uses, deadline) if one.name == name and not one.uri]
        assert bool(found.remedy) == (found.outcome != "ok")
        return found


@pytest.fixture
def made(tmp_path: Path) -> Host:
    return Host(tmp_path)


def test_a_processor_that_names_a_hypervisor_is_a_warning(made: Host) -> None:
    assert made.check("computer").outcome == "ok"
    made.write("proc/cpuinfo", "flags\t\t: fpu hypervisor lm")
    assert made.check("computer").outcome == "warning"


def test_time_that_others_took_from_the_processors_is_said(made: Host) -> None:
    """proc(5): user nice system idle iowait irq softirq steal guest guest_nice, in this order."""
    made.write("proc/stat", "cpu  100 0 100 600 0 0 0 200 50 0\ncpu0 1 1 1 1 1 1 1 1 1 1")
    assert "others took 20.0% of the processors' time" in made.check("computer").found
    made.write("proc/stat", "cpu  100 0 100 800 0 0 0 0 50 0")
    assert "others took" not in made.check("computer").found


def test_only_full_speed_governors_without_a_limit_are_all_right_for_rates(made: Host) -> None:
    made.governor(0, "performance")
    made.governor(1, "performance")
    assert made.check("processors").outcome == "ok"
    made.governor(1, "powersave")
    slow = made.check("processors")
    assert (slow.outcome, slow.found) == ("warning", "frequency governors: 1 performance, 1 powersave")
    assert "`cpupower frequency-set -g performance`" in slow.remedy


def test_a_frequency_that_is_held_down_is_a_warning(made: Host) -> None:
    made.governor(0, "performance", held_khz=2_000_000)
    held = made.check("processors")
    assert (held.outcome, "policy0 held to 2.0 of 4.0 GHz" in held.found) == ("warning", True)


@pytest.mark.parametrize(
    ("text", "alone", "with_a_window"),
    [
        ("[none] integrity confidentiality", "ok", "ok"),
        ("none [integrity] confidentiality", "warning", "missing"),
        ("none integrity [confidentiality]", "warning", "missing"),
        ("what is this", "warning", "missing"),
    ],
)
def test_lockdown_is_in_the_way_of_mapped_memory(made: Host, text: str, alone: str, with_a_window: str) -> None:
    """kernel_lockdown(7) and Linux security/security.c, lockdown_reasons: PCI BARs belong to integrity."""
    bar = made.root / "sys/devices/0000:65:00.0/resource2"
    made.write("sys/devices/0000:65:00.0/resource2", "")
    window = Use(uri=f"window:{bar}", scheme="window", address=str(bar))
    made.write("sys/kernel/security/lockdown", text)
    assert made.check("lockdown").outcome == alone
    assert made.check("lockdown", window).outcome == with_a_window
    assert made.check("lockdown", VFIO).outcome == alone


def test_a_lockdown_that_cannot_be_read_is_not_known_where_it_matters(made: Host) -> None:
    made.write("sys/kernel/security/lockdown", "[none]")
    (made.root / "sys/kernel/security/lockdown").chmod(0)
    assert made.check("lockdown").outcome == "warning"
    bar = made.root / "sys/devices/0000:65:00.0/resource2"
    made.write("sys/devices/0000:65:00.0/resource2", "")
    assert made.check("lockdown", Use(uri="x", scheme="window", address=str(bar))).outcome == "not known"


def test_without_an_iommu_there_is_no_vfio(made: Host) -> None:
    made.write("proc/cmdline", "quiet intel_iommu=off")
    assert made.check("IOMMU").outcome == "warning"
    missing = made.check("IOMMU", VFIO)
    assert (missing.outcome, "intel_iommu=off" in missing.found) == ("missing", True)
    (made.root / "sys/kernel/iommu_groups/7").mkdir(parents=True)
    assert made.check("IOMMU", VFIO).found.startswith("1 groups")


@pytest.mark.parametrize(
    ("limit", "capabilities", "outcome"),
    [
        (10 << 20, "0", "ok"),
        ((10 << 20) - 1, "0", "missing"),
        (8192, "0", "missing"),
        (8192, "0000000000004000", "ok"),  # linux/capability.h: CAP_IPC_LOCK is 14
        (8192, "ffffffffffffbfff", "missing"),
        (resource.RLIM_INFINITY, "0", "ok"),
    ],
)
def test_memory_for_dma_has_to_fit_the_limit_of_the_process(
    made: Host, monkeypatch: pytest.MonkeyPatch, limit: int, capabilities: str, outcome: str
) -> None:
    """The driver's own two buffers of 1 MiB, and 8 MiB of the run's."""
    monkeypatch.setattr(resource, "getrlimit", lambda _: (limit, limit))
    made.write("proc/self/status", f"Name:\tx\nCapEff:\t{capabilities}")
    assert made.check("locked memory", VFIO).outcome == outcome
    assert made.check("locked memory").outcome == "ok"


@pytest.mark.parametrize("argument", ["pci=noaer", "pci=nommconf", "pcie_ports=compat"])
def test_an_argument_that_blinds_the_kernel_is_named(made: Host, argument: str) -> None:
    (made.root / "sys/bus/pci_express/drivers/aer/0000:00:04.0:pcie002").mkdir(parents=True)
    assert made.check("error reports").outcome == "ok"
    made.write("proc/cmdline", f"quiet {argument}")
    blinded = made.check("error reports")
    assert (blinded.outcome, argument in blinded.found, argument in blinded.remedy) == ("warning", True, True)


def test_a_kernel_that_takes_no_error_reports_is_a_warning(made: Host) -> None:
    assert made.check("error reports").outcome == "warning"


@pytest.mark.parametrize(
    ("answer", "status", "outcome", "said"),
    [
        (0, 0x2001, "ok", "to within 123 ms"),  # linux/timex.h: STA_PLL, STA_NANO
        (5, 0x0040, "warning", "not synchronised"),  # TIME_ERROR, STA_UNSYNC
        (-1, 0, "warning", "does not say"),
    ],
)
def test_a_clock_that_follows_nothing_is_a_warning(
    made: Host, monkeypatch: pytest.MonkeyPatch, answer: int, status: int, outcome: str, said: str
) -> None:
    """linux/timex.h, struct timex: modes, offset, freq, maxerror in microseconds, esterror, status."""
    timex = struct.pack("@Illlli", 0, 0, 0, 123_000, 0, status)

    def adjtimex(place: Any) -> int:
        assert ctypes.string_at(place, 4) == bytes(4), "a mode that is set would change the clock"
        ctypes.memmove(place, timex, len(timex))
        return answer

    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: SimpleNamespace(adjtimex=adjtimex))
    clock = made.check("clock")
    assert (clock.outcome, said in clock.found) == (outcome, True)


def test_files_that_hold_rubbish_break_nothing(made: Host) -> None:
    for place in (
        "proc/stat",
        "proc/cpuinfo",
        "proc/cmdline",
        "proc/self/status",
        "sys/kernel/security/lockdown",
        "sys/devices/system/cpu/cpufreq/policy0/scaling_governor",
        "sys/devices/system/cpu/cpufreq/policy0/scaling_max_freq",
    ):
        made.write(place, "\x1b[2J\x00 -1 cpu [\n\n]" * 2000)
    with Deadline(20) as deadline:
        found = readiness(Computer(FolderTree.at(made.root)), (VFIO,), deadline)
    assert max(len(check.found) for check in found) < 1000


def test_this_computer_is_looked_at_and_a_recording_is_not(tmp_path: Path) -> None:
    with Deadline(20) as deadline:
        names = [check.name for check in host.readiness((), deadline)]
        assert names == ["computer", "processors", "lockdown", "IOMMU", "locked memory", "error reports", "clock"]
        (tmp_path / "sys").mkdir()
        with pytest.raises(NotOffered):
            LinuxHost(tmp_path).readiness((), deadline)
