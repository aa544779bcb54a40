"""The guide's page on diagnosis says what the rules say, and shows what a run prints."""

from __future__ import annotations

from pathlib import Path

import pytest

import laneproof
from laneproof import cli
from laneproof.insight.diagnosis import Mechanism, rules

PAGE = Path(laneproof.__file__).parent / "guide" / "diagnosis.md"
KNOWN = rules()


def table_row(one: Mechanism) -> str:
    """A mechanism as the page has it: what speaks for it, what confirms it, and where the rule is from."""
    titles = {sign.name: sign.title for sign in KNOWN.sign if sign.kind != "absence"}
    does = {experiment.name: experiment.does for experiment in KNOWN.experiment}
    telling = [titles[name] for name, level in one.signs.items() if level in ("always", "usually") and name in titles]
    strong = [does[name] for name, level in one.experiments.items() if level in ("always", "usually")]
    confirms = " ".join(strong or [does[name] for name, level in one.experiments.items() if level == "sometimes"])
    where = f"{one.title}: {one.where}"
    return f"| `{one.name}` | {where} | {'; '.join(telling)} | {confirms} | {one.source} |"


def test_the_page_has_a_row_for_each_mechanism_as_the_rules_have_it() -> None:
    rows = [line for line in PAGE.read_text("utf-8").splitlines() if line.startswith("| `")]
    assert rows == [table_row(one) for one in KNOWN.mechanism]


def test_the_example_is_what_a_run_prints(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown = PAGE.read_text("utf-8").split("```console\n$ laneproof ")[1].split("```")[0]
    command, _, printed = shown.partition("\n")
    cli.main([*command.split(), "--ledger", str(tmp_path / "run.ledger")])
    lines = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    first = next(number for number, line in enumerate(lines) if line.startswith("  diagnosis"))
    expected = [line for line in printed.splitlines() if line and line != "…"]
    assert lines[first : first + len(expected)] == expected
