"""What the runner says of each shipped bench: the verdict that a lab would stake a release on, and its reasons.

Which end counts which error, and that it stays silent when it sends again: PCI Express base specification, chapters 3
(data link layer) and 6.2 (error signalling), from memory of them.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof.campaign.events import Event, Progress, SlotFinished
from laneproof.campaign.results import EndpointResult, RunResult, StepResult
from laneproof.campaign.steps.slot import Slot

Bench = Callable[..., RunResult]


def only(result: RunResult) -> EndpointResult:
    (endpoint,) = result.endpoints
    return endpoint


def verdicts(endpoint: EndpointResult) -> dict[str, str]:
    return {step.kind: str(step.verdict) for step in endpoint.steps}


def step_of(endpoint: EndpointResult, kind: str) -> StepResult:
    return next(step for step in endpoint.steps if step.kind == kind)


def duration(step: StepResult) -> float:
    return step.finished_s - step.started_s


def said(step: StepResult, verdict: str) -> str:
    return " ".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


def test_the_healthy_bench_passes_every_step(on_bench: Bench) -> None:
    endpoint = only(on_bench("demo"))
    assert str(endpoint.verdict) == "pass"
    assert verdicts(endpoint) == dict.fromkeys(["link", "integrity", "throughput", "soak"], "pass")
    assert step_of(endpoint, "integrity").measures["bytes_checked"] == 64 << 20
    assert len(step_of(endpoint, "integrity").measures["points"]) > 40  # of its sweeps
    assert 0.75 <= step_of(endpoint, "throughput").measures["share_of_ceiling"] <= 1.0


def test_a_result_on_the_simulator_says_so(on_bench: Bench) -> None:
    result = on_bench("demo")
    endpoint = only(result)
    assert not endpoint.physical
    assert endpoint.virtual_time
    assert "simulated" in result.environment["caveats"][0]
    assert endpoint.to_dict()["simulated"] is True


def test_a_dead_lane_fails_the_link_alone_naming_expected_found_and_reasons(on_bench: Bench) -> None:
    endpoint = only(on_bench("dead-lane"))
    assert verdicts(endpoint) == {"link": "fail", "integrity": "pass", "throughput": "pass", "soak": "pass"}
    link = step_of(endpoint, "link")
    assert "expected 8 GT/s x8" in said(link, "fail")
    assert "found 8 GT/s x4" in said(link, "fail")
    assert "one of lanes 4 to 7" in said(link, "fail")
    assert "fewer lanes wired" in said(link, "fail")
    assert link.measures["link"]["near"]["width"] == link.measures["link"]["far"]["width"] == 4
    assert str(endpoint.verdict) == "fail"


def test_link_errors_cost_time_and_not_data(on_bench: Bench) -> None:
    endpoint = only(on_bench("link-errors"))
    assert verdicts(endpoint) == {"link": "fail", "integrity": "pass", "throughput": "fail", "soak": "fail"}
    assert step_of(endpoint, "integrity").measures["mismatched_bytes"] == 0
    assert step_of(endpoint, "integrity").measures["bytes_checked"] == 64 << 20
    healthy = step_of(only(on_bench("demo")), "throughput").measures["bytes_per_second"]
    assert step_of(endpoint, "throughput").measures["bytes_per_second"] < 0.75 * healthy
    assert "came back unchanged" in said(step_of(endpoint, "soak"), "pass")


def test_link_errors_are_counted_where_the_damage_arrives(on_bench: Bench) -> None:
    """Bits are lost on the way to the card, so the card counts; the port that sends again counts at most a Timeout,
    where a packet was damaged on its second way too, and once in millions of packets four times: a Rollover."""
    endpoint = only(on_bench("link-errors"))
    for kind in ("link", "soak"):
        errors = step_of(endpoint, kind).errors
        assert "unavailable" not in errors["near"]
        assert "unavailable" not in errors["far"]
        assert sum(count["n"] for count in errors["far"]["correctable"].values()) > 0
        assert {name for name, count in errors["near"]["correctable"].items() if count["n"]} <= {"Timeout", "Rollover"}


def test_the_silent_end_of_a_bad_link_is_not_called_innocent(on_bench: Bench) -> None:
    endpoint = only(on_bench("link-errors"))
    for kind in ("link", "soak"):
        text = said(step_of(endpoint, kind), "fail")
        assert "the near end's transmitter" in text
        assert "silence at one end does not clear the path out of it" in text
        assert "no link errors" not in " ".join(reason.text for reason in step_of(endpoint, kind).reasons)


def test_a_card_that_flips_bits_fails_integrity_naming_positions_and_no_lane(on_bench: Bench) -> None:
    endpoint = only(on_bench("flipping-card"))
    link = said(step_of(endpoint, "link"), "pass")
    assert "trained to 8 GT/s x8, as expected" in link
    assert "no link errors counted at either end" in link
    integrity = step_of(endpoint, "integrity")
    first, (start, stop) = integrity.measures["first"], integrity.measures["regions"][0]
    assert str(integrity.verdict) == "fail"
    assert start == first < stop
    assert f"the first at byte {first}; wrong: byte {first}" in said(integrity, "fail")
    assert len(integrity.measures["regions"]) == min(64, integrity.measures["mismatched_bytes"])
    assert "lane" not in said(integrity, "fail")


def test_corruption_inside_a_switch_cannot_be_told_from_a_card_that_flips(on_bench: Bench) -> None:
    endpoint = only(on_bench("switch-corrupts"))
    assert verdicts(endpoint)["integrity"] == "fail"
    assert "no link errors counted at either end" in said(step_of(endpoint, "link"), "pass")
    for step in endpoint.steps:
        text = " ".join(reason.text for reason in step.reasons)
        assert "ECRC" not in text
        assert "switch" not in text
    assert [event for event in endpoint.events if "reported" in event["text"]] == []


def test_with_an_end_to_end_crc_it_is_located_between_the_ends(on_bench: Bench) -> None:
    endpoint = only(on_bench("switch-corrupts-ecrc"))
    assert str(endpoint.verdict) == "fail"
    integrity = step_of(endpoint, "integrity")
    unwritten = integrity.measures["mismatched_bytes"]
    assert unwritten > 0
    assert all((stop - start) % 256 == 0 for start, stop in integrity.measures["regions"])  # whole writes of 256 bytes
    link = step_of(endpoint, "soak")
    assert "A packet's end-to-end CRC is wrong though each link's CRC was right" in said(link, "fail")
    assert link.errors["far"]["nonfatal"]["ECRC"]["n"] > 0
    for end, most in (("near", set()), ("far", {"NonFatalErr"})):  # by which the card says that it will ask again
        assert {name for name, count in link.errors[end]["correctable"].items() if count.get("n")} <= most
    told = {event["text"][:51] for event in endpoint.events if "reported ECRC" in event["text"]}
    assert told == {f"the kernel reported ECRC at 0000:{where} (nonfatal)" for where in ("03:00.0", "00:01.0")}


def test_a_slot_on_a_shared_link_passes_while_the_others_rest(on_bench: Bench) -> None:
    endpoint = only(on_bench("shared-link"))
    assert str(endpoint.verdict) == "pass"
    assert step_of(endpoint, "link").measures["link"]["near"]["width"] == 8
    assert step_of(endpoint, "throughput").measures["share_of_ceiling"] > 0.95


def test_a_damaged_exposure_still_bounds_the_rate_of_corruption(on_bench: Bench) -> None:
    residual = step_of(only(on_bench("flipping-card")), "integrity").measures["residual_corruption"]
    assert residual["wrong_bits"] > 0
    assert residual["upper_bound_per_bit"] > residual["wrong_bits"] / residual["exposure_bits"]


def test_a_slot_that_drops_its_link_under_load_fails_on_that_evidence(on_bench: Bench) -> None:
    endpoint = only(on_bench("drops-off"))
    assert verdicts(endpoint) == {"link": "pass", "integrity": "fail"}
    assert "The link went down: root port of slot north" in said(step_of(endpoint, "integrity"), "fail")
    assert step_of(endpoint, "integrity").bytes_moved > 0
    assert "not run: throughput, soak" in endpoint.reasons[0].text
    seen = {event["kind"]: event["text"] for event in endpoint.events}
    assert seen["link"].endswith("to no link that is shown, data link down (no load)")
    assert "the kernel reported SDES" in seen["reported"]
    assert str(endpoint.verdict) == "fail"


def test_a_card_lost_without_evidence_of_the_link_is_inconclusive(on_bench: Bench) -> None:
    endpoint = only(on_bench("lost-unseen"))
    assert str(endpoint.verdict) == "inconc"
    assert "Nothing shows that the link went down" in said(step_of(endpoint, "integrity"), "inconc")


def test_an_unseen_link_is_inconclusive_and_never_healthy(on_bench: Bench) -> None:
    link = step_of(only(on_bench("lost-unseen")), "link")
    assert str(link.verdict) == "inconc"
    assert said(link, "pass") == ""


def test_an_empty_slot_is_the_test_systems_error(on_bench: Bench) -> None:
    endpoint = only(on_bench("empty-slot"))
    assert (str(endpoint.verdict), endpoint.steps) == ("error", ())
    assert "no receiver is detected" in endpoint.reasons[0].text


def test_a_stall_fails_with_what_had_come_back(on_bench: Bench) -> None:
    endpoint = only(on_bench("stalling-card"))
    integrity = step_of(endpoint, "integrity")
    assert str(endpoint.verdict) == "fail"
    assert 0 < integrity.bytes_moved < 64 << 20
    assert f"{integrity.bytes_moved} of {64 << 20} bytes had come back" in said(integrity, "fail")
    assert "recovery" in {event["kind"] for event in endpoint.events}


def test_a_link_that_saves_power_while_idle_passes_and_its_idle_reading_is_explained(on_bench: Bench) -> None:
    endpoint = only(on_bench("idle-speed"))
    assert verdicts(endpoint) == dict.fromkeys(["link", "integrity", "throughput", "soak"], "pass")
    assert step_of(endpoint, "link").measures["link"]["near"]["speed_gtps"] == 8.0
    (change,) = [event for event in endpoint.events if event["kind"] == "link"]
    assert "the link changed from 2.5 GT/s x8 to 8 GT/s x8" in change["text"]


def test_a_lane_that_dies_under_load_costs_the_slot_its_verdict_and_no_byte(on_bench: Bench) -> None:
    endpoint = only(on_bench("failing-lane"))
    assert verdicts(endpoint) == {"link": "pass", "integrity": "fail", "throughput": "fail", "soak": "fail"}
    assert step_of(endpoint, "integrity").measures["mismatched_bytes"] == 0
    fell = "the link fell from 8 GT/s x8 to 8 GT/s x4"
    assert f"{fell} during this step" in said(step_of(endpoint, "integrity"), "fail")
    for later in ("throughput", "soak"):
        assert f"{fell} before this step" in said(step_of(endpoint, later), "fail")
    told = " ".join(event["text"] for event in endpoint.events)
    assert "it changed for reliability" in told
    assert "Lane Error Status of card in slot north (far end) newly shows lane 5" in told


def test_a_card_that_gets_too_warm_passes_while_it_is_cold_and_fails_later(on_bench: Bench) -> None:
    endpoint = only(on_bench("hot-card"))
    assert verdicts(endpoint) == {"link": "pass", "integrity": "pass", "throughput": "fail", "soak": "fail"}
    (celsius,) = [
        sensor["value"] for sensor in step_of(endpoint, "soak").conditions["after"]["sensors"] if sensor["unit"] == "°C"
    ]
    assert celsius > 70


def test_a_card_switched_on_after_the_computer_is_not_found(on_bench: Bench) -> None:
    endpoint = only(on_bench("power-order"))
    assert (str(endpoint.verdict), endpoint.steps) == ("error", ())
    assert "seated and powered" in endpoint.reasons[0].text


def test_a_card_without_its_plug_stalls_from_the_first_byte_with_its_link_up(on_bench: Bench) -> None:
    endpoint = only(on_bench("missing-plug"))
    link = step_of(endpoint, "link")
    assert (str(endpoint.verdict), link.bytes_moved) == ("fail", 0)
    assert link.measures["link"]["near"]["width"] == link.measures["link"]["far"]["width"] == 8
    assert "0 of" in said(link, "fail")


def test_a_supply_that_gives_way_takes_the_card_that_draws_most(on_bench: Bench) -> None:
    endpoint = only(on_bench("weak-supply"))
    assert str(endpoint.verdict) == "fail"
    assert "The link went down: root port of slot north" in said(step_of(endpoint, "integrity"), "fail")


def test_a_completion_that_never_comes_leaves_a_hole_a_count_at_the_card_and_lost_time(on_bench: Bench) -> None:
    endpoint = only(on_bench("completion-timeout"))
    assert verdicts(endpoint) == {"link": "pass", "integrity": "fail", "throughput": "pass", "soak": "fail"}
    # One message of 40 is hit, and none of the six of the throughput step is one.
    integrity = step_of(endpoint, "integrity")
    assert "far end) counted at least 5 CmpltTO (nonfatal)" in said(integrity, "fail")
    assert "near end" not in said(integrity, "fail")
    # Three read requests of 512 bytes; what the card's memory held has one byte in 256 right by chance.
    assert 3 * 500 < integrity.measures["mismatched_bytes"] <= 3 * 512
    assert duration(integrity) > 3 * 0.050


def test_poison_leaves_holes_and_headers_that_name_the_card(on_bench: Bench) -> None:
    endpoint = only(on_bench("poisoned-writes"))
    assert verdicts(endpoint) == {"link": "pass", "integrity": "fail", "throughput": "pass", "soak": "fail"}
    # One message of 40 is hit, and none of the six of the throughput step is one.
    integrity = step_of(endpoint, "integrity")
    assert "near end) counted at least 5 PoisonedTLP (nonfatal)" in said(integrity, "fail")
    assert "MWr from 01:00.0" in said(integrity, "fail")
    assert "64 DW, poisoned" in said(integrity, "fail")
    assert integrity.measures["mismatched_bytes"] == 3 * 256
    assert duration(integrity) == pytest.approx(duration(step_of(only(on_bench("demo")), "integrity")))


NOTHING = {
    "no steps": "",
    "no bytes": '[[step]]\nkind = "integrity"\nbytes = "0 B"',
    "no bytes to soak": '[[step]]\nkind = "soak"\nbytes = "0 B"',
    "no time to soak": '[[step]]\nkind = "soak"\nduration = "0 s"',
    "no bytes to time": '[[step]]\nkind = "throughput"\nbytes = "0 B"',
    "no load": '[[step]]\nkind = "link"\nload = "0 B"',
}


@pytest.mark.parametrize("steps", NOTHING.values(), ids=NOTHING)
def test_a_plan_that_moves_nothing_is_none(run_plan: Callable[..., RunResult], steps: str) -> None:
    assert str(run_plan(steps, "sim:demo#south").verdict) == "none"


def test_a_plan_without_endpoints_is_none(run_plan: Callable[..., RunResult]) -> None:
    assert str(run_plan('[[step]]\nkind = "link"').verdict) == "none"


def test_an_empty_step_does_not_hide_behind_full_ones(run_plan: Callable[..., RunResult]) -> None:
    steps = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\n[[step]]\nkind = "soak"\nbytes = "0 B"'
    endpoint = only(run_plan(steps, "sim:demo#south"))
    assert verdicts(endpoint) == {"integrity": "pass", "soak": "none"}
    assert str(endpoint.verdict) == "inconc"


def test_a_block_larger_than_the_cards_limit_is_a_wrong_plan_for_this_card(run_plan: Callable[..., RunResult]) -> None:
    steps = '[[step]]\nkind = "integrity"\nbytes = "2 GiB"\nblock = "2 GiB"'
    (reason,) = only(run_plan(steps, "sim:demo#south")).steps[0].reasons
    assert str(reason.verdict) == "error"
    assert reason.text.startswith("the plan asks for what this card cannot do: block 2147483648 is more than")


def test_one_slot_that_fails_does_not_stop_the_others(run_plan: Callable[..., RunResult]) -> None:
    steps = '[[step]]\nkind = "integrity"\nbytes = "32 MiB"'
    result = run_plan(steps, "sim:empty-slot#north", "sim:drops-off#north", "sim:demo#north")
    assert [str(endpoint.verdict) for endpoint in result.endpoints] == ["error", "fail", "pass"]
    assert str(result.verdict) == "error"


def test_slots_run_at_the_same_time(run_plan: Callable[..., RunResult]) -> None:
    """The first slot's soak has no end of its own; still the second one finishes, and then the first moves on."""
    stop = threading.Event()
    finished: list[str] = []

    def watch(event: Event) -> None:
        if isinstance(event, SlotFinished):
            finished.append(event.slot)
        if isinstance(event, Progress) and finished:
            stop.set()

    endless = '[[endpoint]]\nuri = "sim:demo#north"\n[[endpoint]]\nuri = "sim:drops-off#north"\n'
    endless += '[[step]]\nkind = "soak"\nduration = "1000 h"\n'
    result = run_plan(endless, watch=watch, stop=stop)
    assert finished == ["north (2)", "north"]
    assert [str(endpoint.verdict) for endpoint in result.endpoints] == ["inconc", "fail"]
    assert result.endpoints[0].steps[0].bytes_moved > 0
    assert result.interrupted


CONTENT = {
    "endpoint": "endpoint",
    "step": "endpoint, step",
    "reason": "endpoint, step, number",
    "event": "endpoint, number",
    "sample": "endpoint, step, number",
}
"""Every table but `run`, which alone holds wall-clock times and the environment, and its primary key."""
MIXED = (
    '[[step]]\nkind = "link"\n[[step]]\nkind = "integrity"\nbytes = "8 MiB"\n[[step]]\nkind = "soak"\nbytes = "32 MiB"'
)


def content(path: Path) -> dict[str, list[tuple[object, ...]]]:
    database = sqlite3.connect(path)
    rows = {
        table: database.execute(f"SELECT * FROM {table} ORDER BY {key}").fetchall() for table, key in CONTENT.items()
    }
    database.close()
    return rows


def test_the_same_plan_and_seed_leave_the_same_ledger(run_plan: Callable[..., RunResult], tmp_path: Path) -> None:
    uris = ("sim:link-errors#north", "sim:flipping-card#north", "sim:drops-off#north", "sim:stalling-card#north")
    for name in ("one", "two"):
        run_plan("seed = 7\n" + MIXED, *uris, ledger=name)
    one, two = content(tmp_path / "one"), content(tmp_path / "two")
    assert one == two
    assert all(one[table] for table in CONTENT)


def test_another_seed_sends_other_bytes_to_the_same_verdict(
    run_plan: Callable[..., RunResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[bytes] = []
    make = Slot.pattern

    def spying(self: Slot, name: str) -> object:
        made = make(self, name)
        buffer = bytearray(64)
        made.fill(buffer)
        sent.append(bytes(buffer))
        return made

    monkeypatch.setattr(Slot, "pattern", spying)
    step = '\n[[step]]\nkind = "integrity"\nbytes = "1 MiB"'
    found = [
        str(run_plan(f"seed = {seed}" + step, "sim:demo#south", ledger=f"{number}").verdict)
        for number, seed in enumerate((1, 2, 1))
    ]
    assert found == ["pass"] * 3
    assert sent[0] == sent[2] != sent[1]
