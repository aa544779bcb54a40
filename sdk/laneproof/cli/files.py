"""Writes a document whole or not at all."""

from __future__ import annotations

import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

from laneproof.errors import BadInput, StorageFault


def report_beside(ledger: Path) -> Path:
    """Where the report of a ledger lies unless told otherwise. Raises BadInput if no other file can lie there."""
    if not ledger.name or ledger.suffix == ".html":
        raise BadInput(f'"{ledger}" cannot be a ledger with its report beside it; give a name such as run.ledger')
    return ledger.with_suffix(".html")


def write_whole(path: Path, text: str | bytes, what: str, *, durable: bool = True) -> None:
    """Write `text` to `path`, by way of a temporary file beside it, so that nothing half-written is ever seen.

    "-" is standard output. What exists and is no regular file (a FIFO, say) is written to directly. What need not be
    `durable` may be lost with the power. Raises StorageFault for a full or read-only disk, a missing folder, no
    permission.
    """
    if str(path) == "-":
        _to_standard_output(text)
        return
    content = text if isinstance(text, bytes) else text.encode("utf-8")
    try:
        if path.exists() and not path.is_file():
            path.write_bytes(content)
            return
        _replace(path, content, durable)
    except OSError as error:
        raise StorageFault(f"cannot write {what} {path}: {error.strerror or error}; nothing was left there") from error


def _to_standard_output(text: str | bytes) -> None:
    if isinstance(text, str):
        sys.stdout.write(text)
    else:
        sys.stdout.buffer.write(text)


def _replace(path: Path, content: bytes, durable: bool) -> None:
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            if durable:
                os.fsync(file.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise
