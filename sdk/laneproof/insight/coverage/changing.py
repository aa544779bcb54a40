"""Changes to a plan that may let it find more, the least first. Making them only; trying them is in `suggesting`."""

from __future__ import annotations

from collections.abc import Callable

import attrs

from laneproof.campaign.plan import Plan, kind_of
from laneproof.campaign.steps import IntegrityStep, LinkStep, SoakStep, Step, ThroughputStep
from laneproof.campaign.steps.soak import DEFAULT_BYTES
from laneproof.campaign.steps.sweep import SWEEPS, Sweep
from laneproof.campaign.steps.throughput import MIN_SHARE
from laneproof.documents import Size
from laneproof.units import format_bytes

Change = Callable[[Plan], tuple[str, Plan] | None]
"""What to write, and the plan with it; None where there is nothing to change."""
LONGER = 8
"""Times the data of a soak that is made longer."""


def _of_first(kind: type[Step], wanted: Callable[[Step], bool], key: str, shown: str, **to: object) -> Change:
    """Sets a key of the first step of that class for which it is not yet so."""

    def change(plan: Plan) -> tuple[str, Plan] | None:
        for index, step in enumerate(plan.step):
            if isinstance(step, kind) and wanted(step):
                return f"step[{index}].{key} = {shown}", _with(plan, index, attrs.evolve(step, **to))
        return None

    return change


def _every_error_counts(plan: Plan) -> tuple[str, Plan] | None:
    changed: list[str] = []
    for index, step in enumerate(plan.step):
        if isinstance(step, LinkStep | SoakStep) and step.max_link_errors:
            plan = _with(plan, index, attrs.evolve(step, max_link_errors=0))
            changed.append(f"step[{index}].max_link_errors = 0")
    return (", ".join(changed), plan) if changed else None


def _own_depth(plan: Plan) -> tuple[str, Plan] | None:
    for index, step in enumerate(plan.step):
        if isinstance(step, IntegrityStep) and not (step.depth is None and step.block is None):
            return f"step[{index}] without depth and block", _with(
                plan, index, attrs.evolve(step, depth=None, block=None)
            )
    return None


def _own_bytes(plan: Plan) -> tuple[str, Plan] | None:
    for index, step in enumerate(plan.step):
        if isinstance(step, IntegrityStep) and step.bytes is not None:
            return f"step[{index}] without bytes", _with(plan, index, attrs.evolve(step, bytes=None))
    return None


def _prbs(plan: Plan) -> tuple[str, Plan] | None:
    for index, step in enumerate(plan.step):
        if isinstance(step, IntegrityStep) and step.patterns[0] != "prbs31":
            patterns = ("prbs31", *(name for name in step.patterns if name != "prbs31"))
            shown = ", ".join(f'"{name}"' for name in patterns)
            changed = attrs.evolve(step, patterns=patterns)
            return f"step[{index}].patterns = [{shown}]", _with(plan, index, changed)
    return None


def _sweep(sweep: Sweep) -> Change:
    def change(plan: Plan) -> tuple[str, Plan] | None:
        for index, step in enumerate(plan.step):
            if isinstance(step, IntegrityStep) and sweep not in step.sweep:
                swept = tuple(one for one in SWEEPS if one in (*step.sweep, sweep))
                shown = ", ".join(f'"{one}"' for one in swept)
                return f"step[{index}].sweep = [{shown}]", _with(plan, index, attrs.evolve(step, sweep=swept))
        return None

    return change


def _another(step: Step, shown: str = "") -> Change:
    """Adds a step of a kind that the plan has none of."""

    def change(plan: Plan) -> tuple[str, Plan] | None:
        if any(isinstance(one, type(step)) for one in plan.step):
            return None
        return f'[[step]] kind = "{kind_of(step)}"{shown}', attrs.evolve(plan, step=(*plan.step, step))

    return change


def _longer_soak(plan: Plan) -> tuple[str, Plan] | None:
    for index, step in enumerate(plan.step):
        if isinstance(step, SoakStep) and step.duration is None:
            nbytes = LONGER * (DEFAULT_BYTES if step.bytes is None else step.bytes)
            changed = attrs.evolve(step, bytes=Size(nbytes))
            return f'step[{index}].bytes = "{format_bytes(nbytes)}"', _with(plan, index, changed)
    return None


def _with(plan: Plan, index: int, step: Step) -> Plan:
    return attrs.evolve(plan, step=(*plan.step[:index], step, *plan.step[index + 1 :]))


CHANGES: tuple[Change, ...] = (
    # What costs no time.
    _every_error_counts,
    _of_first(
        ThroughputStep,
        lambda step: isinstance(step, ThroughputStep) and step.min_share < MIN_SHARE,
        "min_share",
        f'"{MIN_SHARE:.0%}"',
        min_share=MIN_SHARE,
    ),
    _of_first(
        IntegrityStep,
        lambda step: isinstance(step, IntegrityStep) and step.check == "digest",
        "check",
        '"exact"',
        check="exact",
    ),
    _of_first(
        SoakStep,
        lambda step: isinstance(step, SoakStep) and step.pattern != "prbs31",
        "pattern",
        '"prbs31"',
        pattern="prbs31",
    ),
    _own_depth,
    # What moves little.
    _prbs,
    *(_sweep(sweep) for sweep in SWEEPS),
    _another(LinkStep()),
    # What moves more.
    _own_bytes,
    _another(IntegrityStep(sweep=SWEEPS), ', sweep = ["sizes", "offsets", "depths"]'),
    _another(ThroughputStep()),
    _another(SoakStep()),
    _longer_soak,
)
"""Each is tried by itself, in this order."""


def all_of(changes: tuple[Change, ...], plan: Plan) -> tuple[tuple[str, ...], Plan]:
    """The plan with every one of them that changes it, in this order; with what to write."""
    said: dict[str, str] = {}
    for change in changes:
        if (made := change(plan)) is not None:
            text, plan = made
            key = text.partition(" = ")[0]
            said[text if key.startswith("[[step]]") else key] = text  # of two that set one key the later one counts
    return tuple(said.values()), plan
