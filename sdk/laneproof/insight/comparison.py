"""What changed between two sets of runs of one plan: beyond noise, what is new, and what can no longer be claimed.

Noise and its limits are `comparison_noise`'s, what there is to compare `comparison_facts`', facts that need no
statistics `comparison_claims`', the rest of the world `comparison_surroundings`'.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal

from attrs import asdict, frozen

from laneproof.campaign.results import RunResult
from laneproof.errors import BadInput, StorageFault
from laneproof.insight.comparison_claims import Difference, Kind, claims
from laneproof.insight.comparison_facts import Counted, Measured, counted, measured, slot_pairs
from laneproof.insight.comparison_noise import (
    FALSE_ALARM,
    FOUND,
    LOSS,
    TOLERANCE,
    Counts,
    Series,
    beyond_chance,
    largest_spread,
)
from laneproof.insight.comparison_surroundings import differing_keys, surroundings

Outcome = Literal["nothing worse", "worse", "cannot be said"]
EXIT_STATUS: dict[Outcome, int] = {"nothing worse": 0, "worse": 1, "cannot be said": 3}
_MOST_KEYS = 12
"""Differing keys of plans that are named."""


@frozen(kw_only=True)
class Spread:
    """How far apart values of one rate lay, as a share of their mean, and how far they may for a loss to be found."""

    slot: str
    step: str
    values: tuple[int, int]
    """Earlier and later ones."""
    by_run: bool
    seen: float
    largest: float | None


@frozen(kw_only=True)
class RunsCompared:
    """What came of a comparison. `comparisons` is the number that their limits were corrected for."""

    earlier: tuple[RunResult, ...]
    later: tuple[RunResult, ...]
    differences: tuple[Difference, ...]
    comparisons: int
    spreads: tuple[Spread, ...]
    lower_bounds: bool
    """Whether counts that were compared are lower bounds."""
    plan_differs: tuple[str, ...]

    @property
    def outcome(self) -> Outcome:
        """The worst of what was found; what can no longer be claimed leaves open whether it is worse."""
        kinds = {one.kind for one in self.differences}
        if "worse" in kinds:
            return "worse"
        return "cannot be said" if kinds & {"no longer claimed", "not told"} else "nothing worse"

    def of(self, kind: Kind) -> tuple[Difference, ...]:
        return tuple(one for one in self.differences if one.kind == kind)

    def to_dict(self) -> dict[str, Any]:
        """The document that `compare --json` writes; its "schema" number changes with its meaning."""
        return {
            "schema": 1,
            "outcome": self.outcome,
            "earlier": [_named(run) for run in self.earlier],
            "later": [_named(run) for run in self.later],
            "differences": [asdict(one) for one in self.differences],
            "comparisons": self.comparisons,
            "false_alarm": FALSE_ALARM,
            "loss": LOSS,
            "found": FOUND,
            "spreads": [asdict(one) for one in self.spreads],
            "counts_are_lower_bounds": self.lower_bounds,
            "plan_differs": list(self.plan_differs),
        }


def compare_runs(
    earlier: Sequence[RunResult], later: Sequence[RunResult], *, tolerance: float = TOLERANCE, anyway: bool = False
) -> RunsCompared:
    """Hold `later` runs against `earlier` ones. A rate that differs by less than the share `tolerance` is the same.

    Raises BadInput where their plans measure different things, unless `anyway`; where a run is given twice; and where
    they have no slot in common. Raises StorageFault for results that cannot be what a run left.
    """
    if not earlier or not later:
        raise BadInput("a comparison needs an earlier and a later run; give two ledgers")
    try:
        return _compared(tuple(earlier), tuple(later), tolerance, anyway)
    except BadInput:
        raise
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise StorageFault(
            f"these ledgers cannot be compared; was one changed? ({type(error).__name__}: {error})"
        ) from error


def _compared(
    earlier: tuple[RunResult, ...], later: tuple[RunResult, ...], tolerance: float, anyway: bool
) -> RunsCompared:
    runs = (*earlier, *later)
    heads = [run.seal.head for run in runs if run.seal is not None]
    if len(set(heads)) < len(heads):
        raise BadInput("one run is given twice; a run held against itself says nothing")
    different = differing_keys(runs)
    if different and not anyway:
        more = f"; and {len(different) - _MOST_KEYS} more" if len(different) > _MOST_KEYS else ""
        raise BadInput(
            f"these runs are of different plans: {'; '.join(different[:_MOST_KEYS])}{more}; compare runs of one plan, "
            "or give --anyway"
        )
    slots = slot_pairs(earlier, later)
    if all(None in (*slot.earlier, *slot.later) and not _shared(slot.earlier, slot.later) for slot in slots):
        raise BadInput("these runs have no slot in common; name their endpoints alike")
    facts = [one for slot in slots for one in claims(slot)]
    series = [one for slot in slots for pair in slot.steps for one in measured(pair, tolerance)]
    counts = [one for slot in slots for one in counted(slot)]
    told = [one for one in series if one.series.decidable]
    tests: list[Series | Counts] = [one.series for one in told]
    tests += [one.counts for one in counts]
    p_values = beyond_chance(tests)
    found = [_of_series(one, p) for one, p in zip(told, p_values, strict=False) if p < FALSE_ALARM]
    found += [_of_counts(one, p) for one, p in zip(counts, p_values[len(told) :], strict=True) if p < FALSE_ALARM]
    worse = {(one.slot, one.step) for one in found if one.kind == "worse"}
    found += [one for rate in told if (rate.slot, rate.step) not in worse for one in _not_excluded(rate)]
    found += [_not_told(one) for one in series if not one.series.decidable and one.quantity.unit != "variation"]
    return RunsCompared(
        earlier=earlier,
        later=later,
        differences=(*facts, *found, *surroundings(earlier, later, slots)),
        comparisons=len(tests),
        spreads=tuple(_spread(one, len(tests), tolerance) for one in told if _shows_spread(one)),
        lower_bounds=any(one.lower_bounds for one in counts),
        plan_differs=different,
    )


def _shared(earlier: Sequence[object], later: Sequence[object]) -> bool:
    return any(one is not None for one in earlier) and any(one is not None for one in later)


def _of_series(one: Measured, p_value: float) -> Difference:
    series, quantity = one.series, one.quantity
    before, now = (sum(side) / len(side) for side in (series.earlier, series.later))
    share = f" ({(now - before) / before:+.1%})" if quantity.unit in ("rate", "time") and before else ""
    sure = _sure(p_value)
    if series.exact and series.spread in (None, 0.0):
        sure = "in simulated time, which has no noise"
    return Difference(
        kind="worse" if (series.difference < 0) == (quantity.better == "higher") else "better",
        slot=one.slot,
        step=one.step,
        text=f"{quantity.name}: {quantity.shown(before)} before, {quantity.shown(now)} now{share}; {sure}",
        p_value=p_value,
    )


def _of_counts(one: Counted, p_value: float) -> Difference:
    counts = one.counts
    return Difference(
        kind="worse" if counts.difference > 0 else "better",
        slot=one.slot,
        step=one.step,
        text=f"{one.what}: {counts.earlier} in {counts.earlier_exposure:.4g} {one.over} before, {counts.later} in "
        f"{counts.later_exposure:.4g} now; {_sure(p_value)}",
        p_value=p_value,
    )


def _sure(p_value: float) -> str:
    chance = f"{p_value:.1g}" if p_value >= 1e-12 else "less than 1e-12"
    return f"the chance of that between equal runs is {chance}"


def _not_told(one: Measured) -> Difference:
    before, now = one.series.earlier, one.series.later
    shown = ", ".join(one.quantity.shown(sum(side) / len(side)) for side in (before, now))
    return Difference(
        kind="not told",
        slot=one.slot,
        step=one.step,
        text=f"{one.quantity.name}: {shown}; how far equal runs lie apart is not known from {len(before)} earlier "
        f"value{'s' * (len(before) != 1)}: give three runs or more, or runs with repeat = 3 or more",
    )


def _not_excluded(one: Measured) -> Iterator[Difference]:
    """A loss that matters and may be there for all that is known: then it is not said that nothing is worse."""
    most = one.series.most_lost() if one.quantity.unit == "rate" else None
    if most is not None and most > LOSS:
        before, now = (one.quantity.shown(sum(side) / len(side)) for side in (one.series.earlier, one.series.later))
        bound = "no loss is" if most >= 1 else f"a loss of up to {most:.0%} is not"
        yield Difference(
            kind="not told",
            slot=one.slot,
            step=one.step,
            text=f"rate: {before} before, {now} now; {bound} "
            f"excluded (at {FOUND:.0%} confidence): give more runs, or a quieter computer",
        )


def _shows_spread(one: Measured) -> bool:
    return one.quantity.unit == "rate" and bool(one.series.spread)


def _spread(one: Measured, comparisons: int, tolerance: float) -> Spread:
    series = one.series
    counts = len(series.earlier), len(series.later)
    return Spread(
        slot=one.slot,
        step=one.step,
        values=counts,
        by_run=one.by_run,
        seen=(series.spread or 0.0) * len(series.earlier) / abs(sum(series.earlier)),
        largest=largest_spread(*counts, comparisons, tolerance=tolerance),
    )


def _named(run: RunResult) -> dict[str, Any]:
    return {
        "started_utc": run.started_utc,
        "verdict": str(run.verdict),
        "seal": None if run.seal is None else run.seal.head,
    }
