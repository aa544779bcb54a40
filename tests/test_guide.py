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
from laneproof import cli
from laneproof.campaign import plan
from laneproof.campaign.steps import STEPS
from laneproof_sim import scenario_file
from laneproof_sim.faults import CATALOGUE
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
    kinds = [fault.kind for fault in CATALOGUE]
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


@pytest.mark.parametrize("bench", ["demo", "empty-slot"])
def test_every_report_on_a_bench_says_what_is_not_modelled(bench: str, tmp_path: Path) -> None:
    cli.main(["run", "--endpoint", f"sim:{bench}#north", "--ledger", str(tmp_path / "run.ledger")])
    report = " ".join(html.unescape((tmp_path / "run.html").read_text("utf-8")).split())
    assert [sentence for sentence in NOT_MODELLED if sentence[1:] not in report] == []
