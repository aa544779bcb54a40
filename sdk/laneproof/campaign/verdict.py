"""The five verdicts of TTCN-3 (ETSI ES 201 873-1), how they combine, and the exit status that stands for each."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum


class Verdict(IntEnum):
    """In the order of the overwriting rule: a verdict never gets better.

    `none` is a test that judged nothing, `inconc` one that could not tell; `error` is the test system's fault.
    """

    NONE = 0
    PASS = 1
    INCONC = 2
    FAIL = 3
    ERROR = 4

    def __str__(self) -> str:
        return self.name.lower()


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """One verdict for several planned things.

    The worst of them, as TTCN-3 has it; and a pass becomes inconc where one of the planned things judged nothing, so
    that what was never tested cannot hide behind what was.
    """
    found = list(verdicts)
    worst = max(found, default=Verdict.NONE)
    if worst is Verdict.PASS and Verdict.NONE in found:
        return Verdict.INCONC
    return worst


EXIT_STATUS = {Verdict.PASS: 0, Verdict.FAIL: 1, Verdict.INCONC: 3, Verdict.NONE: 3, Verdict.ERROR: 4}
EXIT_WRONG_USE = 2
EXIT_INTERRUPTED = 130
