"""A run while it goes: a table that lives on a terminal, a line per step elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from attrs import define

from laneproof.campaign.events import Event, Noted, Progress, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.plan import Plan
from laneproof.cli.words import one_line
from laneproof.units import format_bytes

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

REFRESHES_PER_S = 8
_BAR = 20


@define
class _Row:
    state: str = "opening"
    done: int = 0
    total: int | None = None


@contextmanager
def watch(human: Console, plan: Plan) -> Generator[Callable[[Event], None]]:
    """A function that takes each event of the run and shows it, for as long as the block lasts."""
    if not human.is_terminal or human.is_dumb_terminal:
        yield lambda event: _print_plain(human, event)
        return
    from rich.live import Live

    rows = {name: _Row() for name in plan.names()}
    with Live(get_renderable=lambda: _table(rows), console=human, refresh_per_second=REFRESHES_PER_S, transient=True):
        yield lambda event: _update(rows[event.slot], event)


def _print_plain(human: Console, event: Event) -> None:
    match event:
        case StepFinished():
            human.print(f"{one_line(event.slot)}: {event.result.kind}: {event.result.verdict}")
        case Noted():
            human.print(f"{one_line(event.slot)}: {event.kind}: {one_line(event.text)}")
        case _:
            pass


def _update(row: _Row, event: Event) -> None:
    match event:
        case StepStarted():
            row.state, row.done, row.total = event.kind, 0, None
        case Progress():
            row.done, row.total = event.done, event.total
        case StepFinished():
            row.state = f"{event.result.kind}: {event.result.verdict}"
        case SlotFinished():
            row.state = "finished"
        case _:
            pass


def _table(rows: dict[str, _Row]) -> Table:
    from rich.table import Table

    table = Table.grid(padding=(0, 2))
    for name, row in rows.items():
        part = min(1.0, row.done / row.total) if row.total else 0.0
        filled = round(part * _BAR)
        bar = "━" * filled + "─" * (_BAR - filled) if row.total else ""
        table.add_row(one_line(name)[:24], row.state, bar, format_bytes(row.done) if row.done else "")
    return table
