"""The benchmark's harness works: every row of the table comes, from tiny buffers. Speeds are not tested."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

PROGRAM = Path(__file__).parents[2] / "benchmarks" / "integrity.py"


@pytest.fixture(scope="module")
def benchmark() -> ModuleType:
    spec = importlib.util.spec_from_file_location("integrity_benchmark", PROGRAM)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_small_run_prints_every_row_for_every_backend(benchmark, capsys):
    assert benchmark.main(["--small"]) == 0
    lines = capsys.readouterr().out.splitlines()
    for backend in benchmark.installed():
        rows = [line for line in lines if f" {backend} " in line]
        for work in (
            "generate ",
            "verify, clean ",
            "verify, clean, 2 threads",
            *(f"verify, {what}" for what in benchmark.DAMAGE),
        ):
            assert [row for row in rows if row.startswith(work)], f"{work} of {backend}"
        assert len([line for line in lines if line.startswith(backend) and "KiB" in line]) == 4
        assert len([line for line in lines if line.startswith(backend) and "of bytes wrong" in line]) == 9


@pytest.mark.parametrize(("amount", "wrong"), [(10, 10), (1e-6, 1), (1e-4, 10)])
def test_the_damage_measured_is_the_damage_named(benchmark, amount, wrong):
    data = np.zeros(100_000, np.uint8)
    benchmark.damage(data, amount)
    assert abs(np.count_nonzero(data) - wrong) <= 1


@pytest.mark.parametrize(("ratio", "at_most", "met"), [(0.9, False, True), (0.8, False, False), (0.8, True, True)])
def test_a_row_says_whether_its_goal_is_met(benchmark, ratio, at_most, met):
    row = benchmark.Row("work", "numpy", "1 GB/s", ratio, "R", 0.85, at_most)
    assert row.met is met
    assert ("MISSED" in str(row)) is not met
