"""What came of a step, an endpoint and a run: frozen values that the ledger keeps and reports read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from attrs import asdict, define, field, frozen

from laneproof.campaign import alone_together
from laneproof.campaign.verdict import Verdict, overall
from laneproof.units import format_seconds

if TYPE_CHECKING:
    from laneproof.campaign.timekeeping import ClockRow
    from laneproof.campaign.windows import Excluded, Window

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
    bytes_carried: int = 0
    """Of them, those that came back before the run was resumed; link errors counted now say nothing about them."""
    _of_data: list[Reason] = field(factory=list[Reason], init=False)
    """Those of the failures that accuse the data."""
    _of_rate: list[Reason] = field(factory=list[Reason], init=False)
    """Those that accuse the card of being slow."""
    _of_stall: list[Reason] = field(factory=list[Reason], init=False)
    """Those that accuse it of having stopped."""

    @property
    def verdict(self) -> Verdict:
        return overall(reason.verdict for reason in self.reasons)

    def passed(self, text: str) -> None:
        self.reasons.append(Reason(Verdict.PASS, text))

    def inconclusive(self, text: str) -> None:
        self.reasons.append(Reason(Verdict.INCONC, text))

    def failed(self, text: str, *, of_data: bool = False, of_rate: bool = False, of_stall: bool = False) -> None:
        """`of_data`: it rests on what came back, or did not, and not on link or registers. `of_rate`, `of_stall`: on
        how long that took."""
        self.reasons.append(Reason(Verdict.FAIL, text))
        if of_data:
            self._of_data.append(self.reasons[-1])
        if of_rate:
            self._of_rate.append(self.reasons[-1])
        if of_stall:
            self._of_stall.append(self.reasons[-1])

    def doubt_data(self, why: str) -> None:
        """The host was at fault, or may have been: data neither pass nor fail on it; other failures stand."""
        self._doubt(self._of_data)
        self.inconclusive(why)

    def doubt_rates(self, why: str) -> None:
        """The tester could not run: what was too slow fails nobody; other failures, and what passed, stand."""
        if why and self._doubt(self._of_rate):
            self.inconclusive(why)

    def doubt_stalls(self, why: str) -> None:
        """Likewise of what had not come back when its deadline passed."""
        if why and self._doubt(self._of_stall):
            self.inconclusive(why)

    def _doubt(self, failures: list[Reason]) -> bool:
        doubted = [any(reason is failure for failure in failures) for reason in self.reasons]
        self.reasons = [
            Reason(Verdict.INCONC, reason.text) if doubt else reason
            for reason, doubt in zip(self.reasons, doubted, strict=True)
        ]
        return any(doubted)

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
    """Among all that the slot was to do, repetitions included."""
    repetition: int = 1
    """Which time the plan's steps were gone through, from 1 on."""
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
            "position": self.position,
            "repetition": self.repetition,
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
class Segment:
    """One process's stretch of a run; a run that was never resumed has one."""

    number: int
    started_utc: str
    last_utc: str
    """When it last gave a sign of life."""
    ended_utc: str | None
    """None for one that was cut off, or goes on still."""
    ended: str | None
    """"finished", "interrupted" (by the operator), "could not be recorded", "cut off"; None where nothing says so."""
    gap_s: float | None
    """Seconds by the computer's clock between the segment before and this one: nothing in them was measured."""
    environment: Mapping[str, Any]
    changed: tuple[str, ...] = ()
    """What was not as in the segment before."""

    @property
    def beginning(self) -> str:
        """How it began, for a reader."""
        if self.gap_s is None:
            return "the run began"
        if self.gap_s < 0:
            gap = "; the computer's clock was set back, so how long the gap was is not known"
        else:
            gap = f" after a gap of {format_seconds(self.gap_s)} by the computer's clock"
        return "; ".join((f"resumed{gap}, in which nothing was measured", *self.changed))

    @property
    def end(self) -> str:
        """How it ended, for a reader."""
        return {
            "finished": "finished",
            "interrupted": "stopped by the operator, which is no failure",
            None: "no end is on record: cut off, or still running",
        }.get(self.ended, str(self.ended))

    def to_dict(self) -> Plain:
        return {
            "segment": self.number,
            "started_utc": self.started_utc,
            "last_utc": self.last_utc,
            "ended_utc": self.ended_utc,
            "ended": self.ended,
            "gap_s": self.gap_s,
            "changed": list(self.changed),
        }


@frozen
class Marker:
    """What somebody noted while the run went on; `opens`, `closes` or `excludes` is the name of a window, or None."""

    number: int
    segment: int
    utc: str
    text: str
    opens: str | None
    closes: str | None
    excludes: str | None = None


@frozen
class Amendment:
    """What somebody added afterwards: `by` whom, `of` which entry, both may be left out. It changes nothing."""

    number: int
    segment: int
    utc: str
    text: str
    by: str | None
    of: int | None


@frozen(kw_only=True)
class Seal:
    """Whether a ledger's entries are those that were written, as far as their chain shows."""

    entries: int
    head: str
    """The digest of the last entry, hexadecimal. Noted elsewhere, it vouches for all of the file."""
    broken_at: int | None = None
    """The number of the first entry that does not fit those before it."""

    def __str__(self) -> str:
        if self.broken_at is not None:
            return f"broken: entry {self.broken_at} does not fit those before it; the ledger was changed"
        return self.head


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
    segments: tuple[Segment, ...] = ()
    markers: tuple[Marker, ...] = ()
    windows: tuple[Window, ...] = ()
    """What markers opened, in that order."""
    excluded: Excluded | None = None
    """Where markers exclude windows: what the run comes to with and without them. `verdict` is with them."""
    amendments: tuple[Amendment, ...] = ()
    clock: tuple[ClockRow, ...] = ()
    """What the computer's clock was worth along the run; empty for a ledger from before that was kept."""
    seal: Seal | None = None
    """None for a ledger from before its rows were chained."""

    @property
    def verdict(self) -> Verdict:
        return overall(endpoint.verdict for endpoint in self.endpoints)

    @property
    def alone_and_together(self) -> tuple[alone_together.AloneTogether, ...]:
        """Rates that slots had alone and together, where the plan has steps for both."""
        return alone_together.alone_and_together(self.endpoints)

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
            "segments": [segment.to_dict() for segment in self.segments],
            "markers": [asdict(marker) for marker in self.markers],
            "alone_and_together": alone_together.plain(self.alone_and_together),
            "windows": [window.to_dict() for window in self.windows],
            "excluded": None if self.excluded is None else self.excluded.to_dict(),
            "amendments": [asdict(amendment) for amendment in self.amendments],
            "clock": [asdict(row) for row in self.clock],
            "seal": None if self.seal is None else asdict(self.seal),
        }
