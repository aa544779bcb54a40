"""The files of /sys, /proc and /dev that the Linux host reader looks at: this computer's own, or a recorded copy.

Paths are always written as on the computer itself ("/sys/bus/pci/devices"). Every file is taken for something that may
vanish, be empty, fail or be no file at all; of a recording, no link is followed out of it. What the files mean is said
elsewhere; recordings in one file are `recorded_tree`'s.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from abc import ABC, abstractmethod
from pathlib import Path, PurePosixPath

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.readings import Unavailable

LARGEST_FILE = 1 << 20
"""No file of /sys or /proc that is read here comes near it."""
UNREADABLE = "not readable when this was recorded"
OUTSIDE = "leads out of the recording, and was not followed"
NO_FILE = "is not a regular file"

_SYS = PurePosixPath("/sys")


class HostTree(ABC):
    """Reads files by their places on the computer. Every failure is an OSError with a sentence in `strerror`."""

    name: str
    """"" for this computer itself."""

    @abstractmethod
    def read(self, path: PurePosixPath, limit: int = LARGEST_FILE) -> bytes:
        """One file's first bytes, `limit` at most."""

    @abstractmethod
    def names(self, path: PurePosixPath, like: re.Pattern[str]) -> tuple[str, ...]:
        """The sorted names in a folder that match `like` in full."""

    @abstractmethod
    def resolved(self, path: PurePosixPath) -> PurePosixPath:
        """The place itself, with every symbolic link on the way resolved; it must be there."""

    @abstractmethod
    def incarnation(self, path: PurePosixPath) -> int:
        """A number that changes when the folder at this place is another one than before."""

    def exists(self, path: PurePosixPath) -> bool:
        try:
            self.resolved(path)
        except OSError:
            return False
        return True

    def text(self, path: PurePosixPath) -> str | Unavailable:
        """One file's text without the space around it; an empty file is unavailable."""
        try:
            text = self.read(path).decode("ascii", "replace").strip()
        except OSError as error:
            return Unavailable(f"{path} cannot be read: {reason(error)}")
        return text if text else Unavailable(f"{path} is empty")

    def target(self, path: PurePosixPath) -> str | None:
        """The name of what a symbolic link leads to, or None."""
        try:
            return self.resolved(path).name
        except OSError:
            return None


def reason(error: OSError) -> str:
    """What stood in the way, and the least privilege that would move it."""
    why = error.strerror or str(error)
    privilege = error.errno in (errno.EACCES, errno.EPERM) and why != UNREADABLE
    return f"{why}; root may (CAP_DAC_READ_SEARCH)" if privilege else why


def refused(number: int, why: str, path: PurePosixPath) -> OSError:
    return OSError(number, why, str(path))


@frozen
class FolderTree(HostTree):
    """A folder that holds sys, proc and dev, or the parts of them that there are; or what would be below sys itself."""

    root: Path
    name: str
    below_sys: bool

    @classmethod
    def at(cls, folder: Path) -> FolderTree:
        """The tree in `folder`. Raises BadInput if it holds none."""
        try:
            root = folder.resolve(strict=True)
            names = set(os.listdir(root))
        except (OSError, RuntimeError) as error:
            why = error.strerror if isinstance(error, OSError) else "its links go in circles"
            raise BadInput(f"{folder}: {why}; give a recorded tree, with sys and proc in it") from None
        if not names & {"sys", "proc", "bus"}:
            raise BadInput(f"{folder} holds neither sys nor proc; give a tree that `laneproof survey --record` made")
        return cls(root, "" if root == Path("/") else f"recorded in {folder}", "sys" not in names and "bus" in names)

    def read(self, path: PurePosixPath, limit: int = LARGEST_FILE) -> bytes:
        place = self._place(path)
        with open(place, "rb", buffering=0, opener=_without_waiting) as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise refused(errno.EINVAL, NO_FILE, path)
            if self.name and not status.st_mode & 0o444:
                raise refused(errno.EACCES, UNREADABLE, path)
            parts: list[bytes] = []
            while limit > 0 and (part := file.read(limit)):
                parts.append(part)
                limit -= len(part)
        return b"".join(parts)

    def names(self, path: PurePosixPath, like: re.Pattern[str]) -> tuple[str, ...]:
        return tuple(sorted(name for name in os.listdir(self._place(path)) if like.fullmatch(name)))

    def resolved(self, path: PurePosixPath) -> PurePosixPath:
        place = self._within(self._joined(path), path)
        inner = place.relative_to(self.root)
        return _SYS / inner if self.below_sys else PurePosixPath("/") / inner

    def incarnation(self, path: PurePosixPath) -> int:
        return self._place(path).stat().st_ino

    def _place(self, path: PurePosixPath) -> Path:
        return self._within(self._joined(path), path) if self.name else Path(path)

    def _joined(self, path: PurePosixPath) -> Path:
        if not self.below_sys:
            return self.root / path.relative_to("/")
        if not path.is_relative_to(_SYS):
            raise refused(errno.ENOENT, "is not part of the recording", path)
        return self.root / path.relative_to(_SYS)

    def _within(self, joined: Path, path: PurePosixPath) -> Path:
        place = Path(os.path.realpath(joined, strict=True))
        if not place.is_relative_to(self.root):
            raise refused(errno.EXDEV, OUTSIDE, path)
        return place


def _without_waiting(path: str, flags: int) -> int:
    """A FIFO or a terminal in the place of a file must not hold up a survey."""
    return os.open(path, flags | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)


def this_computer() -> FolderTree:
    return FolderTree(Path("/"), "", False)
