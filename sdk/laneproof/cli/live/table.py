"""The slots of a run as lines of text: what the terminal shows live, and the status file holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from laneproof.cli.live.state import EndErrors, SlotState
from laneproof.cli.summary import STYLES
from laneproof.cli.words import one_line
from laneproof.units import format_bytes_per_s, format_seconds

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table
    from rich.text import Text

NOTHING = "–"
_GAP = 1
_LONGEST_NAME = 11


def view(slots: Sequence[SlotState], heading: str, width: int) -> Iterator[RenderableType]:
    """A heading, a line for each slot in `width` columns, what happened last in each, and what the marks mean."""
    from rich.text import Text

    def line(text: str) -> Text:
        return Text(one_line(text), style="dim", no_wrap=True, overflow="ellipsis")

    yield line(heading)
    yield _table(slots, width)
    for slot in slots:
        if slot.note:
            yield line(f"{slot.name}, at {format_seconds(slot.note_s)}: {slot.note}")
    harmful = any(end.harmful for slot in slots for end in (slot.near, slot.far))
    yield line(f"near, far: errors counted at either end{'; !: uncorrectable ones among them' if harmful else ''}")
    if any(slot.virtual_time for slot in slots):
        yield line("* in virtual time: rate and time left are by the simulated card's clock")


def _table(slots: Sequence[SlotState], width: int) -> Table:
    from rich.table import Table
    from rich.text import Text

    name_width = max(4, *(min(_LONGEST_NAME, Text(_name(slot)).cell_len) for slot in slots), 0)
    # As they stand, and in the order in which they are given room.
    columns: list[tuple[str, int, int, Callable[[SlotState], Text]]] = [
        ("slot", name_width, 0, lambda slot: Text(_name(slot))),
        ("step", 14, 2, lambda slot: Text(_step(slot))),
        ("done", 4, 3, lambda slot: Text(NOTHING if slot.share is None else f"{int(100 * slot.share)}%")),
        ("exposure", 9, 6, lambda slot: Text(format_bits(slot.exposure_bits))),
        ("rate", 9, 7, lambda slot: Text(_rate(slot.bytes_per_s))),
        ("near", 5, 4, lambda slot: _errors(slot.near)),
        ("far", 5, 5, lambda slot: _errors(slot.far)),
        ("left", 8, 8, lambda slot: Text(NOTHING if slot.left_s is None else format_left(slot.left_s))),
        ("verdict", 7, 1, _verdict),
    ]
    shown: set[str] = set()
    room = width + _GAP
    for title, needed, _, _ in sorted(columns, key=lambda column: column[2]):
        room -= needed + _GAP
        if shown and room < 0:
            break
        shown.add(title)
    table = Table(box=None, padding=(0, _GAP, 0, 0), pad_edge=False, header_style="bold")
    kept = [column for column in columns if column[0] in shown]
    for title, needed, _, _ in kept:
        left = title in ("slot", "step", "verdict")
        table.add_column(title, width=needed, no_wrap=True, overflow="ellipsis", justify="left" if left else "right")
    for slot in slots:
        table.add_row(*(cell(slot) for _, _, _, cell in kept))
    return table


def _name(slot: SlotState) -> str:
    """Its name, cut so that the mark for virtual time always shows."""
    from rich.text import Text

    mark = "*" if slot.virtual_time else ""
    name = Text(one_line(slot.name))
    name.truncate(_LONGEST_NAME - len(mark), overflow="ellipsis")
    return f"{name.plain}{mark}"


def _step(slot: SlotState) -> str:
    return f"{slot.step + 1}/{slot.steps} {one_line(slot.kind)}" if slot.phase == "step" else slot.phase


def _rate(bytes_per_s: float | None) -> str:
    return NOTHING if bytes_per_s is None else format_bytes_per_s(bytes_per_s)


def _errors(end: EndErrors) -> Text:
    from rich.text import Text

    if not end.known:
        return Text("?", style="dim")
    style = "bold red" if end.harmful else "yellow" if end.total else ""
    return Text(f"{'' if end.exact else '≥'}{_short(end.total)}{'!' if end.harmful else ''}", style=style)


def _short(count: int) -> str:
    """In at most three letters or nearly: 999, 12k, 3M."""
    for factor, unit in ((10**9, "G"), (10**6, "M"), (10**3, "k")):
        if count >= factor:
            return f"{count // factor}{unit}"
    return str(count)


def _verdict(slot: SlotState) -> Text:
    from rich.text import Text

    return Text(NOTHING) if slot.verdict is None else Text(str(slot.verdict), style=STYLES[slot.verdict])


def format_bits(count: int) -> str:
    """Bits for a reader, with decimal prefixes: "1.06 Tbit"."""
    for factor, unit in ((10**15, "Pbit"), (10**12, "Tbit"), (10**9, "Gbit"), (10**6, "Mbit"), (10**3, "kbit")):
        if count >= factor:
            value = count / factor
            return f"{value:.0f} {unit}" if value >= 99.95 else f"{value:.3g} {unit}"
    return f"{count} bit"


def format_left(seconds: float) -> str:
    """Seconds as minutes or hours on a clock: "4:10", "63:59:59"."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
