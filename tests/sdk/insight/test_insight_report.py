"""The report: whole HTML for every bench, nothing fetched, nothing from outside that acts, and it opens in a browser.

Elements without an end tag: HTML Standard, section 13.1.2 (void elements), from memory of it.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import attrs
import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.ledger import amend, mark, read_ledger
from laneproof.campaign.results import RunResult
from laneproof.errors import StorageFault
from laneproof.insight.report import render_html

VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
FETCHING = {"src", "href", "srcset", "action", "formaction", "data", "poster", "background", "cite", "ping", "manifest"}
MAY_STAND_IN = {"li": {"ul"}, "td": {"tr"}, "th": {"tr"}, "tr": {"thead", "tbody"}, "dt": {"dl"}, "caption": {"table"}}
BENCHES = [
    "demo",
    "dead-lane",
    "link-errors",
    "flipping-card",
    "drops-off",
    "lost-unseen",
    "empty-slot",
    "stalling-card",
]
QUICK = {"schema": 1, "step": [{"kind": "link", "load": "64 KiB"}, {"kind": "throughput", "bytes": "64 KiB"}]}


class Nesting(HTMLParser):
    """Notes what a validator would: elements that are closed out of turn or stand where they may not; references."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.references: list[str] = []
        self.elements: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.references += [f"{name}={value}" for name, value in attrs if name in FETCHING or name.startswith("on")]
        if tag in MAY_STAND_IN and self.open[-1] not in MAY_STAND_IN[tag]:
            self.wrong.append(f"{tag} in {self.open[-1]}")
        if tag in ("ul", "table", "div", "h2", "h3", "p") and "p" in self.open:
            self.wrong.append(f"{tag} in p")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"/{tag}")

    def handle_data(self, data: str) -> None:
        self.text += data


def parsed(html: str) -> Nesting:
    nesting = Nesting()
    nesting.feed(html)
    nesting.close()
    return nesting


@pytest.fixture(scope="module")
def all_benches(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """The built-in plan over every bench at once."""
    plan = plans.builtin().over([f"sim:{bench}#north" for bench in BENCHES])
    return runner.run(plan, tmp_path_factory.mktemp("report") / "run.ledger")


@pytest.fixture(scope="module")
def html(all_benches: RunResult) -> str:
    return render_html(all_benches)


def test_the_document_is_nested_as_html_asks(html: str) -> None:
    nesting = parsed(html)
    assert (nesting.wrong, nesting.open) == ([], [])
    assert html.startswith("<!DOCTYPE html>")


def test_nothing_is_fetched_and_nothing_runs(html: str) -> None:
    nesting = parsed(html)
    assert nesting.references == []
    assert {"script", "link", "img", "iframe", "object", "form"} & set(nesting.elements) == set()
    assert "url(" not in html
    assert "@import" not in html
    assert (
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        in html
    )


def test_headings_leave_no_level_out(html: str) -> None:
    levels = [int(tag[1]) for tag in parsed(html).elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_verdict_and_every_reason_is_there(all_benches: RunResult, html: str) -> None:
    text = parsed(html).text
    assert "Verdict: error" in text
    for endpoint in all_benches.endpoints:
        assert f"{endpoint.name}: {endpoint.verdict}" in text
        for part in (endpoint, *endpoint.steps):
            assert all(reason.text in text for reason in part.reasons)
        assert all(event["text"] in text for event in endpoint.events)


def test_it_says_what_is_simulated_and_what_was_not_tested(all_benches: RunResult, html: str) -> None:
    text = parsed(html).text
    assert "This bench is simulated" in text
    assert "north (5): throughput was planned and not begun" in text
    assert "Cautions" not in text  # nobody's hands go near a simulated computer


def test_a_physical_card_brings_the_cautions_and_whether_they_were_read(tmp_path: Path) -> None:
    for read, says in ((True, "put on record that these were read"), (False, "not on record that the operator")):
        plan = plans.builtin().over(["chardev:/dev/none"])
        result = runner.run(plan, tmp_path / str(read), cautions_acknowledged=read)
        text = parsed(render_html(result)).text
        assert says in text
        assert "Never plug or unplug auxiliary power live" in text


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>]]>&amp;{{ 7 * 7 }}'\""
CONTROLS = "\x1b[2J\x1b]0;title\x07\x00\x08\u202e\u2028\x85"


@pytest.fixture
def hostile(tmp_path: Path, rewrite: Callable[..., None]) -> RunResult:
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
    return attrs.evolve(
        result,
        started_utc=harm,
        endpoints=(attrs.evolve(endpoint, events=(event,)),),
        segments=(segment, segment),
    )


def test_strings_from_outside_neither_act_nor_vanish(hostile: RunResult) -> None:
    html = render_html(hostile)
    nesting = parsed(html)
    assert (nesting.wrong, nesting.references) == ([], [])
    assert {"script", "img"} & set(nesting.elements) == set()
    assert nesting.text.count("<script>alert(1)</script>") > 10
    assert "Card: <script>alert(1)</script>" in nesting.text
    assert "{{ 7 * 7 }}" in nesting.text
    assert html.replace("\n", "").isprintable()


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
        render_html(read_ledger(ledger))


def test_a_report_carries_the_digest_of_its_ledger_and_says_where_that_was_changed(
    tmp_path: Path, rewrite: Callable[..., None]
) -> None:
    ledger = tmp_path / "run.ledger"
    result = runner.run(plans.parse(QUICK, "plan").over(["sim:demo#south"]), ledger)
    assert result.seal is not None
    assert result.seal.head in render_html(result)
    rewrite(ledger, lambda kind, body: body | {"finished_s": 1e-9} if kind == "judged" else body, chain=False)
    assert "The ledger was changed: entry 7 does not fit" in render_html(read_ledger(ledger))


def report_on(card: str, folder: Path) -> str:
    ledger = folder / "run.ledger"
    runner.run(plans.parse(QUICK, "plan").over([f"imitated:{card}"]), ledger)
    return render_html(read_ledger(ledger))


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


def browsed(html: str, folder: Path) -> tuple[Nesting, str]:
    """The document as a browser without a network has read it, and what it put on its console."""
    page = folder / "report.html"
    page.write_text(html)
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr", "--no-first-run"]
    closed = ["--disable-background-networking", "--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND"]
    command = ["chromium", *options, *closed, f"--user-data-dir={folder}/profile", "--dump-dom", page.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    return parsed(done.stdout), "\n".join(line for line in done.stderr.splitlines() if "CONSOLE" in line)


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")
def test_a_browser_shows_it_all_and_finds_nothing_to_complain_of_or_to_fetch(html: str, tmp_path: Path) -> None:
    """The policy in the document makes the browser complain of every request; the second page shows that it does."""
    document, console = browsed(html, tmp_path)
    assert document.text.split() == parsed(html).text.split()
    assert console == ""
    _, console = browsed(html.replace("<main>", '<main><img src="nothing.png">'), tmp_path)
    assert "Content Security Policy" in console
