"""The page on ceilings: the run over several slots prints what the page shows."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import laneproof
from laneproof import cli

PAGE = (
    (Path(laneproof.__file__).parent / "guide" / "ceilings.md").read_text("utf-8").split("## Several slots at once")[1]
)


def test_the_run_over_several_slots_prints_what_the_page_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (plan,) = re.findall(r"^```toml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    (shown,) = re.findall(r"^```console\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    (tmp_path / "plan.toml").write_text(plan)
    monkeypatch.setenv("COLUMNS", "80")
    assert cli.main(["run", str(tmp_path / "plan.toml"), "--ledger", str(tmp_path / "run.ledger")]) == 0
    printed = capsys.readouterr().out
    parts = [part.rstrip() for part in shown.split("\n\n")]
    assert len(parts) == 2
    assert [part for part in parts if part not in printed] == []
