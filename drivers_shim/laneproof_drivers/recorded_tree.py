"""Recordings of what a survey reads: made by noting each read, kept in one tar file, read again without unpacking it.

A tar file from elsewhere is held in memory, so that nothing it names can touch this computer's files.
"""

from __future__ import annotations

import errno
import io
import os
import re
import stat
import tarfile
from collections.abc import Callable
from pathlib import Path, PurePosixPath
from typing import TypeVar

from attrs import Factory, define, field, frozen

from laneproof.errors import BadInput
from laneproof_drivers.host_tree import (
    LARGEST_FILE,
    NO_FILE,
    OUTSIDE,
    UNREADABLE,
    FolderTree,
    HostTree,
    refused,
)

LARGEST_RECORDING = 64 << 20
MOST_MEMBERS = 50_000
DEEPEST = 48
LONGEST_LINK = 4096
"""Linux's PATH_MAX."""
_MOST_LINKS = 40
"""As many as Linux follows in one path."""
_ROOT = PurePosixPath("/")
_TOPS = ("sys", "proc", "dev")
_NO_SUCH = (errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.EXDEV)
_NOTHING = re.compile("(?!)")
_K = TypeVar("_K")
_V = TypeVar("_V")


@frozen
class Unreadable:
    """A file that was there and could not be read."""


@frozen
class Link:
    """A symbolic link, by what it holds."""

    text: str


Entry = bytes | Link | Unreadable | None
"""A file's content, a link, or None for a folder."""


@frozen
class MemoryTree(HostTree):
    """Files by their places; folders are known by what is in them, or stand for themselves."""

    name: str
    entries: dict[PurePosixPath, Entry]
    inside: dict[PurePosixPath, set[str]] = field(
        init=False, default=Factory(lambda self: self._folders(), takes_self=True)
    )

    def _folders(self) -> dict[PurePosixPath, set[str]]:
        inside: dict[PurePosixPath, set[str]] = {_ROOT: set()}
        for path, entry in self.entries.items():
            if entry is None:
                inside.setdefault(path, set())
            while path != _ROOT:
                known = path.parent in inside
                inside.setdefault(path.parent, set()).add(path.name)
                if known:
                    break
                path = path.parent
        return inside

    def read(self, path: PurePosixPath, limit: int = LARGEST_FILE) -> bytes:
        entry = self.entries.get(self.resolved(path))
        if isinstance(entry, bytes):
            return entry[:limit]
        if isinstance(entry, Unreadable):
            raise refused(errno.EACCES, UNREADABLE, path)
        raise refused(errno.EISDIR, NO_FILE, path)

    def names(self, path: PurePosixPath, like: re.Pattern[str]) -> tuple[str, ...]:
        place = self.resolved(path)
        if place not in self.inside:
            raise refused(errno.ENOTDIR, os.strerror(errno.ENOTDIR), path)
        return tuple(sorted(name for name in self.inside[place] if like.fullmatch(name)))

    def resolved(self, path: PurePosixPath) -> PurePosixPath:
        place, left, links = _ROOT, list(reversed(path.parts[1:])), 0
        while left:
            part = left.pop()
            if part == "..":
                if place == _ROOT:
                    raise refused(errno.EXDEV, OUTSIDE, path)
                place = place.parent
                continue
            place /= part
            entry = self.entries.get(place)
            if isinstance(entry, Link):
                links += 1
                if links > _MOST_LINKS:
                    raise refused(errno.ELOOP, os.strerror(errno.ELOOP), path)
                if entry.text.startswith("/"):
                    raise refused(errno.EXDEV, OUTSIDE, path)
                left += reversed(PurePosixPath(entry.text).parts)
                place = place.parent
            elif place not in self.inside and (entry is None or left):
                raise refused(errno.ENOENT, os.strerror(errno.ENOENT), path)
        return place

    def incarnation(self, path: PurePosixPath) -> int:
        self.resolved(path)
        return 0


def tree_at(place: Path) -> HostTree:
    """A recording in a folder or in a tar file. Raises BadInput, in one line, for what is neither or is hostile."""
    try:
        if place.is_dir():
            return FolderTree.at(place)
        with open(place, "rb", opener=lambda path, flags: os.open(path, flags | os.O_NONBLOCK)) as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise BadInput(f"{place} is neither a folder nor a file; give a recorded tree")
            if status.st_size > LARGEST_RECORDING:
                raise BadInput(f"{place} holds {status.st_size} bytes; a recording has at most {LARGEST_RECORDING}")
            with tarfile.open(fileobj=file, mode="r:") as archive:
                return MemoryTree(f"recorded in {place}", _unpacked(archive, place))
    except OSError as error:
        raise BadInput(f"{place}: {error.strerror or error}; give a recorded tree") from None
    except (tarfile.TarError, ValueError, OverflowError, RecursionError) as error:
        if isinstance(error, BadInput):
            raise
        raise BadInput(f"{place} is no tar file: {error}; give one that `laneproof survey --record` made") from None


def _unpacked(archive: tarfile.TarFile, place: Path) -> dict[PurePosixPath, Entry]:
    found: dict[tuple[str, ...], Entry] = {}
    total = 0
    for count, member in enumerate(archive):
        if count >= MOST_MEMBERS:
            raise BadInput(f"{place} holds more than {MOST_MEMBERS} files; that is no recording of a survey")
        name = repr(member.name[:80])
        parts = tuple(part for part in member.name.split("/") if part not in ("", "."))
        if member.name.startswith("/") or ".." in parts:
            raise BadInput(f"{place}: the member {name} leads out of the recording; nothing of it was used")
        if len(parts) > DEEPEST or len(member.linkname) > LONGEST_LINK:
            raise BadInput(f"{place}: the member {name} is too deep or too long; nothing of it was used")
        if member.isdir():
            found.setdefault(parts, None)
        elif member.issym():
            found[parts] = Link(member.linkname)
        elif member.isreg() and not member.issparse():
            total += member.size
            if member.size > LARGEST_FILE or total > LARGEST_RECORDING:
                raise BadInput(f"{place}: the member {name} makes it too large; nothing of it was used")
            taken = archive.extractfile(member)
            content = b"" if taken is None else taken.read()
            if len(content) != member.size:
                raise BadInput(f"{place}: the member {name} is cut short; nothing of it was used")
            found[parts] = content if member.mode & 0o444 else Unreadable()
        else:
            raise BadInput(f"{place}: the member {name} is a device, a hard link or the like; nothing of it was used")
    tops = {parts[0] for parts in found if parts}
    if not tops & {"sys", "proc", "bus"}:
        raise BadInput(f"{place} holds neither sys nor proc; give a tree that `laneproof survey --record` made")
    top = _ROOT if tops & set(_TOPS) else _ROOT / "sys"
    return {top.joinpath(*parts): entry for parts, entry in found.items()}


@define
class NotedTree(HostTree):
    """Another tree, each of whose files is read once and remembered: one consistent look, which can be recorded."""

    tree: HostTree
    name: str = field(init=False, default=Factory(lambda self: self.tree.name, takes_self=True))
    _files: dict[PurePosixPath, bytes | OSError] = field(factory=dict)
    _places: dict[PurePosixPath, PurePosixPath | OSError] = field(factory=dict)
    _folders: dict[tuple[PurePosixPath, re.Pattern[str]], tuple[str, ...] | OSError] = field(factory=dict)

    def read(self, path: PurePosixPath, limit: int = LARGEST_FILE) -> bytes:
        return _remembered(self._files, path, lambda: self.tree.read(path, limit))

    def names(self, path: PurePosixPath, like: re.Pattern[str]) -> tuple[str, ...]:
        return _remembered(self._folders, (path, like), lambda: self.tree.names(path, like))

    def resolved(self, path: PurePosixPath) -> PurePosixPath:
        return _remembered(self._places, path, lambda: self.tree.resolved(path))

    def incarnation(self, path: PurePosixPath) -> int:
        return self.tree.incarnation(path)

    def noted(self) -> dict[PurePosixPath, Entry]:
        """All that was read, at the places where it really stands."""
        noted: dict[PurePosixPath, Entry] = {}
        for (path, _), names in self._folders.items():
            place = self._place(path)
            if place is not None and not isinstance(names, OSError):
                noted |= {place: None} | {place / name: None for name in names}
        for path, place in self._places.items():
            if isinstance(place, OSError):
                continue
            noted.setdefault(place, None if self._is_folder(place) else b"")
            parent = self._place(path.parent)
            if parent is not None and parent / path.name != place:
                noted[parent / path.name] = Link(os.path.relpath(place, parent))
        for path, content in self._files.items():
            place = self._place(path)
            if place is None:
                continue
            if isinstance(content, bytes):
                noted[place] = content
            elif content.errno not in _NO_SUCH:
                noted[place] = Unreadable()
        return noted

    def _place(self, path: PurePosixPath) -> PurePosixPath | None:
        try:
            return self.tree.resolved(path)
        except OSError:
            return None

    def _is_folder(self, place: PurePosixPath) -> bool:
        try:
            self.tree.names(place, _NOTHING)
        except OSError:
            return False
        return True


def _remembered(known: dict[_K, _V | OSError], key: _K, read: Callable[[], _V]) -> _V:
    if key not in known:
        try:
            known[key] = read()
        except OSError as error:
            known[key] = error
    value = known[key]
    if isinstance(value, OSError):
        raise value
    return value


def packed(entries: dict[PurePosixPath, Entry]) -> bytes:
    """A tar file of files and links, the same bytes for the same entries: nothing of who made it, or when."""
    into = io.BytesIO()
    with tarfile.open(fileobj=into, mode="w", format=tarfile.PAX_FORMAT) as archive:
        for path in sorted(entries):
            if path == _ROOT:
                continue
            entry = entries[path]
            member = tarfile.TarInfo(str(path.relative_to(_ROOT)))
            member.mode = 0o000 if isinstance(entry, Unreadable) else 0o755 if entry is None else 0o444
            if isinstance(entry, Link):
                member.type, member.linkname = tarfile.SYMTYPE, entry.text
            elif entry is None:
                member.type = tarfile.DIRTYPE
            content = entry if isinstance(entry, bytes) else b""
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return into.getvalue()
