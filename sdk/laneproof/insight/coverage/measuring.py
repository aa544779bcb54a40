"""A plan against a whole catalogue: which cases there are, and what their outcomes come to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor

from laneproof.campaign.plan import Plan
from laneproof.catalogue import Bench, Catalogue, CataloguedFault, Severity, held_out
from laneproof.errors import BadInput
from laneproof.insight.coverage.cases import Outcome, case_of
from laneproof.insight.coverage.curves import Curve, fit
from laneproof.insight.coverage.results import Coverage, FalseAlarm, Row, Trial
from laneproof.insight.coverage.running import Runs
from laneproof.insight.coverage.sources import Base
from laneproof.insight.coverage.suggesting import suggest

SEEDS = 3
HEALTHY_RUNS = 200
HEALTHY_RUNS_CHANGED = 12
"""Healthy runs of a plan with the suggested changes."""

Chosen = Callable[[CataloguedFault, Severity], bool]


def measure(
    plan: Plan,
    name: str,
    catalogue: Catalogue,
    base: Base,
    executor: Executor,
    *,
    seeds: int = SEEDS,
    healthy_runs: int = HEALTHY_RUNS,
    chosen: Chosen = lambda _, __: True,
    watch: Callable[[int, int], None] = lambda _, __: None,
) -> Coverage:
    """Run the plan on every bench that the catalogue called `name` makes of the healthy `base`.

    The trials of a severity go from slot to slot, each with a seed of its own. `chosen` leaves severities out, `watch`
    is called with the number of runs done and to do. What comes of it depends on neither the executor nor the order
    of its work. Ctrl-C ends it with what is known. Raises BadInput for a plan that cannot be run on a simulated card.
    """
    plan.refuse_commands()
    if not plan.step:
        raise BadInput("the plan has no step; add [[step]]")
    severities = [(fault, one) for fault in catalogue.faults for one in fault.severities if chosen(fault, one)]
    benches = [_benches(catalogue, base, fault, one, seeds) for fault, one in severities]
    healthy = _healthy(catalogue, base, healthy_runs)
    runs = Runs(executor, watch)
    each = [*benches, healthy]
    outcomes = runs.outcomes([case_of(plan, bench, seed) for some in each for bench, seed in some])
    found = [_trials(some, [outcomes.pop(0) for _ in some]) for some in each]
    quiet = found.pop()
    rows = [
        _row(fault, severity, len(some), trials)
        for (fault, severity), some, trials in zip(severities, benches, found, strict=True)
        if not fault.harmless
    ]
    alarms = _alarms("", quiet)
    for (fault, severity), trials in zip(severities, found, strict=True):
        if fault.harmless:
            quiet += trials
            alarms += _alarms(f"{fault.kind}, {severity.name}", trials)
    faulty = [some for (fault, _), some in zip(severities, benches, strict=True) if not fault.harmless]
    missed = [(row, some) for row, some in zip(rows, faulty, strict=True) if row.missed]
    suggestions, together = suggest(plan, missed, healthy[:HEALTHY_RUNS_CHANGED], runs)
    return Coverage(
        plan=plan.name,
        catalogue=name,
        digest=catalogue.digest,
        base=base.name,
        seeds=seeds,
        rows=tuple(rows),
        healthy_runs=len(quiet),
        not_passed=sum(str(trial.outcome.verdict) != "pass" and not trial.outcome.caught for trial in quiet),
        false_alarms=tuple(alarms),
        curves=_curves(rows),
        suggestions=suggestions,
        together=together,
        interrupted=runs.interrupted,
    )


Benches = list[tuple[Bench, int]]


def _benches(catalogue: Catalogue, base: Base, fault: CataloguedFault, severity: Severity, seeds: int) -> Benches:
    """One for each seed, on the slots that can have that fault in turn."""
    fitting = [
        slot for slot in base.slots if catalogue.bench(base.text, slot, 0, fault.kind, severity.name) is not None
    ]
    found: Benches = []
    for seed in range(1, seeds + 1) if fitting else ():
        bench = catalogue.bench(base.text, fitting[(seed - 1) % len(fitting)], seed, fault.kind, severity.name)
        assert bench is not None
        found.append((bench, seed))
    return found


def _healthy(catalogue: Catalogue, base: Base, runs: int) -> Benches:
    found: Benches = []
    for seed in range(1, runs + 1):
        bench = catalogue.bench(base.text, base.slots[(seed - 1) % len(base.slots)], seed)
        assert bench is not None
        found.append((bench, seed))
    return found


def _trials(benches: Benches, outcomes: Sequence[Outcome | None]) -> list[Trial]:
    return [
        Trial(slot=bench.slot, seed=seed, outcome=outcome)
        for (bench, seed), outcome in zip(benches, outcomes, strict=True)
        if outcome is not None
    ]


def _row(fault: CataloguedFault, severity: Severity, planned: int, trials: list[Trial]) -> Row:
    return Row(
        kind=fault.kind,
        severity=severity.name,
        level=severity.level,
        unit=fault.unit,
        detectable=severity.detectable,
        why=severity.why,
        held_out=held_out(fault.kind, severity),
        planned=planned,
        trials=tuple(trials),
    )


def _alarms(condition: str, trials: Sequence[Trial]) -> list[FalseAlarm]:
    return [
        FalseAlarm(condition=condition, slot=trial.slot, seed=trial.seed, outcome=trial.outcome)
        for trial in trials
        if trial.outcome.caught
    ]


def _curves(rows: Sequence[Row]) -> dict[str, Curve]:
    """By kind, where it has severities in numbers and was tried at two of them or more."""
    found: dict[str, list[tuple[float, int, int]]] = {}
    for row in rows:
        if row.level is not None and row.trials:
            found.setdefault(row.kind, []).append((row.level, len(row.trials), row.caught))
    return {kind: fit(levels) for kind, levels in found.items() if len(levels) > 1}
