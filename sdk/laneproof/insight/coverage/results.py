"""What coverage found: a row for each severity of each fault, false alarms, curves and suggestions. Values only."""

from __future__ import annotations

import statistics
from collections import Counter
from typing import Any

from attrs import field, frozen

from laneproof.campaign.verdict import Verdict
from laneproof.insight.coverage.cases import Outcome
from laneproof.insight.coverage.curves import Curve

CAVEAT = (
    "on simulated faults, this catalogue: it says what the plan sees of these faults on this bench, and nothing about "
    "how often they occur, nor about any real card or slot"
)


@frozen(kw_only=True)
class Trial:
    """One run: on which slot, with which seed, and what came of it."""

    slot: str
    seed: int
    outcome: Outcome

    def to_dict(self) -> dict[str, Any]:
        return {"slot": self.slot, "seed": self.seed, **self.outcome.to_dict()}


@frozen(kw_only=True)
class Row:
    """One severity of one fault. `planned` trials were meant; there are fewer where the work was interrupted.

    `held_out`: it stays out of it when a plan is tuned. Without a slot that can have it there is nothing planned.
    """

    kind: str
    severity: str
    level: float | None
    unit: str
    detectable: bool
    why: str
    held_out: bool
    planned: int
    trials: tuple[Trial, ...]

    @property
    def caught(self) -> int:
        return sum(trial.outcome.caught for trial in self.trials)

    @property
    def missed(self) -> bool:
        """Whether the plan did not always find what it should."""
        return self.detectable and self.caught < len(self.trials)

    @property
    def by(self) -> tuple[str, ...]:
        """The kinds of step that failed first, the most frequent one first."""
        found = Counter(trial.outcome.by for trial in self.trials if trial.outcome.caught)
        return tuple(kind for kind, _ in found.most_common())

    @property
    def after(self) -> tuple[float, float] | None:
        """The median of bytes that had come back, and of seconds, when that step ended; None if it never did."""
        found = [trial.outcome for trial in self.trials if trial.outcome.caught]
        if not found:
            return None
        return statistics.median(one.after_bytes for one in found), statistics.median(one.after_s for one in found)

    @property
    def verdicts(self) -> dict[str, int]:
        """How often each verdict came, best first."""
        found = Counter(trial.outcome.verdict for trial in self.trials)
        return {str(verdict): found[verdict] for verdict in Verdict if found[verdict]}

    def to_dict(self) -> dict[str, Any]:
        return {
            "fault": self.kind,
            "severity": self.severity,
            "level": self.level,
            "unit": self.unit,
            "detectable": self.detectable,
            "why": self.why,
            "held_out": self.held_out,
            "planned": self.planned,
            "caught": self.caught,
            "by": list(self.by),
            "after_bytes": None if self.after is None else self.after[0],
            "after_s": None if self.after is None else self.after[1],
            "verdicts": self.verdicts,
            "trials": [trial.to_dict() for trial in self.trials],
        }


@frozen(kw_only=True)
class FalseAlarm:
    """A failure where there is no fault; `condition` is a harmless one of the catalogue's, or empty."""

    condition: str
    slot: str
    seed: int
    outcome: Outcome

    def to_dict(self) -> dict[str, Any]:
        return {"condition": self.condition, "slot": self.slot, "seed": self.seed, **self.outcome.to_dict()}


@frozen(kw_only=True)
class Suggestion:
    """What to change in the plan so that it finds a fault that it missed; empty where nothing that was tried did.

    `tried` runs had the plan changed so, each of which found the fault.
    """

    kind: str
    severity: str
    changes: tuple[str, ...]
    tried: int

    def to_dict(self) -> dict[str, Any]:
        return {"fault": self.kind, "severity": self.severity, "changes": list(self.changes), "tried": self.tried}


@frozen(kw_only=True)
class Together:
    """All suggested changes in one plan, run again: of the severities that were missed, those found now."""

    changes: tuple[str, ...]
    rows: int
    caught: int
    healthy_runs: int
    false_alarms: tuple[FalseAlarm, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "changes": list(self.changes),
            "missed_before": self.rows,
            "caught": self.caught,
            "healthy_runs": self.healthy_runs,
            "false_alarms": [alarm.to_dict() for alarm in self.false_alarms],
        }


@frozen(kw_only=True)
class Coverage:
    """All of it. `digest` is that of the catalogue's list, `healthy_runs` those without a fault, harmless ones too."""

    plan: str
    catalogue: str
    digest: str
    base: str
    seeds: int
    rows: tuple[Row, ...]
    healthy_runs: int
    not_passed: int
    """Of the healthy runs, those that neither passed nor failed."""
    false_alarms: tuple[FalseAlarm, ...]
    curves: dict[str, Curve] = field(factory=dict[str, Curve])
    """By kind of fault."""
    suggestions: tuple[Suggestion, ...] = ()
    together: Together | None = None
    interrupted: bool = False

    @property
    def detectable(self) -> tuple[Row, ...]:
        """Those severities that the plan should find, as far as they were tried."""
        return tuple(row for row in self.rows if row.detectable and row.trials)

    @property
    def missed(self) -> tuple[Row, ...]:
        return tuple(row for row in self.detectable if row.missed)

    @property
    def complete(self) -> bool:
        """Nothing that is detectable was missed, nothing healthy accused, and all of it tried."""
        tried = all(len(row.trials) == row.planned for row in self.rows) and not self.interrupted
        return tried and bool(self.detectable) and not self.missed and not self.false_alarms

    def to_dict(self) -> dict[str, Any]:
        """The document that `coverage --json` writes; its "schema" number changes with its meaning."""
        return {
            "schema": 1,
            "caveat": CAVEAT,
            "plan": self.plan,
            "catalogue": self.catalogue,
            "catalogue_sha256": self.digest,
            "bench": self.base,
            "seeds": self.seeds,
            "interrupted": self.interrupted,
            "complete": self.complete,
            "detectable": len(self.detectable),
            "missed": len(self.missed),
            "healthy_runs": self.healthy_runs,
            "healthy_runs_not_passed": self.not_passed,
            "false_alarms": [alarm.to_dict() for alarm in self.false_alarms],
            "rows": [row.to_dict() for row in self.rows],
            "curves": {kind: curve.to_dict() for kind, curve in self.curves.items()},
            "suggestions": [suggestion.to_dict() for suggestion in self.suggestions],
            "together": None if self.together is None else self.together.to_dict(),
        }
