"""What a run's events have told so far: one frozen value per slot, made anew by each event. No drawing, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import attrs
from attrs import field, frozen

from laneproof.campaign.events import (
    Counted,
    Event,
    Expecting,
    Noted,
    Opened,
    Progress,
    SlotFinished,
    StepFinished,
    StepStarted,
)
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import RunResult
from laneproof.campaign.verdict import Verdict, overall

SEVERITIES = ("correctable", "nonfatal", "fatal")
POINTS = 32
"""Points of progress that a rate is taken over: about three seconds, as often as slots tell."""

Phase = Literal["waiting", "opening", "open", "step", "finished"]


@frozen(kw_only=True)
class EndErrors:
    """Errors counted at one end of the link, by severity. Where it is not `known`, the zeros mean nothing."""

    counts: tuple[int, int, int] = (0, 0, 0)
    """As `SEVERITIES` has them."""
    known: bool = False
    exact: bool = False
    """No count is a lower bound, or missing."""

    @property
    def total(self) -> int:
        return sum(self.counts)

    @property
    def harmful(self) -> bool:
        """Uncorrectable ones are among them."""
        return any(self.counts[1:])

    def __add__(self, other: EndErrors) -> EndErrors:
        """Those of two stretches of a run."""
        return EndErrors(
            counts=_each(sum, self, other), known=self.known or other.known, exact=self.exact and other.exact
        )

    def grown(self, later: EndErrors) -> EndErrors:
        """Those of one stretch, read again: what was counted once does not vanish when counters start anew."""
        return EndErrors(
            counts=_each(max, self, later), known=self.known or later.known, exact=later.exact and later.known
        )


def _each(function: Any, one: EndErrors, other: EndErrors) -> tuple[int, int, int]:
    first, second, third = (function(pair) for pair in zip(one.counts, other.counts, strict=True))
    return first, second, third


def _end_errors(plain: Mapping[str, Any]) -> EndErrors:
    """One end of what `plain_errors` returns."""
    if not plain or "unavailable" in plain:
        return EndErrors()
    shown = [list(plain.get(severity, {}).values()) for severity in SEVERITIES]
    first, second, third = (sum(count.get("n", 0) for count in counts) for counts in shown)
    # Who counts several as one still counts none as none: a zero is no lower bound.
    exact = all(count.get("bound") == "exact" for counts in shown for count in counts)
    return EndErrors(counts=(first, second, third), known=True, exact=exact)


Ends = tuple[EndErrors, EndErrors]
"""Near and far."""


def _ends(plain: Mapping[str, Any]) -> Ends:
    return _end_errors(plain.get("near", {})), _end_errors(plain.get("far", {}))


@frozen(kw_only=True)
class SlotState:
    """One slot as its events so far show it. Bytes are verified payload; seconds are those of the card's clock."""

    name: str
    steps: int
    """How many the plan has."""
    phase: Phase = "waiting"
    step: int = 0
    kind: str = ""
    virtual_time: bool = False
    total: int | None = None
    """Bytes that the step is to verify; None where its time alone ends it, or nothing that is known."""
    points: tuple[tuple[float, int], ...] = ()
    """The latest times and bytes of the step."""
    began_s: float = 0.0
    planned_s: float | None = None
    """After how many seconds from `began_s` the step ends by itself."""
    moved: Mapping[int, int] = field(factory=dict[int, int])
    """Bytes by step."""
    at_open: Ends = (EndErrors(), EndErrors())
    """Nothing was counted yet; whether it can be."""
    errors: Mapping[int, Ends] = field(factory=dict[int, Ends])
    """Errors added, by step."""
    verdicts: Mapping[int, Verdict] = field(factory=dict[int, Verdict])
    verdict: Verdict | None = None
    """So far; None while nothing has been judged."""
    note: str = ""
    """What happened last, as it was told: not yet fit for a terminal."""
    note_s: float = 0.0

    @property
    def exposure_bits(self) -> int:
        return 8 * sum(self.moved.values())

    @property
    def bytes_per_s(self) -> float | None:
        """Over the last few seconds of the step under way; what is spent on filling and verifying counts."""
        if self.phase != "step" or len(self.points) < 2:
            return None
        (first_s, first), (last_s, last) = self.points[0], self.points[-1]
        return (last - first) / (last_s - first_s) if last_s > first_s and last >= first else None

    @property
    def share(self) -> float | None:
        """How much of the step is done, by bytes or by time, whichever ends it first."""
        if self.phase != "step" or not self.points:
            return None
        now_s, done = self.points[-1]
        shares = [done / self.total] if self.total else []
        shares += [(now_s - self.began_s) / self.planned_s] if self.planned_s else []
        return min(1.0, max(shares)) if shares else None

    @property
    def left_s(self) -> float | None:
        """Until the step ends by itself; None where that cannot be told."""
        if self.phase != "step" or not self.points:
            return None
        now_s, done = self.points[-1]
        left = [self.began_s + self.planned_s - now_s] if self.planned_s is not None else []
        if self.total is not None and self.bytes_per_s:
            left.append((self.total - done) / self.bytes_per_s)
        return max(0.0, min(left)) if left else None

    @property
    def near(self) -> EndErrors:
        """Errors added since the card was opened."""
        return sum((ends[0] for ends in self.errors.values()), self.at_open[0])

    @property
    def far(self) -> EndErrors:
        return sum((ends[1] for ends in self.errors.values()), self.at_open[1])

    def after(self, event: Event) -> SlotState:
        """The slot once that has happened."""
        match event:
            case Expecting():
                return attrs.evolve(self, phase="opening") if self.phase == "waiting" else self
            case Opened():
                near, far = (
                    attrs.evolve(end, counts=(0, 0, 0)) for end in _ends(event.opened.get("ambient_errors", {}))
                )
                return attrs.evolve(self, phase="open", virtual_time=event.virtual_time, at_open=(near, far))
            case StepStarted():
                return attrs.evolve(
                    self,
                    phase="step",
                    step=event.step,
                    kind=event.kind,
                    total=None,
                    points=(),
                    began_s=event.clock_s,
                    planned_s=event.left_s,
                    moved=_without(self.moved, event.step),
                    errors=_without(self.errors, event.step),
                    verdicts=_without(self.verdicts, event.step),
                )
            case Progress():
                return attrs.evolve(
                    self,
                    total=event.total,
                    points=(*self.points, (event.clock_s, event.done))[-POINTS:],
                    moved={**self.moved, event.step: max(event.done, self.moved.get(event.step, 0))},
                )
            case Counted():
                return self._counted(event.step, event.errors)
            case Noted():
                return attrs.evolve(self, note=f"{event.kind}: {event.text}", note_s=event.clock_s)
            case StepFinished():
                result = event.result
                judged = self._counted(result.position, result.errors)._judged(result.position, result.verdict)
                moved = max(result.bytes_moved, self.moved.get(result.position, 0))
                return attrs.evolve(judged, points=(), moved={**self.moved, result.position: moved})
            case SlotFinished():
                verdict = overall((*self.verdicts.values(), *(reason.verdict for reason in event.reasons)))
                if verdict is Verdict.PASS and not self.exposure_bits:  # as `EndpointResult.verdict` has it
                    verdict = Verdict.NONE
                return attrs.evolve(self, phase="finished", points=(), verdict=verdict)
            case _:
                return self

    def _counted(self, step: int, plain: Mapping[str, Any]) -> SlotState:
        before = self.errors.get(step, (EndErrors(), EndErrors()))
        near, far = (earlier.grown(now) for earlier, now in zip(before, _ends(plain), strict=True))
        return attrs.evolve(self, errors={**self.errors, step: (near, far)})

    def _judged(self, step: int, verdict: Verdict) -> SlotState:
        verdicts = {**self.verdicts, step: verdict}
        return attrs.evolve(self, verdicts=verdicts, verdict=overall(verdicts.values()))


def _without(mapping: Mapping[int, Any], key: int) -> dict[int, Any]:
    return {known: value for known, value in mapping.items() if known != key}


class RunState:
    """The slots of a run. One thread takes events in; any thread may read, and sees whole values."""

    def __init__(self, plan: Plan, before: RunResult | None = None) -> None:
        """`before`: what the run had measured when it was cut off or stopped, if it is resumed."""
        self._slots = {name: SlotState(name=name, steps=len(plan.turns)) for name in plan.names()}
        for endpoint in before.endpoints if before is not None else ():
            for result in endpoint.steps:
                self.take(StepFinished(endpoint.name, result))

    def take(self, event: Event) -> None:
        self._slots[event.slot] = self._slots[event.slot].after(event)

    @property
    def slots(self) -> tuple[SlotState, ...]:
        return tuple(self._slots.values())

    @property
    def verdict(self) -> Verdict | None:
        """The worst so far; None while nothing has been judged."""
        return max((slot.verdict for slot in self.slots if slot.verdict is not None), default=None)
