"""Records `fixtures/aer_trace` and `fixtures/sysfs_trees` anew: `python tests/kernel/record_fixtures.py`.

What each file shows is told in the READMEs beside them. One guest after the other, a minute in all.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import guest_topology as at
from guest_image import Image, image
from guest_machine import Machine, machine
from guest_recording import recorded, recorded_without_privilege
from in_guest import clear_uncorrectable, inject, text_of, traced

from laneproof.pcie import registers as regs

FIXTURES = Path(__file__).parents[1] / "fixtures"
NO_HEADER = (0, 0, 0, 0)
WRITE_HEADER = (0x40000001, 0x0100000F, 0xFE000000, 0xDEADBEEF)
"""A memory write of one DWORD from 01:00.0 to 0xfe000000, as a packet's first words (from memory of the base
specification); the injector takes any four."""


def _trace(guest: Machine) -> None:
    guest.call(traced)
    for address, uncorrectable, correctable, header, fatal in (
        (at.SLOW_CARD, 0, regs.PCI_ERR_COR_RCVR, NO_HEADER, False),
        (at.SLOW_CARD, 0, regs.PCI_ERR_COR_BAD_TLP | regs.PCI_ERR_COR_REP_TIMER, NO_HEADER, False),
        (at.SLOW_CARD, 0, regs.PCI_ERR_COR_ADV_NFAT, WRITE_HEADER, False),
        (at.SLOW_CARD, regs.PCI_ERR_UNC_POISON_TLP, 0, WRITE_HEADER, False),
        (at.SLOW_CARD, regs.PCI_ERR_UNC_COMP_TIME, 0, NO_HEADER, False),
        (at.FIRST_CARD, regs.PCI_ERR_UNC_UNSUP | regs.PCI_ERR_UNC_COMP_ABORT, 0, WRITE_HEADER, False),
        (at.FIRST_CARD, 0x08000000, 0, NO_HEADER, False),
        (at.SECOND_DOWNSTREAM, 0, regs.PCI_ERR_COR_BAD_DLLP, NO_HEADER, False),
        (at.SLOW_PORT, regs.PCI_ERR_UNC_MALF_TLP, 0, WRITE_HEADER, True),
        (at.SLOW_PORT, regs.PCI_ERR_UNC_DLP | regs.PCI_ERR_UNC_SURPDN, 0, NO_HEADER, True),
        (at.WIDE_CARD, regs.PCI_ERR_UNC_DLP, 0, NO_HEADER, True),
    ):
        guest.call(inject, address, uncorrectable, correctable, header, fatal)
        if uncorrectable:
            guest.call(clear_uncorrectable, address)
    folder = FIXTURES / "aer_trace"
    folder.mkdir(exist_ok=True)
    (folder / "trace.txt").write_text(guest.call(traced))
    (folder / "format.txt").write_text(guest.call(text_of, "/sys/kernel/tracing/events/ras/aer_event/format"))


def _trees(made: Image) -> None:
    folder = FIXTURES / "sysfs_trees"
    folder.mkdir(exist_ok=True)
    with machine(made, at.DEVICES) as guest:
        _trace(guest)
    with machine(made, at.DEVICES) as guest:
        at.set_link(guest, at.WIDE_CARD, able=(16, 16), trained=(16, 8))
        (folder / "half_width.tar").write_bytes(guest.call(recorded))
        at.set_link(guest, at.WIDE_CARD, able=(16, 16), trained=(16, 16))
        for port in (at.FIRST_DOWNSTREAM, at.SECOND_DOWNSTREAM):
            at.set_link(guest, port, able=(8, 8))
        for card in (at.FIRST_CARD, at.SECOND_CARD):
            at.set_link(guest, card, able=(8, 8), trained=(8, 8))
        (folder / "bottleneck_above.tar").write_bytes(guest.call(recorded))
        for _ in range(3):
            guest.call(inject, at.FIRST_DOWNSTREAM, 0, regs.PCI_ERR_COR_BAD_TLP, NO_HEADER, False)
        (folder / "switch_downstream_errors.tar").write_bytes(guest.call(recorded))
        (folder / "counters_unreadable.tar").write_bytes(guest.call(recorded_without_privilege))
    with machine(made, at.DEVICES, "pci=noaer") as guest:
        (folder / "firmware_owned.tar").write_bytes(guest.call(recorded))
    sensors = ("intel-iommu,intremap=off", *at.DEVICES, "nvme,bus=pcie.0,addr=07.0,serial=none,drive=disk")
    disk = ("-drive", "if=none,id=disk,driver=null-co,size=1M")
    with machine(made, sensors, "intel_iommu=on", disk) as guest:
        (folder / "sensor_and_iommu.tar").write_bytes(guest.call(recorded))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as work:
        _trees(image(Path(work)))
