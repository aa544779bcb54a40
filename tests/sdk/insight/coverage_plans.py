"""Plans, and an executor, with which tests of coverage stay short."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any

from attrs import frozen

from laneproof.campaign import plan as plans
from laneproof.campaign.plan import Plan
from laneproof.catalogue import CataloguedFault, Severity
from laneproof.insight import coverage
from laneproof.insight.coverage import Coverage

WEAK = """
schema = 1
name = "weak"
[[step]]
kind = "integrity"
patterns = ["fixed"]
bytes = "64 KiB"
block = "4 KiB"
"""
"""One pattern that is the same everywhere, one size, no counters."""
QUICK = """
schema = 1
name = "quick"
[[step]]
kind = "integrity"
bytes = "256 KiB"
block = "16 KiB"
"""


class Inline(Executor):
    """Runs what it is given there and then."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


@frozen
class Only:
    """Chooses the severities of these faults; `severities`, where there are any, the ones of these names alone."""

    kinds: tuple[str, ...]
    severities: tuple[str, ...] = ()

    def __call__(self, fault: CataloguedFault, severity: Severity) -> bool:
        return fault.kind in self.kinds and (not self.severities or severity.name in self.severities)


def plan_of(text: str) -> Plan:
    return plans.parse(plans.parse_toml(text.encode(), "the test's plan"), "the test's plan")


def measured(plan: Plan, chosen: Only, executor: Executor | None = None, **options: Any) -> Coverage:
    """Coverage by the simulator's catalogue on its own bench; two seeds and no healthy runs unless asked for."""
    name, catalogue = coverage.catalogue()
    base = coverage.healthy_base(catalogue, None)
    options = {"seeds": 2, "healthy_runs": 0, **options}
    return coverage.measure(plan, name, catalogue, base, executor or Inline(), chosen=chosen, **options)
