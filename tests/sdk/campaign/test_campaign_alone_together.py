"""Slots of one run that measure alone, one after another, and then all at once, on a bench with a switch.

What each link carries at best is in `pcie.ceiling`, which has tests and sources of its own.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof import cli
from laneproof import endpoint as endpoints
from laneproof.campaign import meeting, places
from laneproof.campaign.alone_together import AloneTogether, alone_and_together
from laneproof.campaign.events import Event, Progress, StepStarted
from laneproof.campaign.results import EndpointResult, RunResult, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.endpoint import Endpoint
from laneproof_sim import scenario_file

RunPlan = Callable[..., RunResult]
BOTH = """
[[step]]
kind = "throughput"
alone = true
bytes = "1 MiB"
[[step]]
kind = "throughput"
bytes = "1 MiB"
"""
TOGETHER = BOTH[BOTH.rindex("[[step]]") :]
NORTH, MIDDLE, SOUTH = (f"sim:shared-link#{slot}" for slot in ("north", "middle", "south"))


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One run over the three slots as `run` leaves it: its exit status, its JSON, and what it printed."""
    folder = tmp_path_factory.mktemp("shared")
    uris = "".join(f'[[endpoint]]\nuri = "{uri}"\n' for uri in (NORTH, MIDDLE, SOUTH))
    (folder / "plan.toml").write_text("schema = 1\n" + uris + BOTH)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("COLUMNS", "80")
        status = cli.main(["run", "plan.toml", "--ledger", "run.ledger", "--json", "run.json"])
    return {"status": status, **json.loads((folder / "run.json").read_text())}


def rates(run: dict[str, Any], step: int) -> list[float]:
    return [endpoint["steps"][step]["bytes_per_second"] for endpoint in run["endpoints"]]


def test_alone_each_slot_has_its_own_links_rate(shared: dict[str, Any]) -> None:
    steps = [endpoint["steps"][0] for endpoint in shared["endpoints"]]
    assert [step["verdict"] for step in steps] == ["pass"] * 3
    assert [step["alone"] for step in steps] == [True] * 3
    assert all(0.9 < step["share_of_ceiling"] <= 1.0 for step in steps)


def test_together_they_have_the_shared_links_rate_in_all_and_pass(shared: dict[str, Any]) -> None:
    north, middle, south = (endpoint["steps"][1] for endpoint in shared["endpoints"])
    assert [step["verdict"] for step in (north, middle, south)] == ["pass"] * 3
    assert north["share_of_ceiling"] < 0.75
    for step in (north, middle):
        link = step["shared_link"]
        assert link["slots"] == 2
        assert 0.85 < link["share"] <= 1.0
        assert link["ceiling_bytes_per_second"] == north["ceiling_bytes_per_second"]
    assert sum(rates(shared, 1)[:2]) == pytest.approx(north["ceiling_bytes_per_second"], rel=0.15)
    assert south["beside"] == ["north", "middle"]
    assert "shared_link" not in south
    assert rates(shared, 1)[2] == pytest.approx(rates(shared, 0)[2], rel=0.01)


def test_the_run_says_what_the_difference_comes_from(shared: dict[str, Any]) -> None:
    found = {one["name"]: one for one in shared["alone_and_together"]}
    assert {name: one["cause"] for name, one in found.items()} == {
        "north": "shared link",
        "middle": "shared link",
        "south": "none",
    }
    assert found["north"]["ratio"] == pytest.approx(rates(shared, 1)[0] / rates(shared, 0)[0])


def test_waiting_for_ones_turn_is_none_of_the_steps_time(shared: dict[str, Any], run_plan: RunPlan) -> None:
    (by_itself,) = run_plan(BOTH, MIDDLE).endpoints
    step = shared["endpoints"][1]["steps"][0]
    lasted_s = by_itself.steps[0].finished_s - by_itself.steps[0].started_s
    assert step["finished_s"] - step["started_s"] == pytest.approx(lasted_s, rel=0.05)


def test_the_summary_fits_into_80_columns(
    run_plan: RunPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "plan.toml").write_text(
        f'schema = 1\nendpoint = [{{ uri = "{NORTH}", name = "the slot far up north" }}, {{ uri = "{MIDDLE}" }}]\n'
        + BOTH
    )
    assert cli.main(["run", str(tmp_path / "plan.toml"), "--ledger", str(tmp_path / "run.ledger")]) == 0
    printed = capsys.readouterr().out
    section = printed.split("rates alone and together, each way\n")[1].split("\n\n")[0].splitlines()
    assert section[0] == "  the slot far up north"
    assert "6.4" in section[1]
    assert [line for line in section if len(line) > 80] == []
    assert "contention on the link" in " ".join(section)


def test_what_a_plan_would_run_says_that_slots_take_turns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plan.toml").write_text("schema = 1\n" + BOTH)
    for uris, turns in ([NORTH, MIDDLE], 2), ([NORTH], 0):
        cli.main(
            ["run", str(tmp_path / "plan.toml"), *(word for uri in uris for word in ("--endpoint", uri)), "--check"]
        )
        assert capsys.readouterr().out.count("alone: endpoints take turns") == turns


def test_without_a_rate_had_alone_the_sum_passes_and_says_what_it_does_not_show(run_plan: RunPlan) -> None:
    result = run_plan(TOGETHER, NORTH, MIDDLE)
    assert str(result.verdict) == "pass"
    assert "what its own link carries is not shown by this" in result.endpoints[0].steps[0].reasons[0].text
    assert result.alone_and_together == ()


def test_a_rate_that_the_plan_asks_for_is_not_passed_for_contention(run_plan: RunPlan) -> None:
    north, _ = run_plan(TOGETHER + 'min_rate = "6 GB/s"\nmin_share = "10 %"\n', NORTH, MIDDLE).endpoints
    assert str(north.steps[0].verdict) == "inconc"


def test_the_same_bench_with_another_seed_is_another_computer(run_plan: RunPlan) -> None:
    (north, _) = run_plan(TOGETHER, NORTH, "sim:shared-link?seed=1#middle").endpoints
    assert north.steps[0].measures["share_of_ceiling"] > 0.9
    assert "shared_link" not in north.steps[0].measures


def test_so_is_a_slot_that_is_opened_twice(run_plan: RunPlan) -> None:
    for endpoint in run_plan(TOGETHER, NORTH, NORTH).endpoints:
        assert "shared_link" not in endpoint.steps[0].measures


def test_a_slow_card_is_told_from_contention(run_plan: RunPlan, tmp_path: Path) -> None:
    """One read open at a time: no load on a link explains that."""
    shipped = Path(scenario_file.__file__).parent / "benches" / "shared-link.toml"
    text = shipped.read_text("utf-8").replace('serial = "invented-0001"', 'serial = "invented-0001"\ntags = 1')
    bench = tmp_path / "slow-card.toml"
    bench.write_text(text)
    result = run_plan(BOTH, f"sim:{bench}#north", f"sim:{bench}#middle")
    slow, well = result.endpoints
    assert [str(step.verdict) for step in slow.steps] == ["fail", "fail"]
    assert str(well.steps[0].verdict) == "pass"
    assert result.alone_and_together[0].cause == "slot"


def test_rates_are_the_same_whichever_thread_comes_first(run_plan: RunPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    chance = random.Random(0)

    def late(call: Callable[..., Any]) -> Callable[..., Any]:
        def act(*arguments: Any, **options: Any) -> Any:
            time.sleep(chance.uniform(0.0, 0.004))
            return call(*arguments, **options)

        return act

    for name in ("loopback", "read_errors", "read_link", "close"):
        monkeypatch.setattr(Endpoint, name, late(getattr(Endpoint, name)))
    monkeypatch.setattr(endpoints, "open", late(endpoints.open))
    monkeypatch.setattr("laneproof_sim.hierarchy.GRACE_S", 60.0)
    monkeypatch.setattr(meeting, "_SLICE_S", 0.001)
    seen = {
        json.dumps(run_plan(BOTH, NORTH, MIDDLE, ledger=f"{number}.ledger").to_dict()["endpoints"])
        for number in range(3)
    }
    assert len(seen) == 1


# --- whoever fails holds up nobody

SLOW = BOTH.replace('"1 MiB"', '"128 KiB"\nrepeats = 2\nmin_share = "0 %"\nmin_rate = "1 kB/s"')


@pytest.mark.usefixtures("invented_cards")
@pytest.mark.parametrize("number", [signal.SIGSTOP, pytest.param(signal.SIGKILL, marks=pytest.mark.long)])
def test_a_process_that_hangs_or_dies_in_its_turn_holds_up_nobody(
    run_plan: RunPlan, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    monkeypatch.setattr(places, "STUCK_GRACE_S", -3.0)  # of the five seconds that every transfer has
    monkeypatch.setattr(places, "KILL_GRACE_S", 0.5)
    processes: list[subprocess.Popen[bytes]] = []
    begin = subprocess.Popen

    def note(*arguments: Any, **options: Any) -> subprocess.Popen[bytes]:
        processes.append(begin(*arguments, **options))
        return processes[-1]

    monkeypatch.setattr(places.subprocess, "Popen", note)
    struck: list[str] = []

    def watch(event: Event) -> None:
        if isinstance(event, Progress) and not struck:
            struck.append(event.slot)
            os.kill(processes[0].pid, number)

    plan = 'endpoint = [{ uri = "physical:slow", name = "bad" }, { uri = "physical:slow", name = "well" }]\n' + SLOW
    bad, well = run_plan(plan, watch=watch).endpoints
    assert struck == ["bad"]
    assert str(bad.verdict) == "error"
    assert [str(step.verdict) for step in well.steps] == ["pass", "pass"]
    assert well.steps[0].measures["alone"] is True


def test_a_run_that_is_stopped_while_slots_wait_ends(run_plan: RunPlan) -> None:
    stop = threading.Event()

    def watch(event: Event) -> None:
        if isinstance(event, StepStarted):
            stop.set()

    result = run_plan(BOTH, NORTH, MIDDLE, watch=watch, stop=stop)
    assert result.interrupted
    assert [str(endpoint.verdict) for endpoint in result.endpoints] == ["inconc", "inconc"]


# --- causes, from results on record


def step(rate: float, verdict: Verdict = Verdict.PASS, **measures: Any) -> StepResult:
    return StepResult(
        position=0,
        kind="throughput",
        verdict=verdict,
        reasons=(),
        started_s=0.0,
        finished_s=1.0,
        measures={"bytes_per_second": rate, "alone": False, "beside_unknown": [], "links_seen": True, **measures},
    )


def cause(*steps: StepResult) -> list[AloneTogether]:
    return list(alone_and_together([EndpointResult(name="a", uri="sim:a", steps=steps)]))


LINK = {"link": "port", "slots": 2, "share": 0.5, "least_share": 0.75}


@pytest.mark.parametrize(
    ("alone", "together", "found"),
    [
        (step(100, alone=True), step(96, beside=["b"]), "none"),
        (step(100, alone=True), step(94, beside=["b"]), "host"),
        (step(100, alone=True), step(50, beside=["b"], shared_link=LINK), "host"),
        (step(100, alone=True), step(50, beside=["b"], shared_link=LINK | {"share": 0.75}), "shared link"),
        (step(100, alone=True), step(50, beside=["b"], links_seen=False), "not known"),
        (step(100, alone=True), step(50, beside=[], beside_unknown=["c"], links_seen=False), "not known"),
        (step(100, Verdict.FAIL, alone=True), step(100, beside=["b"]), "slot"),
    ],
)
def test_a_cause_rests_on_what_is_on_record(alone: StepResult, together: StepResult, found: str) -> None:
    (one,) = cause(alone, together)
    assert one.cause == found


def test_a_rate_is_held_against_the_one_had_alone_before_it_and_the_worst_is_told() -> None:
    alone, beside = {"alone": True}, {"beside": ["b"]}
    (one,) = cause(step(100, **alone), step(90, **beside), step(200, **alone), step(100, **beside), step(190, **beside))
    assert (one.alone_bytes_per_second, one.ratio) == (200, 0.5)


def test_there_is_nothing_to_tell_without_both() -> None:
    assert cause(step(100, alone=True)) == []
    assert cause(step(100, beside=["b"])) == []
    assert cause(step(100, beside=["b"]), step(100, alone=True)) == []
