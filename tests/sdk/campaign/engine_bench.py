"""Benches of cards with pattern engines, as many slots as asked for, each with what its text adds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

_HEAD = """schema = 1
name = "engines"
invented = "invented: the shore station of a chain of tide gauges"
description = "Cards that check a pattern by themselves."
"""
_SLOT = """
[[slot]]
name = "{name}"
wiring = 8
near = {{ max_speed = "16 GT/s", max_width = 8, max_payload = "256 B" }}
[slot.card]
max_speed = "16 GT/s"
max_width = 8
max_payload = "256 B"
pattern_engine = true
model = "echo card, eight lanes"
serial = "invented-{name}"
{more}
"""


def engine_bench(path: Path, slots: Mapping[str, str]) -> list[str]:
    """Writes the scenario to `path`; returns the slots' URIs. `slots` has for each name what is added in TOML."""
    path.write_text(_HEAD + "".join(_SLOT.format(name=name, more=more) for name, more in slots.items()), "utf-8")
    return [f"sim:{path}#{name}" for name in slots]
