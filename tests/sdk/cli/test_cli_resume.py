"""`laneproof run --resume`, `laneproof mark`, and what the report and the summary say of both."""

from __future__ import annotations

import html
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.events import Event, Sampled
from laneproof.campaign.ledger import verify

SOAK = {"schema": 1, "step": [{"kind": "soak", "bytes": "1 MiB", "portion": "64 KiB"}]}


class Killed(BaseException):
    """Ends a run with no word about it in its ledger."""


@pytest.fixture
def cut(tmp_path: Path) -> Path:
    """The ledger of a soak that was cut off."""

    def watch(event: Event) -> None:
        if isinstance(event, Sampled):
            raise Killed

    with pytest.raises(Killed):
        runner.run(plans.parse(SOAK, "plan").over(["sim:demo#south"]), tmp_path / "run.ledger", watch=watch)
    return tmp_path / "run.ledger"


def test_a_run_is_resumed_and_says_so(laneproof: Callable[..., Any], cut: Path) -> None:
    done = laneproof("run", "--resume", cut)
    assert (done.status, done.err) == (3, "")
    shown = " ".join(done.out.split())
    assert "link errors are not known of 64 KiB that came back before the run was cut off" in shown
    assert "segment 1: resumed after a gap of " in shown
    assert f"seal {verify(cut)}" in shown
    report = html.unescape(cut.with_suffix(".html").read_text())
    assert "no end is on record" not in report
    assert "cut off." in report
    assert verify(cut).head in report


@pytest.mark.parametrize("extra", [["plan.toml"], ["--endpoint", "sim:demo#south"], ["--ledger", "other.ledger"]])
def test_what_the_ledger_says_is_not_said_again(laneproof: Callable[..., Any], cut: Path, extra: list[str]) -> None:
    before = cut.read_bytes()
    done = laneproof("run", *extra, "--resume", cut)
    assert (done.status, done.out) == (2, "")
    assert done.err.endswith("leave out PLAN, --endpoint and --ledger\n")
    assert cut.read_bytes() == before


def test_a_finished_run_is_not_resumed(laneproof: Callable[..., Any], cut: Path) -> None:
    laneproof("run", "--resume", cut)
    done = laneproof("run", "--resume", cut)
    assert (done.status, done.out) == (4, "")
    assert done.err == f"laneproof: ledger {cut}: the run has finished, nothing is left to resume; start a new one\n"


def test_markers_and_amendments_stand_in_ledger_and_report(laneproof: Callable[..., Any], cut: Path) -> None:
    number = verify(cut).entries
    assert laneproof("mark", cut, "door open", "--open", "door").out == f"entry {number + 1}\n"
    assert laneproof("mark", cut, "door closed", "--close", "door").status == 0
    assert laneproof("mark", cut, "it was the other door", "--amend").status == 0
    done = laneproof("mark", cut, "door closed", "--close", "door")
    assert done.status == 2
    assert done.err == 'laneproof: no window "door" is open (open: none); open it first\n'
    database = sqlite3.connect(cut)
    assert database.execute("SELECT text, opens, closes FROM marker").fetchall() == [
        ("door open", "door", None),
        ("door closed", None, "door"),
    ]
    assert database.execute("SELECT text FROM amendment").fetchall() == [("it was the other door",)]
    database.close()
    laneproof("report", cut)
    report = html.unescape(cut.with_suffix(".html").read_text())
    for text in ("door open (opens “door”)", "door closed (closes “door”)", "it was the other door"):
        assert text in report


def test_windows_and_what_is_excluded_stand_in_the_summary_in_80_columns(
    laneproof: Callable[..., Any], cut: Path
) -> None:
    for words in (
        ["gust", "--open", "door"],
        ["over", "--close", "door"],
        ["it was not our gust", "--exclude", "door"],
    ):
        assert laneproof("mark", cut, *words).status == 0
    none = laneproof("mark", cut, "x", "--exclude", "window")
    assert (none.status, none.err) == (
        2,
        'laneproof: no window "window" was opened (opened: "door"); name one of them\n',
    )
    done = laneproof("run", "--resume", cut)
    assert max(map(len, done.out.split("\nledger ")[0].splitlines())) <= 80  # paths are as long as they are
    shown = " ".join(done.out.split())
    assert "; excluded from the claims south none nothing moved in it" in shown
    assert " UTC: it was not our gust south, all time series; the run's verdict is with what is excluded with " in shown
    assert " without " in shown
    report = html.unescape(cut.with_suffix(".html").read_text())
    assert "(excludes “door”)" in report
    assert "All time series, with what is excluded and without" in report


def test_what_is_no_ledger_takes_no_marker(laneproof: Callable[..., Any], tmp_path: Path) -> None:
    done = laneproof("mark", "none", "hello")
    assert (done.status, done.err) == (4, "laneproof: ledger none: no such file; give the ledger of a run\n")
    assert list(tmp_path.iterdir()) == []
