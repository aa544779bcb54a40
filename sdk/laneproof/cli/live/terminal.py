"""The table of a run on a terminal, drawn over itself; it makes way for the result. What it shows is in `table`."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from laneproof.cli.words import fit

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.live import Live


def can_draw(human: Console) -> bool:
    """Whether lines may be drawn over: on a terminal that knows how, and never in a file, whatever the environment
    asks for."""
    return human.file.isatty() and human.is_interactive and not human.is_dumb_terminal


@contextmanager
def drawing(human: Console, lines: Callable[[int], Iterator[RenderableType]]) -> Generator[Callable[[], None]]:
    """A function that draws what `lines` returns for a number of columns, from one thread at a time; cleared away at
    the end.

    A terminal that has gone away is drawn on no more: whoever measures goes on.
    """
    from rich.console import Group
    from rich.live import Live

    def begin() -> Live:
        live = Live(
            get_renderable=lambda: Group(*lines(human.width)), console=human, auto_refresh=False, transient=True
        )
        live.start()
        return live

    live, gone = begin(), False
    size = _size(human)

    def draw() -> None:
        nonlocal live, gone, size
        if gone:
            return
        try:
            if (now := _size(human)) != size:  # the terminal has folded what was drawn: no telling where it stands
                size = now
                live.stop()
                fit(human)
                human.clear()
                live = begin()
            live.refresh()
        except OSError:
            gone = True

    try:
        yield draw
    finally:
        with suppress(OSError):
            live.stop()


def _size(human: Console) -> os.terminal_size | None:
    try:
        return os.get_terminal_size(human.file.fileno())
    except OSError:
        return None
