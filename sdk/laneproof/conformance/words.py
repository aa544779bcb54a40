"""How errors and sizes read in a finding: on one line, with the kind of error named."""

from __future__ import annotations

from laneproof.documents import printable


def told(error: BaseException) -> str:
    """The kind of error and its text, on one line of at most 300 characters."""
    text = printable(str(error), instead=" ").strip()
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def times(count: int, what: str) -> str:
    """ "1 size", "12 sizes"."""
    return f"{count} {what}{'s' * (count != 1)}"
