"""What the tests of campaign, report and command line share: an echo behind a pseudo-terminal, a card package."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

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
    )
    folders = [str(package.parent), str(TESTS / "sdk" / "campaign")]
    for folder in folders:
        monkeypatch.syspath_prepend(folder)
    already = [folder for folder in os.environ.get("PYTHONPATH", "").split(os.pathsep) if folder]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([*folders, *already]))
