"""What the tests of campaign, report and command line share: an echo behind a pseudo-terminal, a card package."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

TESTS = Path(__file__).parents[1]


@pytest.fixture
def echo() -> Iterator[Callable[..., str]]:
    """Starts `echo_process.py` with the given arguments; returns the endpoint to open."""
    running: list[subprocess.Popen[str]] = []

    def start(*arguments: object) -> str:
        command = [sys.executable, "-I", TESTS / "drivers_shim" / "echo_process.py", *map(str, arguments)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        running.append(process)
        assert process.stdout is not None
        return f"chardev:{process.stdout.readline().rstrip()}"

    yield start
    for process in running:
        process.kill()
        process.communicate()


@pytest.fixture
def invented_cards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Installs the package `invented_card`, as its users' pip would: this process and its children find it."""
    package = tmp_path / "site" / "invented_card-1.dist-info"
    package.mkdir(parents=True)
    (package / "METADATA").write_text("Metadata-Version: 2.1\nName: invented-card\nVersion: 1\n")
    (package / "entry_points.txt").write_text(
        "[laneproof.endpoints]\n"
        "physical = invented_card:physical\n"
        "imitated = invented_card:imitated\n"
        "broken = invented_card:not_there\n"
        "[laneproof.observers]\n"
        "seen = invented_observer:observers\n"
    )
    folders = [str(package.parent), str(TESTS / "sdk" / "campaign")]
    for folder in folders:
        monkeypatch.syspath_prepend(folder)
    already = [folder for folder in os.environ.get("PYTHONPATH", "").split(os.pathsep) if folder]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([*folders, *already]))


def _rewrite(path: Path, change: Callable[[str, dict[str, Any]], Any], *, chain: bool = True) -> None:
    """Changes the bodies of a ledger's entries as somebody does who has the file and knows how it is made.

    `change` gets each entry's kind and body, and may change the body or return another. With `chain`, every digest is
    made anew, as `laneproof guide ledger` describes it.
    """
    database = sqlite3.connect(path, isolation_level=None)
    database.execute("BEGIN")
    for (name,) in database.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        database.execute(f"DROP TRIGGER {name}")
    before = bytes(32)
    columns = "number, segment, utc, kind, endpoint, step, body, digest"
    for *row, body, digest in database.execute(f"SELECT {columns} FROM entry ORDER BY number").fetchall():
        table = json.loads(body)
        changed = change(row[3], table)
        table = table if changed is None else changed
        if table != json.loads(body):
            body = table if isinstance(table, str) else json.dumps(table)
        if chain:
            listed = json.dumps([*row, body], separators=(",", ":")).encode("ascii")
            before = digest = hashlib.sha256(before + listed).digest()
        database.execute("UPDATE entry SET body = ?, digest = ? WHERE number = ?", (body, digest, row[0]))
    database.execute("COMMIT")
    database.close()


@pytest.fixture
def rewrite() -> Callable[..., None]:
    """Changes what a ledger's entries say: `rewrite(path, change, chain=True)`, `change(kind, body)`."""
    return _rewrite
