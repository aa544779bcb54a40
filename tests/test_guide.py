"""The documents that the guide shows are ones that laneproof accepts, and its tables name what there is."""

from __future__ import annotations

import ast
import html
import re
import tomllib
from pathlib import Path

import attrs
import pytest

import laneproof
from laneproof import cli, pcie
from laneproof.campaign import plan
from laneproof.campaign.steps import STEPS
from laneproof_sim import scenario_file
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES
from laneproof_sim.limits_of_model import NOT_MODELLED

GUIDE = Path(laneproof.__file__).parent / "guide"


def _example(page: str) -> str:
    found = re.search(r"^```toml\n(.*?)^```$", (GUIDE / page).read_text("utf-8"), re.MULTILINE | re.DOTALL)
    assert found
    return found[1]


def test_the_plan_that_the_guide_shows_is_valid() -> None:
    shown = plan.parse(tomllib.loads(_example("plans.md")), "guide")
    assert [plan.kind_of(step) for step in shown.step] == list(STEPS)


def test_the_scenario_that_the_guide_shows_trains(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(_example("bench.md"), "utf-8")
    with laneproof.open(f"sim:{path}#a") as card:
        near = card.read_link().near
        assert not isinstance(near, laneproof.Unavailable)
        assert (near.speed_gtps, near.width) == (8.0, 4)


@pytest.mark.parametrize("kind", STEPS)
def test_the_guide_names_every_key_of_a_step(kind: str) -> None:
    page = (GUIDE / "plans.md").read_text("utf-8")
    section = page.split(f"## step: {kind}")[1].split("## step:")[0]
    assert [field.name for field in attrs.fields(STEPS[kind]) if f"`{field.name}`" not in section] == []


def test_the_guide_names_every_bench_and_every_fault() -> None:
    page = (GUIDE / "bench.md").read_text("utf-8")
    kinds = [fault.kind for fault in (*CATALOGUE, *IN_SWITCHES)]
    assert [name for name in (*scenario_file.shipped(), *kinds) if f"| `{name}` |" not in page] == []


def test_the_guide_gives_the_worth_of_each_pattern_as_the_tests_measure_it() -> None:
    page = (GUIDE / "data.md").read_text("utf-8")
    shown = {
        name: (int(missed), int(told))
        for name, missed, told in re.findall(r"^\| ([a-z0-9-]+) \| (\d+) \| (\d+) \|$", page, re.MULTILINE)
    }
    measured = (Path(__file__).parent / "sdk/integrity/test_origin_signatures.py").read_text("utf-8")
    worth = ast.literal_eval(measured.split("\nWORTH = ")[1].split("\n}\n")[0] + "\n}")
    assert shown == worth


def test_the_code_that_the_guide_shows_on_data_runs() -> None:
    page = (GUIDE / "data.md").read_text("utf-8")
    names: dict[str, object] = {}
    for block in re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL):
        exec(block, names)
    assert getattr(names["result"], "ok", False)


def test_the_guide_shows_what_a_ceiling_prints(capsys: pytest.CaptureFixture[str]) -> None:
    page = (GUIDE / "ceilings.md").read_text("utf-8")
    shown = page.split("```console\n$ laneproof ")[1].split("```")[0]
    command, _, printed = shown.partition("\n")
    assert cli.main(command.split()) == 0
    assert [line.rstrip() for line in capsys.readouterr().out.splitlines()] == printed.splitlines()


def test_the_code_that_the_guide_shows_on_ceilings_runs() -> None:
    page = (GUIDE / "ceilings.md").read_text("utf-8")
    (block,) = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    names: dict[str, object] = {}
    exec(block, names)
    assert names["slowest"] == 1


def _error_sections() -> dict[str, str]:
    page = (GUIDE / "errors.md").read_text("utf-8").partition("## Correctable errors")[2]
    return {section.split()[0]: section.split("\n", 1)[1] for section in page.split("\n### ")[1:]}


def test_the_guide_has_a_section_for_each_error_and_no_other() -> None:
    assert list(_error_sections()) == list(pcie.CATALOGUE)


@pytest.mark.parametrize("error", pcie.CATALOGUE.values(), ids=list(pcie.CATALOGUE))
def test_the_guide_says_of_each_error_what_the_decoder_says(error: pcie.AerError) -> None:
    section = _error_sections()[error.name]
    layer = error.layer if error.layer == "internal" else f"{error.layer} layer"
    severity = "" if error.group == "correctable" else f", {error.default_severity} by default"
    masked = ", masked by default" if error.masked_by_default else ""
    assert section.startswith(f"{error.group.capitalize()} bit {error.bit}, {layer}{severity}{masked}.\n")
    labels = re.findall(r"^- ([A-Z][a-z ]+): \S", section, re.MULTILINE)
    assert labels == ["Seen by", "Cause", "Data", "Rate", "Try", "Source"]


def test_no_correctable_error_is_said_to_lose_data() -> None:
    for error in pcie.CORRECTABLE:
        assert re.search(
            r"^- Data: (intact|late, not lost|as for the other|nothing of its own)",
            _error_sections()[error.name],
            re.MULTILINE,
        )


@pytest.mark.parametrize("page", ["ceilings.md", "errors.md", "frames.md"])
def test_a_page_to_be_read_on_a_terminal_fits_into_it(page: str) -> None:
    assert [line for line in (GUIDE / page).read_text("utf-8").splitlines() if len(line) > 80] == []


@pytest.mark.parametrize("bench", ["demo", "empty-slot"])
def test_every_report_on_a_bench_says_what_is_not_modelled(bench: str, tmp_path: Path) -> None:
    cli.main(["run", "--endpoint", f"sim:{bench}#north", "--ledger", str(tmp_path / "run.ledger")])
    report = " ".join(html.unescape((tmp_path / "run.html").read_text("utf-8")).split())
    assert [sentence for sentence in NOT_MODELLED if sentence[1:] not in report] == []
