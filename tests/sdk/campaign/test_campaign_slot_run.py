"""What a slot's run concludes from cards that fault, vanish, change or count errors in each way there is."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import cast

import pytest

from laneproof.campaign import slot_run
from laneproof.campaign.events import Expecting, StepFinished
from laneproof.campaign.link_state import judge_link
from laneproof.campaign.plan import PlannedEndpoint
from laneproof.campaign.results import EndpointResult, Findings, RunResult
from laneproof.campaign.slot_job import SlotJob
from laneproof.campaign.steps import Expectation, Slot, SoakStep
from laneproof.campaign.steps.link_ceiling import link_ceiling
from laneproof.campaign.verdict import Verdict
from laneproof.documents import Size
from laneproof.endpoint import Endpoint
from laneproof.integrity import damage
from laneproof.pcie import ceiling
from laneproof.readings import LinkReading, PartnerLink, Unavailable

pytestmark = pytest.mark.usefixtures("invented_cards")
LINK = '[[step]]\nkind = "link"\nload = "64 KiB"\n'
INTEGRITY = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\ntimeout = "1 s"\n'


@pytest.fixture
def on_card(run_plan: Callable[..., RunResult]) -> Callable[[str, str], EndpointResult]:
    def run(steps: str, address: str) -> EndpointResult:
        return run_plan(steps, f"imitated:{address}").endpoints[0]

    return run


OnCard = Callable[[str, str], EndpointResult]


def texts(endpoint: EndpointResult) -> str:
    return "\n".join(
        f"{reason.verdict}: {reason.text}" for part in (*endpoint.steps, endpoint) for reason in part.reasons
    )


def test_a_healthy_card_passes(on_card: OnCard) -> None:
    endpoint = on_card(LINK + INTEGRITY, "healthy")
    assert str(endpoint.verdict) == "pass"
    assert "pass: no link errors counted at either end" in texts(endpoint)


def test_error_counters_that_fall_silent_are_not_read_as_zero(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "mute")
    assert str(endpoint.steps[0].verdict) == "inconc"
    assert "inconc: what the card and its link show after the step could not be read" in texts(endpoint)
    assert "no link errors" not in texts(endpoint)


def test_a_card_lost_at_the_end_of_its_last_step_fails_on_link_evidence(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "gone")
    assert str(endpoint.verdict) == "fail"
    assert "The link went down: port shows its link down" in texts(endpoint)


def test_after_a_loss_no_step_is_begun(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY + LINK, "gone-unseen")
    assert len(endpoint.steps) == 1
    assert "none: the card is lost; not run: link" in texts(endpoint)


def test_a_loss_that_nothing_vouches_for_is_inconclusive(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "gone-unseen")
    assert str(endpoint.verdict) == "inconc"
    assert "Nothing shows that the link went down" in texts(endpoint)


def test_a_card_that_changes_its_identity_is_not_the_one_under_test(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "changing")
    assert str(endpoint.verdict) == "error"
    assert "the card changed its identity during the step" in texts(endpoint)


def test_an_uncorrectable_error_fails_a_step_that_only_looks_at_data(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "fatal")
    assert str(endpoint.verdict) == "fail"
    assert "card (far end) counted 1 MalfTLP (fatal)" in texts(endpoint)
    assert "all 64 KiB came back unchanged" in texts(endpoint)


def test_a_correctable_error_is_said_by_a_step_that_holds_it_to_no_limit(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "exact")
    assert str(endpoint.verdict) == "pass"
    assert "pass: card (far end) counted 3 BadTLP during this step" in texts(endpoint)


def test_errors_that_are_counted_a_little_late_belong_to_the_step_that_caused_them(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "late")
    assert str(endpoint.verdict) == "fail"


@pytest.mark.parametrize(("time_s", "blocks"), [(60.0, 4), (0.0, 1)])
def test_blocks_that_are_examined_are_announced_one_by_one_for_as_long_as_there_is_time(
    monkeypatch: pytest.MonkeyPatch, time_s: float, blocks: int
) -> None:
    told: list[object] = []
    examine = damage._examined  # pyright: ignore[reportPrivateUsage]
    monkeypatch.setattr(damage, "_examined", lambda block: told.append("a block") or examine(block))
    monkeypatch.setattr(slot_run, "EXAMINE_S", time_s)
    step = SoakStep(bytes=Size(256 << 10), portion=Size(64 << 10), stop_on_failure=False)
    job = SlotJob(name="a", number=0, planned=PlannedEndpoint(uri="imitated:rotten"), steps=(step,), seed=1)
    slot_run.SlotRun(job, told.append).run()
    (finished,) = [event for event in told if isinstance(event, StepFinished)]
    found = finished.result.measures["damage"]
    assert (found["blocks_damaged"], found["blocks_examined"]) == (4, blocks)
    assert [told[at - 1] for at, one in enumerate(told) if one == "a block"] == blocks * [Expecting("a", 30.0)]


def test_each_slot_of_a_run_sends_a_stretch_of_its_own() -> None:
    patterns = {number: a_slot(number).pattern("prbs31") for number in (0, 1)}
    assert [(pattern.slot, pattern.seed) for pattern in patterns.values()] == [(0, 7), (1, 7)]


def a_slot(number: int) -> Slot:
    return Slot(
        name="a",
        number=number,
        endpoint=cast("Endpoint", None),
        expectation=Expectation(),
        seed=7,
        step=0,
        emit=lambda _: None,
        stop=threading.Event(),
        origin_s=0.0,
    )


def test_errors_between_two_steps_belong_to_the_later_one(on_card: OnCard) -> None:
    endpoint = on_card(LINK + LINK, "between")
    assert [str(step.verdict) for step in endpoint.steps] == ["pass", "fail"]


def test_a_link_that_degrades_after_it_was_judged_fails_the_step_that_sees_it(on_card: OnCard) -> None:
    endpoint = on_card(LINK + INTEGRITY + INTEGRITY + INTEGRITY, "degrades")
    assert str(endpoint.verdict) == "fail"
    assert "fail: the link fell from 8 GT/s x4 to 8 GT/s x2 during this step, under load" in texts(endpoint)


def test_a_link_that_flaps_under_load_fails_although_it_comes_back(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "flaps")
    assert "expected 8 GT/s x4 (from the smaller of both partners' capabilities), found 8 GT/s x1" in texts(endpoint)
    assert [event["text"] for event in endpoint.events] == [
        "the link changed from 8 GT/s x4 to 8 GT/s x1",
        "the link changed from 8 GT/s x1 to 8 GT/s x4",
    ]


def test_a_link_that_rests_at_a_lower_speed_is_judged_under_load(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "idles")
    assert endpoint.opened["link"]["near"]["speed_gtps"] == 2.5
    assert "pass: trained to 8 GT/s x4" in texts(endpoint)


def test_partners_that_disagree_about_their_link_do_not_pass(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "disagrees")
    assert "inconc: the partners disagree: the near end shows 8 GT/s x4, the far end 8 GT/s x2" in texts(endpoint)


def test_a_link_that_the_near_port_shows_down_fails(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "down")
    assert str(endpoint.steps[0].verdict) == "fail"
    assert "port (near end) shows its data link down" in texts(endpoint)


@pytest.mark.parametrize("wiring", [None, 4, 8, 16])
def test_a_slot_record_that_the_link_disproves_fails_no_link(wiring: int | None) -> None:
    end = PartnerLink(name="port", speed_gtps=8.0, width=8, max_speed_gtps=8.0, max_width=8)
    findings = Findings()
    judge_link([LinkReading(near=end, far=end, wiring=wiring)], Expectation(), findings)
    assert [reason.verdict for reason in findings.reasons] == [Verdict.PASS]


def test_half_a_link_is_judged_only_against_the_plan(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "blind-far")
    assert "inconc: found 8 GT/s x4, and only the near end is shown" in texts(endpoint)


def test_a_card_that_repeats_an_old_transfer_has_no_rate(on_card: OnCard) -> None:
    steps = '[[step]]\nkind = "throughput"\nbytes = "64 KiB"\nmin_rate = "1 B/s"\n'
    endpoint = on_card(steps, "repeats,65536")
    assert str(endpoint.verdict) == "fail"
    assert "came back wrong" in texts(endpoint)


def test_an_end_without_counters_vouches_for_nothing(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "no-counters")
    assert str(endpoint.verdict) == "inconc"
    assert "inconc: link errors at the far end are not known: card shows no counters" in texts(endpoint)


def test_an_end_that_cannot_be_read_makes_the_claim_inconclusive(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "blind-far")
    assert str(endpoint.verdict) == "inconc"
    assert "link errors at the far end are not known: no permission" in texts(endpoint)


def test_a_counter_that_cannot_be_read_makes_the_claim_inconclusive(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "partly")
    assert str(endpoint.verdict) == "inconc"
    assert "no link errors" not in texts(endpoint)


def test_counters_that_started_anew_at_zero_vouch_for_nothing(on_card: OnCard) -> None:
    assert str(on_card(LINK, "restarted").verdict) == "inconc"


@pytest.mark.parametrize(("limit", "verdict"), [(0, "fail"), (2, "fail"), (3, "pass"), (10, "pass")])
def test_exact_counts_are_held_to_the_limit(on_card: OnCard, limit: int, verdict: str) -> None:
    assert str(on_card(LINK + f"max_link_errors = {limit}", "exact").verdict) == verdict


@pytest.mark.parametrize(("limit", "verdict"), [(2, "fail"), (3, "inconc"), (10, "inconc")])
def test_a_lower_bound_may_pass_a_limit_but_never_keeps_it(on_card: OnCard, limit: int, verdict: str) -> None:
    assert str(on_card(LINK + f"max_link_errors = {limit}", "bounded").verdict) == verdict


def test_no_limit_allows_an_uncorrectable_error(on_card: OnCard) -> None:
    endpoint = on_card(LINK + "max_link_errors = 10", "fatal")
    assert str(endpoint.verdict) == "fail"
    assert "counted 1 MalfTLP (fatal); the limit is 10 for correctable ones" in texts(endpoint)


FAILING = """
schema = 1
name = "failing"
invented = "invented"
description = "A host that answers some reads with an error, or never."
[[slot]]
name = "north"
wiring = 8
errors_owned_by = "{owner}"
near = {{ max_speed = "8 GT/s", max_width = 8 }}
card = {{ max_speed = "8 GT/s", max_width = 8, model = "echo card", serial = "invented" }}
[[slot.fault]]
kind = "{fault}"
when = {{ every = 2 }}
"""


@pytest.mark.parametrize("fault", ["completer-abort", "completion-timeout"])
@pytest.mark.parametrize(("owner", "verdict"), [("kernel", "fail"), ("firmware", "error")])
def test_a_failed_transfer_is_the_test_systems_fault_only_where_no_uncorrectable_error_is_on_record(
    run_plan: Callable[..., RunResult], tmp_path: Path, fault: str, owner: str, verdict: str
) -> None:
    bench = tmp_path / "failing.toml"
    bench.write_text(FAILING.format(fault=fault, owner=owner), "utf-8")
    (endpoint,) = run_plan(INTEGRITY + 'block = "16 KiB"\n', f"sim:{bench}#north").endpoints
    assert str(endpoint.verdict) == verdict
    assert f"{verdict}: sim:{bench}#north check: a transfer failed: a read " in texts(endpoint)


def test_a_fault_by_which_a_loss_begins_leaves_the_verdict_to_the_loss(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "faulty-gone")
    assert str(endpoint.verdict) == "fail"
    assert "inconc: imitated:faulty-gone check: the driver failed with ZeroDivisionError" in texts(endpoint)


def test_a_drivers_mistake_is_an_error_that_says_where(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "faulty")
    assert str(endpoint.verdict) == "error"
    assert "ZeroDivisionError" in texts(endpoint)
    assert "a driver's own mistake" in texts(endpoint)


def test_a_driver_that_crashes_when_it_opens_is_that_slots_error_alone(run_plan: Callable[..., RunResult]) -> None:
    result = run_plan(INTEGRITY, "imitated:crashes", "physical:crashes", "imitated:healthy")
    assert [str(endpoint.verdict) for endpoint in result.endpoints] == ["error", "error", "pass"]
    assert "ZeroDivisionError" in texts(result.endpoints[0])


def test_a_stall_is_followed_by_recovery_and_the_next_step(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY + LINK, "silent,65536")
    assert str(endpoint.steps[0].verdict) == "fail"
    assert len(endpoint.steps) == 2
    assert [event["kind"] for event in endpoint.events][:1] == ["recovery"]


def test_a_driver_that_cannot_be_loaded_is_that_slots_error_alone(run_plan: Callable[..., RunResult]) -> None:
    result = run_plan(INTEGRITY, "imitated:healthy", "broken:x")
    assert [str(endpoint.verdict) for endpoint in result.endpoints] == ["pass", "error"]
    assert "cannot be used: its import failed" in result.endpoints[1].reasons[0].text


def test_a_rate_without_a_link_to_hold_it_against_is_inconclusive(on_card: OnCard) -> None:
    steps = '[[step]]\nkind = "throughput"\nbytes = "64 KiB"\n'
    assert str(on_card(steps, "unobserved").verdict) == "inconc"


def test_the_rate_of_what_carries_the_bytes_to_the_card_is_no_rate_of_its_link(on_card: OnCard) -> None:
    endpoint = on_card('[[step]]\nkind = "throughput"\nbytes = "64 KiB"\n', "carried")
    assert str(endpoint.verdict) == "inconc"
    assert "it is that of a serial �line, and says nothing about the link: give min_rate" in texts(endpoint)
    assert "share_of_ceiling" not in endpoint.steps[0].measures


@pytest.mark.parametrize("card", ["unobserved", "carried"])
@pytest.mark.parametrize(("rate", "verdict"), [("1 B/s", "pass"), ("999 TB/s", "fail")])
def test_a_rate_asked_for_is_judged_without_a_link(on_card: OnCard, card: str, rate: str, verdict: str) -> None:
    steps = f'[[step]]\nkind = "throughput"\nbytes = "64 KiB"\nmin_rate = "{rate}"\n'
    assert str(on_card(steps, card).verdict) == verdict


def test_a_soak_of_a_given_time_ends_with_it(on_card: OnCard) -> None:
    soak = '[[step]]\nkind = "soak"\nduration = "0.2 s"\nportion = "64 KiB"\n'
    endpoint = on_card(soak, "healthy")
    assert str(endpoint.verdict) == "pass"
    assert endpoint.steps[0].measures["seconds"] >= 0.2
    assert endpoint.steps[0].bytes_moved % (64 << 10) == 1  # the last byte, after which nothing else came


def test_a_clock_that_stands_still_gives_no_rate(on_card: OnCard) -> None:
    endpoint = on_card('[[step]]\nkind = "throughput"\nbytes = "64 KiB"\n', "still")
    assert str(endpoint.verdict) == "inconc"
    assert "the card's clock did not move" in texts(endpoint)


def test_what_a_ceiling_assumes_is_said() -> None:
    end = {"speed_gtps": 8.0, "width": 8, "max_payload": 256}
    near, hidden = PartnerLink(name="port", **end, read_request=128), Unavailable("hidden")
    _, hidden_card = link_ceiling(LinkReading(near=near, far=hidden))
    assert hidden_card == " (assuming read request 512 B, which cannot be read)"
    limit, said = link_ceiling(LinkReading(near=near, far=PartnerLink(name="card", **end, read_request=4096)))
    assert said == ""
    assert limit is not None
    assert limit == ceiling(8.0, 8, 256, direction="both", read_request=4096)


def test_the_ceiling_is_that_of_the_link_on_the_way_which_carries_least() -> None:
    """Linux commit af125b754e2f: 16 GT/s x1 carries less than 2.5 GT/s x16, whatever the generations."""
    card = PartnerLink(name="card", speed_gtps=8.0, width=8, max_payload=256, read_request=512)
    slow = PartnerLink(name="root port", speed_gtps=16.0, width=1, max_payload=256)
    wide = PartnerLink(name="root port", speed_gtps=8.0, width=16, max_payload=128)
    alone, _ = link_ceiling(LinkReading(near=card, far=card))
    narrowed, said = link_ceiling(LinkReading(near=card, far=card, above=(slow,)))
    assert alone is not None
    assert narrowed is not None
    assert narrowed.bytes_per_second == pytest.approx(alone.bytes_per_second / 4, rel=0.02)
    assert said == ", that of the link below root port, which carries less than the card's own"
    smaller, said = link_ceiling(LinkReading(near=card, far=card, above=(wide,)))
    assert smaller is not None
    assert smaller.bytes_per_second < alone.bytes_per_second  # its payload is the path's
    assert said == ""
    unknown = PartnerLink(name="root port")
    assert link_ceiling(LinkReading(near=card, far=card, above=(unknown,))) == (alone, "")
