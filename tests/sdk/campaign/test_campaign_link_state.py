"""What is said of a link that came out of a step below what it was before."""

from __future__ import annotations

import pytest

from laneproof.campaign.link_state import Trained, judge_at_rest, judge_kept
from laneproof.campaign.results import Findings
from laneproof.readings import LinkReading, PartnerLink, Unavailable

WHOLE = Trained(8.0, 8)


def reading(speed_gtps: float, width: int, *, noted: bool | None = False) -> LinkReading:
    near = PartnerLink(name="port", speed_gtps=speed_gtps, width=width, active=True, bandwidth_management=noted)
    return LinkReading(near=near, far=Unavailable("hidden"))


def at_rest(last: LinkReading, *under_load: LinkReading) -> list[tuple[str, str]]:
    findings = Findings()
    judge_at_rest(reading(8.0, 8), last, under_load, findings)
    return [(str(reason.verdict), reason.text) for reason in findings.reasons]


def test_a_link_that_came_out_of_a_step_narrower_for_reliability_fails_it():
    ((verdict, text),) = at_rest(reading(8.0, 4, noted=True), reading(8.0, 8))
    assert verdict == "fail"
    assert "fell from 8 GT/s x8 to 8 GT/s x4 during this step, seen once it was at rest" in text


def test_a_link_that_came_out_slower_by_reliability_or_software_is_not_judged_at_rest():
    ((verdict, text),) = at_rest(reading(2.5, 8, noted=True), reading(8.0, 8))
    assert (verdict, text.endswith("or was retrained by software: judge it under load")) == ("inconc", True)


@pytest.mark.parametrize("noted", [False, None])
def test_a_link_that_rests_without_a_note_of_reliability_is_no_finding(noted: bool | None):
    assert at_rest(reading(2.5, 8, noted=noted)) == []


def test_a_fall_that_was_seen_under_load_is_not_said_again():
    fallen = reading(8.0, 4, noted=True)
    assert at_rest(fallen, reading(8.0, 8), fallen) == []


@pytest.mark.parametrize(
    ("first", "said"),
    [
        (reading(8.0, 8), "during this step, under load"),
        (reading(8.0, 4), "before this step, and was not back under load"),
    ],
)
def test_a_link_below_its_best_under_load_is_said_to_have_fallen_when_it_fell(first: LinkReading, said: str):
    findings = Findings()
    judge_kept(first, [reading(8.0, 4)], WHOLE, findings)
    (reason,) = findings.reasons
    assert reason.text == f"the link fell from 8 GT/s x8 to 8 GT/s x4 {said}"
