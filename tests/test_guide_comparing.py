"""The guide's page on comparisons shows what is printed: of a bench that lost a lane, of recorded noise, of swaps."""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

import pytest

import laneproof
from laneproof import cli
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.cli.compare_text import print_comparison
from laneproof.cli.words import console
from laneproof.insight.comparison import compare_runs
from laneproof.insight.comparison_noise import largest_spread

sys.path.insert(0, str(Path(__file__).parent / "sdk" / "insight"))
from recorded_noise import recorded_runs

PAGE = (Path(laneproof.__file__).parent / "guide" / "comparing.md").read_text("utf-8")
FAULT = '[[slot.fault]]\nkind = "bit-flips"\nprobability = 1e-3\n'
SWAPPED = plans.parse({"schema": 1, "repeat": 3, "step": [{"kind": "integrity", "bytes": "16 KiB"}]}, "swap.toml")


def _blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


def _shown(command: str) -> list[str]:
    """The lines that the page shows below a command, up to the next, without those left out."""
    for block in _blocks("console"):
        after = block.replace("\\\n    ", "").partition(f"$ laneproof {command}\n")[2]
        if after:
            return [line for line in after.partition("\n$ ")[0].splitlines() if line != "…"]
    raise AssertionError(f"the page does not show {command}")


def _printed(capsys: pytest.CaptureFixture[str]) -> list[str]:
    return [line.rstrip() for line in capsys.readouterr().out.splitlines()]


def _station(cards: dict[str, str]) -> str:
    """A bench of three slots; card A flips bits."""
    text = 'schema = 1\nname = "station"\ninvented = "invented: tide gauges"\ndescription = "Cards move."\n'
    for slot, card in cards.items():
        text += (
            f'[[slot]]\nname = "{slot}"\nwiring = 1\n'
            'near = { max_speed = "8 GT/s", max_width = 1, max_payload = "256 B" }\n'
            '[slot.card]\nmax_speed = "8 GT/s"\nmax_width = 1\nmax_payload = "256 B"\n'
            f'model = "echo card"\nserial = "invented-{card}"\n{FAULT if card == "A" else ""}'
        )
    return text


def test_the_page_shows_what_a_lost_lane_comes_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    plan = plans.parse(tomllib.loads(_blocks("toml")[0]), "plan.toml")
    for command in re.findall(r"^\$ laneproof (run .*)$", _blocks("console")[0], re.MULTILINE):
        _, _, *endpoint, _, ledger = command.split()
        runner.run(plan.over(endpoint[1:]) if endpoint else plan, Path(ledger))
    assert cli.main(["compare", "monday.ledger", "friday.ledger"]) == 1
    shown = _shown("compare monday.ledger friday.ledger")
    assert len(shown) > 20
    assert _printed(capsys)[3:] == shown


def test_the_page_shows_what_noise_leaves_open(capsys: pytest.CaptureFixture[str]) -> None:
    runs = recorded_runs()
    found = compare_runs(runs[:3], runs[3:4])
    print_comparison(console(), found, ["one.ledger", "two.ledger", "three.ledger"], ["four.ledger"])
    printed = _printed(capsys)
    shown = _shown("compare one.ledger two.ledger three.ledger --with four.ledger")
    assert len(shown) >= 8
    assert [line for line in shown if line not in printed] == []


def test_the_page_shows_what_swaps_come_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for when, cards in (("evening", "ABC"), ("morning", "BAC")):
        slots = ("north", "middle", "south")
        (tmp_path / f"{when}.toml").write_text(_station(dict(zip(slots, cards, strict=True))))
        runner.run(SWAPPED.over([f"sim:{when}.toml#{slot}" for slot in slots]), Path(f"{when}.ledger"))
    assert cli.main(["compare", "--swap", "evening.ledger"]) == 3
    assert _printed(capsys) == _shown("compare --swap evening.ledger")
    labels = [f"--label={when}.ledger#south:riser=R1" for when in ("evening", "morning")]
    command = ["compare", "--swap", "evening.ledger", "morning.ledger", *labels]
    assert cli.main(command) == 0
    assert _printed(capsys) == _shown(" ".join(command).replace("--label=", "--label "))


def test_the_page_states_the_spreads_that_are_computed() -> None:
    rows = re.findall(r"^\| (\d+) and (\d+) \| ([\d.]+) % \| ([\d.]+) % \| ([\d.]+) % \|$", PAGE, re.MULTILINE)
    assert len(rows) == 5
    for earlier, later, *shares in rows:
        stated = [largest_spread(int(earlier), int(later), comparisons) or 0.0 for comparisons in (1, 3, 9)]
        assert [f"{100 * share:.2f}" for share in stated] == shares


def test_the_page_fits_into_a_terminal() -> None:
    assert [line for line in PAGE.splitlines() if len(line) > 88 and not line.startswith("|")] == []
    assert [line for block in _blocks("console") for line in block.splitlines() if len(line) > 80] == []
