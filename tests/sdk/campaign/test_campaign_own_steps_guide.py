"""The page on steps of one's own: its code runs, and what it says is public is there."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import attrs

import laneproof
from laneproof.campaign import runner
from laneproof.documents import Seconds

PAGE = (Path(laneproof.__file__).parent / "guide" / "steps.md").read_text("utf-8")


def test_the_code_that_the_page_shows_runs(tmp_path: Path) -> None:
    names: dict[str, Any] = {"__name__": __name__}
    for block in re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL):
        exec(block, names)
    plan = attrs.evolve(names["plan"], step=(*names["plan"].step, names["RestStep"](rest=Seconds(0.5))))
    (endpoint,) = runner.run(plan, tmp_path / "run.ledger").endpoints
    assert [(step.kind, str(step.verdict)) for step in endpoint.steps] == [("burst", "pass"), ("rest", "pass")]
    assert endpoint.steps[0].measures["rounds"] == 4


def test_what_the_page_calls_public_is_there() -> None:
    of_slot, of_findings = PAGE.split("| of `slot` | |")[1].split("| of `findings` | |")
    for table, kind in ((of_slot, laneproof.Slot), (of_findings.split("\n\n")[0], laneproof.Findings)):
        shown = re.findall(r"`(\w+)(?:\([^)]*\))?`", "\n".join(line.split("|")[1] for line in rows(table)))
        assert len(shown) >= 7
        assert [name for name in shown if not hasattr(kind, name)] == []


def rows(table: str) -> list[str]:
    return [line for line in table.splitlines() if line.startswith("| `")]
