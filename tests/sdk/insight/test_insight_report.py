"""The report of every kind of bench: valid, nothing fetched, the verdict first, and a browser that has no complaint.

Validity: `tinyhtml5`, run by the test, and the HTML Standard from memory (`reading_html`). Accessibility: axe-core, out
of the package `axe-core-python`, run by the test in Chromium: contrast, names, tables, landmarks as WCAG has them.
"""

from __future__ import annotations

import base64
import hashlib
import html as entities
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import attrs
import pytest
from reading_html import Nesting, parsed
from tinyhtml5.parser import HTMLParser

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import RunResult
from laneproof.insight.report import render_html, report_html

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
PLAN = {
    "schema": 1,
    "step": [
        {"kind": "link", "load": "4 MiB"},
        {"kind": "integrity", "bytes": "8 MiB"},
        {"kind": "throughput", "bytes": "4 MiB"},
        {"kind": "soak", "bytes": "16 MiB"},
    ],
}


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan over every bench at once."""
    path = tmp_path_factory.mktemp("report") / "run.ledger"
    runner.run(plans.parse(PLAN, "plan").over([f"sim:{bench}#north" for bench in BENCHES]), path)
    return path


@pytest.fixture(scope="module")
def all_benches(ledger: Path) -> RunResult:
    return read_ledger(ledger)


@pytest.fixture(scope="module")
def html(ledger: Path) -> str:
    return report_html(ledger)


def test_the_document_is_valid(html: str) -> None:
    nesting, parser = parsed(html), HTMLParser()
    parser.parse(html)
    assert parser.errors == []
    assert (nesting.wrong, nesting.open) == ([], [])
    assert html.startswith('<!DOCTYPE html>\n<html lang="en">')
    assert len(nesting.ids) == len(set(nesting.ids))
    assert set(nesting.inner) <= set(nesting.ids)


def test_nothing_is_fetched_and_nothing_runs(html: str) -> None:
    nesting = parsed(html)
    assert nesting.references == []
    assert {"script", "link", "img", "iframe", "object", "form"} & set(nesting.elements) == set()
    assert "url(" not in html
    assert "@import" not in html
    assert " style=" not in html


def test_the_policy_lets_one_style_apply_and_nothing_else(html: str) -> None:
    (policy,) = re.findall('<meta http-equiv="Content-Security-Policy" content="([^"]*)">', html)
    (style,) = re.findall("<style>(.*?)</style>", html, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def test_headings_leave_no_level_out(html: str) -> None:
    levels = [int(tag[1]) for tag in parsed(html).elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_verdict_and_every_reason_is_there(all_benches: RunResult, html: str) -> None:
    text = parsed(html).text
    assert f"Verdict: {all_benches.verdict}" in text
    for endpoint in all_benches.endpoints:
        assert f"{endpoint.name}: {endpoint.verdict}" in text
        for part in (endpoint, *endpoint.steps):
            assert all(reason.text in text for reason in part.reasons)


def test_verdict_reasons_and_claims_come_before_the_details(html: str) -> None:
    order = ["<h1>Verdict", "<caption>Endpoints", 'id="claims"', "<h3>What is not claimed", "<h3>How it was decided"]
    order += ['<h2 id="slot-1"', 'id="not-tested"', 'id="ledger"', 'id="self-check"', 'id="environment"']
    places = [html.index(text) for text in order]
    assert places == sorted(places)


def test_what_is_claimed_is_the_exposure_of_all_steps_with_its_bound(all_benches: RunResult, html: str) -> None:
    bits = sum(8 * (step.measures.get("bytes_checked") or 0) for step in all_benches.endpoints[0].steps)
    # 3.00 expected errors at 95 %, over the exposure: the rule of three.
    assert f"no wrong bit in {bits} payload bits of 2 steps, end to end: at 95% confidence fewer than" in html
    assert f"{3.0 / bits:.1e}".replace("e-0", "e-") in html


def test_a_rate_comes_with_the_spread_of_its_repeats_and_what_that_is_worth(html: str) -> None:
    # Five repeats all fall to one side of the median with a chance of 2 in 32.
    assert re.search(r"throughput: [\d.]+ GB/s each way, between [\d.]+ GB/s and [\d.]+ GB/s at 93.8% confidence", html)


def test_what_is_damaged_is_mapped_and_counted_by_bit(all_benches: RunResult, html: str) -> None:
    damage = all_benches.endpoints[3].steps[1].measures["damage"]
    caption = "<caption>Damaged blocks, positions in the block"
    shown = html.split('id="slot-4"')[1].split("<h3>integrity")[1].split(caption)[1]
    rows = re.findall(
        r'<th scope="row">(\d+)</th><td[^>]*>[^<]*</td><td>(\d+)</td><td>(\d+)</td>', shown.split("</table>")[0]
    )
    assert rows == [(str(b["number"]), str(b["wrong_bytes"]), str(b["first"])) for b in damage["blocks"]]
    assert "Where in each examined block data were wrong" in html
    ranked = sorted(((n, -bit) for bit, n in enumerate(damage["bit_of_dword"]) if n), reverse=True)
    assert ", ".join(f"{-bit}: {n}" for n, bit in ranked[:8]) in html


def test_each_plot_says_in_words_what_it_shows(html: str) -> None:
    pictures = re.findall("<svg (.*?)>(.*?)</svg>", html, re.DOTALL)
    assert len(pictures) > 12
    for attributes, inner in pictures:
        assert 'role="img"' in attributes
        (label,) = re.findall('aria-label="([^"]{40,})"', attributes)
        told = re.findall("<(?:title|desc)>([^<]+)</(?:title|desc)>", inner)
        assert label == ". ".join(told)
        assert "nan" not in inner
        assert "inf" not in re.sub("<[^>]*>", "", inner)


def test_a_failed_endpoint_has_a_diagnosis_and_a_next_step(html: str) -> None:
    section = html.split('id="slot-4"')[1].split("<section")[0]
    assert "Diagnosis and next step" in section
    assert "Speaks for it" in section
    assert "Next step" in section
    assert "Diagnosis and next step" not in html.split('id="slot-1"')[1].split("<section")[0]


def test_it_says_what_is_simulated_and_what_was_not_tested(html: str) -> None:
    text = parsed(html).text
    assert "This bench is simulated" in text
    assert "north (5): soak was planned and not begun" in text
    assert "no margin step was planned" in text
    assert "Anything about a real card, slot or computer from the endpoints that are simulated." in text
    assert "Cautions" not in text  # nobody's hands go near a simulated computer


def test_a_physical_card_brings_the_cautions_and_whether_they_were_read(tmp_path: Path) -> None:
    result = runner.run(
        plans.builtin().over(["chardev:/dev/none"]), tmp_path / "run.ledger", cautions_acknowledged=True
    )
    for read, says in ((True, "put on record that these were read"), (False, "not on record that the operator")):
        assert result.environment["cautions_acknowledged"]
        environment = {**result.environment, "cautions_acknowledged": read}
        text = parsed(render_html(attrs.evolve(result, environment=environment))).text
        assert says in text
        assert "Never plug or unplug auxiliary power live" in text


def test_the_testers_own_check_is_shown_with_what_it_was_held_against(html: str) -> None:
    text = parsed(html).text
    assert "Passed when the run began" in text
    assert "cbf43926" in text
    rewritten = html.split("Check values, computed when the run began")[-1].split("</table>")[0]
    assert rewritten.count("<td>yes</td>") == 6


def test_printed_pages_are_numbered_and_name_the_report(html: str) -> None:
    (number,) = set(re.findall("Report (LP-[0-9a-f]{12}), issue 1", html))
    assert f'@bottom-left {{ content: "laneproof report {number}, issue 1"' in html
    assert 'content: "page " counter(page) " of " counter(pages)' in html
    assert "relates only to the items tested" in html


# --- in a browser


@pytest.fixture(scope="module")
def shorter(html: str) -> str:
    """Two endpoints, which between them have all that there is to see: browsers take their time."""
    return re.sub('<section aria-labelledby="slot-[125678]">.*?</section>', "", html, flags=re.DOTALL)


CHROMIUM = shutil.which("chromium")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")


def chromium(page: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """A browser without a network, and with a profile of its own."""
    known = ["--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr", "--no-first-run"]
    closed = ["--disable-background-networking", "--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND"]
    command = [str(CHROMIUM), *known, *closed, f"--user-data-dir={page.parent}/profile", *options, page.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)


def complaints(done: subprocess.CompletedProcess[str]) -> list[str]:
    return [line for line in done.stderr.splitlines() if "CONSOLE" in line]


@pytest.fixture
def browsed(tmp_path: Path) -> Callable[..., tuple[Nesting, list[str]]]:
    """The document as a browser has read it, and what it put on its console."""

    def browse(html: str, *options: str) -> tuple[Nesting, list[str]]:
        page = tmp_path / "report.html"
        page.write_text(html)
        done = chromium(page, "--dump-dom", *options)
        return parsed(done.stdout), complaints(done)

    return browse


@needs_chromium
def test_a_browser_shows_it_all_and_finds_nothing_to_complain_of_or_to_fetch(
    shorter: str, browsed: Callable[..., tuple[Nesting, list[str]]]
) -> None:
    """The policy in the document makes the browser complain of every request; the second page shows that it does."""
    document, console = browsed(shorter)
    assert document.text.split() == parsed(shorter).text.split()
    assert console == []
    _, console = browsed(
        f'{shorter.split("<title>")[0]}<title>-</title></head><body><img src="nothing.png"></body></html>'
    )
    assert any("Content Security Policy" in line for line in console)


LOOK = """
addEventListener("load", async () => {
  const before = document.documentElement.outerHTML;
  const plots = [...document.querySelectorAll("svg.plot")].map(svg => {
    const box = svg.getBoundingClientRect(), marks = [...svg.querySelectorAll("rect, path")];
    return {width: box.width, height: box.height,
            drawn: marks.filter(one => one.getBBox().width + one.getBBox().height > 0).length};
  });
  const found = await axe.run(document, {resultTypes: ["violations"]});
  const over = {};
  for (const width of [375, 1280]) {
    const frame = document.createElement("iframe");
    frame.style.cssText = `width:${width}px;height:900px;border:0`;
    frame.srcdoc = before.replace(/<script.*?<\\/script>/gs, "");
    await new Promise(done => { frame.onload = done; document.body.append(frame); });
    const root = frame.contentDocument.documentElement;
    over[width] = root.scrollWidth - root.clientWidth;
  }
  const told = found.violations.map(one => [one.id, one.nodes.map(node => node.html)]);
  document.documentElement.innerHTML = "<pre></pre>";
  document.querySelector("pre").textContent = JSON.stringify({plots, over, told});
});
"""


def looked_at(html: str, folder: Path, *options: str) -> dict[str, Any]:
    """What axe-core objects to, how the plots lie, and by how much the page is wider than two windows."""
    from axe_core_python.base import AXE_FILE_PATH

    page = folder / "looked-at.html"
    scripts = f"<script>{Path(AXE_FILE_PATH).read_text('utf-8')}</script><script>{LOOK}</script></head>"
    page.write_text(re.sub("<meta http-equiv=.*?>", "", html).replace("</head>", scripts, 1))
    done = chromium(page, "--dump-dom", "--virtual-time-budget=20000", "--window-size=1280,900", *options)
    found: dict[str, Any] = json.loads(entities.unescape(done.stdout.split("<pre>")[1].split("</pre>")[0]))
    return found


@needs_chromium
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_can_be_read_by_everybody_in_light_and_dark(shorter: str, tmp_path: Path, scheme: str) -> None:
    """What was broken on purpose is found, and nothing else."""
    broken = '<main id="main"><p style="color:#999;background:#bbb">faint</p><img src="data:,">'
    dark = ["--blink-settings=preferredColorScheme=0"] if scheme == "dark" else []
    found = looked_at(shorter.replace('<main id="main">', broken), tmp_path, *dark)
    assert {name: len(nodes) for name, nodes in found["told"]} == {"color-contrast": 1, "image-alt": 1}
    assert len(found["plots"]) == shorter.count("<svg ")
    assert all(plot["drawn"] > 3 and plot["width"] > 400 and plot["height"] > 60 for plot in found["plots"])
    assert found["over"] == {"375": 0, "1280": 0}
