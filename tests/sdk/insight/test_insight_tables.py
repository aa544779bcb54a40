"""Tables of a ledger: as CSV that no spreadsheet runs, in bounded memory.

What begins a formula: OWASP, "CSV Injection". The form of CSV: RFC 4180, read by Python's csv.
"""

from __future__ import annotations

import csv
import json
import tracemalloc
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.events import Opened, Sampled, SlotFinished, StepStarted
from laneproof.campaign.ledger import Ledger, mark, read_ledger
from laneproof.campaign.ledger.tables import TABLES, Row, Table
from laneproof.errors import BadInput, StorageFault
from laneproof.insight import tables
from laneproof.insight.tables import write_tables

HOSTILE = ["=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "'quoted", 'a;"=1";\n=2', "plain, text"]


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of a soak with link errors, two markers around nothing, and an amendment."""
    path = tmp_path_factory.mktemp("tables") / "run.ledger"
    soak = {"kind": "soak", "bytes": "8 MiB", "portion": "1 MiB"}
    plan = {
        "schema": 1,
        "name": "=evil()",
        "endpoint": [{"uri": "sim:link-errors#north", "name": "@north"}],
        "step": [soak, {"kind": "link"}],
    }
    runner.run(plans.parse(plan, "plan"), path)
    mark(path, "-shot", opens="shot")
    mark(path, "over", closes="shot")
    return path


def read(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_tables_hold_what_the_ledger_holds(ledger: Path, tmp_path: Path) -> None:
    paths = write_tables(ledger, tmp_path / "out")
    assert [path.name for path in paths] == [f"{name}.csv" for name in TABLES]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(path.name for path in paths)
    result = read_ledger(ledger)
    (endpoint,) = result.endpoints
    found = {name: read(tmp_path / "out", name) for name in TABLES}
    assert [row["verdict"] for row in found["run"]] == [str(result.verdict)]
    assert json.loads(found["run"][0]["plan"]) == result.plan
    assert [(row["kind"], row["verdict"], int(row["bytes_moved"])) for row in found["steps"]] == [
        (step.kind, str(step.verdict), step.bytes_moved) for step in endpoint.steps
    ]
    assert [row["text"] for row in found["events"]] == [event["text"] for event in endpoint.events]
    assert [row["text"] for row in found["reasons"]] == [
        reason.text for one in (*endpoint.steps, endpoint) for reason in one.reasons
    ]
    assert sum(int(row["bytes"]) for row in found["samples"]) == endpoint.steps[0].bytes_moved == 8 << 20
    counted = {(row["step"], row["end"], row["error"]): row["n"] for row in found["link_errors"] if row["error"]}
    kept: dict[tuple[str, str, str], str] = {
        (str(step.position), end, name): str(count["n"])
        for step in endpoint.steps
        for end in ("near", "far")
        for name, count in step.errors[end]["correctable"].items()
    }
    assert counted == kept
    assert kept
    assert [row["opens"] for row in found["markers"]] == ["shot", ""]
    assert [(row["window"], row["least_bytes"]) for row in found["windows"]] == [("shot", "0")]
    assert datetime.fromisoformat(found["samples"][0]["utc"]).tzinfo == UTC


def rows_of(texts: list[str]) -> Iterator[tuple[Table, Row]]:
    for number, text in enumerate(texts):
        yield TABLES["events"], (0, text, number, 0, datetime(2026, 1, 2, tzinfo=UTC), -1.5, None, text)


def write_texts(folder: Path, monkeypatch: pytest.MonkeyPatch, texts: list[str]) -> str:
    monkeypatch.setattr(tables, "table_rows", lambda _: rows_of(texts))
    write_tables(Path("unused"), folder)
    return (folder / "events.csv").read_text("utf-8")


def test_no_cell_of_text_begins_as_a_formula(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_texts(tmp_path, monkeypatch, HOSTILE)
    for row, text in zip(read(tmp_path, "events"), HOSTILE, strict=True):
        assert row["text"][0] not in "=+-@\t\r\n"
        assert row["text"].removeprefix("'") == text
        assert (row["text"] == text) is (text in ('a;"=1";\n=2', "plain, text"))


def test_text_is_in_quotes_and_numbers_and_nothing_are_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written = write_texts(tmp_path, monkeypatch, ["=1", ""])
    assert written.splitlines()[1:] == [
        '0,"\'=1",0,0,"2026-01-02T00:00:00.000+00:00",-1.5,,"\'=1"',
        '0,"",1,0,"2026-01-02T00:00:00.000+00:00",-1.5,,""',
    ]


def test_names_from_a_plan_are_no_formula_either(ledger: Path, tmp_path: Path) -> None:
    write_tables(ledger, tmp_path)
    assert read(tmp_path, "run")[0]["name"] == "'=evil()"
    assert read(tmp_path, "endpoints")[0]["name"] == "'@north"
    assert read(tmp_path, "markers")[0]["text"] == "'-shot"


def test_a_long_ledger_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    peaks: list[int] = []
    for number, rows in enumerate((400, 4_000)):
        path = tmp_path / f"{number}.ledger"
        plan = plans.parse({"schema": 1, "endpoint": [{"uri": "sim:demo#south"}], "step": [{"kind": "soak"}]}, "plan")
        with Ledger(path) as ledger:
            ledger.begin(plan, {}, set())
            ledger.take(Opened("south", True, {"identity": {}}, False, ()))
            ledger.take(StepStarted("south", 0, "soak", None, 0.0, None))
            for second in range(rows):
                ledger.take(Sampled("south", 0, 10.0 * second + 10.0, 4096, 10.0, 4096, 0))
            ledger.take(SlotFinished("south", (), False))
            ledger.end(interrupted=False)
        tracemalloc.start()
        try:
            write_tables(path, tmp_path / f"out{number}")
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
        assert len(read(tmp_path / f"out{number}", "samples")) >= 0.6 * rows
    assert peaks[1] < peaks[0] + (1 << 20)


def test_what_is_no_ledger_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "no.ledger").write_text("nothing of the kind, and long enough to be looked at " * 40)
    for name in ("no.ledger", "missing.ledger"):
        with pytest.raises(StorageFault):
            write_tables(tmp_path / name, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_file_where_the_folder_should_be_is_left_alone(ledger: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(BadInput, match="is no folder; name another"):
        write_tables(ledger, tmp_path / "out")
    assert (tmp_path / "out").read_text() == "mine"
