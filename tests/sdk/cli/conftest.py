"""Runs the command line: its function in this process, or the installed script in its own; and gives it a full disk."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from attrs import frozen

from laneproof.cli import main

SCRIPT = Path(sys.executable).with_name("laneproof")


@frozen
class Done:
    """What a command left: its exit status and what it wrote."""

    status: int
    out: str
    err: str


@pytest.fixture
def script() -> Path:
    """The installed script."""
    return SCRIPT


@pytest.fixture
def laneproof(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Callable[..., Done]:
    """Calls what the script calls, in an empty folder; an exception that it lets through fails the test."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: object) -> Done:
        capfd.readouterr()
        try:
            status = main([str(argument) for argument in arguments])
        except SystemExit as leaving:  # argparse's, for --version and wrong use
            status = int(leaving.code or 0)
        return Done(status, *capfd.readouterr())

    return call


@pytest.fixture
def process(tmp_path: Path) -> Callable[..., Done]:
    """Runs the installed script in an empty folder, its output to pipes. No traceback may ever be among it."""

    def run(*arguments: object, **options: object) -> Done:
        done = subprocess.run(
            [SCRIPT, *map(str, arguments)], cwd=tmp_path, capture_output=True, text=True, check=False, **options
        )  # type: ignore[call-overload]
        assert "Traceback" not in done.stdout + done.stderr
        return Done(done.returncode, done.stdout, done.stderr)

    return run


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 KiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = (
        os.geteuid() == 0
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "none", folder], capture_output=True, check=False
        ).returncode
    )
    if not mounted:
        pytest.skip("a small file system can be mounted by root only")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)
