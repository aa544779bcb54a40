"""The live table as text: 80 columns and less, whatever slots are called, and the same without a terminal."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console, Group

from laneproof.campaign.verdict import Verdict
from laneproof.cli.live.state import EndErrors, SlotState
from laneproof.cli.live.table import format_bits, format_left, view

FULL = SlotState(
    name="north",
    steps=12,
    phase="step",
    step=11,
    kind="throughput",
    virtual_time=True,
    total=10**15,
    points=((0.0, 0), (1.0, 123_456_789_012)),
    moved={0: 10**15},
    at_open=(
        EndErrors(counts=(12_345, 0, 0), known=True),
        EndErrors(counts=(998, 1, 0), known=True, exact=True),
    ),
    verdict=Verdict.INCONC,
)


def drawn(*slots: SlotState, width: int = 80) -> list[str]:
    text = io.StringIO()
    console = Console(file=text, width=width, force_terminal=False, color_system=None)
    console.print(Group(*view(slots, "running", width)))
    return [line.rstrip() for line in text.getvalue().splitlines()]


def test_every_column_shows_in_80_columns_with_the_longest_values() -> None:
    heading, titles, row, *legend = drawn(FULL)
    assert heading == "running"
    assert titles.split() == ["slot", "step", "done", "exposure", "rate", "near", "far", "left", "verdict"]
    assert row.split() == [
        "north*", "12/12", "through…", "0%", "8", "Pbit", "123", "GB/s", "≥12k", "999!", "2:14:59", "inconc",
    ]  # fmt: skip
    assert any(line.startswith("* in virtual time") for line in legend)
    assert any("!: uncorrectable" in line for line in legend)


def test_what_is_not_known_is_no_number() -> None:
    row = drawn(SlotState(name="north", steps=1))[2]
    assert row.split() == ["north", "waiting", "–", "0", "bit", "–", "?", "?", "–", "–"]


def test_marks_are_explained_only_where_they_stand() -> None:
    text = "\n".join(drawn(SlotState(name="north", steps=1)))
    assert "virtual time" not in text
    assert "uncorrectable" not in text


@pytest.mark.parametrize(
    "name",
    [
        "n" * 300,
        "日本語の名前のスロット",
        "\x1b[2Jevil\r\n\x07",
        "a\nb",
        "[red]x[/red]",
        ":smile:",
        "",
        "\udcff",
        "e\u0301" * 40,
    ],
)
@pytest.mark.parametrize("width", [80, 57, 40, 12, 1])
def test_no_name_breaks_a_line_or_acts_on_the_terminal(name: str, width: int) -> None:
    state = SlotState(name=name, steps=1, virtual_time=True, note=f"link: {name * 9}", note_s=1.0)
    lines = drawn(state, FULL, width=width)
    assert len(lines) == 7  # heading, titles, two slots, a note, two lines of legend
    assert [line for line in lines if cell_len(line) > width] == []
    assert all(line.isprintable() or "\u0301" in line for line in lines)


def test_a_name_that_looks_like_markup_is_shown_as_it_is() -> None:
    assert drawn(SlotState(name="[red]x", steps=1))[2].startswith("[red]x ")


def test_a_name_that_is_cut_keeps_the_mark_of_virtual_time() -> None:
    assert drawn(SlotState(name="n" * 40, steps=1, virtual_time=True))[2].startswith("n" * 9 + "…* ")


@pytest.mark.parametrize(
    ("width", "titles"),
    [
        (80, ["slot", "step", "done", "exposure", "rate", "near", "far", "left", "verdict"]),
        (62, ["slot", "step", "done", "exposure", "near", "far", "verdict"]),
        (39, ["slot", "step", "done", "verdict"]),
        (20, ["slot", "verdict"]),
        (8, ["slot"]),
    ],
)
def test_a_narrow_terminal_shows_what_matters_most(width: int, titles: list[str]) -> None:
    assert drawn(FULL, width=width)[1].split() == titles


@pytest.mark.parametrize(
    ("bits", "shown"),
    [
        (0, "0 bit"),
        (999, "999 bit"),
        (1000, "1 kbit"),
        (12_345_678, "12.3 Mbit"),
        (999_949_999_999, "1000 Gbit"),
        (10**12, "1 Tbit"),
        (5 * 10**18, "5000 Pbit"),
    ],
)
def test_bits_fit_into_nine_letters(bits: int, shown: str) -> None:
    assert format_bits(bits) == shown
    assert len(shown) <= 9


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(0.2, "0:00"), (59.6, "1:00"), (61, "1:01"), (3599.4, "59:59"), (3600, "1:00:00"), (230_399, "63:59:59")],
)
def test_time_left_reads_as_on_a_clock(seconds: float, shown: str) -> None:
    assert format_left(seconds) == shown


def test_the_guide_shows_what_is_drawn() -> None:
    import laneproof

    page = (Path(laneproof.__file__).parent / "guide" / "running.md").read_text("utf-8")
    for line in drawn(*EXAMPLE)[1:]:
        assert line in page.splitlines()


EXAMPLE = (
    SlotState(
        name="north",
        steps=4,
        phase="step",
        step=3,
        kind="soak",
        planned_s=216_000.0,
        points=((96_000.0, 0), (97_000.0, 6_710_000_000_000)),
        moved={3: 81_375_000_000_000},
        at_open=(EndErrors(known=True, exact=True), EndErrors(counts=(3, 0, 0), known=True)),
        verdict=Verdict.PASS,
        note="link: the near end went from 8 GT/s to 5 GT/s",
        note_s=3724.0,
    ),
    SlotState(
        name="middle",
        steps=4,
        phase="step",
        step=2,
        kind="throughput",
        virtual_time=True,
        total=100_663_296,
        points=((2.0, 16_777_216), (2.004, 50_331_648)),
        moved={2: 50_331_648},
        at_open=(EndErrors(known=True, exact=True), EndErrors(known=True, exact=True)),
        verdict=Verdict.FAIL,
    ),
    SlotState(name="south", steps=4, phase="finished", verdict=Verdict.ERROR),
)
