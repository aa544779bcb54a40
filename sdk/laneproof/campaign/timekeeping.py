"""What a run's moments are worth: UTC beside the computer's other clocks, the kernel's word on it, and its steps.

Durations never come from here: they are taken from the monotonic clock, which nobody sets. Who keeps the rows is in
`campaign.ledger.writing`.
"""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, ClassVar

import attrs
from attrs import define, field, frozen

from laneproof.clock import Clock
from laneproof.units import format_seconds

STEP_S = 0.05
"""A wall clock that moves by more than this against the others has been set. Our choice: larger than what reading the
clocks takes, smaller than a second."""
SLEWING = 500e-6
"""Seconds a second that an adjustment may spread a correction over (the kernel's limit, adjtimex(2)). On Linux it shows
in no clock read here, since CLOCK_MONOTONIC is slewed alike (clock_gettime(2)); it is allowed for all the same."""
LOOK_EVERY_S = 1.0
"""Seconds of the monotonic clock from one look at the clocks to the next, at least."""
ROW_EVERY_S = 3600.0
"""Seconds of the monotonic clock from one row to the next, where nothing has happened."""
MOST_JUMPS = 1000
"""Steps and suspensions that one segment tells one by one."""
READINGS = 5
"""How often the clocks are read for one moment; the reading that took least counts."""
DAEMONS = ("chronyd", "ntpd", "ptp4l", "phc2sys", "systemd-timesyncd")
"""Programs that are known to discipline a clock, as their processes are called."""
NOT_KNOWN = "not known"
_NAME_LENGTH = 15
"""Bytes of a process's name in /proc/PID/comm (proc(5))."""

TIME_ERROR = 5
STATES = ("TIME_OK", "TIME_INS", "TIME_DEL", "TIME_OOP", "TIME_WAIT", "TIME_ERROR")
"""What adjtimex(2) returns, by number: linux/timex.h."""
FLAGS = {
    "STA_PLL": 0x0001,
    "STA_PPSFREQ": 0x0002,
    "STA_PPSTIME": 0x0004,
    "STA_FLL": 0x0008,
    "STA_INS": 0x0010,
    "STA_DEL": 0x0020,
    "STA_UNSYNC": 0x0040,
    "STA_FREQHOLD": 0x0080,
    "STA_PPSSIGNAL": 0x0100,
    "STA_PPSJITTER": 0x0200,
    "STA_PPSWANDER": 0x0400,
    "STA_PPSERROR": 0x0800,
    "STA_CLOCKERR": 0x1000,
    "STA_NANO": 0x2000,
    "STA_MODE": 0x4000,
    "STA_CLK": 0x8000,
}
"""Bits of the status: linux/timex.h."""


class Timex(ctypes.Structure):
    """struct timex of linux/timex.h, where a long has 64 bits. Both errors are microseconds, whatever STA_NANO says:
    that is of `offset` and `time`, which are not read here."""

    _fields_: ClassVar = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 26),  # more than what follows, and not read
    ]


@frozen(kw_only=True)
class Moment:
    """The computer's clocks at one moment, in seconds: since 1970 UTC, and since it was started, with suspension
    (`boottime_s`) and without. They belong together within `within_s`."""

    utc_s: float
    monotonic_s: float
    boottime_s: float
    within_s: float

    @property
    def utc(self) -> str:
        """To the microsecond, as a ledger has it."""
        return datetime.fromtimestamp(self.utc_s, UTC).isoformat(timespec="microseconds")


@frozen(kw_only=True)
class KernelWord:
    """What the kernel says of its wall clock; None where it says nothing, and then `why`."""

    synchronised: bool | None
    uncertainty_s: float | None
    """Its bound on the error (maxerror); None for a clock that is not synchronised, which has none."""
    estimate_s: float | None
    """Its estimate of the error (esterror), likewise."""
    state: str = ""
    flags: tuple[str, ...] = ()
    why: str = ""


@frozen(kw_only=True)
class ClockRow:
    """One row on the computer's clock: what it is for, the moment, and what that was worth.

    `what` is "begin", "hourly" or "end" of a segment, or what happened: "step" by `jump_s` (positive: the wall clock
    was put forward), "suspended" for `jump_s`, "more", where there were too many to tell.
    """

    segment: int
    what: str
    utc: str
    monotonic_s: float
    boottime_s: float
    within_s: float
    source: str
    """Programs seen running that may discipline the clock, "not known" for none."""
    synchronised: bool | None
    uncertainty_s: float | None
    estimate_s: float | None
    state: str
    flags: tuple[str, ...]
    why: str
    jump_s: float | None = None
    threshold_s: float | None = None
    """The smallest jump that would have been told."""

    @classmethod
    def of_plain(cls, segment: int, plain: dict[str, Any]) -> ClockRow:
        """What `to_plain` made. Raises TypeError for anything else."""
        numbers = [value for key, value in plain.items() if key.endswith("_s") and value is not None]
        texts = [plain["what"], plain["utc"], *plain["flags"]]
        if not (all(isinstance(one, int | float) for one in numbers) and all(isinstance(one, str) for one in texts)):
            raise TypeError("a row on the clock holds numbers and texts")
        fields: dict[str, Any] = plain | {"flags": tuple(plain["flags"])}
        return cls(segment=segment, **fields)

    def to_plain(self) -> dict[str, Any]:
        """As the ledger keeps it; the segment stands in the entry itself."""
        plain = attrs.asdict(self)
        del plain["segment"]
        return plain

    @property
    def worth(self) -> str:
        """What UTC is known to, and from whom, for a reader."""
        if self.synchronised is None:
            known = f"whether UTC is kept is not known ({self.why})"
        elif not self.synchronised or self.uncertainty_s is None:
            known = "not synchronised, so how far it is from UTC is not known"
        else:
            known = f"UTC within {format_seconds(self.uncertainty_s)} by the kernel's word"
        return f"{known}; kept by {self.source}" if self.source != NOT_KNOWN else f"{known}; who keeps it is not known"

    @property
    def event(self) -> str:
        """What happened to the clock, for a reader; empty where nothing did."""
        match self.what:
            case "step":
                jump_s = self.jump_s or 0.0
                way = "forward" if jump_s > 0 else "back"
                return f"the wall clock was put {way} by {format_seconds(abs(jump_s))}"
            case "suspended":
                return f"the computer was suspended for {format_seconds(self.jump_s or 0.0)}"
            case "more":
                return f"{MOST_JUMPS} steps and suspensions were told; further ones are not"
            case _:
                return ""


def read_clocks() -> Moment:
    """All at one moment, as far as a program that may be interrupted can: the narrowest of a few readings."""
    return min((_read_once() for _ in range(READINGS)), key=lambda moment: moment.within_s)


def _read_once() -> Moment:
    before_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    utc_s = time.clock_gettime(time.CLOCK_REALTIME)
    boottime_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    after_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    middle_s = (before_s + after_s) / 2
    return Moment(utc_s=utc_s, monotonic_s=middle_s, boottime_s=boottime_s, within_s=(after_s - before_s) / 2)


def utc_beside(clock: Clock) -> tuple[str, float, float]:
    """UTC to the microsecond, what a card's clock shows then, and within how many seconds the two belong together."""
    before_s = clock.now_s()
    utc = datetime.now(UTC).isoformat(timespec="microseconds")
    after_s = clock.now_s()
    return utc, (before_s + after_s) / 2, (after_s - before_s) / 2


def ask_kernel() -> KernelWord:
    """By adjtimex(2), which changes nothing without modes."""
    if ctypes.sizeof(ctypes.c_long) != 8:
        return _silent("adjtimex is asked on 64-bit computers only")
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "adjtimex"):
        return _silent("the C library has no adjtimex")
    timex = Timex()
    state = libc.adjtimex(ctypes.byref(timex))
    if state < 0:
        return _silent(f"adjtimex: {os.strerror(ctypes.get_errno())}")
    return word_of(state, timex)


def word_of(state: int, timex: Timex) -> KernelWord:
    """What adjtimex has returned and filled in."""
    flags = tuple(name for name, bit in FLAGS.items() if timex.status & bit)
    synchronised = state != TIME_ERROR and "STA_UNSYNC" not in flags
    return KernelWord(
        synchronised=synchronised,
        uncertainty_s=timex.maxerror / 1e6 if synchronised else None,
        estimate_s=timex.esterror / 1e6 if synchronised else None,
        state=STATES[state] if state < len(STATES) else str(state),
        flags=flags,
    )


def _silent(why: str) -> KernelWord:
    return KernelWord(synchronised=None, uncertainty_s=None, estimate_s=None, why=why)


def discipline(proc: Path = Path("/proc")) -> str:
    """The programs seen running that may discipline the clock: "chronyd", "ptp4l, phc2sys", "not known".

    By the names of processes; those of another PID namespace, or hidden from this user, are not seen.
    """
    shown = {name[:_NAME_LENGTH]: name for name in DAEMONS}
    found: set[str] = set()
    with suppress(OSError):
        for entry in proc.iterdir():
            if entry.name.isdigit():
                with suppress(OSError, ValueError):
                    found.add(shown.get((entry / "comm").read_text("utf-8").rstrip("\n"), ""))
    return ", ".join(name for name in DAEMONS if name in found) or NOT_KNOWN


@define
class Timekeeper:
    """Looks at the computer's clocks along one segment of a run, and says what belongs on record."""

    segment: int
    clocks: Callable[[], Moment] = field(factory=lambda: read_clocks)
    kernel: Callable[[], KernelWord] = field(factory=lambda: ask_kernel)
    daemons: Callable[[], str] = field(factory=lambda: discipline)
    _last: Moment | None = field(default=None, init=False)
    _row_s: float = field(default=0.0, init=False)
    """When the last row was made."""
    _jumps: int = field(default=0, init=False)

    def begin(self) -> ClockRow:
        """The row at the start of the segment."""
        self._last = self.clocks()
        return self._row("begin", self._last)

    def look(self) -> list[ClockRow]:
        """Called often; the rows that are due: about each second what has happened, each hour how things stand."""
        now = self.clocks()
        if self._last is not None and now.monotonic_s - self._last.monotonic_s < LOOK_EVERY_S:
            return []
        rows = list(self._jumped(now))
        if now.monotonic_s - self._row_s >= ROW_EVERY_S:
            rows.append(self._row("hourly", now))
        return rows

    def end(self) -> list[ClockRow]:
        """What has happened since the last look, and the row at the end of the segment."""
        now = self.clocks()
        return [*self._jumped(now), self._row("end", now)]

    def _jumped(self, now: Moment) -> Iterator[ClockRow]:
        """A suspension moves the wall clock and the boot-time clock against the monotonic one; whoever sets the wall
        clock moves it against both."""
        before, self._last = self._last, now
        if before is None:
            return
        passed_s = now.boottime_s - before.boottime_s
        uncertain_s = before.within_s + now.within_s
        suspended_s = passed_s - (now.monotonic_s - before.monotonic_s)
        step_s = (now.utc_s - before.utc_s) - passed_s
        for what, jump_s, threshold_s in (
            ("suspended", suspended_s, STEP_S + uncertain_s),
            ("step", step_s, STEP_S + SLEWING * max(0.0, passed_s) + uncertain_s),
        ):
            if abs(jump_s) <= threshold_s or self._jumps > MOST_JUMPS:
                continue
            self._jumps += 1
            if self._jumps > MOST_JUMPS:
                yield self._row("more", now)
            else:
                yield self._row(what, now, jump_s, threshold_s)

    def _row(
        self, what: str, moment: Moment, jump_s: float | None = None, threshold_s: float | None = None
    ) -> ClockRow:
        if what in ("begin", "hourly"):
            self._row_s = moment.monotonic_s
        word = self.kernel()
        return ClockRow(
            segment=self.segment,
            what=what,
            utc=moment.utc,
            monotonic_s=moment.monotonic_s,
            boottime_s=moment.boottime_s,
            within_s=moment.within_s,
            source=self.daemons(),
            synchronised=word.synchronised,
            uncertainty_s=word.uncertainty_s,
            estimate_s=word.estimate_s,
            state=word.state,
            flags=word.flags,
            why=word.why,
            jump_s=jump_s,
            threshold_s=threshold_s,
        )


def beyond_monotonic_s(rows: Iterable[ClockRow], segment: int) -> float:
    """By how many seconds the wall clock went further than the monotonic one within a segment: set, or suspended."""
    return sum(row.jump_s or 0.0 for row in rows if row.segment == segment)


def clock_said(rows: Iterable[ClockRow]) -> str:
    """A run's clock in one line: the worst that was said of it along the run, and what happened to it."""
    told = list(rows)
    if not told:
        return "how well the computer's clock kept UTC is not on record"

    def worst(row: ClockRow) -> tuple[int, float]:
        return (0 if row.synchronised else 1 if row.synchronised is None else 2), row.uncertainty_s or 0.0

    said = [max(told, key=worst).worth]
    steps = [row for row in told if row.what == "step"]
    if len(steps) == 1:
        said.append(steps[0].event)
    elif steps:
        largest = max(steps, key=lambda row: abs(row.jump_s or 0.0))
        said.append(f"it was set {len(steps)} times, at most: {largest.event}")
    suspended_s = sum(row.jump_s or 0.0 for row in told if row.what == "suspended")
    if suspended_s:
        said.append(f"the computer was suspended for {format_seconds(suspended_s)} in all")
    said += [row.event for row in told if row.what == "more"]
    return "; ".join(said)
