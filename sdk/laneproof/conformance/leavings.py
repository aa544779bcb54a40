"""What a process holds: descriptors, threads, children, mappings of files and devices. To see what a card has left."""

from __future__ import annotations

import os
import threading
from collections import Counter
from contextlib import suppress
from pathlib import Path

from attrs import frozen


@frozen
class Held:
    """What the process holds at one moment."""

    descriptors: frozenset[tuple[int, str]]
    threads: frozenset[threading.Thread]
    children: frozenset[int]
    mappings: Counter[str]

    @staticmethod
    def now() -> Held:
        return Held(_descriptors(), frozenset(threading.enumerate()), _children(), _mappings())


def left_since(before: Held, openings: int) -> str:
    """What has come to stay since `before`, over so many openings of a card; "" for nothing.

    A thread that was joined is none any more: one that was only told to end may still write to what it has.
    """
    after = Held.now()
    threads = sorted(thread.name for thread in after.threads - before.threads)
    if threads:
        return f"{len(threads)} of its threads still run, such as {threads[0]}"
    descriptors = sorted(after.descriptors - before.descriptors)
    if descriptors:
        return f"{len(descriptors)} of its descriptors are still open, such as {descriptors[0][1]}"
    if after.children - before.children:
        return f"{len(after.children - before.children)} of its children still run, or were not waited for"
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


def _children() -> frozenset[int]:
    """Process numbers, those included that have ended and nobody has waited for."""
    found: set[int] = set()
    for name in os.listdir("/proc"):
        if name.isdigit():
            with suppress(OSError):  # it has ended since
                status = Path("/proc", name, "stat").read_text("utf-8", "replace")
                if int(status.rpartition(")")[2].split()[1]) == os.getpid():
                    found.add(int(name))
    return frozenset(found)


def _mappings() -> Counter[str]:
    """Mappings of named files, but for code, which is loaded when it is first needed."""
    lines = (line.split(maxsplit=5) for line in Path("/proc/self/maps").read_text("utf-8", "replace").splitlines())
    names = (line[5] for line in lines if len(line) > 5 and line[5].startswith("/"))
    return Counter(name for name in names if ".so" not in name)
