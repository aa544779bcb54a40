"""The benchmark's harness works: every row of the table comes, from tiny buffers. Speeds are not tested."""

from __future__ import annotations

import importlib
import time
from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks"
NAN = float("nan")
ROWS_FOR_EACH = (
    "generate  ",
    "generate, 2 threads",
    "verify, clean  ",
    "verify, clean, 2 threads",
    "verify, 10 wrong bytes",
    "verify, 1e-6 wrong",
    "verify, 1e-4 wrong",
    "verify, garbage",
    "shuffled 4 KiB ",
    "origin of a single 4 KiB",
    "one origin look-up",
    "verified loopback in memory, 2 threads",
)
ROWS_ONCE_FOR_EACH = ("own overhead, check of a 4 KiB block",)
ROWS_FOR_ALL = ("verify by digest", "CRC-32  ")
ROWS_ONCE = (
    "loopback of 4 KiB, queue, bytes",
    "loopback of 4 KiB, queue, Regions",
    "loopback of 4 KiB, queue, arrays",
    "loopback of 4 KiB, stream, bytes",
    "loopback of 4 KiB, stream, Regions",
    "loopback of 4 KiB, stream, arrays",
    "error sites, at once",
    "next error, look-up",
    "a clean terabyte passed",
    "virtual days of a pattern, 1",
    "simulated loopback, clean",
    "verified loopback, 32 GT/s x16",
)


@pytest.fixture
def module(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.syspath_prepend(str(FOLDER))
    return importlib.import_module


def test_the_small_run_prints_every_row_for_every_backend_on_both_buffers(module, capsys):
    assert module("integrity").main(["--small"]) == 0
    lines = capsys.readouterr().out.splitlines()
    backends = module("yardsticks").installed()
    for backend in backends:
        for count, works in ((2, ROWS_FOR_EACH), (1, ROWS_ONCE_FOR_EACH)):
            for work in works:
                found = [line for line in lines if work in line and f" {backend} " in line]
                assert len(found) == count, work
        assert len([line for line in lines if line.startswith(backend) and "KiB" in line]) == 3
        assert len([line for line in lines if line.startswith(backend) and "of bytes wrong" in line]) == 9
    for count, works in ((2, ROWS_FOR_ALL), (1, ROWS_ONCE)):
        for work in works:
            assert len([line for line in lines if line.startswith(work)]) == count, work
    assert len([line for line in lines if line.startswith("buffer ")]) == 2
    assert lines[-1].endswith(", 1 not measurable here")


@pytest.mark.parametrize(("amount", "wrong"), [(10, 10), (1e-6, 1), (1e-4, 10)])
def test_the_damage_measured_is_the_damage_named(module, amount, wrong):
    data = np.zeros(100_000, np.uint8)
    module("engine").damage(data, amount)
    assert abs(np.count_nonzero(data) - wrong) <= 1


@pytest.mark.parametrize(
    ("ratio", "at_most", "met"), [(0.9, False, True), (0.8, False, False), (0.8, True, True), (0.9, True, False)]
)
def test_a_row_says_whether_its_goal_is_met(module, ratio, at_most, met):
    row = module("yardsticks").Row("work", "numpy", "1 GB/s", ratio, "R", 0.85, at_most)
    assert (row.met, row.measured) == (met, True)
    assert ("MISSED" in str(row)) is not met


def test_a_row_that_could_not_be_measured_says_neither(module):
    row = module("yardsticks").Row("work", "numba", "needs a card", NAN, "of raw copy", 0.9)
    assert (row.met, row.measured) == (True, False)
    assert str(row).split() == ["work", "numba", "needs", "a", "card", "-", "of", "raw", "copy", "≥", "0.9"]


def test_work_and_yardstick_take_turns_and_the_ratio_survives_a_machine_that_slows_down(module, monkeypatch):
    now_s, slowness, order = 0.0, 1.0, []
    monkeypatch.setattr(time, "perf_counter", lambda: now_s)

    def takes(name: str, seconds: float):
        def work() -> None:
            nonlocal now_s, slowness
            order.append(name)
            now_s += seconds * slowness
            slowness *= 1.0 if name == "work" else 1.5

        return work

    taken, ratio = module("yardsticks").against(takes("work", 2.0), takes("yardstick", 1.0), 3, repeats=1)
    assert order == ["work", "yardstick"] * 4
    assert ratio == pytest.approx(0.5)
    assert taken == pytest.approx(3.0), "the warm-up does not count"


def test_a_card_in_memory_returns_what_it_is_sent(module):
    with module("moving").memory_card() as card:
        assert card.check("prbs31", 1 << 16, block=4096).ok


@pytest.mark.parametrize("path", ["MemoryPath", "MemoryStream"])
def test_a_loopback_in_memory_returns_what_it_is_sent(module, path):
    moving = module("moving")
    data, buffer = np.random.default_rng(5).bytes(4096), bytearray(4096)
    with moving.memory_card(getattr(moving, path)()) as card:
        for _ in range(20):
            buffer[:] = bytes(4096)
            assert card.loopback(data, buffer).bytes_received == 4096
            assert buffer == data
