"""What two sets of runs have to compare: the same step of the same slot on both sides, what was measured and counted.

Works on results as a ledger has them. Whether a difference is one is not said here.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

from attrs import frozen

from laneproof.campaign.order import turns
from laneproof.campaign.results import EndpointResult, Plain, RunResult, StepResult
from laneproof.campaign.statistics import LEAST_RUNS
from laneproof.campaign.verdict import Verdict
from laneproof.insight.comparison_noise import Counts, Series
from laneproof.units import format_bytes_per_s, format_seconds

Count = Callable[[StepResult], int]
Sense = Literal["higher", "lower"]
Unit = Literal["rate", "variation", "time", "steps"]

STEADY = 0.01
"""Variation of a rate below which loads are equally steady."""
UNSTEADIER = 1.5
"""How many times the variation of a rate may grow, or shrink, and still be the same."""
TRAINING_SHARE = 0.1
"""The share of the time to train that a difference may have and still be none."""
MARGIN_STEPS = 1.0
"""Steps of a receiver that a margin may differ by and still be the same: a search ends on one or the next."""


@frozen(kw_only=True)
class StepPair:
    """One step of one slot on both sides: for each run the times that it was taken, none where it was not."""

    slot: str
    step: str
    """Its kind, with a number where the plan has several of a kind."""
    earlier: tuple[tuple[StepResult, ...], ...]
    later: tuple[tuple[StepResult, ...], ...]
    virtual: bool
    """Whether all of them ran in simulated time."""


@frozen(kw_only=True)
class SlotPair:
    """One slot on both sides; None for a run that it was not in."""

    name: str
    earlier: tuple[EndpointResult | None, ...]
    later: tuple[EndpointResult | None, ...]
    steps: tuple[StepPair, ...]


@frozen
class Quantity:
    """Something measured. Values of "variation" are logarithms of a share, the others as they are."""

    name: str
    unit: Unit
    better: Sense

    def shown(self, value: float) -> str:
        if self.unit == "rate":
            return format_bytes_per_s(value)
        if self.unit == "variation":
            least = f"{STEADY:.0%} or less"
            return least if value <= math.log(STEADY) else f"{math.exp(value):.2g} of the mean"
        return format_seconds(value) if self.unit == "time" else f"{value:.3g} steps"


@frozen(kw_only=True)
class Measured:
    """A quantity of one step of one slot on both sides."""

    slot: str
    step: str
    quantity: Quantity
    series: Series
    by_run: bool
    """Whether each value is a run's mean; else each is one repetition's."""


@frozen(kw_only=True)
class Counted:
    """Something counted, in one step of a slot or in all of them; the fewer the better."""

    slot: str
    step: str
    what: str
    over: str
    """What the exposure is of."""
    counts: Counts
    lower_bounds: bool = False


def slot_pairs(earlier: Sequence[RunResult], later: Sequence[RunResult]) -> tuple[SlotPair, ...]:
    """Slots by their names, in the order of the plans. Where every run has a single one, that is the same slot."""
    runs = [*earlier, *later]
    alone = all(len(run.endpoints) == 1 for run in runs)
    names = [runs[0].endpoints[0].name] if alone else _ordered(one.name for run in runs for one in run.endpoints)
    found: list[SlotPair] = []
    for name in names:
        ends = [next((one for one in run.endpoints if alone or one.name == name), None) for run in runs]
        steps = [{} if one is None else _labelled(run, one) for run, one in zip(runs, ends, strict=True)]
        virtual = all(one.virtual_time for one in ends if one is not None)
        taken = tuple(
            StepPair(
                slot=name,
                step=label,
                earlier=tuple(tuple(one.get(label, ())) for one in steps[: len(earlier)]),
                later=tuple(tuple(one.get(label, ())) for one in steps[len(earlier) :]),
                virtual=virtual,
            )
            for label in _ordered(label for one in steps for label in one)
        )
        split = len(earlier)
        found.append(SlotPair(name=name, earlier=tuple(ends[:split]), later=tuple(ends[split:]), steps=taken))
    return tuple(found)


def _labelled(run: RunResult, endpoint: EndpointResult) -> dict[str, list[StepResult]]:
    kinds = [str(step["kind"]) for step in run.plan["step"]]
    plan = run.plan
    order = list(turns(len(kinds), plan.get("repeat", 1), plan.get("order", "as written"), plan.get("seed") or 0))
    found: dict[str, list[StepResult]] = {}
    for step in endpoint.steps:
        index = order[step.position].step
        several = kinds.count(kinds[index]) > 1
        label = f"{kinds[index]} {kinds[: index + 1].count(kinds[index])}" if several else kinds[index]
        found.setdefault(label, []).append(step)
    return found


def _ordered(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


# --- what was measured


def measured(pair: StepPair, tolerance: float) -> Iterator[Measured]:
    """Every quantity that both sides have of one step. `tolerance`: the share of a rate that is no difference."""
    sides = [[[dict(_quantities(step)) for step in run] for run in side] for side in (pair.earlier, pair.later)]
    for quantity in dict.fromkeys(key for run in sides[0] for step in run for key in step):
        earlier, later = ([[one[quantity] for one in run if quantity in one] for run in side] for side in sides)
        by_run = sum(bool(run) for run in earlier) >= LEAST_RUNS
        before, now = _values(earlier, by_run), _values(later, by_run)
        if before and now:
            series = Series(
                earlier=before, later=now, tolerated=_tolerated(quantity, before, tolerance), exact=pair.virtual
            )
            yield Measured(slot=pair.slot, step=pair.step, quantity=quantity, series=series, by_run=by_run)


def _values(runs: Iterable[Sequence[float]], by_run: bool) -> tuple[float, ...]:
    if by_run:
        return tuple(statistics.fmean(run) for run in runs if run)
    return tuple(value for run in runs for value in run)


def _tolerated(quantity: Quantity, before: Sequence[float], tolerance: float) -> float:
    if quantity.unit == "variation":
        return math.log(UNSTEADIER)
    if quantity.unit == "steps":
        return MARGIN_STEPS
    return abs(statistics.fmean(before)) * (tolerance if quantity.unit == "rate" else TRAINING_SHARE)


def _quantities(step: StepResult) -> Iterator[tuple[Quantity, float]]:
    found = step.measures
    if found.get("bytes_per_second"):
        yield Quantity("rate", "rate", "higher"), float(found["bytes_per_second"])
    if found.get("steadiness"):
        variation = float(found["steadiness"]["coefficient_of_variation"])
        yield Quantity("variation of the rate", "variation", "lower"), math.log(max(STEADY, variation))
    if found.get("seconds_to_active"):
        yield Quantity("time to train", "time", "lower"), float(found["seconds_to_active"]["median"])
    least: dict[tuple[str, str], float] = {}
    for margin in found.get("margins") or ():
        if not margin["untold"]:  # such a one is a bound, and no margin
            key = str(margin["name"]), str(margin["quantity"])
            least[key] = min(least.get(key, math.inf), float(margin["steps"]))
    for (name, what), steps in least.items():
        yield Quantity(f"least {what} margin of {name}", "steps", "higher"), steps


# --- what was counted


def counted(slot: SlotPair) -> Iterator[Counted]:
    """Every count that either side has above zero, over exposures that both have."""
    yield from _link_errors(slot)
    for pair in slot.steps:
        yield from _events(pair, "damaged blocks", "bits verified", _damaged_blocks, _verified_bits)
        yield from _events(pair, "bad trainings", "trainings", _of("bad_trainings"), _of("trainings"))
        yield from _events(pair, "failures", "times that it was judged", _failed, _judged, least=1)


def _events(
    pair: StepPair, what: str, over: str, events: Count, exposure: Count, *, least: int = 0
) -> Iterator[Counted]:
    """`least`: events that each side has to have."""
    earlier, later = ([step for run in side for step in run] for side in (pair.earlier, pair.later))
    counts = Counts(
        earlier=sum(map(events, earlier)),
        earlier_exposure=sum(map(exposure, earlier)),
        later=sum(map(events, later)),
        later_exposure=sum(map(exposure, later)),
    )
    enough = counts.earlier + counts.later and min(counts.earlier, counts.later) >= least
    if enough and counts.earlier_exposure and counts.later_exposure:
        yield Counted(slot=pair.slot, step=pair.step, what=what, over=over, counts=counts)


def _damaged_blocks(step: StepResult) -> int:
    """Blocks with wrong bits, or regions where no blocks were kept: events, since wrong bits come in bursts."""
    damage: Plain = step.measures.get("damage") or {}
    regions: Sequence[Any] = step.measures.get("regions") or ()
    return int(damage.get("blocks_damaged", len(regions)))


def _verified_bits(step: StepResult) -> int:
    corruption: Plain = step.measures.get("residual_corruption") or {}
    return int(corruption.get("exposure_bits", 0))


def _of(key: str) -> Count:
    def count(step: StepResult) -> int:
        return int(step.measures.get(key) or 0)

    return count


def _failed(step: StepResult) -> int:
    return int(step.verdict is Verdict.FAIL)


def _judged(step: StepResult) -> int:
    return int(step.verdict in (Verdict.PASS, Verdict.FAIL))


@frozen
class _Tally:
    """Errors of one end of a link: by name, and what they were counted over."""

    counts: Mapping[str, int]
    bits: int
    seconds: float
    lower_bounds: bool


def _link_errors(slot: SlotPair) -> Iterator[Counted]:
    for end in ("near", "far"):
        before, now = (_tally(side, end) for side in (slot.earlier, slot.later))
        in_bits = bool(before.bits and now.bits)
        exposures = (before.bits, now.bits) if in_bits else (before.seconds, now.seconds)
        if not all(exposures):
            continue
        for name in _ordered((*before.counts, *now.counts)):
            counts = Counts(
                earlier=before.counts.get(name, 0),
                earlier_exposure=exposures[0],
                later=now.counts.get(name, 0),
                later_exposure=exposures[1],
            )
            yield Counted(
                slot=slot.name,
                step="link",
                what=f"{name} at the {end} end",
                over="payload bits" if in_bits else "seconds",
                counts=counts,
                lower_bounds=before.lower_bounds or now.lower_bounds,
            )


def _tally(side: Iterable[EndpointResult | None], end: str) -> _Tally:
    """Over all steps in which that end could be read, but those that train the link: what they cause is theirs."""
    counts: dict[str, int] = {}
    bits, seconds, bounds = 0, 0.0, False
    for step in (step for one in side if one is not None for step in one.steps if step.kind != "train"):
        if not readable(step, end):
            continue
        bits += 8 * step.bytes_moved
        seconds += max(0.0, step.finished_s - step.started_s)
        for name, count in error_counts(step, end):
            counts[name] = counts.get(name, 0) + int(count.get("n") or 0)
            bounds = bounds or count.get("bound") == "at least"
    return _Tally({name: n for name, n in counts.items() if n}, bits, seconds, bounds)


def readable(step: StepResult, end: str) -> bool:
    """Whether a step's errors at that end are known."""
    return bool(step.errors.get(end)) and "unavailable" not in step.errors[end]


def error_counts(step: StepResult, end: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Names and counts at an end that is readable, of all severities."""
    for severity in ("correctable", "nonfatal", "fatal"):
        counts: Mapping[str, Any] = step.errors[end].get(severity) or {}
        for name, count in counts.items():
            yield (name if severity == "correctable" else f"{name} ({severity})"), count
