"""What `lspci -F DUMP -vvv` of pciutils says of images, and how to read it."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest

LSPCI = shutil.which("lspci") or shutil.which("lspci", path="/usr/sbin:/sbin")


def read_by_lspci(images: Mapping[str, bytes], folder: Path) -> dict[str, str]:
    """lspci's text on each image, all of them in one dump of its own format."""
    if LSPCI is None:
        pytest.skip("lspci is missing; install pciutils")
    dump = folder / "dump.txt"
    with dump.open("w") as file:
        for bus, image in enumerate(images.values()):
            file.write(f"{bus:02x}:00.0 Device\n")  # of other functions than 00.0 it leaves registers out
            for offset in range(0, len(image), 16):
                file.write(f"{offset:02x}: {image[offset : offset + 16].hex(' ')}\n")
            file.write("\n")
    # -n keeps the database of names out of it.
    out = subprocess.run([LSPCI, "-F", dump, "-n", "-vvv"], capture_output=True, text=True, check=True, timeout=60)
    blocks = re.split(r"\n(?=[0-9a-f]{2}:[0-9a-f]{2}\.[0-9] )", out.stdout.strip())
    assert len(blocks) == len(images)
    return dict(zip(images, blocks, strict=True))


def line_with(text: str, label: str) -> str:
    """The line that starts with `label`, and those that continue it, indented deeper."""
    match = re.search(rf"^(\t+){label}:(.*(?:\n\1[\t ]+.*)*)", text, re.MULTILINE)
    assert match, label
    return match[2]


def section(text: str, title: str) -> str:
    """The part of `text` on the capability called `title`."""
    return next(part for part in text.split("Capabilities: ")[1:] if title in part.splitlines()[0])


def flags_of(line: str) -> dict[str, bool]:
    """The signs behind the names in a line, or in several."""
    return {name: sign == "+" for name, sign in re.findall(r"([\w<>/.-]+?)([+-])(?=\s|$|,|;)", line)}


def named(ours: tuple[str, ...] | list[str], names: Mapping[str, str]) -> dict[str, bool]:
    """Our flags by the names that lspci gives them."""
    return {theirs: flag in ours for flag, theirs in names.items()}


def agrees(ours: dict[str, bool], line: str) -> None:
    """Ours are the flags of that line, as far as ours go."""
    theirs = flags_of(line)
    assert ours == {label: theirs[label] for label in ours}
