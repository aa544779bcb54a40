"""The page on the ledger: its queries run, its tables are those that there are, its program follows the chain."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

import laneproof
from laneproof import cli
from laneproof.campaign.ledger import mark, verify

PAGE = (Path(laneproof.__file__).parent / "guide" / "ledger.md").read_text("utf-8")
QUERIES = re.findall(r"^```sql\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
PLAN = """
schema = 1
step = [
    { kind = "link", load = "64 KiB" },
    { kind = "soak", bytes = "8 MiB", portion = "1 MiB", stop_on_failure = false, load_on = "5 ms", load_off = "1 ms" },
]
equipment = [{ name = "receiver", clock_offset = "+1.2 s", clock_offset_uncertainty = "100 ms" }]
endpoint = [{ uri = "sim:link-errors#north" }, { uri = "sim:flipping-card#north" }]
"""
EMPTY_WHERE_NOTHING_WENT_WRONG = ("EXCEPT", "FROM kernel")


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ledger")
    (folder / "plan.toml").write_text(PLAN)
    cli.main(["run", str(folder / "plan.toml"), "--ledger", str(folder / "run.ledger")])
    mark(folder / "run.ledger", "door open")
    return folder / "run.ledger"


def test_the_page_has_queries_enough() -> None:
    assert len(QUERIES) >= 10


@pytest.mark.parametrize("query", QUERIES)
def test_a_query_of_the_page_finds_something(ledger: Path, query: str) -> None:
    database = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
    rows = database.execute(query).fetchall()
    database.close()
    assert rows or any(word in query for word in EMPTY_WHERE_NOTHING_WENT_WRONG)


def test_the_page_names_the_columns_of_each_view(ledger: Path) -> None:
    database = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
    views = [name for (name,) in database.execute("SELECT name FROM sqlite_schema WHERE type = 'view'")]
    shown = dict(re.findall(r"^\| `(\w+)` \| [^|]* \| (.*) \|$", PAGE, re.MULTILINE))
    assert sorted(shown) == sorted(views)
    step = [row[1] for row in database.execute("PRAGMA table_info(step)")]
    for view in views:
        columns = {row[1] for row in database.execute(f"PRAGMA table_info({view})")}
        named = set(re.findall(r"`(\w+)`", shown[view])) | (set(step) if view == "attempt" else set())
        assert columns == named, view
    database.close()


def test_the_program_of_the_page_follows_the_chain(ledger: Path) -> None:
    (program,) = re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    done = subprocess.run([sys.executable, "-c", program, ledger], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == verify(ledger).head
