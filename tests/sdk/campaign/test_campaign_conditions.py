"""What a run makes of lanes, receivers and host as they are read around a step, and of a link that changes in it.

That a lane is named by Lane Error Status and parity mismatch alone, and that these flags are sticky: base
specification, from memory. The logged header: Linux Documentation/PCI/pcieaer-howto.rst.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import count
from pathlib import Path

import pytest

from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.steps import observation
from laneproof.campaign.steps.series import POINTS_LIMIT, SENSORS_LIMIT, SensorSeries
from laneproof.readings import Sensor

pytestmark = pytest.mark.usefixtures("invented_cards")
LINK = '[[step]]\nkind = "link"\nload = "64 KiB"\n'
INTEGRITY = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\ntimeout = "1 s"\n'
THROUGHPUT = '[[step]]\nkind = "throughput"\nbytes = "64 KiB"\nrepeats = 2\nmin_rate = "1 B/s"\nmin_share = "0 %"\n'
SOAK = '[[step]]\nkind = "soak"\nbytes = "256 KiB"\nportion = "64 KiB"\n'


@pytest.fixture
def on_card(run_plan: Callable[..., RunResult]) -> Callable[[str, str], EndpointResult]:
    runs = count()

    def run(steps: str, address: str) -> EndpointResult:
        return run_plan(steps, f"imitated:{address}", ledger=f"{next(runs)}.ledger").endpoints[0]

    return run


OnCard = Callable[[str, str], EndpointResult]


def texts(endpoint: EndpointResult) -> str:
    return "\n".join(f"{reason.verdict}: {reason.text}" for step in endpoint.steps for reason in step.reasons)


def events(endpoint: EndpointResult, kind: str) -> list[str]:
    return [event["text"] for event in endpoint.events if event["kind"] == kind]


# --- lanes


@pytest.mark.parametrize("step", [LINK, SOAK], ids=["link", "soak"])
def test_a_lane_that_is_newly_flagged_breaks_the_house_limit_of_zero(on_card: OnCard, step: str) -> None:
    endpoint = on_card(step, "lane-error")
    assert str(endpoint.verdict) == "fail"
    assert "fail: Lane Error Status of card (far end) newly shows lanes 2, 5, an event each at least" in texts(endpoint)
    assert "the near end's transmitters" in texts(endpoint)


@pytest.mark.parametrize("step", [INTEGRITY, THROUGHPUT], ids=["integrity", "throughput"])
def test_a_flagged_lane_says_where_and_fails_no_step_that_judges_data(on_card: OnCard, step: str) -> None:
    endpoint = on_card(step, "lane-error")
    assert str(endpoint.verdict) == "pass"
    assert "newly shows lanes 2, 5 during this step, which holds link errors to no limit" in texts(endpoint)


def test_flags_are_no_counts_so_a_limit_above_them_may_still_be_passed(on_card: OnCard) -> None:
    endpoint = on_card(LINK + "max_link_errors = 2\n", "lane-error")
    assert str(endpoint.verdict) == "inconc"
    assert "flags and no counts, so the limit of 2 may be passed" in texts(endpoint)


def test_a_parity_mismatch_names_the_lane_and_the_segment_that_saw_it(on_card: OnCard) -> None:
    endpoint = on_card(SOAK, "mismatch")
    assert str(endpoint.verdict) == "fail"
    assert endpoint.steps[0].conditions["lanes"] == [
        {"end": "near", "partner": "port", "register": "data parity mismatch (first retimer)", "lane": 7}
    ]
    assert events(endpoint, "lane") == ["data parity mismatch (first retimer) of port (near end) newly shows lane 7"]


def test_a_flag_that_was_set_before_is_no_event_of_the_step_and_is_said_to_be_blind(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "blind-lane")
    assert str(endpoint.verdict) == "pass"
    assert endpoint.steps[0].conditions["lanes"] == []
    assert endpoint.steps[0].conditions["blind"] == [
        "Lane Error Status of card (far end) showed lane 3 before: blind there, for it is not cleared"
    ]


def test_a_flag_of_one_step_is_blind_in_the_next_and_no_event_of_it(on_card: OnCard) -> None:
    first, second = on_card(LINK + LINK, "lane-error").steps
    assert [len(step.conditions["lanes"]) for step in (first, second)] == [2, 0]
    assert first.conditions["blind"] == []
    assert "showed lanes 2, 5 before" in second.conditions["blind"][0]


def test_a_register_that_was_not_shown_before_accuses_no_lane(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "appears")
    assert endpoint.steps[0].conditions["lanes"] == []
    assert str(endpoint.verdict) == "pass"


def test_readings_that_fail_for_a_while_hide_no_flag_set_meanwhile(on_card: OnCard) -> None:
    endpoint = on_card(LINK + LINK + LINK, "hides")
    assert [len(step.conditions.get("lanes", [])) for step in endpoint.steps] == [0, 1, 0]


def test_damaged_data_names_no_lane(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY.replace("64 KiB", "256 KiB"), "repeats,65536")
    assert "came back wrong" in texts(endpoint)
    assert endpoint.steps[0].conditions["lanes"] == []
    assert "lane" not in texts(endpoint).lower()


# --- other conditions


def test_a_request_to_equalise_again_and_a_change_of_power_states_are_events(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "asks-again")
    assert str(endpoint.verdict) == "pass"
    assert events(endpoint, "equalisation") == ["card (far end) asks for equalisation at 16 GT/s to be done again"]
    assert events(endpoint, "power") == ["link power states switched on at card (far end): none; before: L0s"]


def test_new_flags_of_device_status_are_an_event(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "flags-device")
    assert events(endpoint, "device status") == ["Device Status of port (near end) newly shows CED, URD"]


def test_uncorrectable_errors_of_the_hosts_memory_leave_good_data_inconclusive(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "failing-memory")
    assert str(endpoint.verdict) == "inconc"
    assert "inconc: the host's own memory reported 3 uncorrectable errors during this step" in texts(endpoint)
    assert events(endpoint, "memory") == ["the host counted 3 uncorrected memory errors"]


def test_wrong_data_are_not_held_against_the_slot_while_the_hosts_memory_fails(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "rotten")
    assert str(endpoint.verdict) == "inconc"
    assert "inconc: prbs31: " in texts(endpoint)
    assert "came back wrong" in texts(endpoint)


def test_what_the_link_did_is_still_held_against_it_while_the_hosts_memory_fails(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "all-failing")
    assert str(endpoint.verdict) == "fail"
    assert "inconc: the host's own memory" in texts(endpoint)


def test_corrected_errors_of_the_hosts_memory_are_said(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "correcting-memory")
    assert str(endpoint.verdict) == "pass"
    assert "pass: the host's memory corrected at least 2 errors during this step" in texts(endpoint)


def test_a_stall_beside_a_refusal_of_the_iommu_is_inconclusive(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "refused,32768")
    assert str(endpoint.verdict) == "inconc"
    assert "inconc: prbs31: the transfer stalled" in texts(endpoint)
    assert "inconc: the IOMMU refused 1 access during this step" in texts(endpoint)


def test_an_uncorrectable_error_that_the_kernel_reports_fails_and_shows_its_packet(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "reports")
    assert str(endpoint.verdict) == "fail"
    assert "fail: the kernel reported MalfTLP at 0000:05:00.1 (Fatal), at 12.500000 s of its own clock" in texts(
        endpoint
    )
    [event] = events(endpoint, "reported")
    assert "header 04000001 00200a03 05010000 00050100: CfgRd0 from 00:04.0" in event


def test_a_correctable_error_that_the_kernel_reports_is_an_event(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "reports-mildly")
    assert str(endpoint.verdict) == "pass"
    assert len(events(endpoint, "reported")) == 1


def test_errors_that_differ_in_their_time_alone_are_one_event(on_card: OnCard) -> None:
    [event] = events(on_card(INTEGRITY, "reports-often"), "reported")
    assert "BadTLP at 0000:05:00.1 (Corrected), at 12.500000 s" in event
    assert event.endswith("; 2 more like it, the last at 14.500000 s")


def test_a_log_that_has_lost_errors_is_said_to_lack_some_and_its_number_is_a_lower_bound(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "forgets")
    gap, kept = events(endpoint, "reported")
    assert "the kernel's log has lost its oldest errors" in gap
    assert "BadTLP" in kept
    assert endpoint.steps[0].conditions["after"]["reported"] == {"n": 1, "bound": "at least"}


def test_a_log_that_only_grows_lacks_nothing(on_card: OnCard) -> None:
    assert not any("lost its oldest" in text for text in events(on_card(INTEGRITY, "reports-mildly"), "reported"))


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("hidden", "no permission"),
        ("unobserved", "the card has no ConditionObserver"),
        ("unreadable", "could not be read: imitated:unreadable read_conditions: the register window does not answer"),
        ("lies", "the conditions could not be read"),
        ("lies-otherwise", "the conditions could not be read"),
    ],
)
def test_conditions_that_cannot_be_read_are_unavailable_and_stop_nothing(
    on_card: OnCard, address: str, why: str
) -> None:
    endpoint = on_card(INTEGRITY, address)
    assert str(endpoint.verdict) == "pass"
    assert list(endpoint.steps[0].conditions) == ["unavailable"]
    assert why in endpoint.steps[0].conditions["unavailable"]


def test_a_report_that_is_none_makes_that_reading_unavailable_and_stops_nothing(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "lies-later")
    assert str(endpoint.verdict) == "pass"
    assert "32 bits" in endpoint.steps[0].conditions["after"]["unavailable"]


def test_a_card_that_is_lost_while_its_conditions_are_read_is_judged_as_lost(on_card: OnCard) -> None:
    endpoint = on_card(INTEGRITY, "gone-within")
    assert str(endpoint.verdict) == "fail"
    assert "The link went down: port shows its link down" in texts(endpoint)


def test_a_slot_in_a_process_of_its_own_reports_its_conditions_too(run_plan: Callable[..., RunResult]) -> None:
    endpoint = run_plan(LINK, "physical:lane-error").endpoints[0]
    assert str(endpoint.verdict) == "fail"
    assert len(endpoint.steps[0].conditions["lanes"]) == 2


def test_a_simulated_host_says_what_it_does_not_have(run_plan: Callable[..., RunResult]) -> None:
    seen = run_plan(LINK, "sim:demo#south").endpoints[0].steps[0].conditions
    assert seen["after"]["far"]["device_status"] == []
    assert seen["after"]["far"]["lane_errors"] is None
    assert seen["after"]["sensors"] == {"unavailable": "this slot's scenario says nothing of temperature or power"}


# --- when they are read


def readings(endpoint: EndpointResult) -> int:
    """The card's sensor shows how often it has been read."""
    return int(endpoint.steps[-1].conditions["sensors"][0]["highest"])


def test_a_short_step_has_its_conditions_read_before_and_after_alone(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "healthy")
    assert readings(endpoint) == 2
    before, after = (endpoint.steps[0].conditions[when] for when in ("before", "after"))
    assert (before["sensors"][0]["value"], after["sensors"][0]["value"]) == (1.0, 2.0)


def test_no_condition_is_read_inside_a_transfer_whose_time_is_taken(
    on_card: OnCard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(observation, "SAMPLE_EVERY_S", 0.0)
    portions = SOAK.replace("256 KiB", "8 MiB").replace("64 KiB", "2 MiB")  # two blocks each
    assert readings(on_card(portions, "healthy")) == 2 + 4
    assert readings(on_card(THROUGHPUT, "healthy")) == 2 + 3
    blocks = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\nblock = "8 KiB"\n'
    assert readings(on_card(blocks, "healthy")) == 2 + 8


def test_a_series_stays_short_and_keeps_its_extremes_and_its_whole_span() -> None:
    series = SensorSeries()
    for moment in range(20_000):
        series.add(float(moment), [Sensor(name="board", value=99.0 if moment == 7_777 else 40.0, unit="°C")])
    shown = series.to_dict()
    times = shown["series"]["clock_s"]
    assert POINTS_LIMIT / 4 < len(times) < POINTS_LIMIT
    assert len(shown["series"]["values"][0]) == len(times)
    assert times[0] == 0.0
    assert times[-1] > 19_900
    assert shown["sensors"] == [{"name": "board", "unit": "°C", "lowest": 40.0, "highest": 99.0}]


def test_sensors_that_come_under_ever_new_names_do_not_pile_up() -> None:
    series = SensorSeries()
    for number in range(SENSORS_LIMIT * 2):
        series.add(float(number), [Sensor(name=f"board {number}", value=1.0, unit="V")])
    assert len(series.to_dict()["sensors"]) == SENSORS_LIMIT


# --- what is kept


def test_the_ledger_and_the_document_keep_conditions_and_events(
    run_plan: Callable[..., RunResult], tmp_path: Path
) -> None:
    result = run_plan(SOAK, "imitated:mismatch")
    assert read_ledger(tmp_path / "run.ledger") == result
    document = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    [step] = document["endpoints"][0]["steps"]
    assert step["conditions"]["changes"][0]["kind"] == "lane"
    assert step["started_s"] <= step["conditions"]["changes"][0]["clock_s"]
    assert document["endpoints"][0]["events"][0]["kind"] == "lane"


def test_changes_without_end_are_counted_and_not_all_listed(on_card: OnCard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(observation, "SAMPLE_EVERY_S", 0.0)
    monkeypatch.setattr(observation, "CHANGES_LIMIT", 3)
    endpoint = on_card('[[step]]\nkind = "integrity"\nbytes = "64 KiB"\nblock = "8 KiB"\n', "marked-up")
    assert len(endpoint.steps[0].conditions["changes"]) == 3
    assert endpoint.steps[0].conditions["changes_not_listed"] == 2 * 9 - 3
    assert len(endpoint.events) == 4
    assert endpoint.events[-1]["text"] == "conditions go on changing; further changes are not listed"


# --- the link under load

ONE_BLOCK = {
    "integrity": '[[step]]\nkind = "integrity"\nbytes = "512 KiB"\nblock = "512 KiB"\ntimeout = "5 s"\n',
    "throughput": THROUGHPUT.replace("64 KiB", "512 KiB").replace("repeats = 2", "repeats = 1\nwarm_up = 0"),
    "soak": '[[step]]\nkind = "soak"\nbytes = "512 KiB"\nportion = "512 KiB"\n',
}


@pytest.fixture
def looked_at_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(observation, "LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(observation, "RISE_S", 0.01)


@pytest.mark.usefixtures("looked_at_often")
@pytest.mark.parametrize("kind", list(ONE_BLOCK))
def test_a_link_that_falls_within_one_block_and_comes_back_is_seen_and_fails(on_card: OnCard, kind: str) -> None:
    endpoint = on_card(ONE_BLOCK[kind], "falls,262144")
    assert "fail: the link fell from 8 GT/s x4 to 2.5 GT/s x4 during this step, under load" in texts(endpoint)
    assert events(endpoint, "link") == [
        "the link changed from 8 GT/s x4 to 2.5 GT/s x4",
        "the link changed from 2.5 GT/s x4 to 8 GT/s x4",
    ]
    [step], [fell, _] = endpoint.steps, endpoint.events
    assert step.started_s < fell["clock_s"] < step.finished_s


@pytest.mark.usefixtures("looked_at_often")
@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("falls-unreliably", "port notes that it changed for reliability, or was retrained by software"),
        ("falls-by-itself", "port notes that it changed by itself, not for reliability, as power saving does"),
        ("falls-after-others", "port notes that it changed by itself, not for reliability"),
    ],
)
def test_the_cause_that_the_port_notes_is_told(on_card: OnCard, address: str, says: str) -> None:
    endpoint = on_card(ONE_BLOCK["throughput"], f"{address},262144")
    assert f"8 GT/s x4 to 2.5 GT/s x4 during this step, under load; {says}" in texts(endpoint)
    assert says in events(endpoint, "link")[0]


def test_a_link_that_rests_between_steps_and_rises_under_load_is_no_fault(on_card: OnCard) -> None:
    endpoint = on_card(LINK + INTEGRITY + THROUGHPUT + SOAK, "rests")
    assert endpoint.opened["link"]["near"]["speed_gtps"] == 2.5
    assert str(endpoint.verdict) == "pass"
    assert "trained to 8 GT/s x4" in texts(endpoint)
    rise = "the link changed from 2.5 GT/s x4 to 8 GT/s x4"
    fall = "the link changed from 8 GT/s x4 to 2.5 GT/s x4 (no load)"
    assert events(endpoint, "link") == [rise, fall] * 4


@pytest.mark.usefixtures("looked_at_often")
@pytest.mark.parametrize(
    ("kind", "name", "value"), [("integrity", "PREPARING_BYTES_PER_S", 1.0), ("throughput", "RISE_S", 1000.0)]
)
def test_a_link_that_has_not_come_up_to_speed_yet_is_no_fault(
    on_card: OnCard, monkeypatch: pytest.MonkeyPatch, kind: str, name: str, value: float
) -> None:
    monkeypatch.setattr(observation, name, value)
    endpoint = on_card(ONE_BLOCK[kind], "falls,262144")
    assert str(endpoint.verdict) == "pass"
    assert events(endpoint, "link")[0] == "the link changed from 8 GT/s x4 to 2.5 GT/s x4 (no load)"


def test_a_retrain_between_two_looks_is_inconclusive_though_the_link_looks_the_same(on_card: OnCard) -> None:
    endpoint = on_card(LINK, "retrained")
    assert str(endpoint.verdict) == "inconc"
    assert "the link was the same whenever it was looked at, but port notes that it changed" in texts(endpoint)


def test_a_link_that_changes_without_end_is_not_listed_without_end(
    on_card: OnCard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(observation, "CHANGES_LIMIT", 2)
    said = events(on_card(LINK + LINK, "rests"), "link")
    assert len(said) == 4
    monkeypatch.setattr(observation, "CHANGES_LIMIT", 1)
    said = events(on_card(LINK + LINK, "rests"), "link")
    assert said[1] == "the link goes on changing; further changes are not listed"
