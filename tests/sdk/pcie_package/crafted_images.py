"""Images made for the tests: recorded ones with registers changed, and with capabilities that QEMU has on no device.

Offsets and identifiers are those of linux/pci_regs.h and of the sources that the modules name. Randomness is seeded, so
that every run makes the same images.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from laneproof.pcie import decode
from laneproof.pcie import registers as regs

CONFIG = Path(__file__).parents[2] / "fixtures" / "config"
RECORDED = {path.stem: path.read_bytes() for path in sorted(CONFIG.glob("*.bin"))}
PORT = "rootport_16gts_x16_edu"
EXPRESS, AER = 0x54, 0x100  # where that root port has them, as lspci lists them

SECONDARY, DPC, L1SS, LINK_FEATURE, SERIAL = 0x150, 0x180, 0x1D0, 0x1E0, 0x1F0
PHYSICAL_16, MARGINING, PHYSICAL_32, PHYSICAL_64, FLIT, REBAR = 0x200, 0x240, 0x290, 0x2D0, 0x310, 0x350
ACS = 0x148  # where that root port has it
# Identifier, version and bytes of each capability that the crafted image has besides.
ADDED = {
    SECONDARY: (regs.PCI_EXT_CAP_ID_SECPCI, 1, 0x2C),
    DPC: (regs.PCI_EXT_CAP_ID_DPC, 1, 0x44),
    L1SS: (regs.PCI_EXT_CAP_ID_L1SS, 1, 0x10),
    LINK_FEATURE: (regs.PCI_EXT_CAP_ID_DLF, 1, 0x0C),
    SERIAL: (regs.PCI_EXT_CAP_ID_DSN, 1, 0x0C),
    PHYSICAL_16: (regs.PCI_EXT_CAP_ID_PL_16GT, 1, 0x30),
    MARGINING: (0x27, 1, 0x48),
    PHYSICAL_32: (0x2A, 1, 0x30),
    PHYSICAL_64: (0x31, 1, 0x30),
    FLIT: (0x32, 1, 0x3C),
    REBAR: (regs.PCI_EXT_CAP_ID_REBAR, 1, 0x1C),
}


def with_registers(values: Mapping[int, tuple[int, int]], image: bytes = RECORDED[PORT]) -> bytes:
    """`image` with registers set: by offset their value and number of bytes."""
    changed = bytearray(image)
    for offset, (value, nbytes) in values.items():
        changed[offset : offset + nbytes] = value.to_bytes(nbytes, "little")
    return bytes(changed)


def full_image(values: Mapping[int, tuple[int, int]] | None = None, seed: int | None = None) -> bytes:
    """The recorded root port with every capability of ADDED behind its own, their registers zero, random or given."""
    image = bytearray(RECORDED[PORT])
    dice = None if seed is None else random.Random(seed)
    offsets = [ACS, *ADDED]
    for offset, after in zip(offsets, [*offsets[1:], 0], strict=True):
        identifier, version, nbytes = ADDED.get(offset, (regs.PCI_EXT_CAP_ID_ACS, 1, 0x08))
        if dice and offset != ACS:
            image[offset + 4 : offset + nbytes] = dice.randbytes(nbytes - 4)
        image[offset : offset + 4] = (identifier | version << 16 | after << 20).to_bytes(4, "little")
    return with_registers(values or {}, bytes(image))


def random_images() -> dict[str, bytes]:
    """The recorded root port and a card with random link, slot and error registers, and all capabilities at random."""
    dice = random.Random(20240229)
    made: dict[str, bytes] = {}
    speeds, widths = range(1, 6), (1, 2, 4, 8, 12, 16, 32)
    for number in range(32):
        port = bool(number % 2)
        image = full_image(seed=number) if port else RECORDED["virtio_rng_aer"]
        express = EXPRESS if port else 0x40
        reporting = regs.PCI_EXP_LNKCAP_DLLLARC | regs.PCI_EXP_LNKCAP_LBNC
        changed: dict[int, tuple[int, int]] = {
            express + regs.PCI_EXP_DEVCAP: (
                dice.choice(range(6))
                | regs.PCI_EXP_DEVCAP_RBER
                | dice.getrandbits(1) << 28
                | dice.getrandbits(10) << 18,
                4,
            ),
            express + regs.PCI_EXP_DEVCTL: (dice.getrandbits(16) & 0x8F1F | dice.choice(range(6)) << 5, 2),
            express + regs.PCI_EXP_DEVSTA: (dice.getrandbits(6), 2),
            express + regs.PCI_EXP_LNKCAP: (
                dice.choice(speeds)
                | dice.choice(widths) << 4
                | reporting
                | dice.getrandbits(2) << 10
                | dice.getrandbits(1) << 19
                | dice.getrandbits(8) << 24,
                4,
            ),
            express + regs.PCI_EXP_LNKCTL: (dice.getrandbits(12) & 0xFDB, 2),
            express + regs.PCI_EXP_LNKSTA: (
                dice.choice(speeds) | dice.choice(widths) << 4 | dice.getrandbits(5) << 11,
                2,
            ),
            express + regs.PCI_EXP_DEVCTL2: (dice.choice([0, 1, 2, 5, 6, 9, 10, 13, 14]) | dice.getrandbits(9) << 4, 2),
            express + regs.PCI_EXP_LNKCAP2: (0x1E | dice.getrandbits(2) << 23, 4),
            express + regs.PCI_EXP_LNKCTL2: (dice.choice(speeds) | dice.getrandbits(1) << 5, 2),
            express + regs.PCI_EXP_LNKSTA2: (dice.getrandbits(8), 2),
            AER + regs.PCI_ERR_CAP: (dice.getrandbits(13), 4),
        }
        for offset in (0x04, 0x08, 0x0C, 0x10, 0x14, 0x1C, 0x20, 0x24, 0x28):
            changed[AER + offset] = (dice.getrandbits(32), 4)
        if port:
            changed |= {
                express + regs.PCI_EXP_SLTCAP: (dice.getrandbits(32), 4),
                express + regs.PCI_EXP_SLTCTL: (dice.getrandbits(13), 2),
                express + regs.PCI_EXP_SLTSTA: (dice.getrandbits(9), 2),
                express + regs.PCI_EXP_RTCTL: (dice.getrandbits(5), 2),
                express + regs.PCI_EXP_RTSTA: (dice.getrandbits(18), 4),
                regs.PCI_SEC_STATUS: (dice.getrandbits(16), 2),
                regs.PCI_BRIDGE_CONTROL: (dice.getrandbits(8), 2),
                ACS + regs.PCI_ACS_CAP: (dice.getrandbits(7), 2),
                ACS + regs.PCI_ACS_CTRL: (dice.getrandbits(7), 2),
                AER + regs.PCI_ERR_ROOT_COMMAND: (dice.getrandbits(3), 4),
                AER + regs.PCI_ERR_ROOT_STATUS: (dice.getrandbits(7), 4),
                AER + regs.PCI_ERR_ROOT_ERR_SRC: (dice.getrandbits(32), 4),
                # Sizes that lspci can print, and one entry of a resizable BAR.
                REBAR + regs.PCI_REBAR_CTRL: (dice.randrange(6) | 1 << 5 | dice.randrange(20) << 8, 4),
            }
        made[f"made{number:02}"] = with_registers(changed, image)
    return made


MADE = random_images()
ALL = RECORDED | MADE
SEEN = {name: decode(image) for name, image in ALL.items()}


def having(part: str) -> list[str]:
    """The images whose description has this part."""
    return [name for name, space in SEEN.items() if getattr(space, part) is not None]


def part_of(name: str, part: str) -> Any:
    """That part of one image's description."""
    return getattr(SEEN[name], part)
