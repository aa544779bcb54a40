"""The slice of the kernel's log along a run: whose lines are kept, how many, and where.

Records have the form of Linux Documentation/ABI/testing/dev-kmsg; a file stands in for the device, a record at a time.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof.campaign import kernel_log
from laneproof.campaign import plan as plans
from laneproof.campaign.events import Opened
from laneproof.campaign.kernel_log import MOST_LETTERS, MOST_LINES, KernelLine, KernelLog, functions_of
from laneproof.campaign.ledger import Ledger, read_ledger, writing

OPENED: dict[str, Any] = {
    "link": {
        "near": {"name": "0000:00:1c.0"},
        "far": {"name": "0000:65:00.0"},
        "above": [{"unavailable": "not shown"}, {"name": "a port of a bench"}],
    }
}
DOWN = "4,901,60000123,-;pcieport 0000:00:1c.0: pciehp: Slot(3): Link Down\n SUBSYSTEM=pci\n DEVICE=+pci:0000:00:1c.0\n"


@pytest.fixture
def log(tmp_path: Path) -> Callable[[str], None]:
    path = tmp_path / "kmsg"
    path.write_text("4,1,1,-;pcieport 0000:00:1c.0: from before the run\n")

    def say(record: str) -> None:
        with path.open("a") as file:
            file.write(record)

    return say


def test_a_slots_functions_are_those_that_its_card_names_as_pci_does() -> None:
    assert functions_of(OPENED) == {"0000:00:1c.0", "0000:65:00.0"}
    assert functions_of({"link": {"near": {"name": "port 1"}, "far": {"unavailable": "no permission"}}}) == frozenset()
    assert functions_of({}) == frozenset()


@pytest.mark.parametrize(
    ("record", "kept"),
    [
        (DOWN, [(60.000123, "pcieport 0000:00:1c.0: pciehp: Slot(3): Link Down")]),
        ("6,902,61000000,-;no address in the text\n DEVICE=+pci:0000:65:00.0\n", [(61.0, "no address in the text")]),
        ("4,903,62000000,-;pcieport 0000:00:1c.1: another function\n", []),
        ("4,904,62000000,-;at 10000:00:1c.0, in another domain\n", []),
        ("6,905,63000000,-;nvme nvme0: another device\n", []),
        ("no record at all\n", []),
        ("4,906,64000000,-;0000:65:00.0 \x1b[2J\x07\n", [(64.0, "0000:65:00.0 �[2J�")]),
    ],
)
def test_a_line_is_kept_where_it_names_a_function_of_the_slot(
    tmp_path: Path, log: Callable[[str], None], record: str, kept: list[tuple[float, str]]
) -> None:
    followed = KernelLog(tmp_path / "kmsg")
    assert followed.add("north", functions_of(OPENED)) == []
    assert followed.read() == []  # what was said before is not the run's
    log(record)
    assert [(line.kernel_s, line.text) for line in followed.read()] == kept
    followed.close()


def test_a_kernel_that_repeats_itself_fills_no_disk(tmp_path: Path, log: Callable[[str], None]) -> None:
    followed = KernelLog(tmp_path / "kmsg")
    followed.add("north", functions_of(OPENED))
    lines: list[KernelLine] = []
    for _ in range(MOST_LINES + 5):
        log(DOWN.replace("Link Down", "x" * 999))
        lines += followed.read()
    followed.close()
    assert len(lines) == MOST_LINES + 1
    assert max(len(line.text) for line in lines) == MOST_LETTERS
    assert "further ones are not" in lines[-1].why


def test_a_log_that_cannot_be_read_is_said_and_no_simulated_card_asks_for_it(tmp_path: Path) -> None:
    followed = KernelLog(tmp_path / "none")
    assert followed.add("bench", frozenset()) == []
    (line,) = followed.add("north", functions_of(OPENED))
    assert line.why == f"{tmp_path / 'none'}: No such file or directory"
    assert followed.read() == []


@pytest.mark.parametrize("physical", [True, False])
def test_a_ledger_keeps_the_slice_of_its_physical_cards(
    tmp_path: Path, log: Callable[[str], None], monkeypatch: pytest.MonkeyPatch, *, physical: bool
) -> None:
    opened: list[str] = []
    real = os.open

    def open_file(path: Any, *rest: Any) -> int:
        opened.append(str(path))
        return real(tmp_path / "kmsg" if path == kernel_log.LOG else path, *rest)

    monkeypatch.setattr(os, "open", open_file)
    monkeypatch.setattr(writing, "COMMIT_EVERY_S", 0.0)
    path = tmp_path / "run.ledger"
    with Ledger(path) as ledger:
        ledger.begin(plans.builtin(), {"host": "a", "caveats": []}, set())
        ledger.take(Opened("north", False, OPENED, physical, ()))
        log(DOWN)
        ledger.commit_if_due()
        ledger.end(interrupted=False)
    assert read_ledger(path).seal is not None
    database = sqlite3.connect(path)
    rows = database.execute("SELECT endpoint, kernel_s, text FROM kernel").fetchall()
    database.close()
    kept = [(0, 60.000123, "pcieport 0000:00:1c.0: pciehp: Slot(3): Link Down")]
    assert rows == (kept if physical else [])
    assert (str(kernel_log.LOG) in opened) is physical
