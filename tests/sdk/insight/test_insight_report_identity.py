"""Which report it is: its number and issue, issues after the first, and whether report and ledger still agree."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from reading_html import parsed

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.ledger import amend, mark, read_ledger, verify
from laneproof.errors import BadInput, StorageFault
from laneproof.insight.report import report_html
from laneproof.insight.report_document import report_json
from laneproof.insight.report_identity import check, identify, reissue
from laneproof.insight.report_junit import report_junit
from laneproof.insight.report_markdown import report_markdown

QUICK = {"schema": 1, "step": [{"kind": "link", "load": "64 KiB"}]}
FORMATS = {"html": report_html, "md": report_markdown, "json": report_json, "xml": report_junit}


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), path)
    return path


def test_every_format_names_the_same_report_and_carries_the_digest_of_its_rows(ledger: Path) -> None:
    seal, identity = verify(ledger), identify(read_ledger(ledger))
    assert re.fullmatch("LP-[0-9a-f]{12}", identity.number)
    for make in FORMATS.values():
        text = make(ledger)
        assert identity.number in text
        assert f"entries={seal.entries} head={seal.head}" in text


def test_two_runs_have_two_numbers_and_what_is_added_later_changes_neither(ledger: Path, tmp_path: Path) -> None:
    runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), tmp_path / "other.ledger")
    numbers = {identify(read_ledger(path)).number for path in (ledger, tmp_path / "other.ledger")}
    assert len(numbers) == 2
    mark(ledger, "door open")
    assert identify(read_ledger(ledger)).number in numbers


def test_a_report_made_again_is_the_same_to_the_letter(ledger: Path) -> None:
    for make in FORMATS.values():
        assert make(ledger) == make(ledger)


@pytest.mark.parametrize("ending", FORMATS)
def test_report_and_ledger_agree_until_a_row_is_changed(
    ledger: Path, tmp_path: Path, ending: str, rewrite: Callable[..., None]
) -> None:
    report = tmp_path / f"report.{ending}"
    report.write_text(FORMATS[ending](ledger))
    assert check(report, ledger).agrees
    mark(ledger, "door open")
    later = check(report, ledger)
    assert later.agrees
    assert "1 entry was added since" in later.said
    rewrite(ledger, lambda kind, body: body | {"bytes_moved": 7} if kind == "judged" else body)
    changed = check(report, ledger)
    assert not changed.agrees
    assert "whose digest is" in changed.said


def test_rows_changed_without_their_digests_do_not_agree_either(
    ledger: Path, tmp_path: Path, rewrite: Callable[..., None]
) -> None:
    report = tmp_path / "report.html"
    report.write_text(report_html(ledger))
    rewrite(ledger, lambda kind, body: body | {"bytes_moved": 7} if kind == "judged" else body, chain=False)
    found = check(report, ledger)
    assert (found.agrees, found.said) == (False, "do not agree: entry 7 of the ledger was changed")


def test_another_runs_report_does_not_agree(ledger: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.html"
    report.write_text(report_html(ledger))
    runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), tmp_path / "other.ledger")
    assert not check(report, tmp_path / "other.ledger").agrees


def test_a_file_without_a_digest_cannot_be_checked(ledger: Path, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text("<p>pass</p>")
    for name in ("page.html", "none.html"):
        with pytest.raises(BadInput, match=f"--check .*{name}: "):
            check(tmp_path / name, ledger)


def test_another_issue_has_its_reason_and_names_the_one_before(ledger: Path, tmp_path: Path) -> None:
    first, seal = tmp_path / "first.html", verify(ledger)
    first.write_text(report_html(ledger))
    identity = reissue(ledger, "the <b>operator's</b> name was wrong")
    assert (identity.issue, [one.head for one in identity.replaced]) == (2, [seal.head])
    text = " ".join(parsed(report_html(ledger)).text.split())
    assert f"Report {identity.number}, issue 2" in text
    assert "in place of issue 1: the <b>operator's</b> name was wrong" in text
    assert f"Issue 1 of {identity.number} was made from {seal.entries} ledger entries, the last with the digest" in text
    assert seal.head in text
    assert "the \\<b\\>operator's\\</b\\> name was wrong" in report_markdown(ledger)
    assert check(first, ledger).agrees
    assert reissue(ledger, "and the sample's").issue == 3


def test_an_amendment_that_looks_like_an_issue_of_another_report_is_none(ledger: Path) -> None:
    number, head = "LP-" + "0" * 12, "0" * 64
    amend(ledger, f"Report {number} is issued again as issue 2, in place of issue 1 (3 entries, digest {head}): x")
    assert identify(read_ledger(ledger)).issue == 1


def test_a_changed_ledger_is_not_issued_again(ledger: Path, rewrite: Callable[..., None]) -> None:
    with pytest.raises(BadInput, match="needs a reason"):
        reissue(ledger, " ")
    rewrite(ledger, lambda kind, body: body | {"bytes_moved": 7} if kind == "judged" else body, chain=False)
    with pytest.raises(StorageFault, match="entry 7 was changed; no report is issued of it again"):
        reissue(ledger, "a reason")
