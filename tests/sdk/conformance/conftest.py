"""What the tests of the kit share: a mistake's way out of its wait, and the table of what the kit found."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import planted
import pytest


@pytest.fixture(autouse=True)
def mistakes_end_with_their_test() -> Iterator[None]:
    """A driver that hangs or leaks on purpose does so until its test is over."""
    planted.release.clear()
    yield
    planted.release.set()
    planted.give_back()


def pytest_terminal_summary(terminalreporter: Any) -> None:
    reports = [report for outcome in ("passed", "failed") for report in terminalreporter.stats.get(outcome, [])]
    rows = [value for report in reports for name, value in report.user_properties if name == "planted mistake"]
    if not rows:
        return
    terminalreporter.section("planted mistakes: what is wrong, the rule meant for it, what the kit said")
    for mistake, rule, outcome, seen in sorted(rows, key=lambda row: row[1]):
        terminalreporter.write_line(f"{mistake}  |  {rule}  |  {outcome}: {seen}")
    terminalreporter.write_line(f"{sum(row[2] == 'broken' for row in rows)} of {len(rows)} planted mistakes found")
