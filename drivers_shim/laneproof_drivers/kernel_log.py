"""Faults of the IOMMU, which Linux shows nowhere but in its log: counted as they are logged, so lower bounds.

The log is read without taking anything out of it. Its records: Linux Documentation/ABI/testing/dev-kmsg. Fault lines:
drivers/iommu/intel/dmar.c, drivers/iommu/amd/iommu.c, drivers/iommu/arm (events 02, 04, 0a: a stream not set up; 10 to
13: translation, address size, access, permission).
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import PurePosixPath

from laneproof.readings import AtLeast, Count, Unavailable
from laneproof_drivers.host_tree import HostTree

_LOG = PurePosixPath("/dev/kmsg")
_IOMMUS = PurePosixPath("/sys/class/iommu")
_ANY = re.compile(r"[^/\n]{1,120}")
_FAULT = re.compile(
    r"DMAR: \[(?:DMA|PASID)[^\]]{0,40}\] Request device"
    r"|AMD-Vi: Event logged \[(?:IO_PAGE_FAULT|INVALID_DEVICE_REQUEST|ILLEGAL_DEV_TABLE_ENTRY)"
    r"|arm-smmu[^:]{0,20}: .{0,40}(?:event 0x(?:02|04|0a|1[0-3]) received|[Uu]nhandled context fault)"
)
_DEVICE = re.compile(r"\b([0-9a-f]{2}:[0-9a-f]{2})\.[0-7]\b")
_LIMITED = "the kernel limits how often it logs them, and its log keeps the latest lines only"
_RECORD = 8192
_MOST_RECORDS = 200_000


class FaultCount:
    """Faults logged since this was made that name one device, or none."""

    def __init__(self, tree: HostTree) -> None:
        self._tree = tree
        self._last = -1
        self._counted = 0
        self._last = max((number for number, _ in self._records_or_none()), default=-1)

    def read(self, address: str) -> Count | Unavailable:
        """The count now for the device at `address`, any of its functions."""
        try:
            if not self._tree.names(_IOMMUS, _ANY):
                return Unavailable("this computer has no IOMMU switched on, so none could fault")
        except OSError:
            return Unavailable("this computer shows no IOMMU, so none could fault")
        try:
            records = _records(self._tree)
        except OSError as error:
            need = "; reading it needs CAP_SYSLOG" if error.errno in (errno.EPERM, errno.EACCES) else ""
            return Unavailable(f"IOMMU faults stand in the kernel's log alone, and {_LOG}: {error.strerror}{need}")
        device = address.partition(":")[2].rpartition(".")[0]
        for number, text in records:
            if number <= self._last:
                continue
            self._last = number
            named = _DEVICE.findall(text)
            if _FAULT.search(text) and (not named or device in named):
                self._counted += 1
        return AtLeast(self._counted, _LIMITED)

    def _records_or_none(self) -> list[tuple[int, str]]:
        try:
            return _records(self._tree)
        except OSError:
            return []


def _records(tree: HostTree) -> list[tuple[int, str]]:
    """Number and text of each record, oldest first."""
    raw = _live_records() if not tree.name else tree.read(_LOG).splitlines()
    found: list[tuple[int, str]] = []
    for record in raw:
        head, _, text = record.partition(b";")
        fields = head.split(b",")
        if len(fields) >= 3 and fields[1].isdigit() and len(fields[1]) < 20:
            found.append((int(fields[1]), text.decode("ascii", "replace")))
    return found


def _live_records() -> list[bytes]:
    """The device gives one record at a time, and says EPIPE where some were overwritten meanwhile."""
    records: list[bytes] = []
    descriptor = os.open(_LOG, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        while len(records) < _MOST_RECORDS:
            try:
                record = os.read(descriptor, _RECORD)
            except BlockingIOError:
                break
            except OSError as error:
                if error.errno in (errno.EPIPE, errno.EINVAL):
                    continue
                raise
            if not record:
                break
            records.append(record.splitlines()[0])
    finally:
        os.close(descriptor)
    return records
