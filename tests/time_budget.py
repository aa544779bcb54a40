"""The time that each part of the suite may take: how it is measured, and what the end of a run says of it.

Time of processors, not of clocks, so that waiting and whatever else runs on the machine are left out; of a process that
a test starts it counts once it has ended and been waited for. `DEVELOPERS.md` holds the budgets.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Generator
from pathlib import Path

import pytest

_ROW = re.compile(r"^\| `tests/([\w/.]+)` \| (\d+) s \|$", re.MULTILINE)


def budgets_s() -> dict[str, int]:
    """Seconds for each part, by where it lies below this folder."""
    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text("utf-8")
    return {part: int(seconds) for part, seconds in _ROW.findall(text)}


class TimeBudget:
    """Adds up what tests took, on whatever worker they ran. Nothing that it finds fails a run."""

    def __init__(self) -> None:
        self._taken_s: Counter[str] = Counter()
        self._before_s = 0.0

    def pytest_runtest_logstart(self) -> None:
        self._before_s = _processors_s()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        report = yield
        now_s = _processors_s()
        report.processors_s, self._before_s = now_s - self._before_s, now_s  # type: ignore[attr-defined]
        return report

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._taken_s[report.nodeid.split("::")[0].removeprefix("tests/")] += getattr(report, "processors_s", 0.0)

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """One line for each part that went beyond its budget, worst first."""
        beyond: list[tuple[float, str]] = []
        for part, budget_s in budgets_s().items():
            taken_s = sum(taken for file, taken in self._taken_s.items() if file == part or file.startswith(f"{part}/"))
            if taken_s > budget_s:
                beyond.append((taken_s / budget_s, f"tests/{part}: {taken_s:.0f} s of processors, budget {budget_s} s"))
        if beyond:
            terminalreporter.section("beyond the time budget in DEVELOPERS.md")
            for _, line in sorted(beyond, reverse=True):
                terminalreporter.write_line(line)


def _processors_s() -> float:
    """Of this process and of the children that it has waited for."""
    return sum(os.times()[:4])
