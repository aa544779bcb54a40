"""Runs as the guest's first process: takes calls from the tests and answers each with its result or its exception.

Calls are pickled: both sides run the same Python and the same laneproof, and trust each other as a process trusts
itself. Each is framed by its length.
"""

from __future__ import annotations

import importlib
import os
import pickle
import struct
import traceback
from pathlib import Path
from typing import Any

PORT = "laneproof"
"""Name of the virtio serial port that both ends talk over."""


def packed(message: Any) -> bytes:
    """A message as it travels."""
    data = pickle.dumps(message)
    return struct.pack("<I", len(data)) + data


def answer(module: str, name: str, arguments: tuple[Any, ...]) -> tuple[bool, Any]:
    """Whether the call returned, and its result or else what it raised, as text."""
    try:
        return True, getattr(importlib.import_module(module), name)(*arguments)
    except BaseException:
        return False, traceback.format_exc()


def main() -> None:
    (device,) = (
        path.parent.name for path in Path("/sys/class/virtio-ports").glob("*/name") if path.read_text().strip() == PORT
    )
    with open(f"/dev/{device}", "r+b", buffering=0) as port:
        _write(port, packed((True, "ready")))
        while True:
            length = struct.unpack("<I", _read(port, 4))[0]
            _write(port, packed(answer(*pickle.loads(_read(port, length)))))


def _read(port: Any, nbytes: int) -> bytes:
    data = b""
    while len(data) < nbytes:
        data += os.read(port.fileno(), nbytes - len(data))
    return data


def _write(port: Any, data: bytes) -> None:
    while data:
        data = data[os.write(port.fileno(), data) :]


if __name__ == "__main__":
    main()
