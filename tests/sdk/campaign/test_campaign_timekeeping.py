"""The computer's clock along a run: what the kernel says of it, steps and suspensions, and where that is kept."""

from __future__ import annotations

import ctypes
import re
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import attrs
import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import timekeeping
from laneproof.campaign.ledger import Ledger, read_ledger, writing
from laneproof.campaign.runner import seconds_on_record
from laneproof.campaign.timekeeping import (
    FLAGS,
    MOST_JUMPS,
    STATES,
    ClockRow,
    KernelWord,
    Moment,
    Timekeeper,
    Timex,
    beyond_monotonic_s,
    clock_said,
    word_of,
)
from laneproof.clock import MonotonicClock
from laneproof.insight.report import render_html

HEADER = Path("/usr/include/linux/timex.h")  # Debian's linux-libc-dev
KEPT = KernelWord(synchronised=True, uncertainty_s=0.012, estimate_s=0.001, state="TIME_OK", flags=("STA_PLL",))


class Clocks:
    """A computer's clocks that move as they are told."""

    def __init__(self) -> None:
        self.utc_s, self.monotonic_s, self.boottime_s, self.within_s = 1.7e9, 500.0, 700.0, 1e-6

    def __call__(self) -> Moment:
        return Moment(
            utc_s=self.utc_s, monotonic_s=self.monotonic_s, boottime_s=self.boottime_s, within_s=self.within_s
        )

    def run(self, seconds: float, *, suspended_s: float = 0.0, step_s: float = 0.0) -> None:
        self.monotonic_s += seconds
        self.boottime_s += seconds + suspended_s
        self.utc_s += seconds + suspended_s + step_s


def keeper(clocks: Clocks, word: KernelWord = KEPT) -> Timekeeper:
    made = Timekeeper(0, clocks=clocks, kernel=lambda: word, daemons=lambda: "chronyd")
    made.begin()
    return made


def jumps(rows: list[ClockRow]) -> list[tuple[str, float]]:
    return [(row.what, pytest.approx(row.jump_s, abs=1e-6)) for row in rows if row.jump_s is not None]


@pytest.fixture(scope="module")
def header() -> str:
    if not HEADER.exists():
        pytest.skip(f"{HEADER} is missing; install the kernel's headers for user space (linux-libc-dev)")
    return HEADER.read_text()


def test_flags_and_states_are_those_of_the_kernels_header(header: str) -> None:
    bits = {name: int(value, 16) for name, value in re.findall(r"#define (STA_\w+)\s+(0x\w+)", header)}
    states = {name: int(value) for name, value in re.findall(r"#define (TIME_\w+)\s+(\d+)", header)}
    assert bits == FLAGS
    assert states == {name: number for number, name in enumerate(STATES)}


def test_what_is_read_of_struct_timex_lies_where_the_kernels_header_has_it(header: str) -> None:
    body = header.split("struct timex {")[1].split("};")[0]
    kinds = {"unsigned int": ctypes.c_uint, "__kernel_long_t": ctypes.c_long, "int": ctypes.c_int}
    fields = re.findall(r"^\s*(unsigned int|__kernel_long_t|int) (\w+);", body, re.MULTILINE)
    read = Timex._fields_[:-1]
    assert [(name, kinds[kind]) for kind, name in fields[: len(read)]] == read
    # Its whole size: the fields of linux/timex.h with 64-bit longs, and timeval of two.
    rest = [kinds[kind] for kind, _ in fields] + [ctypes.c_long] * 2 + [ctypes.c_int] * body.count(":32")
    whole = type("Whole", (ctypes.Structure,), {"_fields_": [(f"at{n}", kind) for n, kind in enumerate(rest)]})
    assert ctypes.sizeof(Timex) >= ctypes.sizeof(whole)


def test_both_errors_are_microseconds_even_where_the_offset_is_nanoseconds() -> None:
    """linux/timex.h and adjtimex(2): STA_NANO is of offset and time alone."""
    word = word_of(0, Timex(maxerror=12_000, esterror=250, status=FLAGS["STA_PLL"] | FLAGS["STA_NANO"]))
    assert word == KernelWord(
        synchronised=True, uncertainty_s=0.012, estimate_s=0.00025, state="TIME_OK", flags=("STA_PLL", "STA_NANO")
    )


@pytest.mark.parametrize(("state", "status"), [(5, 0), (0, FLAGS["STA_UNSYNC"]), (5, FLAGS["STA_CLOCKERR"])])
def test_a_clock_that_is_not_synchronised_has_no_uncertainty(state: int, status: int) -> None:
    word = word_of(state, Timex(maxerror=16_000_000, esterror=16_000_000, status=status))
    assert (word.synchronised, word.uncertainty_s, word.estimate_s) == (False, None, None)


def test_this_computers_kernel_is_understood() -> None:
    word = timekeeping.ask_kernel()
    assert word.why or (word.state in STATES and word.synchronised is not None)


def test_this_computers_clocks_are_read_at_one_moment() -> None:
    before_s, moment, after_s = time.monotonic(), timekeeping.read_clocks(), time.monotonic()
    assert before_s <= moment.monotonic_s <= after_s
    assert moment.boottime_s >= moment.monotonic_s - moment.within_s
    utc, clock_s, within_s = timekeeping.utc_beside(MonotonicClock())
    assert after_s <= clock_s <= time.monotonic()
    assert within_s >= 0
    assert utc.endswith("+00:00")


@pytest.mark.parametrize(
    ("names", "source"),
    [
        (["bash", "chronyd"], "chronyd"),
        (["systemd-timesyn"], "systemd-timesyncd"),  # proc(5): comm holds 15 bytes
        (["phc2sys", "ptp4l"], "ptp4l, phc2sys"),
        (["bash", "chrony-helper"], "not known"),
    ],
)
def test_who_keeps_the_clock_is_said_only_where_it_is_seen_running(
    tmp_path: Path, names: list[str], source: str
) -> None:
    for number, name in enumerate(names):
        (tmp_path / str(number)).mkdir()
        (tmp_path / str(number) / "comm").write_text(f"{name}\n")
    (tmp_path / "99").mkdir()  # a process that has just ended
    assert timekeeping.discipline(tmp_path) == source
    assert timekeeping.discipline(tmp_path / "no such folder") == "not known"


@pytest.mark.parametrize("step_s", [1.2, -1.2, 0.06])
def test_a_clock_that_is_set_is_told_with_size_and_direction(step_s: float) -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    clocks.run(1.0)
    assert kept.look() == []
    clocks.run(1.0, step_s=step_s)
    (row,) = kept.look()
    assert (row.what, row.jump_s) == ("step", pytest.approx(step_s, abs=1e-6))
    assert ("forward" if step_s > 0 else "back") in row.event
    clocks.run(1.0)
    assert kept.look() == []


@pytest.mark.parametrize("step_s", [0.04, -0.04, 0.0])
def test_less_than_the_threshold_is_no_step(step_s: float) -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    clocks.run(1.0, step_s=step_s)
    assert kept.look() == []


def test_slewing_is_no_step_however_long_nobody_looked() -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    clocks.run(1800.0, step_s=1800 * 500e-6)  # adjtimex(2): 500 ppm at most
    assert kept.look() == []


def test_a_process_that_stood_still_sees_no_step() -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    clocks.run(600.0)
    assert kept.look() == []
    clocks.within_s = 0.5  # it stood still while the clocks were read
    clocks.run(1.0, step_s=0.4)
    assert kept.look() == []


def test_a_suspension_is_told_apart_from_a_step() -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    clocks.run(1.0, suspended_s=3600.0)
    assert jumps(kept.look()) == [("suspended", 3600.0)]
    clocks.run(1.0, suspended_s=60.0, step_s=-5.0)
    rows = kept.look()
    assert jumps(rows) == [("suspended", 60.0), ("step", -5.0)]
    assert [row.event for row in rows] == [
        "the computer was suspended for 1 min 0 s",
        "the wall clock was put back by 5 s",
    ]


def test_the_clocks_are_looked_at_once_a_second_and_put_on_record_each_hour() -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    clocks.run(0.5, step_s=3.0)
    assert kept.look() == []
    clocks.run(0.5)
    assert jumps(kept.look()) == [("step", 3.0)]
    found = [row.what for _ in range(7300) for row in (clocks.run(1.0), kept.look())[1]]
    assert found == ["hourly", "hourly"]
    clocks.run(0.1, step_s=-3.0)
    assert [row.what for row in kept.end()] == ["step", "end"]


def test_a_clock_that_is_set_for_ever_fills_no_disk() -> None:
    clocks = Clocks()
    kept = keeper(clocks)
    rows: list[ClockRow] = []
    for _ in range(MOST_JUMPS + 500):
        clocks.run(1.0, step_s=1.0)
        rows += kept.look()
    assert [row.what for row in rows] == ["step"] * MOST_JUMPS + ["more"]
    assert "further ones are not" in clock_said(rows)


def row(what: str = "begin", **changes: object) -> ClockRow:
    clocks = Clocks()
    (made,) = Timekeeper(0, clocks=clocks, kernel=lambda: KEPT, daemons=lambda: "chronyd").end()
    return attrs.evolve(made, what=what, **changes)


LOST = {"synchronised": False, "uncertainty_s": None, "source": "not known"}


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], "how well the computer's clock kept UTC is not on record"),
        (
            [row(), row("end", uncertainty_s=0.5)],
            "UTC within 500 ms by the kernel's word; kept by chronyd",
        ),
        (
            [row(), row("hourly", **LOST), row("end")],
            "not synchronised, so how far it is from UTC is not known; who keeps it is not known",
        ),
        (
            [row(), row("step", jump_s=-2.0), row("suspended", jump_s=60.0)],
            "UTC within 12 ms by the kernel's word; kept by chronyd; the wall clock was put back by 2 s; the computer "
            "was suspended for 1 min 0 s in all",
        ),
        (
            [row("step", jump_s=1.0), row("step", jump_s=-3.0)],
            "UTC within 12 ms by the kernel's word; kept by chronyd; it was set 2 times, at most: the wall clock was "
            "put back by 3 s",
        ),
        (
            [row(synchronised=None, uncertainty_s=None, why="adjtimex: not permitted")],
            "whether UTC is kept is not known (adjtimex: not permitted); kept by chronyd",
        ),
    ],
)
def test_a_run_is_worth_the_worst_that_was_said_of_its_clock(rows: list[ClockRow], said: str) -> None:
    assert clock_said(rows) == said


@pytest.fixture
def set_clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Puts the computer's wall clock forward, as far as the ledger sees it, and has it look at once."""
    real, ahead_s = time.clock_gettime, [0.0]

    def gettime(clock: int) -> float:
        return real(clock) + (ahead_s[0] if clock == time.CLOCK_REALTIME else 0.0)

    monkeypatch.setattr(time, "clock_gettime", gettime)
    monkeypatch.setattr(timekeeping, "LOOK_EVERY_S", 0.0)
    monkeypatch.setattr(writing, "COMMIT_EVERY_S", 0.0)

    def put(seconds: float) -> None:
        ahead_s[0] += seconds

    return put


def test_a_ledger_keeps_the_clock_of_each_segment_and_its_steps(
    tmp_path: Path, set_clock: Callable[[float], None]
) -> None:
    path = tmp_path / "run.ledger"
    with Ledger(path) as ledger:
        ledger.begin(plans.builtin(), {"host": "a", "caveats": []}, set())
        set_clock(-7.0)
        ledger.commit_if_due()
        ledger.end(interrupted=True)
    ledger, _ = Ledger.resume(path, {"host": "a", "caveats": []})
    with ledger:
        set_clock(2.0)
        ledger.end(interrupted=False)
    result = read_ledger(path)
    assert [(one.segment, one.what) for one in result.clock] == [
        (0, "begin"),
        (0, "step"),
        (0, "end"),
        (1, "begin"),
        (1, "step"),
        (1, "end"),
    ]
    assert beyond_monotonic_s(result.clock, 0) == pytest.approx(-7.0, abs=0.05)
    database = sqlite3.connect(path)
    (jump_s,) = database.execute("SELECT jump_s FROM clock WHERE what = 'step' AND segment = 1").fetchone()
    database.close()
    assert jump_s == pytest.approx(2.0, abs=0.05)
    assert "the wall clock was put back by 7 s" in render_html(result)
    assert [one["what"] for one in result.to_dict()["clock"]][:2] == ["begin", "step"]


def test_how_long_a_run_has_gone_on_is_not_what_the_wall_clock_says(
    tmp_path: Path, set_clock: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The entries' own times are the wall clock's: they follow it."""
    path = tmp_path / "run.ledger"
    with Ledger(path) as ledger:
        ledger.begin(plans.builtin(), {"host": "a", "caveats": []}, set())
        set_clock(3600.0)
        monkeypatch.setattr(writing, "now_utc", lambda: timekeeping.read_clocks().utc)
        ledger.commit_if_due()
        ledger.end(interrupted=True)
    (segment,) = read_ledger(path).segments
    assert segment.last_utc > segment.started_utc
    assert seconds_on_record(path) == pytest.approx(0.0, abs=5.0)


def test_a_damaged_row_on_the_clock_is_no_ledgers() -> None:
    plain = row().to_plain()
    assert ClockRow.of_plain(0, plain) == row()
    for wrong in ({"uncertainty_s": "12"}, {"what": 3}, {"flags": [1]}, {"more": 1}):
        with pytest.raises(TypeError):
            ClockRow.of_plain(0, plain | wrong)
