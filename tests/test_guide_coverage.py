"""The page on coverage shows what the command prints, and code that runs."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import laneproof
from laneproof import cli

PAGE = (Path(laneproof.__file__).parent / "guide" / "coverage.md").read_text("utf-8")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


def test_the_table_that_the_page_shows_is_what_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("laneproof.insight.coverage.processes", lambda _: ThreadPoolExecutor(1))
    (plan,) = _blocks("toml")
    Path("weak.toml").write_text(plan, "utf-8")
    (shown,) = _blocks("console")
    command, _, printed = shown.partition("\n")
    assert cli.main(command.removeprefix("$ laneproof ").split()) == 1
    assert [line.rstrip() for line in capsys.readouterr().out.splitlines()] == printed.splitlines()


def test_the_code_that_the_page_shows_runs() -> None:
    (block,) = _blocks("python")
    names: dict[str, object] = {}
    exec(block, names)
    assert getattr(names["found"], "complete", False)
