"""`laneproof compare`: what it prints and writes, and its exit status, on ledgers of benches and on hostile ones."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner

COLUMNS = 80
STEPS = [{"kind": "link", "load": "64 KiB"}, {"kind": "integrity", "bytes": "64 KiB"}]
RUNS = {
    "monday": ("demo", ["north", "middle"]),
    "tuesday": ("demo", ["north", "middle"]),
    "friday": ("dead-lane", ["north", "middle"]),
    "saturday": ("dead-lane", ["north"]),
    "single": ("demo", ["north"]),
}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("compare")
    for name, (bench, slots) in RUNS.items():
        plan: dict[str, Any] = {
            "schema": 1,
            "step": STEPS,
            "endpoint": [{"uri": f"sim:{bench}#{one}"} for one in slots],
        }
        runner.run(plans.parse(plan, name), folder / f"{name}.ledger")
    return folder


@pytest.fixture
def ledgers(recorded: Path, laneproof: Callable[..., Any], tmp_path: Path) -> Path:
    """The folder that commands run in, with the ledgers in it."""
    for path in recorded.glob("*.ledger"):
        shutil.copy(path, tmp_path)
    return tmp_path


def assert_one_line(done: Any, status: int, *words: str) -> None:
    assert done.status == status
    assert done.out == ""
    assert len(done.err.splitlines()) == 1, done.err
    for word in words:
        assert word in done.err


def test_equal_runs_end_with_0_and_a_worse_one_with_1(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    equal = laneproof("compare", "monday.ledger", "tuesday.ledger")
    assert (equal.status, equal.err) == (0, "")
    assert equal.out.rstrip().endswith("compared: nothing worse")
    worse = laneproof("compare", "monday.ledger", "friday.ledger")
    assert worse.status == 1
    assert "  north link        width at the near end: x8 before, x4 now\n" in worse.out
    assert [line for line in worse.out.splitlines() if len(line) > COLUMNS] == []


def test_what_is_missing_ends_with_3(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    done = laneproof("compare", "monday.ledger", "single.ledger", "--anyway")
    assert done.status == 3
    assert "this slot is in no later run" in done.out
    assert "compared: cannot be said" in done.out


def test_several_earlier_runs_stand_before_with(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    done = laneproof("compare", "monday.ledger", "tuesday.ledger", "--with", "friday.ledger")
    assert done.status == 1
    assert [line.split()[0] for line in done.out.splitlines()[:3]] == ["earlier", "earlier", "later"]


def test_json_on_standard_output_is_nothing_else(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    done = laneproof("compare", "monday.ledger", "friday.ledger", "--json", "-")
    document = json.loads(done.out)
    assert (document["schema"], document["outcome"], document["later"][0]["verdict"]) == (1, "worse", "fail")
    assert {one["kind"] for one in document["differences"]} >= {"worse", "surroundings"}
    laneproof("compare", "monday.ledger", "friday.ledger", "--json", "found.json")
    assert json.loads((ledgers / "found.json").read_text("utf-8")) == document


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["monday.ledger"], ["give two ledgers", "--with"]),
        (["monday.ledger", "tuesday.ledger", "friday.ledger"], ["--with D"]),
        (["monday.ledger", "single.ledger"], ["different plans", "slots: north, middle / north", "--anyway"]),
        (["monday.ledger", "monday.ledger"], ["given twice"]),
        (["monday.ledger", "friday.ledger", "--tolerance", "lots"], ["lots"]),
        (["monday.ledger", "friday.ledger", "--label", "monday.ledger:card=A"], ["--swap"]),
        (["--swap", "monday.ledger", "--anyway"], ["--swap takes"]),
        (["--swap", "monday.ledger", "--label", "card A"], ["LEDGER:PART=NAME"]),
        (["--swap", "monday.ledger", "--label", "else.ledger:card=A"], ["none of the ledgers"]),
        (["--swap", "monday.ledger", "--label", "monday.ledger#south:card=A"], ["no such slot"]),
        (["--swap", "monday.ledger", "monday.ledger"], ["given twice"]),
    ],
)
def test_wrong_use_is_one_line_and_ends_with_2(
    ledgers: Path, laneproof: Callable[..., Any], given: list[str], words: list[str]
) -> None:
    assert_one_line(laneproof("compare", *given), 2, *words)


def test_what_is_no_ledger_is_one_line(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    (ledgers / "text.ledger").write_text("no ledger")
    for name in ("text.ledger", "absent.ledger", "."):
        assert_one_line(laneproof("compare", "monday.ledger", name), 4)
        assert_one_line(laneproof("compare", "--swap", name), 4)


@pytest.mark.parametrize(
    ("kind", "path", "value"),
    [
        ("judged", "$.measures.link.near", "'\u001b[31mred'"),
        ("judged", "$.errors", "json('[1]')"),
        ("judged", "$.measures.residual_corruption", "7"),
        ("opened", "$.opened.link", "json('[1]')"),
        ("run", "$.step", "json('[{}]')"),
        ("run", "$.repeat", "'often'"),
    ],
)
def test_a_ledger_that_was_tampered_with_is_one_line(
    ledgers: Path, laneproof: Callable[..., Any], kind: str, path: str, value: str
) -> None:
    with sqlite3.connect(ledgers / "friday.ledger") as database:
        database.execute("DROP TRIGGER entry_is_never_changed")
        database.execute(f"UPDATE entry SET body = json_set(body, '{path}', {value}) WHERE kind = '{kind}'")
    database.close()
    done = laneproof("compare", "monday.ledger", "friday.ledger")
    assert done.status in (2, 4)
    assert_one_line(done, done.status)
    assert "\x1b" not in done.err


def test_a_broken_seal_leaves_everything_open(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    with sqlite3.connect(ledgers / "tuesday.ledger") as database:
        database.execute("DROP TRIGGER entry_is_never_changed")
        database.execute("UPDATE entry SET body = json_set(body, '$.started_s', 0.5) WHERE kind = 'judged'")
    database.close()
    done = laneproof("compare", "monday.ledger", "tuesday.ledger")
    assert done.status == 3
    assert "its seal is broken" in " ".join(done.out.split())


def test_a_name_from_outside_does_nothing_to_a_terminal(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    with sqlite3.connect(ledgers / "friday.ledger") as database:
        database.execute("DROP TRIGGER entry_is_never_changed")
        database.execute(
            "UPDATE entry SET body = json_set(body, '$.opened.identity.serial', char(27) || '[2J' || char(10) || 'x')"
            " WHERE kind = 'opened'"
        )
    database.close()
    for given in (["monday.ledger", "friday.ledger"], ["--swap", "monday.ledger", "friday.ledger"]):
        done = laneproof("compare", *given)
        assert "[2J" in done.out
        assert "\x1b" not in done.out


def test_swaps_end_with_3_until_they_are_decided_and_with_0_then(ledgers: Path, laneproof: Callable[..., Any]) -> None:
    """Slot north is at fault. Labels say what no ledger does: that its card was another one on saturday."""
    one = laneproof("compare", "--swap", "friday.ledger")
    assert one.status == 3
    assert "swaps: cannot be decided yet between slot north and card invented-0001\n" in one.out
    assert "  1. slot north, card invented-0002, no riser; repeat = 19." in one.out
    labels = ["--label=saturday.ledger:card=B", "--label=saturday.ledger#north:riser=R1"]
    both = laneproof("compare", "--swap", "friday.ledger", "saturday.ledger", *labels, "--json", "swaps.json")
    assert both.status == 0
    assert both.out.endswith("swaps: the fault follows slot north\n")
    assert [line for line in both.out.splitlines() if len(line) > COLUMNS] == []
    document = json.loads((ledgers / "swaps.json").read_text("utf-8"))
    assert (document["answer"], document["part"]) == ("follows", {"kind": "slot", "name": "north"})
    assert document["trials"][2]["riser"] == "R1"
