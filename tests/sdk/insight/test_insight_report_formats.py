"""The report in other forms: JUnit XML against the forms in common use, JSON against its published schema, Markdown.

JUnit XML: `tests/fixtures/junit/junit.rng`, by lxml, run by the test. JSON Schema: the package `jsonschema`, run by the
test. What GitHub makes of names and addresses in a comment: its documentation on mentions and autolinked references.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from lxml import etree

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.ledger import read_ledger
from laneproof.insight.report_document import report_json, report_schema
from laneproof.insight.report_junit import report_junit
from laneproof.insight.report_markdown import report_markdown

FIXTURE = Path(__file__).parents[2] / "fixtures" / "junit" / "junit.rng"
QUICK = {
    "schema": 1,
    "step": [
        {"kind": "link", "load": "64 KiB"},
        {"kind": "integrity", "bytes": "4 MiB"},
        {"kind": "soak", "bytes": "0 B"},
    ],
}
BENCHES = ["demo", "flipping-card", "link-errors", "lost-unseen", "empty-slot"]


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("formats") / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over([f"sim:{bench}#north" for bench in BENCHES]), path)
    return path


@pytest.fixture(scope="module")
def form() -> etree.RelaxNG:
    return etree.RelaxNG(etree.parse(FIXTURE))


def test_junit_xml_has_the_form_in_common_use(ledger: Path, form: etree.RelaxNG) -> None:
    root = etree.fromstring(report_junit(ledger).encode())
    form.assertValid(root)
    root[0][1].set("time", "soon")
    assert not form.validate(root)


def test_a_step_is_a_case_and_no_case_without_a_pass_counts_as_one(ledger: Path) -> None:
    result = read_ledger(ledger)
    root = etree.fromstring(report_junit(ledger).encode())
    assert [suite.get("name") for suite in root] == [endpoint.name for endpoint in result.endpoints]
    seen: set[str] = set()
    for suite, endpoint in zip(root, result.endpoints, strict=True):
        cases = suite.findall("testcase")
        steps = [case for case in cases if case.get("name") != "endpoint"]
        assert [case.get("name") for case in steps] == [f"{step.position + 1} {step.kind}" for step in endpoint.steps]
        for case, step in zip(steps, endpoint.steps, strict=True):
            told = [(child.tag, child.get("type")) for child in case]
            verdict = str(step.verdict)
            seen.add(verdict)
            tag = "failure" if verdict == "fail" else "error"
            assert told == ([] if verdict == "pass" else [(tag, verdict)])
        assert int(suite.get("tests", "")) == len(cases)
        assert int(suite.get("failures", "")) == len(suite.findall(".//failure"))
        assert int(suite.get("errors", "")) == len(suite.findall(".//error"))
    assert seen == {"pass", "fail", "inconc", "none"}
    assert root[-1].find("testcase/error").get("type") == "error"  # the slot that is empty


def test_json_has_the_form_that_is_published(ledger: Path) -> None:
    schema = json.loads(report_schema())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    document = json.loads(report_json(ledger))
    assert [error.message for error in validator.iter_errors(document)] == []
    document["claims"][0]["wrong_bits"] = -1
    del document["run"]["endpoints"][0]["verdict"]
    assert len(list(validator.iter_errors(document))) == 2


def test_json_holds_the_whole_run_and_what_is_claimed_of_it(ledger: Path) -> None:
    result = read_ledger(ledger)
    document = json.loads(report_json(ledger))
    assert document["run"] == json.loads(json.dumps(result.to_dict()))
    verified = [sum(step.measures.get("bytes_checked") or 0 for step in one.steps) for one in result.endpoints]
    assert [claim["exposure_bits"] for claim in document["claims"]] == [8 * nbytes for nbytes in verified]
    assert verified[0] >= 4 << 20
    assert document["diagnoses"][0]["answers"] == []
    assert document["diagnoses"][1]["answers"][0]["for"]


def test_markdown_begins_with_the_verdict_and_says_why(ledger: Path) -> None:
    lines = report_markdown(ledger).splitlines()
    assert lines[0].startswith("<!-- laneproof-ledger ")
    assert lines[1] == "# Verdict: error"
    text = "\n".join(lines)
    assert f"## north: {read_ledger(ledger).endpoints[0].verdict}" in text
    assert "- **fail** integrity: prbs31:" in text
    assert "**Diagnosis:**" in text
    assert "- Next step: " in text
    rows = [line for line in lines if line.startswith("|")]
    assert len({line.count("|") for line in rows if "Wrong blocks" in line or "noise" in line}) == 1


HOSTILE = "<img src=x>![a](b)[c](d)`e`*f*_g_|h~i~$j$ @everyone #12 GH-3 https://example.org www.example.org &lt;"


@pytest.fixture
def hostile(tmp_path: Path, rewrite: Callable[..., None]) -> Path:
    path = tmp_path / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over(["sim:flipping-card#north"]), path)

    def change(kind: str, body: dict[str, Any]) -> Any:
        if kind == "endpoint":
            body |= {"name": HOSTILE, "uri": HOSTILE + "\x00\x1b\ufffe"}
        if kind == "judged":
            for number, reason in enumerate(body["reasons"]):
                reason["text"] = ("- " if number else "1. ") + HOSTILE + "\n# heading\n\x1b"
        return body

    rewrite(path, change)
    return path


def test_text_from_outside_cannot_format_link_or_call_anybody_in_markdown(hostile: Path) -> None:
    text = report_markdown(hostile)
    body = text.replace("\\\\", "").split("\n", 1)[1]
    assert re.findall(r"(?<!\\)[`\[\]<>~$]", body) == []
    assert re.findall(r"(?<!\\)&", body) == []
    assert re.findall(r"@\w|#\d|GH-\d|://\w|www\.\w", body) == []
    assert not re.search(r"^\s*(# heading|- \*\*\w+\*\* \s*[-1])", body, re.MULTILINE)
    heads = [line for line in body.splitlines() if line.startswith("#")]
    assert len(heads) == 3
    assert "everyone" in body


def test_text_from_outside_stays_text_in_xml_and_json(hostile: Path, form: etree.RelaxNG) -> None:
    root = etree.fromstring(report_junit(hostile).encode())
    form.assertValid(root)
    assert root[0].get("name") == HOSTILE
    document = json.loads(report_json(hostile))
    jsonschema.validate(document, json.loads(report_schema()))
    assert document["run"]["endpoints"][0]["name"] == HOSTILE
