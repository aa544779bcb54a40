"""The page on reports: its parts are those of a report, its commands run, its numbers are the code's."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

import laneproof
from laneproof import cli
from laneproof.campaign.statistics import error_rate_bound, format_bound
from laneproof.insight.report_rows import MOST_FIRST, MOST_LAST
from laneproof.insight.report_series import MOST_POINTS

PAGE = (Path(laneproof.__file__).parent / "guide" / "reading-a-report.md").read_text("utf-8")
FOLDED = " ".join(PAGE.split())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("reading")
    (folder / "plan.toml").write_text('schema = 1\nstep = [{ kind = "link", load = "64 KiB" }]\n')
    arguments = ["--endpoint", "sim:demo#south", "--ledger", str(folder / "run.ledger")]
    assert cli.main(["run", str(folder / "plan.toml"), *arguments]) == 0
    return folder


def test_the_parts_that_the_page_names_stand_in_a_report_in_that_order(folder: Path) -> None:
    html = (folder / "run.html").read_text().replace("’", "'")
    named = re.findall(r"\*\*([A-Z][^*:]+?)[.:]?\*\*", PAGE.split("## From the top")[1].split("\n## ")[0])
    headings = re.findall(r"<h[123][^>]*>([^<]*)", html)
    headings = [heading.strip().removesuffix(":") for heading in headings]
    named.remove("Each endpoint")
    assert len(named) == 8
    assert [heading for heading in headings if heading in named] == named


def test_each_command_that_the_page_lists_is_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = re.findall(r"^    laneproof (report .*?)(?:  .*)?$", PAGE, re.MULTILINE)
    assert len(lines) == 7
    put = {"LEDGER": folder / "run.ledger", "FILE": folder / "x.html", "FOLDER": folder / "t", "REASON": "a reason"}
    put["REPORT"] = folder / "run.html"
    for line in lines:
        assert cli.main([str(put.get(word, word)) for word in shlex.split(line)]) == 0, line
    capsys.readouterr()


def test_the_page_shows_what_a_check_prints(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown = PAGE.split("$ laneproof report run.ledger --check run.html\n")[1].split("\n```")[0]
    page = folder / "again.html"
    cli.main(["report", str(folder / "run.ledger"), "--output", str(page)])
    capsys.readouterr()
    assert cli.main(["report", str(folder / "run.ledger"), "--check", str(page)]) == 0
    printed = capsys.readouterr().out.strip()
    assert re.sub(r"\d+ entries", "n entries", printed) == re.sub(r"\d+ entries", "n entries", shown)


def test_the_numbers_of_the_page_are_those_of_the_code() -> None:
    bits, bound = re.findall(r"No wrong bit in (\d+) payload .*? fewer than ([\d.e-]+) per bit", FOLDED)[0]
    assert format_bound(error_rate_bound(0, int(bits))) == bound
    assert f"most {MOST_POINTS} points" in FOLDED
    assert f"Beyond {MOST_FIRST + MOST_LAST} rows" in FOLDED
