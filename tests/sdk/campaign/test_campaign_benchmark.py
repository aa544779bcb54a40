"""The benchmark of what a run takes beside its data works: all of its rows come. Speeds are not tested."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks"


def test_the_small_benchmark_of_a_run_prints_its_rows(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    assert importlib.import_module("campaign").main(["--small"]) == 0
    out = capsys.readouterr().out
    for row in ("time", "processor", "other threads"):
        assert len([line for line in out.splitlines() if line.startswith(f"runner, ledger, table: {row}")]) == 1
