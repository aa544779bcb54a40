"""The guide's page on margins shows what its plan prints, and its code runs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import laneproof
from laneproof import cli

PAGE = (Path(laneproof.__file__).parent / "guide" / "margin.md").read_text("utf-8")


def _block(kind: str) -> str:
    (found,) = re.findall(rf"^```{kind}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    return found


def test_the_page_on_margins_shows_what_its_plan_prints(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "margin.toml").write_text(_block("toml"))
    assert cli.main(["run", "margin.toml"]) == 1
    printed = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    shown = _block("console").splitlines()[1:]
    assert len(shown) > 20
    assert [line for line in shown if line != "…" and line not in printed] == []
    assert [line for line in PAGE.splitlines() if len(line) > 88 and not line.startswith("|")] == []
    assert [line for line in _block("console").splitlines() if len(line) > 80] == []


def test_the_code_on_margins_prints_what_the_page_says(capsys: pytest.CaptureFixture[str]) -> None:
    exec(_block("python"), {})
    assert f"`{capsys.readouterr().out.strip()}`" in PAGE
