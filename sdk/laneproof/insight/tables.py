"""Writes a ledger's tables into files, for spreadsheets and for programs that compute: CSV, since every one reads it.

Row after row, so that a run of months takes no more memory than one of minutes, but for what its report takes too.
"""

from __future__ import annotations

import csv
import os
import shutil
import tempfile
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import Any

from laneproof.campaign.ledger.tables import TABLES, Cell, Row, Table, table_rows
from laneproof.errors import BadInput, StorageFault

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "'")
"""What spreadsheets take for the beginning of a formula (OWASP, "CSV Injection"), and the sign that says it is none."""


def write_tables(ledger: Path, folder: Path) -> tuple[Path, ...]:
    """One file for each table, in `folder`, which is made if need be; files of that name are replaced, all or none.

    Raises StorageFault for what is no ledger and for what cannot be written, BadInput where `folder` is a file.
    """
    if folder.exists() and not folder.is_dir():
        raise BadInput(f"--tables {folder}: is no folder; name another, which is made if need be")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(dir=folder, prefix=".tables."))
        try:
            paths = {name: staged / f"{name}.csv" for name in TABLES}
            with ExitStack() as closing:
                writers = {name: _Csv(TABLES[name], path) for name, path in paths.items()}
                for writer in writers.values():
                    closing.callback(writer.close)
                for table, row in table_rows(ledger):
                    writers[table.name].add(row)
            for path in paths.values():
                os.replace(path, folder / path.name)
        finally:
            shutil.rmtree(staged, ignore_errors=True)
    except OSError as error:
        raise StorageFault(f"cannot write tables {folder}: {error.strerror or error}; name another folder") from error
    return tuple(folder / f"{name}.csv" for name in TABLES)


class _Nothing:
    """A cell with nothing in it: csv puts what is no number in quotes, and this is to have none."""

    def __float__(self) -> float:
        return 0.0

    def __str__(self) -> str:
        return ""


def _csv_cell(cell: Cell) -> Any:
    if cell is None:
        return _Nothing()
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, datetime):
        return cell.isoformat(timespec="milliseconds")
    if isinstance(cell, str) and cell.startswith(_FORMULA):
        return f"'{cell}"
    return cell


class _Csv:
    """RFC 4180 in UTF-8. Text stands in quotes, also for spreadsheets whose separator is another; numbers do not."""

    def __init__(self, table: Table, path: Path) -> None:
        self._file = path.open("w", encoding="utf-8", errors="replace", newline="")
        self._writer = csv.writer(self._file, quoting=csv.QUOTE_NONNUMERIC)
        self._writer.writerow(table.columns)

    def add(self, row: Row) -> None:
        self._writer.writerow([_csv_cell(cell) for cell in row])

    def close(self) -> None:
        self._file.close()
