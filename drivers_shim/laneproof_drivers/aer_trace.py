"""The kernel's own record of each error as it handled it: time, severity and packet header, from the trace event.

Reads the `trace` file of whatever instance already has ras:aer_event switched on, which takes nothing out of it, and
switches nothing on. The line's form: Linux include/ras/ras_event.h, aer_event; include/trace/trace_events.h.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Iterator
from pathlib import PurePosixPath

from laneproof.pcie import canonical_name, names_of
from laneproof.readings import ReportedError, Unavailable
from laneproof_drivers.host_tree import HostTree, reason

_TRACING = PurePosixPath("/sys/kernel/tracing")
_EVENT = PurePosixPath("events/ras/aer_event")
_INSTANCE = re.compile(r"[^/\n]{1,120}")
_LARGEST_TRACE = 16 << 20
_LINE = re.compile(
    r"^.{0,80}?\s(?P<time>[0-9]{1,12}\.[0-9]{1,9}): aer_event: (?P<device>[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7])"
    r" PCIe Bus Error: severity=(?P<severity>Corrected|Fatal|Uncorrected, non-fatal), (?P<errors>.{0,2000}?),"
    r" TLP Header=(?P<header>.{0,400})$",
    re.MULTILINE,
)
_SEVERITIES = {"Corrected": "correctable", "Uncorrected, non-fatal": "nonfatal", "Fatal": "fatal"}
SWITCH_ON = (
    "as root: mkdir /sys/kernel/tracing/instances/laneproof; "
    "echo 1 > /sys/kernel/tracing/instances/laneproof/events/ras/aer_event/enable"
)


def read_trace(tree: HostTree) -> tuple[ReportedError, ...] | Unavailable:
    """Every error on record in the first instance that records them, oldest first; the ring keeps the latest ones."""
    try:
        folders = _instances(tree)
        stopped: list[str] = []
        for folder in folders:
            if not tree.read(folder / _EVENT / "enable").strip().startswith(b"1"):
                continue
            if tree.text(folder / "tracing_on") == "0":
                stopped.append(str(folder))
            else:
                return _whole(tree.read(folder / "trace", _LARGEST_TRACE).decode("ascii", "replace"), folder)
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EPERM):
            return Unavailable(f"{_TRACING} cannot be read: {reason(error)}")
        if error.errno == errno.ENOENT:
            return Unavailable(
                f"the kernel offers no trace of errors below {_TRACING}: tracefs is not mounted, or ras:aer_event "
                "not built"
            )
        return Unavailable(f"{_TRACING} cannot be read: {error.strerror or error}")
    if stopped:
        return Unavailable(f"the trace in {stopped[0]} has the event and is stopped; echo 1 > {stopped[0]}/tracing_on")
    return Unavailable(f"no trace records errors, and nothing is switched on unasked; {SWITCH_ON}")


def _whole(text: str, folder: PurePosixPath) -> tuple[ReportedError, ...] | Unavailable:
    """Every error of a trace; unavailable where one cannot be read, as with a trace clock that counts no seconds."""
    found = tuple(parsed(text))
    if text.count(": aer_event: ") > len(found):
        return Unavailable(f"{folder}/trace holds errors in a form not known here; echo local > {folder}/trace_clock")
    return found


def parsed(text: str) -> Iterator[ReportedError]:
    """The errors of a trace, one each line; lines of other events are left out."""
    for match in _LINE.finditer(text):
        yield ReportedError(
            time_s=float(match["time"]),
            device=match["device"],
            severity=_SEVERITIES[match["severity"]],
            errors=tuple(_names(match["errors"], _SEVERITIES[match["severity"]])),
            header_log=_header(match["header"]),
        )


def _names(labels: str, severity: str) -> Iterator[str]:
    """Short names; bits that the kernel has no label for stand as one number at the end."""
    for label in labels.split("|"):
        if re.fullmatch(r"0x[0-9a-f]{1,8}", label):
            yield from names_of(int(label, 16), "correctable" if severity == "correctable" else "uncorrectable")
        elif label.strip():
            yield canonical_name(label.strip())


def _instances(tree: HostTree) -> list[PurePosixPath]:
    try:
        names = tree.names(_TRACING / "instances", _INSTANCE)
    except OSError as error:
        if error.errno != errno.ENOENT:
            raise
        names = ()
    return [*(_TRACING / "instances" / name for name in names), _TRACING]


def _header(text: str) -> tuple[int, int, int, int] | None:
    """Four double words, "{0x4000001,0x200a03,0x5010000,0x50100}"; None where the kernel had none."""
    words = re.findall(r"0x([0-9a-f]{1,8})", text)
    return (int(words[0], 16), int(words[1], 16), int(words[2], 16), int(words[3], 16)) if len(words) >= 4 else None
