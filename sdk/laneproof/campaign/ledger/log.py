"""The file itself: entries behind one another, each with a digest over all before it. What they mean is no matter here.

Entries gather in memory and are written in one short transaction about once a second, so that another process finds
room between two of them to add a marker. Each transaction takes up the chain where it finds it.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import sqlite3
from collections.abc import Generator, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from attrs import frozen

from laneproof.campaign.ledger.schema import APPLICATION_ID, ENTRY, LEDGER_VERSION, SCHEMA, TAIL
from laneproof.errors import StorageFault

FIRST_DIGEST = bytes(32)
"""What stands in for the digest before the first entry."""
BUSY_S = 10.0
"""Seconds that a writer waits for another one's transaction, which takes milliseconds."""
LONGEST_BODY = 64 << 20
"""Bytes of the longest value that is read from a ledger."""
ALIVE = -1
"""The place in `tail` where the writer says each second that it lives."""


@frozen
class Entry:
    """One row, before it has its place in the chain. `body` is JSON."""

    segment: int
    utc: str
    kind: str
    endpoint: int | None
    step: int | None
    body: str

    def digest(self, number: int, before: bytes) -> bytes:
        """SHA-256 over the digest before and this row as a compact JSON list in ASCII, its body a string in it."""
        row = [number, self.segment, self.utc, self.kind, self.endpoint, self.step, self.body]
        return hashlib.sha256(before + json.dumps(row, separators=(",", ":")).encode("ascii")).digest()


@frozen
class Tail:
    """What is not rolled up yet of one endpoint's time series, or, at `ALIVE`, the writer's sign of life."""

    endpoint: int
    segment: int
    step: int | None
    utc: str
    body: str


def now_utc() -> str:
    """This moment as a ledger has it, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def body_of(value: Mapping[str, Any]) -> str:
    """JSON with its keys in order. What UTF-8 has no place for (surrogates out of a file name, say) becomes "?"."""
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, allow_nan=False, separators=(",", ":"))
    return text.encode(errors="replace").decode()


@contextmanager
def storage(path: Path, verb: str) -> Generator[None]:
    """Errors of SQLite and the operating system inside are StorageFault, one line."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        why = (error.strerror or error) if isinstance(error, OSError) else error
        hint = "is it a ledger, and whole?" if verb == "read" else "is the disk full or the folder read-only?"
        raise StorageFault(f"cannot {verb} ledger {path}: {why}; {hint}") from error


class Log:
    """The chain of one file, open for writing by this process; one at a time holds it with `hold`."""

    def __init__(self, path: Path, database: sqlite3.Connection, held: int | None) -> None:
        self._path = path
        self._database = database
        self._held = held
        self._waiting: list[Entry] = []
        self._tails: dict[int, Tail | None] = {}

    @classmethod
    def create(cls, path: Path) -> Log:
        """A new file, held. Raises StorageFault where one exists or none can be made; then nothing is left."""
        with storage(path, "create"):
            try:  # so that of two runs that start at once only one takes the name
                held = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666)
            except FileExistsError:
                raise StorageFault(f"ledger {path} exists; a ledger is never overwritten, name another file") from None
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
                database = _connect(path)
                try:
                    database.execute("PRAGMA journal_mode = WAL")
                    named = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {LEDGER_VERSION};"
                    database.executescript(f"BEGIN;{named}{SCHEMA}COMMIT;")
                except sqlite3.Error:
                    database.close()
                    raise
            except (sqlite3.Error, OSError):
                os.close(held)
                for suffix in ("", "-wal", "-shm"):
                    path.with_name(path.name + suffix).unlink(missing_ok=True)
                raise
        return cls(path, database, held)

    @classmethod
    def open(cls, path: Path, *, hold: bool) -> Log:
        """The chain of a file that is there. With `hold`, no other process that holds it may live."""
        with storage(path, "open"):
            check_ledger(path)
            held = os.open(path, os.O_RDWR) if hold else None
            try:
                if held is not None:
                    try:
                        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    except BlockingIOError:
                        raise StorageFault(
                            f"ledger {path}: another process is writing it; let that run end, or stop it, first"
                        ) from None
                database = _connect(path)
            except (sqlite3.Error, OSError, StorageFault):
                if held is not None:
                    os.close(held)
                raise
        return cls(path, database, held)

    def add(self, entry: Entry) -> None:
        """Keep an entry for the next commit."""
        self._waiting.append(entry)

    def expect_readers(self) -> None:
        """From now on others may read while this process writes."""
        with storage(self._path, "write"):
            self._database.execute("PRAGMA journal_mode = WAL")

    def put_tail(self, endpoint: int, tail: Tail | None) -> None:
        """What stands in `tail` for an endpoint from the next commit on; None clears it."""
        self._tails[endpoint] = tail

    @property
    def waiting(self) -> int:
        """Entries that are not in the file yet."""
        return len(self._waiting)

    def give_up_waiting(self) -> None:
        """Forget what could not be written, so that a last word may still find room."""
        self._waiting.clear()
        self._tails.clear()

    def commit(self) -> None:
        """Write what waits, durably, or nothing of it. Raises StorageFault."""
        with storage(self._path, "write"), self.transaction():
            self._write()
        self._waiting.clear()
        self._tails.clear()

    @contextmanager
    def transaction(self) -> Generator[None]:
        """All of the block or nothing, with no other writer beside it."""
        self._database.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._database.execute("COMMIT")
        except BaseException:
            if self._database.in_transaction:
                self._database.execute("ROLLBACK")
            raise

    def entries(self) -> Iterator[tuple[int, Entry, bytes]]:
        """What is in the file: number, entry and digest, in order."""
        return entries(self._database)

    def remarks_and_last(self) -> Iterator[tuple[int, Entry, bytes]]:
        """Of these the markers, and the last of all."""
        return entries(self._database, "WHERE kind = 'marker' OR number = (SELECT max(number) FROM entry)")

    def tails(self) -> list[Tail]:
        """What is in the file's `tail`."""
        return tails(self._database)

    def add_now(self, entry: Entry) -> int:
        """Within `transaction`: put an entry behind the last one; returns its number."""
        number, digest = self._head()
        self._insert(entry, number + 1, digest)
        return number + 1

    def close(self) -> None:
        """Leave one plain file, if nobody else has it open."""
        with suppress(sqlite3.Error):  # somebody reads it, or the disk is full: the files of the WAL stay beside it
            if self._held is not None:
                self._database.execute("PRAGMA journal_mode = DELETE")
        self._database.close()
        if self._held is not None:
            os.close(self._held)

    def _write(self) -> None:
        number, digest = self._head()
        for entry in self._waiting:
            number += 1
            digest = self._insert(entry, number, digest)
        for endpoint, tail in self._tails.items():
            if tail is None:
                self._database.execute("DELETE FROM tail WHERE endpoint = ?", (endpoint,))
            else:
                self._database.execute(
                    "INSERT OR REPLACE INTO tail (endpoint, segment, step, utc, body) VALUES (?, ?, ?, ?, ?)",
                    (tail.endpoint, tail.segment, tail.step, tail.utc, tail.body),
                )

    def _head(self) -> tuple[int, bytes]:
        row = self._database.execute("SELECT number, digest FROM entry ORDER BY number DESC LIMIT 1").fetchone()
        return (0, FIRST_DIGEST) if row is None else row

    def _insert(self, entry: Entry, number: int, before: bytes) -> bytes:
        digest = entry.digest(number, before)
        self._database.execute(
            "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (number, entry.segment, entry.utc, entry.kind, entry.endpoint, entry.step, entry.body, digest),
        )
        return digest


@contextmanager
def reading(path: Path) -> Generator[tuple[sqlite3.Connection, int]]:
    """A ledger open for reading, in one unchanging state, and its version. Errors inside are StorageFault, one line."""
    with storage(path, "read"):
        version = check_ledger(path)
        database = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, isolation_level=None)
        try:
            database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_BODY)
            database.execute("PRAGMA trusted_schema = OFF")
            database.execute("BEGIN")
            if version == LEDGER_VERSION:
                declared = {sql for (sql,) in database.execute("SELECT sql FROM sqlite_schema WHERE type = 'table'")}
                for table in (ENTRY, TAIL):
                    if table not in declared:
                        raise StorageFault(f"ledger {path} is damaged (its tables are not those of a ledger)")
            yield database, version
        except (LookupError, ValueError, TypeError, AttributeError, RecursionError, MemoryError) as error:
            raise StorageFault(f"ledger {path} is damaged ({error!r})") from error
        finally:
            database.close()


def check_ledger(path: Path) -> int:
    """The version of a ledger. Raises StorageFault for what is no ledger, or one that this version cannot read."""
    if not path.is_file():
        raise StorageFault(f"ledger {path}: no such file; give the ledger of a run")
    database = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    try:
        if database.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
            raise StorageFault(f"{path} is not a ledger of laneproof")
        version: int = database.execute("PRAGMA user_version").fetchone()[0]
    finally:
        database.close()
    if not 2 <= version <= LEDGER_VERSION:
        raise StorageFault(f"ledger {path} has version {version}; this laneproof reads 2 to {LEDGER_VERSION}")
    return version


def entries(database: sqlite3.Connection, where: str = "") -> Iterator[tuple[int, Entry, bytes]]:
    """Number, entry and digest of each row, or of some, in order."""
    columns = "number, digest, segment, utc, kind, endpoint, step, body"
    rows = database.execute(f"SELECT {columns} FROM entry {where} ORDER BY number")  # noqa: S608 - our own words
    for number, digest, *row in rows:
        yield number, Entry(*row), digest


def tails(database: sqlite3.Connection) -> list[Tail]:
    """What stands in `tail`."""
    return [Tail(*row) for row in database.execute("SELECT endpoint, segment, step, utc, body FROM tail")]


def _connect(path: Path) -> sqlite3.Connection:
    database = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    database.execute("PRAGMA synchronous = FULL")
    return database
