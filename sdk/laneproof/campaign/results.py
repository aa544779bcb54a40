"""What came of a step, an endpoint and a run: frozen values that the ledger keeps and reports read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from attrs import define, field, frozen

from laneproof.campaign.verdict import Verdict, overall

Plain = dict[str, Any]
"""Plain data: dicts with text keys, lists, text, numbers, booleans, None."""


@frozen
class Reason:
    """One sentence that a verdict rests on, and what it says by itself."""

    verdict: Verdict
    text: str


@define
class Findings:
    """Grows while a step runs. The verdict only ever gets worse (`verdict.overall`)."""

    reasons: list[Reason] = field(factory=list[Reason])
    measures: Plain = field(factory=dict[str, Any])
    bytes_moved: int = 0
    """Payload bytes that came back from the card, verified or not."""
    _of_data: list[Reason] = field(factory=list[Reason], init=False)
    """Those of the failures that accuse the data."""

    @property
    def verdict(self) -> Verdict:
        return overall(reason.verdict for reason in self.reasons)

    def passed(self, text: str) -> None:
        self.reasons.append(Reason(Verdict.PASS, text))

    def inconclusive(self, text: str) -> None:
        self.reasons.append(Reason(Verdict.INCONC, text))

    def failed(self, text: str, *, of_data: bool = False) -> None:
        """`of_data`: it rests on what came back, or did not, and not on link or registers."""
        self.reasons.append(Reason(Verdict.FAIL, text))
        if of_data:
            self._of_data.append(self.reasons[-1])

    def doubt_data(self, why: str) -> None:
        """The host was at fault, or may have been: data neither pass nor fail on it; other failures stand."""
        self.reasons = [
            Reason(Verdict.INCONC, reason.text) if any(reason is doubted for doubted in self._of_data) else reason
            for reason in self.reasons
        ]
        self.inconclusive(why)

    def broken(self, text: str) -> None:
        """The test system is at fault."""
        self.reasons.append(Reason(Verdict.ERROR, text))

    def nothing(self, text: str) -> None:
        """Nothing was judged."""
        self.reasons.append(Reason(Verdict.NONE, text))


@frozen(kw_only=True)
class StepResult:
    """One step on one endpoint. Times are seconds of the card's clock since it was opened."""

    position: int
    kind: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    started_s: float
    finished_s: float
    bytes_moved: int = 0
    measures: Mapping[str, Any] = field(factory=dict[str, Any])
    errors: Mapping[str, Any] = field(factory=dict[str, Any])
    """Error counts added during the step, at both ends, as plain data."""
    conditions: Mapping[str, Any] = field(factory=dict[str, Any])
    """Conditions before and after, and what changed in them when; {"unavailable": why} where nothing is known."""

    def to_dict(self) -> Plain:
        return {
            "kind": self.kind,
            "verdict": str(self.verdict),
            "reasons": [{"verdict": str(reason.verdict), "text": reason.text} for reason in self.reasons],
            "started_s": self.started_s,
            "finished_s": self.finished_s,
            "bytes_moved": self.bytes_moved,
            **self.measures,
            "errors": dict(self.errors),
            "conditions": dict(self.conditions),
        }


@frozen(kw_only=True)
class EndpointResult:
    """One endpoint's steps, what was seen when it was opened, and what happened on the way."""

    name: str
    uri: str
    physical: bool = True
    virtual_time: bool = False
    steps: tuple[StepResult, ...] = ()
    reasons: tuple[Reason, ...] = ()
    """Beyond the steps' own: absent at open, lost, interrupted."""
    opened: Mapping[str, Any] = field(factory=dict[str, Any])
    """Identity, limits, link and ambient errors at open; empty if it never opened."""
    events: tuple[Mapping[str, Any], ...] = ()

    @property
    def verdict(self) -> Verdict:
        """That of steps and reasons together; without a byte moved, a pass is worth nothing."""
        verdict = overall(judged.verdict for judged in (*self.steps, *self.reasons))
        if verdict is Verdict.PASS and not any(step.bytes_moved for step in self.steps):
            return Verdict.NONE
        return verdict

    def to_dict(self) -> Plain:
        return {
            "name": self.name,
            "uri": self.uri,
            "verdict": str(self.verdict),
            "simulated": not self.physical,
            "virtual_time": self.virtual_time,
            "reasons": [{"verdict": str(reason.verdict), "text": reason.text} for reason in self.reasons],
            "opened": dict(self.opened),
            "steps": [step.to_dict() for step in self.steps],
            "events": [dict(event) for event in self.events],
        }


@frozen(kw_only=True)
class RunResult:
    """A whole run as the ledger holds it."""

    plan: Mapping[str, Any]
    """As `Plan.to_dict` has it."""
    started_utc: str
    finished_utc: str | None
    interrupted: bool
    environment: Mapping[str, Any]
    endpoints: tuple[EndpointResult, ...]

    @property
    def verdict(self) -> Verdict:
        return overall(endpoint.verdict for endpoint in self.endpoints)

    def to_dict(self) -> Plain:
        """The document that `run --json` writes; its "schema" number changes with its meaning."""
        return {
            "schema": 1,
            "verdict": str(self.verdict),
            "plan": dict(self.plan),
            "started_utc": self.started_utc,
            "finished_utc": self.finished_utc,
            "interrupted": self.interrupted,
            "environment": dict(self.environment),
            "endpoints": [endpoint.to_dict() for endpoint in self.endpoints],
        }
