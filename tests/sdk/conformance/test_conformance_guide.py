"""The guide's page on integrating says of each rule what the code says, and shows code that works."""

from __future__ import annotations

import re
from pathlib import Path

import laneproof
from laneproof.conformance import RULES, Rig

PAGE = (Path(laneproof.__file__).parent / "guide" / "integrating.md").read_text("utf-8")


def test_the_page_has_each_rule_with_its_tier_its_meaning_and_its_remedy_in_order() -> None:
    listed = " ".join(PAGE.partition("\n## The rules\n")[2].split())
    shown = [f"- `{rule.name}` ({rule.tier}). {rule.states} *If broken*: {rule.remedy}." for rule in RULES]
    assert [entry for entry in shown if entry not in listed] == []
    assert re.findall(r"- `([a-z-]+)` \(", listed) == [rule.name for rule in RULES]


def test_the_page_names_all_that_a_rig_can_have() -> None:
    public = [name for name in vars(Rig) if not name.startswith("_")]
    assert [name for name in public if not re.search(rf"`{name}[`(]|\b{name} = ", PAGE)] == []


def test_the_page_shows_a_rig_that_can_be_made() -> None:
    (block,) = re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    names: dict[str, type[Rig]] = {}
    exec(block, names)
    assert names["MyRig"]().uri == "mycard:0000:65:00.0"


def test_cautions_come_before_anything_else() -> None:
    first = PAGE.split("\n## ")[1]
    assert first.startswith("1. Before hands go near the computer\n")
    assert "[cautions](cautions.md)" in first


def test_the_page_fits_into_a_terminal() -> None:
    assert [line for line in PAGE.splitlines() if len(line) > 80] == []
