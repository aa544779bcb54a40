"""What the tests have the guest do beside `dma_in_guest`'s functions, where a device is had by iommufd."""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from dma_in_guest import left_open, refusal

import laneproof
from laneproof.errors import LaneproofError

NOBODY = 65534
_T = TypeVar("_T")


def without_groups(uri: str, options: dict[str, str]) -> tuple[bool, list[str]]:
    """A check while the files of groups are away, and what the process had open then."""
    groups = [path for path in Path("/dev/vfio").iterdir() if path.is_char_device()]
    kept = [(path, path.stat()) for path in groups]
    for path in groups:
        path.unlink()
    try:
        with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
            return card.check("prbs31", 4092).ok, sorted(left_open())
    finally:
        for path, status in kept:
            os.mknod(path, status.st_mode, status.st_rdev)


def pinned(uri: str, options: dict[str, str], nbytes: int) -> tuple[int, int, int]:
    """Bytes of this process that the kernel holds for DMA: with a card open and a Region allocated, after the Region
    was closed, and after the card was."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        region = card.allocate(nbytes)
        allocated = _pinned()
        region.close()
        freed = _pinned()
    return allocated, freed, _pinned()


def closed_with_a_region(uri: str, options: dict[str, str], nbytes: int) -> tuple[int, bytes]:
    """Bytes that the kernel holds for DMA after a card was closed whose Region was not, and what that still is."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        region = card.allocate(nbytes)
    held = _pinned()
    region.view[:4] = b"mine"
    content = bytes(region.view[:4])
    region.close()
    return held, content


def refused_while_held(uri: str, held_by: dict[str, str], options: dict[str, str]) -> tuple[int, str, str]:
    """What opening a card says that another process has open, and which process that is."""
    said, say = os.pipe()
    end, finish = os.pipe()
    if (child := os.fork()) == 0:
        os.close(finish)
        with laneproof.open(uri, options=held_by, acknowledge_cautions=True):
            os.write(say, b"o")
            os.read(end, 1)
        os._exit(0)
    os.close(say)
    os.close(end)
    try:
        assert os.read(said, 1) == b"o", "the other process did not open it"
        kind, words = refusal(uri, options)
    finally:
        os.close(finish)
        os.close(said)
        os.waitpid(child, 0)
    return child, kind, words


def refused_without_privilege(uri: str, options: dict[str, str], allowed: tuple[str, ...]) -> tuple[str, str]:
    """What a user is told who may open but these files."""
    return _as_nobody(allowed, lambda: refusal(uri, options))


def checked_without_privilege(
    uri: str, options: dict[str, str], allowed: tuple[str, ...], too_much_nbytes: int
) -> tuple[bool, str]:
    """A check by a user who may open these files, and what they are told who allocates that much."""

    def check() -> tuple[bool, str]:
        with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
            ok = card.check("prbs31", 4092).ok
            try:
                card.allocate(too_much_nbytes)
            except LaneproofError as error:
                return ok, str(error)
            return ok, "it was allocated"

    return _as_nobody(allowed, check)


def _as_nobody(allowed: tuple[str, ...], call: Callable[[], _T]) -> _T:
    """What it returns in a process without privilege, who may read and write these files."""
    modes = {path: os.stat(path).st_mode & 0o777 for path in allowed}
    for path in allowed:
        os.chmod(path, 0o666)
    incoming, outgoing = os.pipe()
    if (child := os.fork()) == 0:
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)
        with os.fdopen(outgoing, "wb") as out:
            pickle.dump(call(), out)
        os._exit(0)
    os.close(outgoing)
    with os.fdopen(incoming, "rb") as data:
        result: _T = pickle.load(data)
    os.waitpid(child, 0)
    for path, mode in modes.items():
        os.chmod(path, mode)
    return result


def _pinned() -> int:
    """proc(5), VmPin."""
    (line,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmPin:"))
    return int(line.split()[1]) * 1024
