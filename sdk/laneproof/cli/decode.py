"""`laneproof decode`: what a configuration-space image says."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any, cast

from laneproof import pcie
from laneproof.errors import BadInput

_LARGEST = 4096


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
        description = pcie.decode(image).to_dict()
    except BadInput as error:
        raise BadInput(f"image {chosen.file}: {error.args[0]}") from None
    if chosen.json:
        print(json.dumps(description, indent=2))
    else:
        _print_plain(description, "")
    return 0


def _print_plain(value: dict[str, Any], indent: str) -> None:
    for key, item in value.items():
        if isinstance(item, dict):
            print(f"{indent}{key}:")
            _print_plain(cast("dict[str, Any]", item), indent + "  ")
        elif isinstance(item, list) and item and isinstance(item[0], dict):
            print(f"{indent}{key}:")
            for entry in cast("list[dict[str, Any]]", item):
                print(f"{indent}  " + ", ".join(f"{name} {_shown(name, part)}" for name, part in entry.items()))
        else:
            print(f"{indent}{key}: {_shown(key, item)}")


def _shown(key: str, value: Any) -> str:
    if value is None:
        return "not in this image"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and key == "class_code":
        return f"{value:#08x}"
    if isinstance(value, int) and key.endswith(("id", "offset")):
        return f"{value:#06x}"
    if isinstance(value, list):
        if key == "header_log":
            return " ".join(f"{word:08x}" for word in cast("list[int]", value))
        return ", ".join(str(item) for item in cast("list[Any]", value)) or "none"
    return str(value)
