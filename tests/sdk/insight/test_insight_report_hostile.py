"""Reports and what comes from outside: strings that would act, ledgers that somebody changed, conditions as read."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import attrs
import pytest
from reading_html import parsed
from tinyhtml5.parser import HTMLParser

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.ledger import amend, mark, read_ledger
from laneproof.campaign.results import RunResult
from laneproof.errors import StorageFault
from laneproof.insight.report import render_html, report_html
from laneproof.insight.report_series import series_of

QUICK = {"schema": 1, "step": [{"kind": "link", "load": "64 KiB"}, {"kind": "throughput", "bytes": "64 KiB"}]}
HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>]]>&amp;{{ 7 * 7 }}'\""
CONTROLS = "\x1b[2J\x1b]0;title\x07\x00\x08\u202e\u2028\x85"


@pytest.fixture
def hostile(tmp_path: Path, rewrite: Callable[..., None]) -> tuple[Path, RunResult]:
    """A run in whose every string, be it a card's, a plan's or a driver's, somebody has put markup and controls."""
    ledger = tmp_path / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over(["sim:link-errors#north"]), ledger)
    mark(ledger, HOSTILE + CONTROLS, opens=HOSTILE + CONTROLS)
    amend(ledger, HOSTILE + CONTROLS, by=HOSTILE + CONTROLS)
    harm = HOSTILE + CONTROLS.replace("\x00", "")

    def change(kind: str, body: dict[str, Any]) -> Any:
        match kind:
            case "endpoint":
                body |= {"name": harm, "uri": harm}
            case "opened":
                body["opened"]["identity"]["model"] = harm
            case "judged" | "slot":
                for reason in body["reasons"]:
                    reason["text"] = harm
                quoted = json.dumps(harm)
                return json.loads(json.dumps(body).replace('"BadTLP"', quoted))
            case "run":
                return json.loads(json.dumps(body).replace('"plan"', json.dumps(harm)))
            case "segment":
                return json.loads(json.dumps(body).replace('"Linux"', json.dumps(harm)))
            case "event":
                body |= {"kind": harm, "text": harm}
        return body

    rewrite(ledger, change)
    result = read_ledger(ledger)
    event = {"segment": 0, "step": 0, "clock_s": 0.0, "kind": harm, "text": harm}
    (endpoint,) = result.endpoints
    segment = attrs.evolve(result.segments[0], gap_s=1.0, changed=(harm,), ended=harm, started_utc=harm, last_utc=harm)
    return ledger, attrs.evolve(
        result,
        started_utc=harm,
        endpoints=(attrs.evolve(endpoint, events=(event,)),),
        segments=(segment, segment),
    )


def test_strings_from_outside_neither_act_nor_vanish(hostile: tuple[Path, RunResult]) -> None:
    ledger, result = hostile
    html, parser = render_html(result, series_of(ledger, read_ledger(ledger))), HTMLParser()
    parser.parse(html)
    nesting = parsed(html)
    assert parser.errors == []
    assert (nesting.wrong, nesting.references) == ([], [])
    assert {"script", "img"} & set(nesting.elements) == set()
    assert nesting.text.count("<script>alert(1)</script>") > 10
    assert "Card: <script>alert(1)</script>" in nesting.text
    assert "{{ 7 * 7 }}" in nesting.text
    assert html.replace("\n", "").isprintable()
    plot = html.split("<svg ")[1].split("</svg>")[0]
    assert plot.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 3
    assert "<script" not in plot


CHANGES: dict[str, tuple[str, dict[str, Any]]] = {
    "a plan without steps": ("run", {"endpoint": [], "step": 5}),
    "an environment that is none": ("segment", {"environment": [1]}),
    "what was opened is no table": ("opened", {"opened": [1]}),
    "an identity that is none": ("opened", {"opened": {"identity": 5}}),
    "regions that are none": ("judged", {"measures": {"regions": [5]}}),
    "residual corruption that is none": ("judged", {"measures": {"residual_corruption": 7}}),
    "counts that are none": ("judged", {"errors": {"near": {"correctable": 3}}}),
    "errors that are none": ("judged", {"errors": []}),
    "conditions that are none": ("judged", {"conditions": []}),
    "an end that is none": ("judged", {"conditions": {"before": {"near": 1}, "after": {}}}),
    "blind flags that are none": ("judged", {"conditions": {"blind": 5}}),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_ledger_that_somebody_has_changed_makes_no_report_and_no_traceback(
    tmp_path: Path, change: str, rewrite: Callable[..., None]
) -> None:
    ledger = tmp_path / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), ledger)
    kind, body = CHANGES[change]
    rewrite(ledger, lambda found, was: was | body if found == kind else was)
    with pytest.raises(StorageFault, match=r"was it changed|is damaged"):
        report_html(ledger)


def test_a_report_carries_the_digest_of_its_ledger_and_says_where_that_was_changed(
    tmp_path: Path, rewrite: Callable[..., None]
) -> None:
    ledger = tmp_path / "run.ledger"
    result = runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), ledger)
    assert result.seal is not None
    assert result.seal.head in report_html(ledger)
    rewrite(ledger, lambda kind, body: body | {"finished_s": 1e-9} if kind == "judged" else body, chain=False)
    assert "The ledger was changed: entry 7 does not fit" in report_html(ledger)


def report_on(card: str, folder: Path) -> str:
    ledger = folder / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over([f"imitated:{card}"]), ledger)
    return report_html(ledger)


def rows(html: str) -> dict[str, str]:
    """The table of conditions: its rows' text by their headings."""
    table = html.split("<caption>Conditions around the steps")[1].split("</table>")[0]
    return {
        heading: " | ".join(re.findall("<td[^>]*>(.*?)</td>", row))
        for heading, row in re.findall('<tr><th scope="row">(.*?)</th>(.*?)</tr>', table)
    }


@pytest.mark.usefixtures("invented_cards")
def test_a_slots_conditions_stand_in_one_table_that_names_lanes_and_ends(tmp_path: Path) -> None:
    html = report_on("lane-error", tmp_path)
    assert rows(html) == {
        "Lanes newly flagged": "none | lanes 2, 5: Lane Error Status, during link",
        "Equalisation": "8 GT/s: complete; 16 GT/s: complete | 8 GT/s: complete; 16 GT/s: complete",
        "Clock, retimers, margining": "common clock, retimers: 1, margining ready | "
        "common clock, retimers: 1, margining ready",
        "Link power states switched on": "L0s | L0s",
        "Device Status": "none | none",
        "Sensors": "readings 1 to 4 °C",
        "Host memory errors": "corrected 7, uncorrected 1",
        "Refused by the IOMMU": "2",
        "Reported by the kernel": "at least 1",
    }
    text = parsed(html).text
    assert "Lane Error Status of card (far end) newly shows lanes 2, 5" in text
    assert "showed lanes 2, 5 before: blind there" in text


@pytest.mark.usefixtures("invented_cards")
def test_conditions_that_nobody_can_read_are_one_sentence_with_the_reason(tmp_path: Path) -> None:
    html = report_on("hidden", tmp_path)
    assert "<caption>Conditions" not in html
    assert parsed(html).text.count("Conditions around the steps are not known: no permission") == 1


@pytest.mark.usefixtures("invented_cards")
def test_markup_in_conditions_and_in_the_events_they_make_does_not_act(tmp_path: Path) -> None:
    html = report_on("marked-up", tmp_path)
    nesting = parsed(html)
    assert (nesting.wrong, nesting.references) == ([], [])
    assert "script" not in nesting.elements
    assert nesting.text.count("<script>alert(1)</script>") > 10
    assert html.replace("\n", "").isprintable()
