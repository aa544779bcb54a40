"""What a run on record says of a swap: which parts were in use, and how often each repetition failed or passed."""

from __future__ import annotations

from typing import Any

import pytest

from laneproof.campaign.results import EndpointResult, Reason, RunResult, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.errors import BadInput, StorageFault
from laneproof.insight.swap_trials import Label, read_label, trials_of
from laneproof.insight.swaps import Trial


def step(position: int, repetition: int, verdict: Verdict) -> StepResult:
    return StepResult(
        position=position,
        repetition=repetition,
        kind="integrity",
        verdict=verdict,
        reasons=(),
        started_s=0.0,
        finished_s=1.0,
        bytes_moved=1,
    )


def run(
    *verdicts: Verdict,
    name: str = "south",
    host: str = "station",
    riser: str | None = None,
    identity: Any = None,
    reasons: tuple[Reason, ...] = (),
) -> RunResult:
    """A run of one slot with one step in each repetition."""
    steps = tuple(step(index, index + 1, verdict) for index, verdict in enumerate(verdicts))
    opened = {"identity": identity or {"model": "echo card", "serial": "invented-C"}}
    return RunResult(
        plan={"declared": {"riser": riser}},
        started_utc="2026-11-25T22:00:00+00:00",
        finished_utc=None,
        interrupted=False,
        environment={"host": host},
        endpoints=(EndpointResult(name=name, uri=name, steps=steps, opened=opened, reasons=reasons),),
    )


def test_each_repetition_counts_once_and_what_is_neither_pass_nor_fail_not_at_all() -> None:
    seen = run(Verdict.PASS, Verdict.FAIL, Verdict.INCONC, Verdict.FAIL, riser="R1")
    expected = Trial(slot="south", card="invented-C", riser="R1", failed=2, passed=1)
    assert trials_of([("a", seen)]) == [expected]


def test_one_failed_step_fails_its_repetition() -> None:
    seen = run()
    steps = (step(0, 1, Verdict.PASS), step(1, 1, Verdict.FAIL), step(2, 2, Verdict.PASS), step(3, 2, Verdict.PASS))
    slot = EndpointResult(name="south", uri="south", steps=steps, opened=seen.endpoints[0].opened)
    (found,) = trials_of([("a", RunResult(**{**_fields(seen), "endpoints": (slot,)}))])
    assert (found.failed, found.passed) == (1, 1)


def _fields(result: RunResult) -> dict[str, Any]:
    names = ("plan", "started_utc", "finished_utc", "interrupted", "environment", "endpoints")
    return {name: getattr(result, name) for name in names}


def test_a_slot_that_dropped_its_card_failed() -> None:
    lost = (Reason(Verdict.FAIL, "the card was lost, and its link was down"),)
    (found,) = trials_of([("a", run(Verdict.PASS, Verdict.INCONC, reasons=lost))])
    assert (found.failed, found.passed) == (1, 1)


def test_slots_of_several_computers_are_told_apart() -> None:
    found = trials_of([("a", run(Verdict.PASS)), ("b", run(Verdict.PASS, host="workshop"))])
    assert [one.slot for one in found] == ["south of station", "south of workshop"]


def test_labels_go_first_and_those_of_one_slot_before_those_of_all() -> None:
    labels = [read_label(text) for text in ("a:riser=R2", "a#south:riser=none", "a:card=spare", "a:slot=bench 3")]
    found = trials_of([("a", run(Verdict.PASS, riser="R1")), ("b", run(Verdict.PASS, riser="R1"))], labels)
    assert found[0] == Trial(slot="bench 3", card="spare", riser=None, passed=1)
    assert found[1] == Trial(slot="south", card="invented-C", riser="R1", passed=1)


def test_a_label_may_hold_what_a_path_or_a_serial_number_may() -> None:
    assert read_label("/tmp/a:b.ledger#slot 2:card=00:1b=7") == Label("/tmp/a:b.ledger", "slot 2", "card", "00:1b=7")


@pytest.mark.parametrize("text", ["", "a", "a:lane=3", "a:card=", "a#x:card=\x1b[2J", ":card=A", "a:card= "])
def test_what_is_no_label_is_refused(text: str) -> None:
    with pytest.raises(BadInput, match="write LEDGER:PART=NAME"):
        read_label(text)


def test_a_card_that_does_not_say_which_it_is_needs_a_label() -> None:
    unknown = run(Verdict.PASS, identity={"model": None, "serial": None})
    with pytest.raises(BadInput, match="--label 'a#south:card=NAME'"):
        trials_of([("a", unknown)])
    assert trials_of([("a", unknown)], [Label("a", "south", "card", "A")])[0].card == "A"


@pytest.mark.parametrize("identity", [7, ["echo card"], "echo card"])
def test_a_ledger_that_was_changed_gives_one_line(identity: Any) -> None:
    with pytest.raises(StorageFault, match="was one changed"):
        trials_of([("a", run(Verdict.PASS, identity=identity))])
