"""The names and values of `registers`, against the kernel's own header."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from laneproof.pcie import registers

HEADER = Path("/usr/include/linux/pci_regs.h")  # Debian's linux-libc-dev
ROOT = Path(__file__).parents[3]
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
    # Later kernels also name bits 26 to 31, which the catalogue has by number. Bit 0 is undefined.
    named = {name for name, value in header.items() if re.match(r"PCI_ERR_(COR|UNC)_", name) and value < 1 << 26}
    assert named - {"PCI_ERR_UNC_UND"} <= set(CONSTANTS)


def test_every_constant_is_used() -> None:
    """By name, or as a prefix and a tail in strings, which is how flags are named."""
    used: set[str] = set()
    texts: set[str] = set()
    for path in (path for root in ("sdk", "sim", "drivers_shim", "tests") for path in (ROOT / root).rglob("*.py")):
        if path.name != "registers.py" or "laneproof_sim" in path.parts:
            for node in ast.walk(ast.parse(path.read_bytes())):
                if isinstance(node, ast.Attribute):
                    used.add(node.attr)
                elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                    texts.add(node.value)
    prefixes = tuple(text for text in texts if re.fullmatch(r"PCI_\w+_", text))
    named = {name for name in CONSTANTS for text in prefixes if name.startswith(text) and name[len(text) :] in texts}
    assert set(CONSTANTS) - used - named == set()


def test_the_module_holds_nothing_but_constants() -> None:
    # pytest adds names that begin with @, since it looks into the assertions of a distribution that brings a plugin.
    own = {name for name in vars(registers) if not name.startswith(("__", "@"))}
    assert own - set(CONSTANTS) == {"annotations"}
