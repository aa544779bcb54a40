"""The names and values of `registers`, against the kernel's own header."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from laneproof.pcie import registers

HEADER = Path("/usr/include/linux/pci_regs.h")  # Debian's linux-libc-dev
CONSTANTS = {name: value for name, value in vars(registers).items() if name.startswith("PCI_")}


@pytest.fixture(scope="module")
def header() -> dict[str, int]:
    if not HEADER.exists():
        pytest.skip(f"{HEADER} is missing; install the kernel's headers for user space (linux-libc-dev)")
    defined = dict(re.findall(r"^#define[ \t]+(PCI_\w+)[ \t]+(\w+)", HEADER.read_text(), re.MULTILINE))
    values: dict[str, int] = {}
    for name in defined:
        text = defined[name]
        while text in defined:  # newer headers keep an old name as an alias
            text = defined[text]
        if re.fullmatch(r"0[xX][0-9a-fA-F]+|[0-9]+", text):
            values[name] = int(text, 0)
    return values


def test_every_constant_is_the_kernels(header: dict[str, int]) -> None:
    assert {name: header.get(name) for name in CONSTANTS} == CONSTANTS


def test_every_error_bit_that_the_header_names_is_there(header: dict[str, int]) -> None:
    # Later kernels also name bits 26 to 31, which the catalogue has by number.
    named = {name for name, value in header.items() if re.match(r"PCI_ERR_(COR|UNC)_", name) and value < 1 << 26}
    assert named <= set(CONSTANTS)


def test_the_module_holds_nothing_but_constants() -> None:
    assert {name for name in vars(registers) if not name.startswith("__")} - set(CONSTANTS) == {"annotations"}
