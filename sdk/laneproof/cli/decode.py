"""`laneproof decode`: what a configuration-space image says."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeGuard, cast

import attrs

from laneproof import pcie
from laneproof.cli.words import console, one_line
from laneproof.errors import BadInput

_LARGEST = 4096
_INDENT = "  "
# Registers that people know in hexadecimal, by the name of their field: digits.
_HEXADECIMAL = {"vendor_id": 4, "device_id": 4, "class_code": 6, "revision_id": 2, "offset": 3}
_LOGS = {"header_log", "tlp_prefix_log", "flit_header_log"}


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("decode", help="decode a configuration-space image")
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="64, 256 or 4096 bytes, such as /sys/bus/pci/devices/ADDRESS/config"
    )
    parser.add_argument("--json", action="store_true", help="print it as JSON")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    try:
        with chosen.file.open("rb") as file:
            image = file.read(_LARGEST + 1)
    except OSError as error:
        raise BadInput(
            f"image {chosen.file}: {error.strerror or error}; give a file of 64, 256 or 4096 bytes"
        ) from None
    try:
        space = pcie.decode(image)
    except BadInput as error:
        raise BadInput(f"image {chosen.file}: {error.args[0]}") from None
    if chosen.json:
        print(json.dumps(space.to_dict(), indent=2))
        return 0
    human = console()
    for line in _described(space, "", "not in this image"):
        # Continued lines are indented below the text that they continue.
        deeper = " " * (len(line) - len(line.lstrip())) + _INDENT
        for part in textwrap.wrap(one_line(line), human.width, subsequent_indent=deeper, break_on_hyphens=False):
            human.print(part, soft_wrap=True)
    return 0


def _described(value: attrs.AttrsInstance, indent: str, absent: str) -> Iterator[str]:
    """One line per field of an attrs value, in its order, and at the end the names of those that are None."""
    missing: list[str] = []
    for attribute in attrs.fields(value.__class__):
        part = getattr(value, attribute.name)
        if part is None:
            missing.append(attribute.name)
        else:
            yield from _field(attribute.name, part, indent)
    if missing:
        yield f"{indent}{absent}: {', '.join(missing)}"


def _field(name: str, part: Any, indent: str) -> Iterator[str]:
    if isinstance(part, pcie.Tlp):
        yield f"{indent}{name}: {part}"
    elif _has_fields(part):
        yield f"{indent}{name}:"
        yield from _described(part, indent + _INDENT, "without")
    elif isinstance(part, tuple) and part and _has_fields(cast("tuple[Any, ...]", part)[0]):
        yield f"{indent}{name}:"
        yield from (indent + _INDENT + line for line in _entries(cast("tuple[Any, ...]", part)))
    else:
        yield f"{indent}{name}: {_shown(name, part)}"


def _has_fields(part: object) -> TypeGuard[attrs.AttrsInstance]:
    return attrs.has(part.__class__)


def _entries(parts: tuple[Any, ...]) -> Iterator[str]:
    match parts[0]:
        case pcie.Capability():
            for entry in cast("tuple[pcie.Capability, ...]", parts):
                kind = "extended" if entry.extended else "standard"
                yield f"{entry.offset:#05x} {entry.name} ({kind} {entry.id:#04x})"
        case pcie.LanePresets():
            lanes = cast("tuple[pcie.LanePresets, ...]", parts)
            for column in attrs.fields(pcie.LanePresets)[1:]:
                values = [getattr(lane, column.name) for lane in lanes]
                if None not in values:
                    yield f"{column.name}s from lane 0 on: {' '.join(map(str, values))}"
        case _:
            for part in parts:
                yield ", ".join(f"{key} {item}" for key, item in attrs.asdict(part).items())


def _shown(name: str, part: Any) -> str:
    if isinstance(part, bool):
        return "yes" if part else "no"
    if isinstance(part, int) and name in _HEXADECIMAL:
        return f"{part:#0{_HEXADECIMAL[name] + 2}x}"
    if isinstance(part, tuple):
        items = cast("tuple[Any, ...]", part)
        if name in _LOGS:
            return " ".join(f"{word:08x}" for word in items)
        return ", ".join(_shown("", item) for item in items) or "none"
    return f"{part:g}" if isinstance(part, float) else str(part)
