"""The chain of a ledger's entries: made as the guide says, refusing changes by accident, showing those on purpose.

The digests are made again here with hashlib and json, not with the code under test (FIPS 180-4's SHA-256, by Python).
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign.events import Noted
from laneproof.campaign.ledger import Ledger, amend, mark, read_ledger, verify
from laneproof.campaign.results import RunResult
from laneproof.errors import BadInput, StorageFault

LINK = '[[step]]\nkind = "link"\nload = "64 KiB"\n'
COLUMNS = "number, segment, utc, kind, endpoint, step, body, digest"


@pytest.fixture
def ledger(run_plan: Callable[..., RunResult], tmp_path: Path) -> Path:
    run_plan(LINK, "sim:demo#south")
    return tmp_path / "run.ledger"


def rows(path: Path) -> list[tuple[Any, ...]]:
    database = sqlite3.connect(path)
    found = database.execute(f"SELECT {COLUMNS} FROM entry ORDER BY number").fetchall()
    database.close()
    return found


def test_each_digest_is_sha_256_over_the_one_before_and_its_own_row(ledger: Path) -> None:
    before = bytes(32)
    for *row, digest in rows(ledger):
        before = hashlib.sha256(before + json.dumps(row, separators=(",", ":")).encode("ascii")).digest()
        assert digest == before
    seal = verify(ledger)
    assert (seal.head, seal.broken_at, seal.entries) == (before.hex(), None, len(rows(ledger)))
    assert read_ledger(ledger).seal == seal


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = '{}'",
        "DELETE FROM entry WHERE number = 1",
        "INSERT OR REPLACE INTO entry VALUES (2, 0, '', 'run', NULL, NULL, '{}', x'')",
    ],
)
def test_entries_cannot_be_changed_by_accident(ledger: Path, statement: str) -> None:
    before = rows(ledger)
    database = sqlite3.connect(ledger)
    with pytest.raises(sqlite3.IntegrityError, match="add an amendment"):
        database.execute(statement)
    database.close()
    assert rows(ledger) == before


TAMPERING = {
    "a verdict": ("UPDATE entry SET body = replace(body, '\"pass\"', '\"fail\"') WHERE number = 7", 7),
    "a time": ("UPDATE entry SET utc = '2026-01-01T00:00:00.000+00:00' WHERE number = 3", 3),
    "a kind": ("UPDATE entry SET kind = 'event' WHERE number = 5", 5),
    "an entry left out": ("DELETE FROM entry WHERE number = 4", 5),
    "a digest": ("UPDATE entry SET digest = zeroblob(32) WHERE number = 7", 7),
    "one put in": (
        "INSERT INTO entry SELECT 11, 0, utc, kind, endpoint, step, body, digest FROM entry LIMIT 1",
        11,
    ),
}


@pytest.mark.parametrize("what", TAMPERING)
def test_a_change_shows_at_the_entry_that_was_changed(ledger: Path, what: str) -> None:
    statement, at = TAMPERING[what]
    database = sqlite3.connect(ledger)
    for (name,) in database.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        database.execute(f"DROP TRIGGER {name}")
    database.execute(statement)
    database.commit()
    database.close()
    assert verify(ledger).broken_at == at


def test_a_chain_made_anew_shows_only_by_a_head_that_was_noted_elsewhere(
    ledger: Path, rewrite: Callable[..., None]
) -> None:
    noted = verify(ledger).head
    rewrite(ledger, lambda kind, body: body | {"verdict": "fail"} if kind == "judged" else body)
    assert verify(ledger).broken_at is None
    assert verify(ledger).head != noted


def test_a_ledger_that_was_changed_is_read_and_says_so_and_is_not_resumed(
    ledger: Path, rewrite: Callable[..., None]
) -> None:
    rewrite(ledger, lambda kind, body: body | {"bytes_moved": 1 << 40} if kind == "judged" else body, chain=False)
    result = read_ledger(ledger)
    assert result.seal is not None
    assert "the ledger was changed" in str(result.seal)
    with pytest.raises(StorageFault, match="entry 7 was changed; it can be read, not resumed"):
        Ledger.resume(ledger, {})


MARKS = """
import pathlib, sys
from laneproof.campaign.ledger import mark
for number in range(int(sys.argv[2])):
    mark(pathlib.Path(sys.argv[1]), f"{sys.argv[3]} {number}")
"""


def test_two_other_processes_mark_a_ledger_that_a_run_writes(tmp_path: Path) -> None:
    path = tmp_path / "run.ledger"
    with Ledger(path) as ledger:
        ledger.begin(plans.builtin(), {}, set())
        command = [sys.executable, "-c", MARKS, path, "25"]
        others = [subprocess.Popen([*command, name], stderr=subprocess.PIPE) for name in ("one", "two")]
        noted = 0
        while any(other.poll() is None for other in others):
            ledger.take(Noted("north", 0, 0.0, "driver", f"event {noted}"))
            ledger._commit()
            noted += 1
            time.sleep(0.01)
        for other in others:
            assert other.communicate() == (None, b"")
        ledger.end(interrupted=False)
    result = read_ledger(path)
    assert verify(path).broken_at is None
    texts = [marker.text for marker in result.markers]
    assert sorted(texts) == sorted(f"{name} {number}" for name in ("one", "two") for number in range(25))
    assert [text for text in texts if text.startswith("one")] == [f"one {number}" for number in range(25)]
    assert [event["text"] for event in result.endpoints[0].events] == [f"event {number}" for number in range(noted)]


def test_windows_open_and_close_once(ledger: Path) -> None:
    mark(ledger, "door open", opens="door")
    with pytest.raises(BadInput, match='window "door" is open already'):
        mark(ledger, "again", opens="door")
    with pytest.raises(BadInput, match=r'no window "heat" is open \(open: "door"\)'):
        mark(ledger, "off", closes="heat")
    mark(ledger, "door closed", closes="door")
    with pytest.raises(BadInput, match=r"\(open: none\)"):
        mark(ledger, "door closed", closes="door")
    found = [(marker.text, marker.opens, marker.closes) for marker in read_ledger(ledger).markers]
    assert found == [("door open", "door", None), ("door closed", None, "door")]


def test_an_amendment_adds_and_changes_nothing(ledger: Path) -> None:
    before, verdict = rows(ledger), read_ledger(ledger).verdict
    amend(ledger, "the riser was the spare one", by="A. Tester", of=6)
    assert rows(ledger)[: len(before)] == before
    result = read_ledger(ledger)
    assert result.verdict is verdict
    assert [(one.text, one.by, one.of) for one in result.amendments] == [
        ("the riser was the spare one", "A. Tester", 6)
    ]
    with pytest.raises(BadInput, match=f"there is no entry 99 to amend; the last one is {len(before) + 1}"):
        amend(ledger, "x", of=99)


@pytest.mark.parametrize("text", ["", " \n", "x" * 10_001])
def test_a_remark_without_sense_is_refused(ledger: Path, text: str) -> None:
    before = rows(ledger)
    with pytest.raises(BadInput, match="give 1 to 10000"):
        mark(ledger, text)
    with pytest.raises(BadInput, match="give 1 to 10000"):
        amend(ledger, text)
    assert rows(ledger) == before


def test_what_is_no_ledger_takes_no_marker(tmp_path: Path) -> None:
    (tmp_path / "text").write_text("verdict: pass\n" * 100)
    for name in ("none", "text"):
        with pytest.raises(StorageFault, match=str(tmp_path / name)):
            mark(tmp_path / name, "hello")
    assert [path.name for path in tmp_path.iterdir()] == ["text"]
