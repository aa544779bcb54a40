"""A part of a file, mapped into memory and accessed in words of one width: never wider, narrower or unaligned.

What the file is, and who else uses it, is its caller's business. A mapping whose device has gone answers with a SIGBUS,
which Python cannot catch: callers look whether it is still there before they touch it.
"""

from __future__ import annotations

import errno
import mmap
import os
import platform
import threading
import time
from collections.abc import Callable
from typing import Any, NoReturn

import numpy as np
import numpy.typing as npt

from laneproof.clock import Deadline
from laneproof.errors import BadInput, CannotOpen, DriverFault

WIDTHS = (1, 2, 4, 8)
"""Bytes of a word."""
_FEW, _MOST = 64, 4096
"""Words between two looks at the deadline, at first and at most: a device that hangs may take 50 ms for each read
(PCI Express Base Specification, Device Control 2, completion timeout)."""
_BRISK_S = 0.002
_EACH = np.arange(_MOST)
_STRONGLY_ORDERED = ("x86_64",)


class MappedWords:
    """`nbytes` from byte `at` of an open file, in little-endian words of `word` bytes; the file may be closed.

    An array indexed by an array of places is what makes numpy move each word by itself: a slice would be copied as
    bytes, by moves as wide as the processor has. Raises CannotOpen.
    """

    def __init__(self, fd: int, path: str, at: int, nbytes: int, word: int) -> None:
        floor = at - at % mmap.PAGESIZE
        try:
            self._map = mmap.mmap(fd, at - floor + nbytes, mmap.MAP_SHARED, offset=floor)
        except (OSError, ValueError, OverflowError) as error:
            _raise_unmapped(path, error)
        self.word = word
        self.nbytes = nbytes - nbytes % word
        self._words: npt.NDArray[Any] | None = np.frombuffer(
            self._map, np.dtype(f"<u{word}"), self.nbytes // word, at - floor
        )
        self._lock = threading.Lock()

    def close(self) -> None:
        """Idempotent. What a thread still holds of it is unmapped when it lets go."""
        self._words = None
        try:
            self._map.close()
        except BufferError:
            return

    def get(self, offset: int) -> int:
        """One word."""
        return int(self._open()[offset // self.word])

    def put(self, offset: int, value: int) -> None:
        """One word; it may be on its way when this returns."""
        self._open()[offset // self.word] = value

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        """Write words at `offset`, which with the length is a multiple of the word; fewer bytes at the deadline."""
        words, source = self._open(), np.require(np.frombuffer(view, f"<u{self.word}"), requirements="A")
        first = offset // self.word

        def move(start: int, end: int) -> None:
            words[first + start : first + end][_EACH[: end - start]] = source[start:end]

        return self._in_pieces(source.size, move, deadline)

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        """Read words at `offset`, as `write` does."""
        words, target = self._open(), np.frombuffer(view, f"<u{self.word}")
        first = offset // self.word

        def move(start: int, end: int) -> None:
            target[start:end] = words[first + start : first + end][_EACH[: end - start]]

        return self._in_pieces(target.size, move, deadline)

    def flush(self, offset: int) -> int:
        """Bring every write so far to the device; the word at `offset`, read back from there.

        A write to a device is posted: it may wait in the processor (write combining) or on the way. Taking a lock is a
        locked instruction on x86-64, which empties the processor's write-combining buffers (Intel SDM, volume 3). A
        read is not answered before the writes that went ahead of it have arrived: on PCI Express a completion does not
        pass posted writes, and on x86-64 and Arm (Device memory) reads and writes of one device keep their order.
        """
        with self._lock:
            return self.get(offset)

    def all_ones(self, view: memoryview) -> bool:
        """Whether the last word of what was read is what a device that does not answer reads as."""
        return view[-self.word :] == b"\xff" * self.word

    def _in_pieces(self, count: int, move: Callable[[int, int], None], deadline: Deadline) -> int:
        done, piece = 0, _FEW
        while done < count:
            deadline.check()
            if done and deadline.expired:
                break
            started_s, end = time.monotonic(), min(done + piece, count)
            move(done, end)
            done = end
            brisk = time.monotonic() - started_s < _BRISK_S
            piece = min(_MOST, 2 * piece) if brisk else max(1, piece // 2)
        return done * self.word

    def _open(self) -> npt.NDArray[Any]:
        if self._words is None:
            raise DriverFault("the window is closed; open it again")
        return self._words


def require_order(path: str) -> None:
    """Raise CannotOpen for a write-combining mapping on a processor where no barrier that Python reaches is known."""
    machine = platform.machine()
    if path.endswith("_wc") and machine not in _STRONGLY_ORDERED:
        raise CannotOpen(
            f"{path} combines writes, whose order is not known to hold on {machine}; open {path.removesuffix('_wc')}"
        )


def require_words(what: str, at: int, nbytes: int, word: int) -> None:
    """Raise BadInput for a place or length that does not consist of whole words."""
    if at < 0 or nbytes < word:
        raise BadInput(f"{what} of {nbytes} bytes at {at:#x}: give a place from 0 on, and at least {word} bytes")
    if at % word:
        raise BadInput(f"{what} at {at:#x} is not aligned to words of {word} bytes; move it, or give a smaller word")


def require_file(fd: int, path: str, end: int) -> None:
    """Raise DriverFault where an ordinary file is shorter by now than what is mapped of it: touching that would be a
    SIGBUS."""
    size = os.fstat(fd).st_size
    if size < end:
        raise DriverFault(f"{path} was cut to {size} bytes while it was mapped; open it again")


def _raise_unmapped(path: str, error: Exception) -> NoReturn:
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EPERM:
        raise CannotOpen(
            f"the kernel refuses to map {path}: it is locked down (Secure Boot), or the file is read-only"
        ) from error
    if number in (errno.ENODEV, errno.EINVAL, None):
        raise CannotOpen(
            f"{path} cannot be mapped: {error}; it is no memory, smaller than asked for, or held by a kernel driver"
        ) from error
    raise CannotOpen(f"{path} cannot be mapped: {error}; see the kernel log for the reason") from error
