"""What stands behind a window in the tests: files that look like a PCI function below /sys, and a copy engine that a
thread plays on mapped files."""

from __future__ import annotations

import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from laneproof.pcie import registers as regs

MIB = 1024 * 1024
REGISTERS = {
    "source_register": "0x80",
    "destination_register": "0x88",
    "length_register": "0x90",
    "control_register": "0x98",
    "status_register": "0xa0",
    "register_word": "8",
    "done": "0x1",
    "error_mask": "0x2",
}
ADDRESS = "0000:65:00.0"
BAR0 = 0xFE000000
MEMORY_ON = regs.PCI_COMMAND_MEMORY


class FakeFunction:
    """A folder as Linux has it below /sys for a function with one BAR of a MiB."""

    def __init__(self, folder: Path) -> None:
        self.root = folder
        self.folder = folder / "sys/bus/pci/devices" / ADDRESS
        self.folder.mkdir(parents=True)
        self.bar = self.folder / "resource0"
        self.bar.write_bytes(bytes(MIB))
        (self.folder / "resource").write_text(f"{BAR0:#x} {BAR0 + MIB - 1:#x} 0x40200\n")
        self.iomem = folder / "iomem"
        self.claims()
        self.configure()

    def configure(self, vendor: int = 0x1234, command: int = MEMORY_ON) -> None:
        image = struct.pack("<HHHHI", vendor, 0x11E8, command, 0, 0x10)
        (self.folder / "new").write_bytes(image.ljust(64, b"\0"))
        (self.folder / "new").rename(self.folder / "config")  # at once, for whoever reads it meanwhile

    def bind(self, driver: str) -> None:
        (self.root / driver).mkdir()
        (self.folder / "driver").symlink_to(self.root / driver)

    def claims(self, *names: str) -> None:
        place = f"{BAR0:08x}-{BAR0 + MIB - 1:08x}"
        lines = [f"  {place} : {ADDRESS}", *(f"    {place} : {name}" for name in names)]
        self.iomem.write_text("\n".join(["00001000-0009ffff : System RAM", *lines, "  ff000000-ff000fff : other"]))


def engine_options(registers: Path) -> dict[str, str]:
    # The thread looks late, where a card clears its status at once: so the driver clears it.
    more = {"registers_file": str(registers), "card_address": "0x40000000", "clear_status": "0x4", "size": "64KiB"}
    return REGISTERS | more


@contextmanager
def engine(memory: Path, registers: Path, misbehave: str = "") -> Iterator[list[tuple[int, int, int]]]:
    """Plays a card's engine: looks at the registers, copies within the memory's file, sets the status."""
    copied: list[tuple[int, int, int]] = []
    stop = threading.Event()

    def run() -> None:
        block = np.memmap(registers, np.uint64, "r+")
        content = np.memmap(memory, np.uint8, "r+")
        while not stop.is_set():
            if not block[0x98 // 8] & 1:
                stop.wait(0.0005)
                continue
            block[0x98 // 8], block[0xA0 // 8] = 0, 0
            source, destination, nbytes = (int(block[place // 8]) for place in (0x80, 0x88, 0x90))
            copied.append((source, destination, nbytes))
            if misbehave == "hang":
                continue
            base = 0x40000000
            content[destination - base : destination - base + nbytes] = content[source - base : source - base + nbytes]
            block[0xA0 // 8] = 2 if misbehave == "fail" else 1

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield copied
    finally:
        stop.set()
        thread.join()
