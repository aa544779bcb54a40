"""What a failed transfer is taken for, by what an observer beside the card has on record of its link.

The card itself says who it is and shows nothing of its link, as a card behind a character device does.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from laneproof.campaign.results import EndpointResult, RunResult

pytestmark = pytest.mark.usefixtures("invented_cards")
PLAN = """
[[endpoint]]
uri = "imitated:{card}"
observe = "seen:{observer}"
[[step]]
kind = "integrity"
bytes = "64 KiB"
timeout = "1 s"
"""
Observed = Callable[[str, str], EndpointResult]


@pytest.fixture
def observed(run_plan: Callable[..., RunResult]) -> Observed:
    def run(card: str, observer: str) -> EndpointResult:
        return run_plan(PLAN.format(card=card, observer=observer)).endpoints[0]

    return run


def texts(endpoint: EndpointResult) -> str:
    return "\n".join(f"{reason.verdict}: {reason.text}" for step in endpoint.steps for reason in step.reasons)


LOST = ": the device node is gone. "


@pytest.mark.parametrize("card", ["loses", "fails-and-goes"])
@pytest.mark.parametrize(
    ("observer", "evidence"),
    [
        ("counts", "port (near end) counted 2 BadTLP"),
        ("counts-fatal", "port (near end) counted 1 SDES (fatal)"),
        ("reports", "the kernel reported SDES at 0000:05:00.1 (Fatal)"),
        ("reports-mildly", "the kernel reported BadTLP at 0000:05:00.1 (Corrected)"),
        ("retrains", "the near end newly notes that the link changed for reliability, or was retrained by software"),
    ],
)
def test_a_lost_card_fails_on_what_an_observer_has_on_record_of_its_link(
    observed: Observed, card: str, observer: str, evidence: str
) -> None:
    endpoint = observed(card, observer)
    assert str(endpoint.verdict) == "fail"
    assert f"{LOST}On record of its link in this step: {evidence}" in texts(endpoint)


def test_a_lost_card_fails_on_a_link_that_an_observer_sees_down(observed: Observed) -> None:
    endpoint = observed("loses", "goes-down")
    assert str(endpoint.verdict) == "fail"
    assert f"{LOST}The link went down: port shows its link down" in texts(endpoint)


@pytest.mark.parametrize("card", ["loses", "fails-and-goes"])
def test_a_lost_card_over_whose_link_nothing_rose_is_inconclusive(observed: Observed, card: str) -> None:
    """Counts from before the step, 40 of them, are none of this step's."""
    endpoint = observed(card, "healthy")
    assert str(endpoint.verdict) == "inconc"
    assert f"{LOST}Nothing shows that the link went down, so" in texts(endpoint)


@pytest.mark.parametrize(
    ("observer", "why"), [("falls-mute", "the counters do not answer"), ("hides", "no permission")]
)
def test_a_lost_card_whose_observer_cannot_be_read_is_inconclusive_and_says_why(
    observed: Observed, observer: str, why: str
) -> None:
    endpoint = observed("loses", observer)
    assert str(endpoint.verdict) == "inconc"
    assert f"{LOST}Nothing shows that the link went down (" in texts(endpoint)
    assert f"{why}), so slot, card and driver all remain possible" in texts(endpoint)


@pytest.mark.parametrize(
    ("observer", "evidence"),
    [
        ("counts-fatal", "port (near end) counted 1 SDES (fatal)"),
        ("reports", "the kernel reported SDES at 0000:05:00.1 (Fatal)"),
    ],
)
def test_a_failed_transfer_fails_on_an_uncorrectable_error_that_an_observer_has_on_record(
    observed: Observed, observer: str, evidence: str
) -> None:
    endpoint = observed("fails", observer)
    assert str(endpoint.verdict) == "fail"
    assert f"the read failed. An uncorrectable error is on record in this step: {evidence}" in texts(endpoint)


@pytest.mark.parametrize("observer", ["healthy", "counts", "reports-mildly", "falls-mute", "hides"])
def test_a_failed_transfer_without_one_stays_the_test_systems_fault(observed: Observed, observer: str) -> None:
    """Errors that the link has corrected make no transfer fail."""
    endpoint = observed("fails", observer)
    assert str(endpoint.verdict) == "error"
    assert "error: imitated:fails check: the read failed" in texts(endpoint)
