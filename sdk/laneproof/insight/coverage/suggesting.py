"""For each fault that a plan missed the least change that finds it, each tried by running the plan so changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from laneproof.campaign.plan import Plan
from laneproof.catalogue import Bench
from laneproof.insight.coverage.cases import case_of
from laneproof.insight.coverage.changing import CHANGES, Change, all_of
from laneproof.insight.coverage.results import FalseAlarm, Row, Suggestion, Together
from laneproof.insight.coverage.running import Runs

Benches = Sequence[tuple[Bench, int]]
"""With the seed of each."""


def suggest(
    plan: Plan, missed: Sequence[tuple[Row, Benches]], healthy: Benches, runs: Runs
) -> tuple[tuple[Suggestion, ...], Together | None]:
    """A suggestion for each missed row, with the benches of its trials; then all changes together, run once more.

    `healthy` are benches that must stay without a failure then.
    """
    found: dict[int, tuple[Change, ...]] = {}
    for change in CHANGES:
        found |= _tried(
            (change,), plan, {number: row for number, row in enumerate(missed) if number not in found}, runs
        )
    alone = set(found)
    found |= _tried(CHANGES, plan, {number: row for number, row in enumerate(missed) if number not in found}, runs)
    found |= _least({number: (missed[number][1], found[number]) for number in found.keys() - alone}, plan, runs)
    suggestions = tuple(
        Suggestion(
            kind=row.kind,
            severity=row.severity,
            changes=all_of(found[number], plan)[0] if number in found else (),
            tried=len(benches) if number in found else 0,
        )
        for number, (row, benches) in enumerate(missed)
    )
    if not found or runs.interrupted:
        return suggestions, None
    needed = [one for changes in found.values() for one in changes]
    said, changed = all_of(tuple(change for change in CHANGES if change in needed), plan)
    caught = _caught([(changed, benches) for _, benches in missed], runs)
    outcomes = runs.outcomes([case_of(changed, bench, seed) for bench, seed in healthy])
    if runs.interrupted:
        return suggestions, None
    alarms = [
        FalseAlarm(condition="", slot=bench.slot, seed=seed, outcome=outcome)
        for (bench, seed), outcome in zip(healthy, outcomes, strict=True)
        if outcome is not None and outcome.caught
    ]
    return suggestions, Together(
        changes=said,
        rows=len(missed),
        caught=sum(caught),
        healthy_runs=len(healthy),
        false_alarms=tuple(alarms),
    )


def _tried(
    changes: tuple[Change, ...], plan: Plan, missed: Mapping[int, tuple[Row, Benches]], runs: Runs
) -> dict[int, tuple[Change, ...]]:
    """Of the rows, by number, those that the plan finds with these changes."""
    said, changed = all_of(changes, plan)
    if not said or not missed:
        return {}
    # One run of each first: most changes do nothing for most faults.
    first = _caught([(changed, benches[:1]) for _, benches in missed.values()], runs)
    promising = [number for number, caught in zip(missed, first, strict=True) if caught]
    rest = _caught([(changed, missed[number][1][1:]) for number in promising], runs)
    return {number: changes for number, caught in zip(promising, rest, strict=True) if caught}


def _least(
    found: Mapping[int, tuple[Benches, tuple[Change, ...]]], plan: Plan, runs: Runs
) -> dict[int, tuple[Change, ...]]:
    """What is left of changes that find a row when one after another is left out, the dearest first."""
    needed = {number: changes for number, (_, changes) in found.items()}
    for change in reversed(CHANGES):
        fewer = {number: tuple(one for one in needed[number] if one is not change) for number in needed}
        if runs.interrupted:
            break
        caught = _caught([(all_of(fewer[number], plan)[1], found[number][0]) for number in fewer], runs)
        needed |= {number: fewer[number] for number, still in zip(fewer, caught, strict=True) if still}
    return needed


def _caught(tries: Sequence[tuple[Plan, Benches]], runs: Runs) -> list[bool]:
    """For each plan whether it finds the fault on every one of its benches."""
    outcomes = iter(runs.outcomes([case_of(plan, bench, seed) for plan, benches in tries for bench, seed in benches]))
    found = [[next(outcomes) for _ in benches] for _, benches in tries]
    return [all(outcome is not None and outcome.caught for outcome in some) for some in found]
