"""The slice of the kernel's log that lies along a run: the lines that name a slot's own PCI functions, word for word.

Beside the errors that drivers read as such (`Conditions.reported`): a port that says its link is down, a driver that
complains. Reads /dev/kmsg, which takes nothing out of it (Linux Documentation/ABI/testing/dev-kmsg).
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, cast

from attrs import define, field, frozen

from laneproof.documents import printable

LOG = Path("/dev/kmsg")
MOST_LETTERS = 300
"""Of one line."""
MOST_LINES = 1000
"""Of one slot in one segment."""
MOST_RECORDS = 10_000
"""That one look takes in; others wait for the next."""
_RECORD = 8192
"""Bytes that the longest record has (kernel/printk, PRINTK_MESSAGE_MAX is less)."""
_ADDRESS = re.compile(r"[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]")


@frozen(kw_only=True)
class KernelLine:
    """What the kernel said of a slot, at `kernel_s` of its own clock; or `why` nothing, or nothing more, is known."""

    slot: str
    kernel_s: float | None = None
    text: str = ""
    why: str = ""


def functions_of(opened: Mapping[str, Any]) -> frozenset[str]:
    """The PCI functions that a slot's link is made of, as its card named them when it was opened."""
    link: Mapping[str, Any] = opened.get("link", {})
    partners: list[Mapping[str, Any]] = [link.get("near", {}), link.get("far", {}), *link.get("above", ())]
    names = (str(partner.get("name", "")) for partner in partners)
    return frozenset(name for name in names if _ADDRESS.fullmatch(name))


@define
class KernelLog:
    """Follows the log from when the first slot was added. Opened for slots with PCI functions alone."""

    path: Path = LOG
    _slots: dict[str, frozenset[str]] = field(factory=dict[str, frozenset[str]], init=False)
    _told: dict[str, int] = field(factory=dict[str, int], init=False)
    _descriptor: int | None = field(default=None, init=False)
    _why: str = field(default="", init=False)

    def add(self, slot: str, functions: frozenset[str]) -> list[KernelLine]:
        """Lines that name these functions belong to that slot from now on. A line where the log cannot be read."""
        if not functions:
            return []
        if self._descriptor is None and not self._why:
            try:
                self._descriptor = os.open(self.path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
                os.lseek(self._descriptor, 0, os.SEEK_END)
            except OSError as error:
                needs = "; reading it needs CAP_SYSLOG" if error.errno in (errno.EPERM, errno.EACCES) else ""
                self._why = f"{self.path}: {error.strerror}{needs}"
        self._slots[slot] = functions
        return [KernelLine(slot=slot, why=self._why)] if self._why else []

    def read(self) -> list[KernelLine]:
        """What has come since the last time."""
        return [line for record in self._records() for line in self._lines(record)]

    def close(self) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def _records(self) -> Iterator[str]:
        for _ in range(MOST_RECORDS if self._descriptor is not None else 0):
            try:
                record = os.read(cast("int", self._descriptor), _RECORD)
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno == errno.EPIPE:  # some were overwritten before they could be read
                    continue
                return
            if not record:
                return
            yield record.decode("utf-8", "replace")

    def _lines(self, record: str) -> Iterable[KernelLine]:
        """A record is "level,number,microseconds,…;text", its keys, such as the device, in lines of their own."""
        head, _, rest = record.partition(";")
        fields = head.split(",")
        if len(fields) < 3 or not fields[2].isdecimal():
            return
        named = frozenset(_ADDRESS.findall(rest))
        for slot, functions in self._slots.items():
            told = self._told.get(slot, 0)
            if not functions & named or told > MOST_LINES:
                continue
            self._told[slot] = told + 1
            text = printable(rest.splitlines()[0], most=MOST_LETTERS)
            if told == MOST_LINES:
                yield KernelLine(slot=slot, why=f"{MOST_LINES} lines were kept; further ones are not")
            else:
                yield KernelLine(slot=slot, kernel_s=int(fields[2]) / 1e6, text=text)
