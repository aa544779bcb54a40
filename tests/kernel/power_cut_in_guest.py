"""What runs in a guest whose power is to fail: a disk is mounted, a run writes its ledger there, and beside it a
database is written that does not wait for the disk."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

DISK = Path("/disk")
CARD = "card"
"""The port's name among virtio's, and that of the card's device in the run's folder."""
LEDGER = DISK / "run.ledger"
UNSYNCED = DISK / "unsynced"
UNSYNCED_EVERY_S = 0.05
LAUNCH = "import sys; from laneproof.cli import main; sys.exit(main())"
_DOZE_S = 0.02

_counted = {"unsynced": 0, "late_s": 0.0}
_runs: list[subprocess.Popen[bytes]] = []


def mount(device: str) -> None:
    """Mounts a disk, whose journal the kernel thereby replays, and gives the card its name in the run's folder."""
    DISK.mkdir(exist_ok=True)
    done = subprocess.run(["mount", "-t", "ext4", device, DISK], capture_output=True, text=True, check=False)
    if done.returncode:
        log = subprocess.run(["dmesg"], capture_output=True, text=True, check=True).stdout
        raise OSError("\n".join([done.stderr, *log.splitlines()[-5:]]))
    (port,) = (
        path.parent.name for path in Path("/sys/class/virtio-ports").glob("*/name") if path.read_text().strip() == CARD
    )
    os.chdir("/tmp")
    if not os.path.lexists(CARD):
        os.symlink(f"/dev/{port}", CARD)


def start(plan: str, *arguments: str) -> None:
    """Starts `laneproof run` in a process of its own, and begins to note how late this computer wakes a sleeper."""
    Path("plan.toml").write_text(plan)
    command = [sys.executable, "-c", LAUNCH, "run", *arguments, "--acknowledge-cautions"]
    _runs.append(subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE))
    threading.Thread(target=_doze, daemon=True).start()


def ended() -> bool:
    """Whether the run has."""
    return _runs[-1].poll() is not None


def outcome() -> tuple[int, str]:
    """Waits for the run's end: its exit status and messages."""
    _, err = _runs[-1].communicate(timeout=60)
    return _runs[-1].returncode, err.decode()


def write_unsynced() -> None:
    """Begins to write the other database: a row in a transaction of its own, many times a second."""
    Path("/proc/sys/vm/dirty_writeback_centisecs").write_text("0")  # the kernel writes nothing out by itself
    threading.Thread(target=_write_unsynced, daemon=True).start()


def so_far() -> tuple[int, float]:
    """How many rows have been committed there, and the most seconds by which a sleeper was woken late since the last
    call."""
    late_s, _counted["late_s"] = _counted["late_s"], 0.0
    return int(_counted["unsynced"]), late_s


def kept_unsynced() -> int:
    """How many of these rows are there; none where it is no database any more."""
    with suppress(sqlite3.Error):
        return sqlite3.connect(UNSYNCED).execute("SELECT count(*) FROM one").fetchone()[0]
    return 0


def files() -> dict[str, bytes]:
    """The ledger's files as the disk has them, by name; nobody has opened them since it was mounted."""
    return {path.name: path.read_bytes() for path in DISK.glob(f"{LEDGER.name}*") if not path.name.endswith("-shm")}


def remove_ledger() -> None:
    """So that a run can begin anew."""
    for path in DISK.glob(f"{LEDGER.name}*"):
        path.unlink()


def fill() -> None:
    """Leaves no room on the disk."""
    with suppress(OSError), (DISK / "ballast").open("wb", buffering=0) as ballast:
        while True:
            ballast.write(bytes(1024))


def _doze() -> None:
    while True:
        from_s = time.monotonic()
        time.sleep(_DOZE_S)
        _counted["late_s"] = max(_counted["late_s"], time.monotonic() - from_s - _DOZE_S)


def _write_unsynced() -> None:
    database = sqlite3.connect(UNSYNCED, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = OFF")
    database.execute("CREATE TABLE one (number)")
    while True:
        database.execute("INSERT INTO one VALUES (?)", (_counted["unsynced"],))
        _counted["unsynced"] += 1
        time.sleep(UNSYNCED_EVERY_S)
