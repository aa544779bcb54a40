"""The status file of a run: the live table as plain text, replaced as a whole about once a second."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from laneproof.cli.files import write_whole
from laneproof.cli.words import WIDTH, one_line
from laneproof.errors import BadInput, StorageFault

if TYPE_CHECKING:
    from rich.console import RenderableType

FIRST_WORDS = "laneproof run of "


def check_path(path: Path, taken: Iterable[Path]) -> None:
    """Refuse a path that holds, or is to hold, anything but a status file. Raises BadInput."""
    if str(path) == "-":
        raise BadInput("--status -: a status file is replaced again and again; name a file")
    if path.absolute() in [other.absolute() for other in taken]:
        raise BadInput(f"--status {path}: the run reads or writes that file; name another")
    try:
        with path.open("rb") as file:
            known = path.is_file() and file.read(len(FIRST_WORDS)) in (b"", FIRST_WORDS.encode())
    except FileNotFoundError:
        return
    except OSError as error:
        raise BadInput(f"--status {path}: {error.strerror}; name a file that can be written") from error
    if not known:
        raise BadInput(f"--status {path} exists and is no status file; name another")


class StatusFile:
    """Written by one thread. That it cannot be written stops no run: it is said once, and tried again."""

    def __init__(self, path: Path, about: Iterable[str]) -> None:
        """`about`: what is known of the run from its start, a phrase each."""
        self._path = path
        self._about = f"{FIRST_WORDS}{one_line(', '.join(about))}"
        self._said = False

    def write(self, lines: Iterable[RenderableType], last: str) -> None:
        """Raises StorageFault."""
        from rich.console import Console, Group

        text = io.StringIO()
        console = Console(
            file=text, width=WIDTH, force_terminal=False, color_system=None, markup=False, highlight=False, emoji=False
        )
        console.print(Group(*lines))
        drawn = "\n".join(line.rstrip() for line in text.getvalue().splitlines())
        write_whole(self._path, f"{self._about}\n{drawn}\n\n{last}\n", "status file", durable=False)

    def write_or_say(self, lines: Iterable[RenderableType], last: str) -> None:
        """The same, with one line on standard error the first time that it fails."""
        try:
            self.write(lines, last)
        except StorageFault as error:
            if not self._said:
                self._said = True
                why = getattr(error.__cause__, "strerror", None) or error
                text = f"status file {self._path} cannot be written: {why}; what it shows is old, and the run goes on"
                print(f"laneproof: {one_line(text)}", file=sys.stderr)
