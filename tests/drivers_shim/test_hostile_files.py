"""Files of /sys that vanish, are something else, or hold anything at all: no reading fails over them."""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

import pytest

from laneproof.clock import Deadline
from laneproof.errors import LaneproofError
from laneproof.insight.host_survey import plain_survey
from laneproof_drivers.linux_host import LinuxHost
from laneproof_drivers.pci_observer import PciObservers

CARD = "0000:03:00.0"
ODD = (
    b"",
    b"\n",
    b"Unknown\n",
    b"-1\n",
    b"0xffffffff\n",
    b"63\n",
    b"\xff" * 64,
    b"\x00" * 4096,
    b"9" * 5000,
    b"a b c\nd e\n",
)


def look(tree) -> str:
    """A survey, as plain data, and every reading of an observer where one can be attached."""
    with Deadline(20) as deadline:
        seen = LinuxHost(tree.root).survey(deadline)
        LinuxHost(tree.root).record(deadline)
        try:
            (part,) = PciObservers(tree.root).attach(CARD, deadline)
        except LaneproofError:
            return str(plain_survey(seen))
        part.read_link(deadline)
        part.read_errors(deadline)
        part.read_conditions(deadline)
    return str(plain_survey(seen))


def files(tree) -> list[Path]:
    return sorted(Path(folder) / name for folder, _, names in os.walk(tree.root / "devices") for name in names)


@pytest.mark.parametrize("seed", range(12))
def test_files_that_hold_anything_at_all_cost_only_what_they_would_have_told(tree, seed):
    chance = random.Random(seed)
    for path in files(tree):
        if chance.random() < 0.4:
            path.unlink()
            if chance.random() < 0.8:
                path.write_bytes(chance.choice((*ODD, chance.randbytes(64), chance.randbytes(4096))))
    assert look(tree)


@pytest.mark.parametrize("seed", range(4))
def test_files_that_are_something_else_are_one_remark_each(tree, seed):
    chance = random.Random(seed)
    for path in files(tree):
        kind = chance.choice(("file", "folder", "fifo", "circle", "mode"))
        if kind == "file" or not path.is_file():
            continue
        content = path.read_bytes()
        path.unlink()
        match kind:
            case "folder":
                path.mkdir()
            case "fifo":
                os.mkfifo(path)
            case "circle":
                path.symlink_to(path.name)
            case _:
                path.write_bytes(content)
                path.chmod(0)
    assert look(tree)


def test_a_file_that_is_listed_and_gone_when_it_is_read_is_no_failure(tree, monkeypatch):
    """Whatever is there when it is looked for is gone when it is opened, as in a hot removal."""
    from laneproof_drivers.host_tree import FolderTree

    def gone(self, path, limit=0):
        raise FileNotFoundError(2, os.strerror(2), str(path))

    monkeypatch.setattr(FolderTree, "read", gone)
    assert "links" in look(tree)


def test_a_tree_whose_functions_are_all_gone_is_empty_and_says_so(tree):
    shutil.rmtree(tree.root / "devices")
    assert "is listed and cannot be looked at" in look(tree)
