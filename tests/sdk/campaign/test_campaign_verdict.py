"""Verdicts against TTCN-3: ETSI ES 201 873-1, clause 24 (verdicts and their overwriting rules), from memory of it."""

from __future__ import annotations

import itertools

import pytest

from laneproof.campaign.results import EndpointResult, Findings, Reason, StepResult
from laneproof.campaign.verdict import EXIT_INTERRUPTED, EXIT_STATUS, EXIT_WRONG_USE, Verdict, overall

# Rows: the verdict so far; columns: what is assigned next, in the order none, pass, inconc, fail. The standard's table.
OVERWRITING = {
    "none": ("none", "pass", "inconc", "fail"),
    "pass": ("pass", "pass", "inconc", "fail"),
    "inconc": ("inconc", "inconc", "inconc", "fail"),
    "fail": ("fail", "fail", "fail", "fail"),
}


def test_the_verdicts_are_the_five_of_the_standard() -> None:
    assert [str(verdict) for verdict in Verdict] == ["none", "pass", "inconc", "fail", "error"]


@pytest.mark.parametrize("so_far", OVERWRITING)
def test_a_later_verdict_overwrites_as_the_standard_has_it(so_far: str) -> None:
    for assigned, expected in zip(OVERWRITING, OVERWRITING[so_far], strict=True):
        if {so_far, assigned} == {"none", "pass"}:
            continue  # ours is stricter: see test_a_planned_thing_that_judged_nothing_cannot_hide_behind_a_pass
        assert str(overall([Verdict[so_far.upper()], Verdict[assigned.upper()]])) == expected


def test_error_is_the_worst_and_nothing_overwrites_it() -> None:
    for other in Verdict:
        assert overall([Verdict.ERROR, other]) is overall([other, Verdict.ERROR]) is Verdict.ERROR


def test_a_verdict_never_gets_better() -> None:
    for several in itertools.product(Verdict, repeat=3):
        assert overall(several) >= overall(several[:2])


def test_the_order_of_planned_things_does_not_matter() -> None:
    for several in itertools.product(Verdict, repeat=3):
        assert len({overall(order) for order in itertools.permutations(several)}) == 1


def test_nothing_at_all_is_none() -> None:
    assert overall([]) is Verdict.NONE
    assert Findings().verdict is Verdict.NONE


def test_a_planned_thing_that_judged_nothing_cannot_hide_behind_a_pass() -> None:
    assert overall([Verdict.PASS, Verdict.NONE]) is overall([Verdict.NONE, Verdict.PASS]) is Verdict.INCONC
    findings = Findings()
    findings.nothing("nothing was sent")
    findings.passed("no errors counted")
    assert findings.verdict is Verdict.INCONC


def test_exit_statuses() -> None:
    assert {str(verdict): status for verdict, status in EXIT_STATUS.items()} == {
        "pass": 0,
        "fail": 1,
        "inconc": 3,
        "none": 3,
        "error": 4,
    }
    assert (EXIT_WRONG_USE, EXIT_INTERRUPTED) == (2, 130)


def step(verdict: Verdict, moved: int = 1) -> StepResult:
    return StepResult(
        position=0,
        kind="integrity",
        verdict=verdict,
        reasons=(Reason(verdict, "because"),),
        started_s=0.0,
        finished_s=1.0,
        bytes_moved=moved,
    )


def test_a_pass_without_a_byte_moved_is_none() -> None:
    moved, idle = step(Verdict.PASS), step(Verdict.PASS, moved=0)
    assert EndpointResult(name="a", uri="x:y", steps=(idle,)).verdict is Verdict.NONE
    assert EndpointResult(name="a", uri="x:y", steps=(idle, moved)).verdict is Verdict.PASS


def test_a_reason_beyond_the_steps_counts_for_the_endpoint() -> None:
    reasons = (Reason(Verdict.INCONC, "interrupted"),)
    assert EndpointResult(name="a", uri="x:y", steps=(step(Verdict.PASS),), reasons=reasons).verdict is Verdict.INCONC
