"""`laneproof report`: formats by name and by ending, another issue, and the check of a report that was written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.cli import main

QUICK = {"schema": 1, "step": [{"kind": "link", "load": "64 KiB"}]}
BEGINS = {"html": "<!DOCTYPE html>", "markdown": "<!-- laneproof-ledger", "json": "{", "junit": "<?xml"}
ENDINGS = {"html": "html", "markdown": "md", "json": "json", "junit": "xml"}


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), path)
    return path


def test_the_format_follows_the_ending_and_the_ending_the_format(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, ending in ENDINGS.items():
        named = ledger.with_name(f"named.{ending}")
        assert main(["report", str(ledger), "--output", str(named)]) == 0
        assert main(["report", str(ledger), "--format", name]) == 0
        assert capsys.readouterr().out.split() == [str(named), str(ledger.with_suffix(f".{ending}"))]
        assert named.read_text() == ledger.with_suffix(f".{ending}").read_text()
        assert named.read_text().startswith(BEGINS[name])
        assert main(["report", str(ledger), "--format", name, "--output", "-"]) == 0
        assert capsys.readouterr().out == named.read_text()


def test_a_report_is_not_one_csv_file(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["--format", "csv"], ["--output", "report.csv"]):
        assert main(["report", str(ledger), *arguments]) == 2
        assert "--tables FOLDER" in capsys.readouterr().err


def test_check_says_whether_report_and_ledger_agree(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = ledger.with_suffix(".html")
    assert main(["report", str(ledger)]) == 0
    assert main(["report", "--check", str(page), str(ledger)]) == 0
    out = capsys.readouterr().out
    assert "they stand as they did; its text is what this version makes of them" in out
    page.write_text(page.read_text().replace("pass", "fail", 1))
    assert main(["report", str(ledger), "--check", str(page)]) == 1
    assert "it was changed" in capsys.readouterr().out


def test_another_issue_is_written_and_the_first_still_agrees(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = ledger.with_name("first.html"), ledger.with_name("second.html")
    assert main(["report", str(ledger), "--output", str(first)]) == 0
    assert main(["report", str(ledger), "--reissue", "a name was wrong", "--output", str(second)]) == 0
    assert "in place of issue 1:</strong> a name was wrong" in second.read_text()
    assert "issue 2" not in first.read_text()
    assert main(["report", str(ledger), "--check", str(first)]) == 0
    assert "1 entry was added since" in capsys.readouterr().out


def test_what_cannot_be_done_together_is_one_line(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(ledger), "--check", str(ledger)]) == 2
    assert "carries no digest of a ledger" in capsys.readouterr().err
    assert main(["report", str(ledger), "--output", str(ledger)]) == 2
    assert "that is the ledger" in capsys.readouterr().err


def test_the_schema_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "A laneproof report"
