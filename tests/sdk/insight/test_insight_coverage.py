"""Coverage: what a plan catches by which step, what it misses, what closes the gap, and that nothing else decides."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import resource_tracker
from pathlib import Path

import pytest
from coverage_plans import QUICK, WEAK, Only, measured, plan_of

from laneproof.campaign import plan as plans
from laneproof.campaign.verdict import Verdict
from laneproof.errors import BadInput
from laneproof.insight import coverage

resource_tracker.ensure_running()  # it stays for as long as the process, and so do its descriptors


def test_a_fault_is_caught_by_the_first_step_that_sees_it_and_the_run_ends_there() -> None:
    plan = plan_of(f'{QUICK}[[step]]\nkind = "soak"\nbytes = "256 KiB"')
    (row,) = measured(plan, Only(("early-completion",), ("every transfer",))).rows
    assert (row.caught, row.by, row.missed) == (2, ("integrity",), False)
    assert row.after is not None
    assert row.after[0] == 256 << 10  # the integrity step's bytes, and none of the soak's
    assert [trial.slot for trial in row.trials] == ["north", "middle"]  # each trial on another slot


def test_a_weak_plan_shows_its_gaps_and_the_changes_suggested_close_them_when_run() -> None:
    chosen = Only(("stale-message", "stripped-header", "lane-errors"), ("transfers below 64 B", "1e-6 to the card"))
    found = measured(plan_of(WEAK), chosen, healthy_runs=2, seeds=1)
    assert [(row.kind, row.caught) for row in found.missed] == [("stripped-header", 0), ("lane-errors", 0)]
    assert [(one.kind, one.changes, one.tried) for one in found.suggestions] == [
        ("stripped-header", ('step[0].sweep = ["sizes"]',), 1),
        ("lane-errors", ('[[step]] kind = "link"',), 1),
    ]
    assert found.together is not None
    assert found.together.changes == ('step[0].sweep = ["sizes"]', '[[step]] kind = "link"')
    assert (found.together.caught, found.together.rows, found.together.false_alarms) == (2, 2, ())
    assert not found.complete


def test_a_pattern_that_is_the_same_everywhere_misses_pages_in_each_others_place_until_another_is_suggested() -> None:
    weak = plan_of(WEAK.replace("4 KiB", "16 KiB"))
    found = measured(weak, Only(("swapped-pages",), ("every transfer",)), seeds=1)
    (row,) = found.rows
    assert row.missed
    assert [one.changes for one in found.suggestions] == [('step[0].patterns = ["prbs31", "fixed"]',)]


def test_where_no_change_is_enough_by_itself_the_fewest_that_are_enough_together_are_suggested() -> None:
    """Old data behind the borders of pages, in buffers that begin out of line: it takes pattern and offsets."""
    found = measured(plan_of(WEAK), Only(("boundary-damage",), ("unaligned buffers",)), seeds=1)
    assert [one.changes for one in found.suggestions] == [
        ('step[0].patterns = ["prbs31", "fixed"]', 'step[0].sweep = ["offsets"]')
    ]
    assert found.together is not None
    assert found.together.caught == 1


def test_what_is_not_detectable_is_not_held_against_the_plan() -> None:
    found = measured(plan_of(QUICK), Only(("host-bit-flips",)), seeds=1, healthy_runs=1)
    by_name = {row.severity: row for row in found.rows}
    assert by_name["no ECC"].caught == 1
    assert by_name["ECC corrects it"].verdicts == {"pass": 1}
    assert by_name["ECC counts two bits"].verdicts == {"inconc": 1}  # told, and neither caught nor missed
    assert found.complete


def test_a_healthy_bench_and_harmless_conditions_raise_no_alarm() -> None:
    found = measured(plan_of(QUICK), Only(("idle-speed", "switch")), healthy_runs=2, seeds=1)
    assert (found.rows, found.false_alarms, found.healthy_runs, found.not_passed) == ((), (), 4, 0)


def test_a_plan_that_asks_for_too_much_is_shown_to_accuse_healthy_slots() -> None:
    plan = plan_of('schema = 1\n[[step]]\nkind = "throughput"\nbytes = "1 MiB"\nrepeats = 1\nmin_rate = "90 GB/s"')
    found = measured(plan, Only(()), healthy_runs=2)
    assert [alarm.slot for alarm in found.false_alarms] == ["north", "middle"]
    assert {alarm.outcome.by for alarm in found.false_alarms} == {"throughput"}
    assert not found.complete


def test_a_slot_without_a_card_is_told_as_the_error_that_it_is_without_the_name_of_any_temporary_file() -> None:
    (row,) = measured(plan_of(QUICK), Only(("absent",)), seeds=1).rows
    (trial,) = row.trials
    assert trial.outcome.verdict is Verdict.ERROR
    assert "no receiver is detected" in trial.outcome.reason
    assert "laneproof-coverage" not in json.dumps(row.to_dict())


def test_a_fault_that_no_slot_can_have_is_neither_caught_nor_missed() -> None:
    (row,) = measured(plan_of(QUICK), Only(("weak-eye",))).rows
    assert (row.planned, row.trials, row.missed) == (0, (), False)


def test_what_a_plan_expects_of_a_slot_holds_for_the_slot_of_that_name() -> None:
    plan = plan_of(f'{QUICK}[[endpoint]]\nuri = "sim:demo#north"\nexpect.width = 4\n[[step]]\nkind = "link"')
    found = measured(plan, Only(()), healthy_runs=2)
    (alarm,) = found.false_alarms
    assert (alarm.slot, alarm.outcome.by) == ("north", "link")


def test_threads_and_processes_give_the_same_table() -> None:
    chosen = Only(("early-completion", "completion-timeout"), ("10 % of transfers",))
    here = measured(plan_of(QUICK), chosen, healthy_runs=1).to_dict()
    with ThreadPoolExecutor(3) as threads:
        assert measured(plan_of(QUICK), chosen, threads, healthy_runs=1).to_dict() == here
    with coverage.processes(2) as processes:
        assert measured(plan_of(QUICK), chosen, processes, healthy_runs=1).to_dict() == here


def test_another_seed_lets_chance_fall_otherwise() -> None:
    (row,) = measured(plan_of(QUICK), Only(("bit-flips",), ("1e-3 per byte",)), seeds=2).rows
    assert len({trial.outcome.reason for trial in row.trials}) == 2


def test_ctrl_c_keeps_what_is_known_and_runs_nothing_more() -> None:
    def watch(done: int, known: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with ThreadPoolExecutor(1) as executor:
        found = measured(plan_of(WEAK), Only(("stripped-header",)), executor, seeds=100, watch=watch)
    done = sum(len(row.trials) for row in found.rows)
    assert found.interrupted
    assert 2 <= done < 300
    assert all(not one.changes for one in found.suggestions)
    assert not found.complete


def test_a_plan_that_would_run_commands_is_refused() -> None:
    plan = plan_of('schema = 1\n[[step]]\nkind = "train"\nby = "command"\ncommand = ["/bin/true"]\ncount = 1')
    with pytest.raises(BadInput, match="command would run"):
        measured(plan, Only(("absent",)))


def test_a_plan_without_steps_is_refused() -> None:
    with pytest.raises(BadInput, match="has no step"):
        measured(plans.Plan(), Only(("absent",)))


def test_a_bench_of_ones_own_is_the_base(tmp_path: Path) -> None:
    _, catalogue = coverage.catalogue()
    text = catalogue.base.split("[[slot]]")
    path = tmp_path / "mine.toml"
    path.write_text(f"{text[0]}[[slot]]{text[3]}", "utf-8")
    assert coverage.healthy_base(catalogue, path).slots == ("south",)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("schema = 1\nname = 3", r"bench .*mine\.toml: "),
        ("= 3", r"bench .*mine\.toml: not valid TOML"),
    ],
)
def test_a_bench_that_is_none_is_refused_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    _, catalogue = coverage.catalogue()
    path = tmp_path / "mine.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(BadInput, match=says):
        coverage.healthy_base(catalogue, path)


def test_a_bench_with_a_fault_is_no_healthy_base(tmp_path: Path) -> None:
    _, catalogue = coverage.catalogue()
    path = tmp_path / "mine.toml"
    path.write_text(catalogue.base + '[[slot.fault]]\nkind = "absent"\n', "utf-8")
    with pytest.raises(BadInput, match=r'"south" has a fault already; give a bench that is healthy'):
        coverage.healthy_base(catalogue, path)


def test_a_catalogue_that_nobody_brings_is_refused() -> None:
    with pytest.raises(BadInput, match="no package brings the catalogue; installed: sim"):
        coverage.catalogue("other")
