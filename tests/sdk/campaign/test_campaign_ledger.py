"""The ledger: readable while it grows, whole after a crash, never overwritten, and one line for what is none.

File format and pragmas: SQLite, run by the tests through Python's sqlite3, not through the code under test.
"""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign.events import Event, Noted, SlotFinished, StepFinished
from laneproof.campaign.ledger import Ledger, read_ledger
from laneproof.campaign.results import Reason, RunResult
from laneproof.campaign.verdict import Verdict
from laneproof.errors import StorageFault

SMALL = '[[step]]\nkind = "link"\nload = "64 KiB"\n[[step]]\nkind = "integrity"\nbytes = "64 KiB"'
RunPlan = Callable[..., RunResult]


def sql(path: Path, statement: str) -> list[tuple[object, ...]]:
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return database.execute(statement).fetchall()
    finally:
        database.close()


def test_a_finished_ledger_is_one_plain_sqlite_file(run_plan: RunPlan, tmp_path: Path) -> None:
    run_plan(SMALL, "sim:demo#south")
    assert [path.name for path in tmp_path.iterdir()] == ["run.ledger"]
    path = tmp_path / "run.ledger"
    assert sql(path, "PRAGMA integrity_check") == [("ok",)]
    assert sql(path, "PRAGMA application_id") == [(int.from_bytes(b"lane"),)]
    assert sql(path, "SELECT kind, verdict FROM step") == [("link", "pass"), ("integrity", "pass")]


def test_a_ledger_can_be_read_with_plain_sql_while_the_run_goes_on(run_plan: RunPlan, tmp_path: Path) -> None:
    seen: list[tuple[object, ...]] = []
    path = tmp_path / "run.ledger"

    def watch(event: Event) -> None:
        if isinstance(event, StepFinished):
            seen.append((*sql(path, "PRAGMA journal_mode")[0], *sql(path, "SELECT count(verdict) FROM step")[0]))

    run_plan(SMALL, "sim:demo#south", watch=watch)
    assert seen == [("wal", 1), ("wal", 2)]


def test_what_is_read_back_is_what_was_measured(run_plan: RunPlan, tmp_path: Path) -> None:
    result = run_plan(SMALL, "sim:demo#south")
    again = read_ledger(tmp_path / "run.ledger")
    assert again == result
    assert again.endpoints[0].steps[1].bytes_moved == 64 << 10
    assert not again.interrupted
    assert again.finished_utc is not None


def test_a_run_that_was_stopped_keeps_what_was_measured_and_is_inconclusive(run_plan: RunPlan) -> None:
    stop = threading.Event()

    def watch(event: Event) -> None:
        if isinstance(event, StepFinished):
            stop.set()

    result = run_plan(
        SMALL + '\n[[step]]\nkind = "soak"\nduration = "1000 h"', "sim:demo#south", watch=watch, stop=stop
    )
    assert result.interrupted
    assert str(result.endpoints[0].steps[0].verdict) == "pass"
    assert str(result.verdict) == "inconc"


SOAK = """\
schema = 1
[[step]]
kind = "integrity"
bytes = "64 KiB"
[[step]]
kind = "soak"
duration = "1 h"
portion = "64 KiB"
"""


@pytest.fixture
def killed(tmp_path: Path, echo: Callable[..., str]) -> Path:
    """The ledger of a run on a pseudo-terminal, killed in its soak with SIGKILL."""
    (tmp_path / "soak.toml").write_text(SOAK)
    ledger = tmp_path / "run.ledger"
    command = [Path(sys.executable).with_name("laneproof"), "run", tmp_path / "soak.toml", "--ledger", ledger]
    with subprocess.Popen([*command, "--endpoint", echo()], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as run:
        for _ in range(600):
            try:
                if sql(ledger, "SELECT count(*) FROM sample")[0][0]:
                    break
            except sqlite3.Error:
                pass
            threading.Event().wait(0.05)
        run.kill()
        assert run.stderr is not None
        assert run.stderr.read() == b""  # comes to an end only when the slot's own process has ended as well
    return ledger


def test_the_ledger_of_a_killed_run_is_whole_and_says_that_it_was_interrupted(killed: Path) -> None:
    assert killed.with_name("run.ledger-wal").exists()
    result = read_ledger(killed)
    assert sql(killed, "PRAGMA integrity_check") == [("ok",)]
    assert result.interrupted
    assert result.finished_utc is None
    (endpoint,) = result.endpoints
    assert [(step.kind, str(step.verdict)) for step in endpoint.steps] == [("integrity", "pass"), ("soak", "inconc")]
    assert endpoint.steps[1].reasons[0].text.startswith("the run ended during this step; ")
    assert endpoint.steps[1].reasons[0].text.endswith("; it was not judged")
    (sampled,) = sql(killed, "SELECT sum(bytes) FROM sample WHERE step = 1")
    assert endpoint.steps[1].bytes_moved == sampled[0] > 0
    assert str(result.verdict) == "inconc"


def test_a_ledger_is_never_overwritten(run_plan: RunPlan, tmp_path: Path) -> None:
    run_plan(SMALL, "sim:demo#south")
    before = (tmp_path / "run.ledger").read_bytes()
    with pytest.raises(StorageFault, match="never overwritten, name another file"):
        run_plan(SMALL, "sim:demo#south")
    assert (tmp_path / "run.ledger").read_bytes() == before


@pytest.fixture
def ledger(run_plan: RunPlan, tmp_path: Path) -> Path:
    run_plan(SMALL, "sim:demo#south")
    return tmp_path / "run.ledger"


def changed(path: Path, statement: str) -> None:
    database = sqlite3.connect(path)
    for (name,) in database.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        database.execute(f"DROP TRIGGER {name}")
    database.execute(statement)
    database.commit()
    database.close()


NO_LEDGERS = {
    "UPDATE entry SET body = '{' WHERE kind = 'run'": "is damaged",
    "UPDATE entry SET body = '[]' WHERE kind = 'judged'": "holds no JSON object",
    "UPDATE entry SET body = '" + "[" * 100_000 + "' WHERE kind = 'segment'": "is damaged",
    "UPDATE entry SET body = replace(body, '\"pass\"', '\"perfect\"')": "is damaged",
    "UPDATE entry SET kind = 'verdict' WHERE kind = 'judged'": "an entry of kind verdict",
    "UPDATE entry SET endpoint = 7 WHERE kind = 'opened'": "is damaged",
    "UPDATE entry SET segment = 1 WHERE kind = 'segment'": "segment 1 out of its order",
    "DELETE FROM entry": "holds no run",
    "DELETE FROM entry WHERE kind = 'step'": "is damaged",
    "DROP TABLE entry": "its tables are not those of a ledger",
    "ALTER TABLE entry RENAME TO x": "its tables are not those of a ledger",
    "PRAGMA user_version = 9": "has version 9; this laneproof reads 2 to 3",
    "PRAGMA user_version = 1": "has version 1; this laneproof reads 2 to 3",
    "PRAGMA application_id = 5": "is not a ledger of laneproof",
}


@pytest.mark.parametrize("statement", NO_LEDGERS)
def test_what_is_no_sound_ledger_is_told(ledger: Path, statement: str) -> None:
    changed(ledger, statement)
    with pytest.raises(StorageFault) as caught:
        read_ledger(ledger)
    assert NO_LEDGERS[statement] in str(caught.value)
    assert str(ledger) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_ledger_whose_table_never_ends_is_told_and_not_read(ledger: Path) -> None:
    changed(ledger, "DROP TABLE entry")
    changed(
        ledger,
        "CREATE VIEW entry AS WITH RECURSIVE n(number) AS (SELECT 1 UNION ALL SELECT number + 1 FROM n) "
        "SELECT number, 0 AS segment, '' AS utc, 'x' AS kind, 0 AS endpoint, 0 AS step, '' AS body, x'' AS digest "
        "FROM n",
    )
    with pytest.raises(StorageFault, match="its tables are not those of a ledger"):
        read_ledger(ledger)


def test_other_files_are_told(ledger: Path, tmp_path: Path) -> None:
    files = {"text": b"verdict: pass\n" * 100, "empty": b"", "torn": ledger.read_bytes()[:5000]}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(StorageFault) as caught:
            read_ledger(tmp_path / name)
        assert str(tmp_path / name) in str(caught.value)
    for path in (tmp_path / "none", tmp_path, Path("/dev/null")):
        with pytest.raises(StorageFault, match="no such file; give the ledger of a run"):
            read_ledger(path)


def test_a_torn_page_anywhere_gives_the_run_or_one_error(ledger: Path, tmp_path: Path) -> None:
    whole = ledger.read_bytes()
    torn = tmp_path / "torn"
    outcomes: set[bool] = set()
    for at in range(0, len(whole), 997):
        torn.write_bytes(whole[:at] + b"\xff" * 64 + whole[at + 64 :])
        try:
            read_ledger(torn)
            outcomes.add(True)
        except StorageFault:
            outcomes.add(False)
    assert outcomes == {True, False}


def test_a_ledger_in_a_missing_or_read_only_folder_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match=r"cannot create ledger .*none/run"):
        Ledger(tmp_path / "none" / "run")
    with pytest.raises(StorageFault, match=r"cannot create ledger .*File name too long"):
        Ledger(tmp_path / ("n" * 300))
    for place in ("/proc/run.ledger", "/dev/null/run.ledger"):
        with pytest.raises(StorageFault, match=f"cannot create ledger {place}"):
            Ledger(Path(place))
    assert list(tmp_path.iterdir()) == []


def limited_to(nbytes: int, code: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Runs Python code that may write no file larger than `nbytes`: as good as a disk that is full there."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (nbytes, nbytes))

    return subprocess.run(
        [sys.executable, "-c", code], cwd=cwd, preexec_fn=limit, capture_output=True, text=True, check=False
    )


def test_a_disk_that_is_full_from_the_start_leaves_no_ledger(tmp_path: Path) -> None:
    done = limited_to(
        8192, "import pathlib; from laneproof.campaign.ledger import *; Ledger(pathlib.Path('l'))", tmp_path
    )
    assert done.stderr.splitlines()[-1].startswith("laneproof.errors.StorageFault: cannot create ledger l: ")
    assert "is the disk full" in done.stderr
    assert list(tmp_path.iterdir()) == []


FILLS_UP = """
import pathlib, sys
from laneproof.campaign import plan, runner
from laneproof.errors import StorageFault
steps = [{"kind": "integrity", "bytes": "4 KiB"}] * 200
soak = plan.parse({"schema": 1, "endpoint": [{"uri": "sim:demo#south"}], "step": steps}, "plan")
try:
    runner.run(soak, pathlib.Path("l"))
except StorageFault as error:
    sys.exit(str(error))
"""


def test_a_disk_that_fills_up_ends_the_run_and_keeps_what_was_written(tmp_path: Path) -> None:
    done = limited_to(250_000, FILLS_UP, tmp_path)
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("cannot write ledger l: ")
    result = read_ledger(tmp_path / "l")
    assert result.seal is not None
    assert result.seal.broken_at is None
    assert result.interrupted
    assert str(result.verdict) == "inconc"


def test_strings_that_have_no_place_in_utf_8_do_not_end_a_run(tmp_path: Path) -> None:
    path = tmp_path / "run.ledger"
    with Ledger(path) as ledger:
        ledger.begin(plans.builtin(), {"host": "a"}, set())
        ledger.take(Noted("north", 0, 0.0, "driver", "\udcff\x00\x1b'; DROP TABLE run; --"))
        ledger.take(SlotFinished("north", (Reason(Verdict.ERROR, "lost \ud800"),)))
        ledger.end(interrupted=False)
    north = read_ledger(path).endpoints[0]
    assert north.events[0]["text"] == "?\x00\x1b'; DROP TABLE run; --"
    assert north.reasons[0].text == "lost ?"


@pytest.mark.skipif(os.geteuid() != 0, reason="becomes an ordinary user, which only root can")
def test_an_ordinary_user_is_told_where_a_ledger_cannot_be_written(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    code = (
        "import os, pathlib, traceback; from laneproof.campaign.ledger import Ledger; os.setuid(65534)\n"
        f"try: Ledger(pathlib.Path({str(closed / 'l')!r}))\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith(f"StorageFault cannot create ledger {closed}/l: Permission denied; ")
