"""Windows in ledgers: made ones, whose clocks are known, and those of real runs that are marked while they go on."""

from __future__ import annotations

import html
import json
import sqlite3
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign.events import (
    Counted,
    Event,
    Noted,
    Opened,
    Sampled,
    SlotFinished,
    StepFinished,
    StepStarted,
)
from laneproof.campaign.ledger import Ledger, mark, marking, read_ledger, series, writing
from laneproof.campaign.results import Reason, RunResult, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.campaign.windows import Account, Window
from laneproof.errors import BadInput
from laneproof.insight.report import render_html

START_S = 1_700_000_000.0


def errors(n: int) -> dict[str, Any]:
    def end(counts: dict[str, Any]) -> dict[str, Any]:
        return {"name": "port", "correctable": counts, "nonfatal": {}, "fatal": {}, "lower_bounds_because": None}

    return {"near": end({"BadTLP": {"n": n, "bound": "exact"}} if n else {}), "far": end({})}


class Made:
    """A ledger of one soak on a card in real time, written by an invented clock of the computer's."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.path = path
        self.now_s = 0.0
        for module in (writing, marking):
            monkeypatch.setattr(module, "now_utc", self.utc)
        monkeypatch.setattr(writing, "FIRST_SPAN_S", 0.0)  # each change of the counters goes on record
        self.ledger = Ledger(path)
        plan = plans.parse({"schema": 1, "step": [{"kind": "soak", "duration": "1 h"}]}, "plan")
        self.ledger.begin(plan.over(["made:card"]), {"cautions_acknowledged": True}, set())
        opened = Opened("made:card", False, {}, physical=True, caveats=())
        self.take(opened, StepStarted("made:card", 0, "soak"))

    def utc(self) -> str:
        return datetime.fromtimestamp(START_S + self.now_s, UTC).isoformat(timespec="milliseconds")

    def take(self, *events: Event) -> None:
        for event in events:
            self.ledger.take(event)
        self.ledger._commit()

    def second(self, nbytes: int = 1000, *, wrong: int = 0, late_s: float = 0.0, counted: int = 0) -> None:
        """A second passes by both clocks, in which so much came back; the computer hears of it so much later."""
        self.now_s += 1 + late_s
        clock_s = self.now_s - late_s
        self.take(
            Sampled("made:card", 0, clock_s, nbytes, 1.0, verified_bytes=nbytes, mismatched_bits=wrong),
            Counted("made:card", 0, errors(counted)),
        )
        self.now_s -= late_s

    def mark(self, after_s: float = 0.0, **window: str) -> None:
        self.now_s += after_s
        mark(self.path, "a shot", **window)
        self.now_s -= after_s

    def end(self, counted: int = 0) -> RunResult:
        reasons = (Reason(Verdict.PASS, "all well"),)
        judged = StepResult(
            position=0,
            kind="soak",
            verdict=Verdict.PASS,
            reasons=reasons,
            started_s=0.0,
            finished_s=self.now_s,
            bytes_moved=1,
            errors=errors(counted),
        )
        self.take(StepFinished("made:card", judged), SlotFinished("made:card"))
        self.ledger.end(interrupted=False)
        self.ledger.__exit__(None, None, None)
        return read_ledger(self.path)


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Made:
    return Made(tmp_path / "run.ledger", monkeypatch)


def only(window: Window) -> Account:
    (found,) = window.slots
    return found


def test_a_window_holds_what_moved_between_its_markers(made: Made) -> None:
    for _ in range(4):
        made.second()
    made.mark(opens="shot")
    for wrong in (0, 5):
        made.second(300, wrong=wrong)
    made.mark(closes="shot")
    for rate in (500, 1000, 1000):
        made.second(rate)
    result = made.end()
    (window,) = result.windows
    found = only(window)
    assert (window.name, window.excluded, result.excluded) == ("shot", False, None)
    assert (found.bytes_moved, found.wrong_bits, found.verdict) == ((600, 600), (5, 5), Verdict.FAIL)
    assert found.clock == ({"segment": 0, "from_s": 4.0, "to_s": 6.0},)
    assert found.recovered_s == (1.0, 2.0)
    assert "(2 s)" in window.said
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["windows"][0]["slots"][0]["verdict"] == "fail"


def test_a_row_that_is_heard_of_late_keeps_its_place(made: Made) -> None:
    for number in range(10):
        if number in (3, 6):
            made.mark(**({"opens": "shot"} if number == 3 else {"closes": "shot"}))
        made.second(late_s=0.4 if number in (2, 5) else 0.0)
    (window,) = made.end().windows
    assert only(window).bytes_moved == (3000, 3000)


def test_windows_may_overlap_and_lie_in_each_other_and_names_come_again(made: Made) -> None:
    for number in range(12):
        for at, kind, name in (
            (2, "opens", "band"),
            (3, "opens", "shot"),
            (5, "closes", "shot"),
            (6, "opens", "shot"),
            (8, "closes", "band"),
            (10, "closes", "shot"),
        ):
            if at == number:
                made.mark(**{kind: name})
        made.second()
    moved = [(window.name, only(window).bytes_moved[0]) for window in made.end().windows]
    assert moved == [("band", 6000), ("shot", 2000), ("shot", 4000)]


def test_a_window_that_is_never_closed_reaches_to_the_end_and_says_so(made: Made) -> None:
    made.second()
    made.second()
    made.mark(opens="shot")
    made.second()
    made.second()
    running = read_ledger(made.path)
    for result in (running, made.end()):
        (window,) = result.windows
        assert (window.closed_utc, only(window).bytes_moved[0]) == (None, 2000)
        assert "never closed: taken up to the end of what is on record" in window.said


def test_errors_are_laid_between_the_readings_that_show_them(made: Made) -> None:
    counts = [0, 0, 0, 2, 2, 2, 3, 3, 3, 3]
    for number, counted in enumerate(counts):
        if number in (2, 5):
            made.mark(**({"opens": "shot"} if number == 2 else {"closes": "shot"}))
        if number in (6, 8):  # half a second into the one in which the counter rose
            made.mark(0.5 if number == 6 else 0.0, **({"opens": "late"} if number == 6 else {"closes": "late"}))
        made.second(counted=counted)
    shot, late = made.end(counted=3).windows
    assert (only(shot).link_errors["near"], only(shot).verdict) == ({"BadTLP": (2, 2)}, Verdict.FAIL)
    assert (only(late).link_errors["near"], only(late).verdict) == ({"BadTLP": (0, 1)}, Verdict.INCONC)


def test_errors_read_only_after_the_step_are_not_laid_into_a_window(made: Made) -> None:
    for number in range(6):
        if number in (2, 4):
            made.mark(**({"opens": "shot"} if number == 2 else {"closes": "shot"}))
        made.second(counted=0)
    (window,) = made.end(counted=7).windows
    assert only(window).verdict is Verdict.INCONC
    assert only(window).link_errors["near"] == {"BadTLP": (0, 7)}


def test_readings_that_show_nothing_new_cost_no_entry(made: Made) -> None:
    for counted in (0, 0, 0, 1, 1, 1):
        made.second(counted=counted)
    made.end(counted=1)
    database = sqlite3.connect(made.path)
    rows = database.execute("SELECT body ->> 'since', utc FROM entry WHERE kind = 'errors' ORDER BY number").fetchall()
    database.close()
    assert [[round(datetime.fromisoformat(one).timestamp() - START_S) for one in row] for row in rows] == [
        [0, 1],
        [3, 4],
    ]


def test_events_stand_with_the_window_in_which_they_happened(made: Made) -> None:
    for _ in range(3):
        made.second()
    made.mark(opens="shot")
    made.second()
    made.second()
    made.take(Noted("made:card", 0, 4.5, "link", "inside"), Noted("made:card", 0, 2.5, "rate", "told late"))
    made.mark(closes="shot")
    made.second()
    (window,) = made.end().windows
    assert [event["text"] for event in only(window).events] == ["inside"]


def excluded(made: Made) -> RunResult:
    for number in range(10):
        if number in (4, 6):
            made.mark(**({"opens": "door"} if number == 4 else {"closes": "door"}))
        made.second(wrong=3 * (number == 5))
    made.end()
    mark(made.path, "the chamber's door was open", excludes="door")
    return read_ledger(made.path)


def test_what_is_excluded_is_shown_with_and_without_and_why(made: Made) -> None:
    result = excluded(made)
    assert result.excluded is not None
    ((included,), (left,)) = result.excluded.included, result.excluded.left
    assert (included.verdict, included.wrong_bits, included.bytes_moved) == (Verdict.FAIL, (3, 3), (10_000, 10_000))
    assert (left.verdict, left.wrong_bits, left.bytes_moved) == (Verdict.PASS, (0, 0), (8000, 8000))
    assert result.windows[0].excluded
    assert result.verdict is Verdict.PASS  # that of the steps, which nothing here changes
    shown = html.unescape(render_html(result))
    for text in ("the chamber's door was open", "The run’s verdict above is with them", "excluded from the claims"):
        assert text in shown
    assert "3 wrong bits in 80000 bits" in shown
    assert "no wrong bit in 64000 bits" in shown


def test_only_a_window_that_was_opened_is_excluded_and_never_without_a_reason(made: Made) -> None:
    made.mark(opens="shot")
    with pytest.raises(BadInput, match=r'no window "door" was opened \(opened: "shot"\); name one of them'):
        mark(made.path, "why", excludes="door")
    with pytest.raises(BadInput, match="the marker's text has 1 characters"):
        mark(made.path, " ", excludes="shot")
    with pytest.raises(BadInput, match="use one for each"):
        mark(made.path, "why", opens="door", excludes="shot")
    mark(made.path, "why", excludes="shot")
    assert made.end().markers[-1].excludes == "shot"


def test_a_window_of_a_real_run_holds_the_samples_that_came_between_its_markers(
    run_plan: Callable[..., RunResult], tmp_path: Path, echo: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a pseudo-terminal; the ledger's rows are a tenth of a second long, so that one second holds enough of them."""
    monkeypatch.setattr(series, "FIRST_SPAN_S", 0.1)
    path = tmp_path / "run.ledger"
    came: list[tuple[float, Sampled]] = []
    marks = [(0.3, {"opens": "shot"}), (0.9, {"closes": "shot"})]
    marked_s: list[float] = []

    def watch(event: Event) -> None:
        if isinstance(event, Sampled):
            came.append((time.monotonic(), event))
            if marks and event.clock_s - came[0][1].clock_s >= marks[0][0]:
                mark(path, "an immunity shot", **marks.pop(0)[1])
                marked_s.append(time.monotonic())

    result = run_plan('[[step]]\nkind = "soak"\nduration = "1.2 s"\nportion = "32 KiB"', echo(), watch=watch)
    (window,) = result.windows
    found = only(window)
    between = sum(event.nbytes for at_s, event in came if marked_s[0] < at_s <= marked_s[1])
    assert 0 < found.bytes_moved[0] <= found.bytes_moved[1]
    longest = max(event.nbytes for _, event in came)
    assert found.bytes_moved[0] - 8 * longest <= between <= found.bytes_moved[1] + 8 * longest
    assert found.bytes_per_second is not None
    assert found.verdict is Verdict.INCONC  # its counters cannot be read
    assert "link errors at either end are not known: " in " ".join(reason.text for reason in found.reasons)
    assert read_ledger(path) == result


def test_a_window_over_a_simulated_run_says_that_its_length_means_little(
    run_plan: Callable[..., RunResult], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(series, "FIRST_SPAN_S", 0.004)
    path, marks = tmp_path / "run.ledger", [{"opens": "shot"}, {"closes": "shot"}]

    def watch(event: Event) -> None:
        if isinstance(event, Sampled):
            time.sleep(0.002)  # a ledger tells moments apart by the millisecond
            if marks and event.clock_s > 0.02 * (3 - len(marks)):
                mark(path, "a shot", **marks.pop(0))

    result = run_plan('[[step]]\nkind = "soak"\nduration = "80 ms"\nportion = "1 MiB"', "sim:demo#south", watch=watch)
    found = only(result.windows[0])
    assert 0 < found.bytes_moved[0] <= found.bytes_moved[1] < result.endpoints[0].steps[0].bytes_moved
    assert any("time is simulated" in text for text in found.remarks)
