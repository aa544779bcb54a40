"""What a process holds: descriptors, threads, mappings of files and devices. To see what a closed card has left."""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from pathlib import Path

from attrs import frozen

GRACE_S = 1.0
"""How long a thread that was told to end may take."""
_LOOK_S = 0.01


@frozen
class Held:
    """What the process holds at one moment."""

    descriptors: frozenset[tuple[int, str]]
    threads: frozenset[threading.Thread]
    mappings: Counter[str]

    @staticmethod
    def now() -> Held:
        return Held(_descriptors(), frozenset(threading.enumerate()), _mappings())


def left_since(before: Held, openings: int) -> str:
    """What has come to stay since `before`, over so many openings of a card; "" for nothing. Threads have a grace."""
    until_s = time.monotonic() + GRACE_S
    while set(threading.enumerate()) - before.threads and time.monotonic() < until_s:
        time.sleep(_LOOK_S)
    after = Held.now()
    threads = sorted(thread.name for thread in after.threads - before.threads)
    if threads:
        return f"{len(threads)} of its threads still run, such as {threads[0]}"
    descriptors = sorted(after.descriptors - before.descriptors)
    if descriptors:
        return f"{len(descriptors)} of its descriptors are still open, such as {descriptors[0][1]}"
    for name, count in (after.mappings - before.mappings).items():
        if count >= openings:
            return f"{name} is still mapped"
    return ""


def _descriptors() -> frozenset[tuple[int, str]]:
    found: set[tuple[int, str]] = set()
    for name in os.listdir("/proc/self/fd"):
        try:
            found.add((int(name), os.readlink(f"/proc/self/fd/{name}")))
        except FileNotFoundError:  # the listing's own
            continue
    return frozenset(found)


def _mappings() -> Counter[str]:
    """Mappings of named files, but for code, which is loaded when it is first needed."""
    lines = (line.split(maxsplit=5) for line in Path("/proc/self/maps").read_text("utf-8", "replace").splitlines())
    names = (line[5] for line in lines if len(line) > 5 and line[5].startswith("/"))
    return Counter(name for name in names if ".so" not in name)
