"""What must raise no alarm, and what a diagnosis must never say: no lane, no card blamed beyond the evidence.

Source: the project's list of what must not raise an alarm; which end counts what, after the base specification from
memory.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable

import pytest
from diagnosis_records import LARGE, conditions, damage, damaged, endpoint, errors, link, origin, step, unreadable
from diagnosis_rows import ROWS

from laneproof.campaign.results import EndpointResult, Reason, RunResult
from laneproof.campaign.verdict import Verdict
from laneproof.insight.diagnosis import diagnose, diagnose_run, rules

DATA_PATH = {"card", "transaction", "switch", "host"}
"""Layers that a mechanism behind the link lives in."""
NO_ALARM: dict[str, Callable[[], EndpointResult]] = {
    "speed drops while idle": lambda: endpoint(
        step("link", verdict=Verdict.PASS, link=link()), opened={"link": link(speed_gtps=2.5)}
    ),
    "x4 in an x16 slot": lambda: endpoint(step("link", "x4, as wired", link=link(width=4, max_width=4, wiring=16))),
    "wiring as declared": lambda: endpoint(step("link", "x4, as wired", link=link(wiring=4, width=4))),
    "advice from probing": lambda: endpoint(
        step(
            "link",
            "the limit is 0",
            link=link(),
            counted=errors(near={"NonFatalErr": 1}),
            around=conditions(("device status", "Device Status newly shows CED, URD")),
        )
    ),
    "a counter that may not be read": lambda: endpoint(
        step(
            "link",
            "link errors are not known",
            verdict=Verdict.INCONC,
            link=link(),
            counted=unreadable("not permitted"),
        )
    ),
    "low rates of small transfers": lambda: endpoint(
        step("throughput", verdict=Verdict.PASS, bytes_per_second=2e7, share_of_ceiling=0.01)
    ),
    "memory errors that ECC corrected": lambda: endpoint(
        step(verdict=Verdict.PASS, around=conditions(("memory", "the host counted 8 corrected memory errors")))
    ),
    "link errors within a limit": lambda: endpoint(step(verdict=Verdict.PASS, counted=errors(far={"RxErr": 2}))),
}


@pytest.mark.parametrize("case", NO_ALARM)
def test_what_is_no_fault_is_blamed_on_nothing(case: str) -> None:
    found = diagnose(NO_ALARM[case]())
    assert found.answers == ()


@pytest.mark.parametrize("names", [("RxErr",), ("BadTLP", "BadDLLP"), ("RxErr", "Timeout"), ("Rollover", "Timeout")])
def test_link_errors_alone_are_never_blamed_on_the_data_path(names: tuple[str, ...]) -> None:
    for ends in ({"near": dict.fromkeys(names, 9)}, {"far": dict.fromkeys(names, 9)}):
        found = diagnose(endpoint(step("link", "the limit is 0", link=link(), counted=errors(**ends))))
        assert found.top is not None
        assert not {answer.layer for answer in found.answers} & DATA_PATH


@pytest.mark.parametrize("mechanism", ROWS)
def test_no_answer_names_a_lane_unless_a_register_did(mechanism: str) -> None:
    said = json.dumps(diagnose(ROWS[mechanism]()).to_dict())
    assert not re.search(r"\blanes? \d", said)


def test_a_card_lost_without_a_trace_of_the_link_is_no_more_than_possible() -> None:
    found = diagnose(
        endpoint(
            step(
                "integrity",
                "the card was lost after 1 MiB had come back. Nothing shows that the link went down",
                verdict=Verdict.INCONC,
                counted=unreadable("no observer"),
            )
        )
    )
    assert found.top is None or found.top.confidence == "possible"


def test_few_wrong_bits_leave_it_open_which_part_is_to_blame() -> None:
    found = diagnose(endpoint(step(found=damage([[origin(77777, 77778, "noise")]]), bytes_moved=16 * LARGE)))
    assert found.top is not None
    assert found.top.confidence == "possible"
    assert "card-memory-noise" in (found.top.mechanism, *found.top.alike)
    assert len(found.top.alike) >= 2


def test_data_from_nowhere_known_are_not_explained() -> None:
    found = diagnose(damaged([[origin(5000 * n + 100, 5000 * n + 700, "noise")] for n in range(1, 6)]))
    assert found.not_explained
    assert found.top is None
    assert found.headline == "not explained by any known mechanism"


def test_a_finding_that_the_best_answer_leaves_open_is_said() -> None:
    known = rules().without("link-errors-replayed", "common-cause", "replay-rollover")
    record = step(found=damage([[origin(0, LARGE, "stale", 0, -1)]] * 4), counted=errors(near={"BadTLP": 40}))
    found = diagnose(endpoint(record), using=known)
    assert found.not_explained
    assert found.top is None or found.top.confidence == "possible"
    assert any("40 BadTLP" in text for text in found.unexplained)


def test_in_a_fixed_pattern_no_origin_is_read_from_the_data() -> None:
    fixed = damage([[origin(0, 64, "stale", LARGE - 64, -1)]] * 6) | {"pattern": "fixed"}
    found = diagnose(endpoint(step(found=fixed)))
    assert found.top is None
    assert any("does not tell where" in text for text in found.remarks)


@pytest.mark.parametrize("plain", [{"blocks": None}, {"pattern": 3}, [], "no record", {"blocks": [{"number": "x"}]}])
def test_a_record_that_is_none_is_left_out_and_said(plain: object) -> None:
    found = diagnose(endpoint(step(found=plain or ["x"])))  # type: ignore[arg-type]
    assert any("could not be read" in text for text in found.remarks)


@pytest.mark.parametrize(
    "odd",
    [
        {"points": 3, "link": "none", "stalled": [], "bytes_checked": "many"},
        {"points": [{"sweep": "sizes", "bytes": "x"}, 3], "link": {"near": 3, "far": {"width": "x"}}},
    ],
)
def test_measures_that_no_run_writes_leave_signs_unknown(odd: dict[str, object]) -> None:
    record = step("link", counted={"near": 3}, around={"changes": 3, "lanes": 3, "after": []}, **odd)
    assert diagnose(endpoint(record, opened={"link": {"above": 3, "near": []}})).answers == ()


def test_what_all_slots_show_is_suspected_of_what_they_share() -> None:
    slots = [ROWS["read-overtakes-write"]() for _ in range(3)]
    found = diagnose_run(_run(*slots))
    assert [one.mechanism for one in found.shared] == ["read-overtakes-write"]
    assert "all of 3 slots show it" in found.shared[0].text


@pytest.mark.parametrize(("beside", "mechanism"), [("clean", "card-memory-noise"), ("wrong", "switch-memory-noise")])
def test_slots_below_one_switch_tell_a_weak_switch_from_a_weak_card(beside: str, mechanism: str) -> None:
    opened = {"link": link(above=[{"name": "port above the hub"}])}
    noisy = ROWS["card-memory-noise"]()
    first = endpoint(*noisy.steps, opened=opened)
    other = endpoint(*(noisy.steps if beside == "wrong" else (step(verdict=Verdict.PASS),)), opened=opened)
    top = diagnose_run(_run(first, other)).endpoints[0].top
    assert top is not None
    assert (top.mechanism, top.alike) == (mechanism, ())


def _run(*slots: EndpointResult) -> RunResult:
    return RunResult(plan={}, started_utc="", finished_utc=None, interrupted=False, environment={}, endpoints=slots)


@pytest.mark.parametrize("mechanism", [*ROWS, ""])
def test_the_first_answer_and_the_next_step_fit_into_six_lines_of_eighty_columns(mechanism: str) -> None:
    record = ROWS[mechanism]() if mechanism else endpoint(step(), reasons=(Reason(Verdict.FAIL, "odd"),))
    lines = diagnose(record).lines()
    assert 2 <= len(lines) <= 6
    assert max(map(len, lines)) <= 80
    assert lines[-1].startswith("next: ") or any(line.startswith("next: ") for line in lines)
