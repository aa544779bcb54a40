"""What a run ran on: versions and the host, as far as they can be read without asking for anything."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from laneproof.campaign.results import Plain
from laneproof.campaign.self_check import self_check

_PACKAGES = ("laneproof", "numpy", "scipy", "attrs", "cattrs")


def environment(cautions_acknowledged: bool) -> Plain:
    """Plain data for the ledger. `cautions_acknowledged`: the operator said that they have read the cautions."""
    return {
        "python": platform.python_version(),
        "packages": {name: _version(name) for name in _PACKAGES},
        "system": platform.system(),
        "kernel": platform.release(),
        "machine": platform.machine(),
        "host": platform.node(),
        "boot_id": _boot_id(),
        "self_check": self_check(),
        "cautions_acknowledged": cautions_acknowledged,
    }


def _boot_id() -> str | None:
    """Linux's name for the time since the host was last started."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except (OSError, ValueError):
        return None


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
