"""Text for a terminal: strings from outside made harmless, and the console that human output goes to."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

from laneproof.documents import printable

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80
"""Columns that output fits into where it does not go to a terminal, and at most fills on one."""


def one_line(text: str) -> str:
    """`text` on one line, with nothing in it that a terminal would act on."""
    return printable(text, instead=" ", most=None)


def console(*, errors: bool = False) -> Console:
    """A console of at most 80 columns; `errors` writes to standard error. No markup: text may come from a device."""
    from rich.console import Console

    class PlainConsole(Console):
        def on_broken_pipe(self) -> None:
            raise

    stream = sys.stderr if errors else sys.stdout
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:  # what its encoding lacks is no reason to break off a run
        reconfigure(errors="replace")
    made = PlainConsole(file=stream, markup=False, highlight=False, emoji=False)
    made.width = min(made.width, WIDTH) if made.file.isatty() else WIDTH
    return made


def fit(console: Console) -> None:
    """Take on the width that the console's terminal has now."""
    with suppress(OSError):
        console.width = min(os.get_terminal_size(console.file.fileno()).columns or WIDTH, WIDTH)
