"""Runs that are resumed: what is not run again, what goes on, what is declared, and what may still be claimed."""

from __future__ import annotations

import itertools
import sqlite3
import threading
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof import pattern
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.carried import Carried
from laneproof.campaign.events import Counted, Event, Sampled, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.ledger import Ledger, amend, mark, read_ledger, resuming, verify
from laneproof.campaign.results import Findings, Reason, RunResult, StepResult
from laneproof.campaign.steps import Slot
from laneproof.campaign.steps.slot import SEGMENT_SEQUENCES
from laneproof.campaign.verdict import Verdict
from laneproof.errors import StorageFault
from laneproof.integrity import allocation
from laneproof.readings import ErrorReading, Exact, PartnerErrors

RunPlan = Callable[..., RunResult]
Cut = Callable[..., Path]
SMALL = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\n'
SOAK = '[[step]]\nkind = "soak"\nbytes = "4 MiB"\nportion = "64 KiB"\n'
FIXTURES = Path(__file__).parents[2] / "fixtures"


class Killed(BaseException):
    """Ends a run with no word about it in its ledger."""


@pytest.fixture
def cut(run_plan: RunPlan, tmp_path: Path) -> Cut:
    """Runs a plan until an event for which `when` is true; returns the ledger that is left."""

    def run(text: str, *uris: str, when: Callable[[Event], bool]) -> Path:
        def watch(event: Event) -> None:
            if when(event):
                raise Killed

        with pytest.raises(Killed):
            run_plan(text, *uris, watch=watch)
        return tmp_path / "run.ledger"

    return run


def nth(kind: type, number: int) -> Callable[[Event], bool]:
    """True of the event of that kind which has that number, from 1 on."""
    seen = itertools.count(1)
    return lambda event: isinstance(event, kind) and next(seen) == number


def said(step: StepResult, verdict: str) -> str:
    return "\n".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


def test_a_soak_goes_on_where_it_was_cut_off_and_claims_what_was_verified_in_both(cut: Cut) -> None:
    ledger = cut(SOAK, "sim:demo#south", when=nth(Sampled, 20))
    sent: list[int] = []
    result = runner.resume(
        ledger, watch=lambda event: sent.append(event.nbytes) if isinstance(event, Sampled) else None
    )
    (step,) = result.endpoints[0].steps
    assert sum(sent) == (4 << 20) - 20 * (64 << 10)
    assert (step.bytes_moved, step.measures["bytes_checked"]) == (4 << 20, 4 << 20)
    assert "all 4 MiB came back unchanged" in said(step, "pass")
    assert f"no link errors counted at either end, while {8 * sum(sent)} payload bits came back" in said(step, "pass")
    assert said(step, "inconc").startswith("link errors are not known of 1.25 MiB that came back before the run was")
    assert [segment.ended for segment in result.segments] == ["cut off", "finished"]
    assert result.endpoints[0].reasons[0].text.startswith("resumed in segment 1 after a gap (")


def test_time_that_passed_in_a_gap_is_none_of_a_soaks_duration(cut: Cut) -> None:
    soak = '[[step]]\nkind = "soak"\nduration = "20 ms"\nportion = "64 KiB"\n'
    ledger = cut(soak, "sim:demo#south", when=nth(Sampled, 20))
    database = sqlite3.connect(ledger)
    (before_s,) = database.execute("SELECT sum(seconds) FROM sample").fetchone()
    database.close()
    (step,) = runner.resume(ledger).endpoints[0].steps
    assert step.finished_s - step.started_s == pytest.approx(0.02 - before_s, abs=2e-3)
    assert step.measures["seconds"] == pytest.approx(0.02, abs=1e-3)


def test_what_was_judged_is_not_run_again_and_another_step_begins_anew(cut: Cut) -> None:
    ledger = cut(SMALL * 3, "sim:demo#south", when=nth(StepStarted, 2))
    begun: list[int] = []
    result = runner.resume(
        ledger, watch=lambda event: begun.append(event.step) if isinstance(event, StepStarted) else None
    )
    assert begun == [1, 2]
    assert str(result.verdict) == "pass"
    assert [step.bytes_moved for step in result.endpoints[0].steps] == [64 << 10] * 3
    database = sqlite3.connect(ledger)
    attempts = database.execute("SELECT segment, step, verdict FROM attempt ORDER BY begun").fetchall()
    database.close()
    assert attempts == [(0, 0, "pass"), (0, 1, None), (1, 1, "pass"), (1, 2, "pass")]


def test_an_operators_stop_is_no_failure_and_the_run_goes_on_to_a_pass(run_plan: RunPlan, tmp_path: Path) -> None:
    stop, third = threading.Event(), nth(Sampled, 3)

    def watch(event: Event) -> None:
        if third(event):
            stop.set()

    soak = '[[step]]\nkind = "soak"\nbytes = "64 MiB"\nportion = "64 KiB"\n'
    stopped = run_plan(soak + SMALL, "sim:demo#south", watch=watch, stop=stop)
    assert (str(stopped.verdict), stopped.segments[0].ended) == ("inconc", "interrupted")
    result = runner.resume(tmp_path / "run.ledger")
    assert str(result.verdict) == "pass"
    assert not result.interrupted
    assert result.endpoints[0].steps[0].measures["bytes_checked"] == 64 << 20
    assert verify(tmp_path / "run.ledger").broken_at is None


def test_wrong_bits_on_record_before_a_cut_fail_the_step_whatever_follows(cut: Cut) -> None:
    soak = SOAK.replace("64 KiB", "1 MiB").replace("4 MiB", "32 MiB") + "stop_on_failure = false\n"
    ledger = cut(soak, "sim:flipping-card#north", when=nth(Sampled, 16))
    (step,) = read_ledger(ledger).endpoints[0].steps
    assert "wrong bits are on record" in said(step, "fail")
    (step,) = runner.resume(ledger).endpoints[0].steps
    assert "bits came back wrong before the run was resumed" in said(step, "fail")


def test_a_run_may_be_cut_off_again_and_again(cut: Cut) -> None:
    ledger = cut(SOAK, "sim:demo#south", when=nth(Sampled, 5))
    for _ in range(3):
        fifth = nth(Sampled, 5)

        def watch(event: Event, fifth: Callable[[Event], bool] = fifth) -> None:
            if fifth(event):
                raise Killed

        with pytest.raises(Killed):
            runner.resume(ledger, watch=watch)
        mark(ledger, "still here")
    result = runner.resume(ledger)
    assert [segment.number for segment in result.segments] == [0, 1, 2, 3, 4]
    assert result.endpoints[0].steps[0].measures["bytes_checked"] == 4 << 20
    assert "link errors are not known of " in said(result.endpoints[0].steps[0], "inconc")
    assert [marker.segment for marker in result.markers] == [1, 2, 3]
    assert verify(ledger).broken_at is None


def counted(n: int) -> ErrorReading:
    partner = PartnerErrors(name="port", epoch="one", correctable={"BadTLP": Exact(n)})
    return ErrorReading(near=partner, far=partner)


@pytest.mark.parametrize(("before", "now", "verdict"), [(3, 3, Verdict.FAIL), (2, 3, Verdict.NONE)])
def test_a_limit_on_link_errors_holds_for_all_stretches_together(before: int, now: int, verdict: Verdict) -> None:
    errors = {"near": {"correctable": {"BadTLP": {"n": before, "bound": "exact"}}}, "far": {"unavailable": "hidden"}}
    findings = Findings()
    Carried(errors_judged=(errors,)).judge(counted(now), 5, findings)
    assert findings.verdict is verdict


def test_what_was_judged_of_a_stopped_stretch_stands() -> None:
    carried = Carried(
        bytes_moved=5, reasons=(Reason(Verdict.FAIL, "seen"),), errors_judged=({"near": {}},), slowest=1.5
    )
    assert Carried.of_plain(carried.to_dict()) == carried
    findings = Findings()
    carried.judge(None, None, findings)
    assert findings.verdict is Verdict.FAIL


CLEAN = {"near": {"correctable": {}}, "far": {"correctable": {}}}
CUT: dict[str, tuple[dict[str, Any], int, str]] = {
    "nothing": (CLEAN, 0, "none"),
    "little that was not counted": (CLEAN, 10, "pass: link errors are not known of 10 B"),
    "much that was not counted": (CLEAN, 11, "inconc: link errors are not known of 11 B"),
    "more than the limit": (
        CLEAN | {"near": {"correctable": {"BadTLP": {"n": 6, "bound": "exact"}}}},
        0,
        "fail: the near end counted 0 link errors, and 6 (BadTLP) before the run was resumed; the limit is 5",
    ),
    "lower bounds": (
        CLEAN | {"far": {"correctable": {"BadTLP": {"n": 2, "bound": "at least"}}}},
        0,
        "inconc: the far end had counted at least 2 link errors (BadTLP) before the run was resumed",
    ),
    "an uncorrectable error": (
        CLEAN | {"far": {"correctable": {}, "fatal": {"DLP": {"n": 1, "bound": "exact"}}}},
        0,
        "fail: the far end had counted DLP before the run was cut off",
    ),
    "an end that could not be read": (
        CLEAN | {"far": {"unavailable": "hidden"}},
        0,
        "inconc: link errors at the far end are not known before the run was cut off: hidden",
    ),
}


@pytest.mark.parametrize("what", CUT)
def test_link_errors_that_were_counted_before_a_cut_decide_with_those_after(what: str) -> None:
    errors, uncounted, expected = CUT[what]
    findings = Findings(bytes_moved=1000)
    Carried(errors_cut=(errors,), uncounted_bytes=uncounted).judge(counted(0), 5, findings)
    told = "; ".join(f"{reason.verdict}: {reason.text}" for reason in findings.reasons) or "none"
    assert told.startswith(expected)
    assert len(findings.reasons) <= 1


def test_errors_counted_along_a_step_hold_for_what_had_come_back_by_the_count_before(tmp_path: Path) -> None:
    plan = plans.builtin().over(["sim:demo#south"])
    path = tmp_path / "run.ledger"
    seen = {"near": {"correctable": {"BadTLP": {"n": 1, "bound": "exact"}}}, "far": {"unavailable": "hidden"}}
    with Ledger(path) as ledger:
        ledger.begin(plan, {}, set())
        ledger.take(StepStarted("south", 3, "soak"))
        for errors in ({}, {}, seen):
            ledger.take(Sampled("south", 3, 0.1, 100, 0.1, 100))
            ledger.take(Counted("south", 3, errors))
        ledger.take(Sampled("south", 3, 0.1, 1000, 0.1, 1000))
    (before,) = resuming.run_so_far(path, {}).slots["south"].under_way.values()
    assert (before.errors_cut, before.uncounted_bytes, before.verified_bytes) == ((seen,), 1100, 1300)
    ledger, again = Ledger.resume(path, {})
    with ledger:
        ledger.end(interrupted=True)
    assert again.slots["south"].under_way == {3: before}
    assert resuming.run_so_far(path, {}).slots["south"].under_way == {3: before}


# --- what cannot be resumed


def test_a_run_that_has_finished_is_not_resumed(run_plan: RunPlan, tmp_path: Path) -> None:
    run_plan(SMALL, "sim:demo#south")
    before = (tmp_path / "run.ledger").read_bytes()
    with pytest.raises(StorageFault, match="the run has finished, nothing is left to resume; start a new one"):
        runner.resume(tmp_path / "run.ledger")
    assert (tmp_path / "run.ledger").read_bytes() == before


def test_a_ledger_that_another_holds_is_not_resumed(cut: Cut) -> None:
    ledger = cut(SOAK, "sim:demo#south", when=nth(Sampled, 5))
    held, _ = Ledger.resume(ledger, {})
    with held:
        with pytest.raises(StorageFault, match="another process is writing it"):
            runner.resume(ledger)
        held.end(interrupted=True)


def test_another_card_in_the_slot_is_an_error(cut: Cut, rewrite: Callable[..., None]) -> None:
    ledger = cut(SOAK, "sim:demo#south", when=nth(Sampled, 5))

    def change(kind: str, body: dict[str, Any]) -> None:
        if kind == "opened":
            body["opened"]["identity"]["serial"] = "another"

    rewrite(ledger, change)
    result = runner.resume(ledger)
    assert str(result.verdict) == "error"
    assert "the card is another one: it was " in result.endpoints[0].reasons[0].text
    assert "serial another, is " in result.endpoints[0].reasons[0].text


def test_another_host_is_said_in_the_reasons_and_an_event(cut: Cut, rewrite: Callable[..., None]) -> None:
    ledger = cut(SOAK, "sim:demo#south", when=nth(Sampled, 5))

    def change(kind: str, body: dict[str, Any]) -> None:
        if kind == "segment":
            body["environment"] |= {"kernel": "5.0", "host": "old-host"}
            body["environment"]["packages"]["laneproof"] = "0.0.9"

    rewrite(ledger, change)
    result = runner.resume(ledger)
    told = "\n".join(reason.text for reason in result.endpoints[0].reasons)
    for text in ("host was old-host, is ", "kernel was 5.0, is ", "packages: laneproof was 0.0.9, is "):
        assert text in told
        assert any(text in event["text"] for event in result.endpoints[0].events if event["kind"] == "resumed")


# --- what an earlier segment left in a card


def test_no_stretch_of_a_segment_is_one_of_another(cut: Cut, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[tuple[int, bytes]] = []
    make = Slot.pattern

    def spying(self: Slot, name: str) -> object:
        made = make(self, name)
        buffer = bytearray(64)
        made.fill(buffer)
        sent.append((self.segment, bytes(buffer)))
        return made

    monkeypatch.setattr(Slot, "pattern", spying)
    text = '[[step]]\nkind = "throughput"\nbytes = "64 KiB"\n' + SMALL
    runner.resume(cut(text, "sim:demo#south", when=nth(StepFinished, 1)))
    assert {segment for segment, _ in sent} == {0, 1}
    assert len({first for _, first in sent}) == 2  # one beginning for each segment; blocks count on from there


@pytest.mark.parametrize("kind", [allocation.PRBS[31], allocation.PRBS[29], allocation.COUNTER])
def test_segments_begin_far_apart_along_a_pattern(kind: allocation.Allocation) -> None:
    # Sequence numbers of one slot and channel come round after `starts` of them, which is prime.
    places = sorted(segment * SEGMENT_SEQUENCES % kind.starts for segment in range(64))
    gaps = [after - before for before, after in itertools.pairwise([*places, places[0] + kind.starts])]
    assert min(gaps) > kind.starts / 64 / 3


def test_the_last_segment_has_room_for_its_sequence_numbers() -> None:
    last = pattern("prbs31", sequence=resuming.SEGMENTS_LIMIT * SEGMENT_SEQUENCES)
    last.for_sequence(last.sequence + (1 << 40))


# --- plans and earlier versions


def test_a_plan_is_the_same_when_it_is_read_back_from_a_ledger(run_plan: RunPlan, tmp_path: Path) -> None:
    text = """
    seed = 3
    name = "all"
    step = [
      { kind = "link", load = "64 KiB" },
      { kind = "integrity", patterns = ["prbs31", "walking-one"], bytes = "64 KiB", block = "4 KiB", timeout = "3 s" },
      { kind = "throughput", bytes = "64 KiB", min_share = "10 %" },
      { kind = "soak", duration = "1 ms", portion = "64 KiB", stop_on_failure = false },
    ]
    [[endpoint]]
    uri = "sim:demo#south"
    expect = { speed = "5 GT/s", width = 1 }
    """
    run_plan(text)
    assert runner.planned_in(tmp_path / "run.ledger") == plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A ledger that version 2 wrote, of a run that was cut off in its soak."""
    path = tmp_path / "old.ledger"
    database = sqlite3.connect(path)
    database.executescript((FIXTURES / "ledgers" / "version_2.sql").read_text("utf-8"))
    database.close()
    return path


def test_a_ledger_of_version_2_is_still_read(old: Path) -> None:
    before = old.read_bytes()
    result = read_ledger(old)
    north, other = result.endpoints
    assert [(step.kind, str(step.verdict)) for step in north.steps] == [("link", "fail"), ("soak", "inconc")]
    assert north.steps[0].bytes_moved == 64 << 10
    assert north.steps[1].bytes_moved > 0
    assert "the run ended during this step" in north.steps[1].reasons[0].text
    assert (result.interrupted, result.seal, result.segments) == (True, None, ())
    assert other.uri == "sim:drops-off#north"
    assert old.read_bytes() == before


def test_a_ledger_of_version_2_takes_nothing_more(old: Path) -> None:
    for call in (lambda: mark(old, "x"), lambda: amend(old, "x"), lambda: verify(old), lambda: runner.resume(old)):
        with pytest.raises(StorageFault, match=f"ledger {old} has version 2"):
            call()


# --- the plan's stop rules, held against what was on record before


@pytest.mark.parametrize("rule", ["stop_slot_on", "stop_run_on"])
def test_a_stop_rule_sees_a_failure_from_before_the_cut(cut: Cut, rule: str) -> None:
    """Cut off after the verdict, and before the slot could end by it."""
    bad = f'{rule} = "fail"\n[[step]]\nkind = "throughput"\nbytes = "64 KiB"\nmin_rate = "900 GB/s"\n'
    ledger = cut(bad + SMALL, "sim:demo#south", when=nth(StepFinished, 1))
    begun: list[StepStarted] = []
    result = runner.resume(ledger, watch=lambda event: begun.append(event) if isinstance(event, StepStarted) else None)
    assert begun == []
    (endpoint,) = result.endpoints
    assert [str(step.verdict) for step in endpoint.steps] == ["fail"]
    assert any(f"stopped by the plan ({rule}" in reason.text for reason in endpoint.reasons)
    assert not result.interrupted
    with pytest.raises(StorageFault, match="the run has finished"):
        runner.resume(ledger)


def test_a_stop_rule_for_the_run_sees_what_another_slot_had_before_the_cut(cut: Cut) -> None:
    """The first slot had come to its end; its failure still keeps the second, which never began, from beginning."""
    text = (
        'stop_run_on = "fail"\n[[endpoint]]\nuri = "sim:demo#south"\ngroup = "one"\n[[endpoint]]\n'
        'uri = "sim:demo#north"\ngroup = "one"\n[[step]]\nkind = "throughput"\nbytes = "64 KiB"\n'
        'min_rate = "900 GB/s"\n'
    )
    ledger = cut(text, when=nth(SlotFinished, 1))
    result = runner.resume(ledger)
    first, second = result.endpoints
    assert ([str(step.verdict) for step in first.steps], second.steps) == (["fail"], ())
    assert "before its turn came; not run: throughput" in second.reasons[0].text


def test_without_a_rule_a_failure_from_before_ends_nothing(cut: Cut) -> None:
    bad = '[[step]]\nkind = "throughput"\nbytes = "64 KiB"\nmin_rate = "900 GB/s"\n'
    result = runner.resume(cut(bad + SMALL, "sim:demo#south", when=nth(StepFinished, 1)))
    assert [str(step.verdict) for step in result.endpoints[0].steps] == ["fail", "pass"]
