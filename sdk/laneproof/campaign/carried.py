"""What a run that is resumed takes over from its earlier segments, and what that means for a verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs
from attrs import field, frozen

from laneproof.campaign.link_errors import plain_errors
from laneproof.campaign.results import Findings, Plain, Reason
from laneproof.campaign.verdict import Verdict
from laneproof.integrity import Comparison
from laneproof.readings import ErrorReading
from laneproof.units import format_bytes, format_seconds

LEFT_OUT_SHARE = 0.01
"""Of what came back in a step: as much may go uncounted where it was cut off. With more, the claim on link errors that
the plan asks for is not made. Our choice: counters are read about once a second."""


@frozen(kw_only=True)
class Carried:
    """What is on record of a step that was cut off or stopped, in all segments before this one."""

    bytes_moved: int = 0
    verified_bytes: int = 0
    mismatched_bits: int = 0
    seconds: float = 0.0
    """Seconds of the card's clock in which data moved; the gap is none of them."""
    rows: int = 0
    """Rows of its time series."""
    slowest: float | None = None
    """Bytes per second of the slowest portion, and of the fastest."""
    fastest: float | None = None
    reasons: tuple[Reason, ...] = ()
    """What was judged of it where the operator stopped it, other than that it passed so far; it stands."""
    errors_judged: tuple[Plain, ...] = ()
    """The link's errors in each stretch that the operator stopped, as plain data; what they mean is in `reasons`."""
    errors_cut: tuple[Plain, ...] = ()
    """Those of each stretch that was cut off, as last counted before."""
    uncounted_bytes: int = 0
    """Bytes of such stretches of which no count told any more."""

    def to_dict(self) -> Plain:
        plain = attrs.asdict(self, recurse=False)
        reasons = [{"verdict": str(reason.verdict), "text": reason.text} for reason in self.reasons]
        lists = {key: list(plain[key]) for key in ("errors_judged", "errors_cut")}
        return plain | lists | {"reasons": reasons}

    @classmethod
    def of_plain(cls, plain: Mapping[str, Any]) -> Carried:
        """What `to_dict` made. Raises TypeError, KeyError or ValueError for anything else."""
        reasons = tuple(Reason(Verdict[one["verdict"].upper()], str(one["text"])) for one in plain["reasons"])
        changed: Plain = {key: tuple(plain[key]) for key in ("errors_judged", "errors_cut")}
        changed["reasons"] = reasons
        return cls(**{**plain, **changed})

    def judge(self, added: ErrorReading | None, limit: int | None, findings: Findings) -> None:
        """Put into `findings` what earlier stretches mean beside this one, whose errors are `added`.

        `limit` is the step's for correctable errors at an end, None without one.
        """
        findings.reasons += self.reasons
        if limit is None:
            return
        if self.uncounted_bytes:
            said = (
                f"link errors are not known of {format_bytes(self.uncounted_bytes)} that came back before the run was "
                "cut off, since their counters were not read again; the claim on link errors leaves them out"
            )
            left_out = self.uncounted_bytes <= LEFT_OUT_SHARE * findings.bytes_moved
            findings.reasons.append(Reason(Verdict.PASS if left_out else Verdict.INCONC, said))
        now = {} if added is None else plain_errors(added)
        for end in ("near", "far"):
            self._judge_end(end, now, limit, findings)

    def _judge_end(self, end: str, now: Mapping[str, Any], limit: int, findings: Findings) -> None:
        for errors in self.errors_cut:
            for why in _unknown(errors, end):
                findings.inconclusive(f"link errors at the {end} end are not known before the run was cut off: {why}")
            harm = [name for severity in ("nonfatal", "fatal") for name, _ in _counted(errors, end, severity)]
            if harm:
                findings.failed(f"the {end} end had counted {', '.join(harm)} before the run was cut off")
        rows = [row for one in (*self.errors_judged, *self.errors_cut) for row in _counted(one, end, "correctable")]
        before = sum(count["n"] for _, count in rows)
        here = sum(count["n"] for _, count in _counted(now, end, "correctable"))
        names = ", ".join(dict.fromkeys(name for name, _ in rows))
        if before and here <= limit < before + here:
            findings.failed(
                f"the {end} end counted {here} link errors, and {before} ({names}) before the run was resumed; the "
                f"limit is {limit}"
            )
        elif before and any(count["bound"] != "exact" for _, count in rows):
            findings.inconclusive(
                f"the {end} end had counted at least {before} link errors ({names}) before the run was resumed: lower "
                f"bounds, so the limit of {limit} may be passed"
            )

    def compared(self) -> Comparison:
        """What was verified before and came back right, to be joined with what follows."""
        return Comparison(bytes_checked=self.verified_bytes, kernels="those before the run was resumed")

    def said(self) -> str:
        """For a reason: what of the exposure was verified before."""
        return (
            f"{format_bytes(self.verified_bytes)} of this exposure were verified before the run was resumed, in "
            f"{format_seconds(self.seconds)}"
        )


@frozen(kw_only=True)
class SlotSoFar:
    """One slot of a run that is to go on."""

    over: bool = False
    """It came to its end: whatever that was, it is not run again."""
    worst: Verdict = Verdict.NONE
    """The worst that was judged of its steps, and of itself; stop rules still hold against it."""
    judged: frozenset[int] = frozenset()
    """Positions of the steps that were judged."""
    under_way: Mapping[int, Carried] = field(factory=dict[int, Carried])
    """By position: steps that were begun and not ended."""
    identity: Plain | None = None
    """The card's, as last seen; None where it was never opened."""


@frozen(kw_only=True)
class RunSoFar:
    """A run that is to go on, as its ledger shows it."""

    plan: Mapping[str, Any]
    segment: int
    """The number of the segment that begins."""
    gap_s: float
    """Seconds by the computer's clock from the last sign of life to now."""
    slots: Mapping[str, SlotSoFar]
    remarks: tuple[str, ...] = ()
    """What is not as it was: host, kernel, versions."""

    @property
    def said(self) -> tuple[str, ...]:
        """What each slot puts on record of its going on."""
        gap = "how long is not known, since the computer's clock was set back"
        gap = gap if self.gap_s < 0 else f"{format_seconds(self.gap_s)} by the computer's clock"
        return f"resumed in segment {self.segment} after a gap ({gap}), in which nothing was measured", *self.remarks


def _counted(errors: Mapping[str, Any], end: str, severity: str) -> list[tuple[str, Plain]]:
    counts: Mapping[str, Plain] = errors.get(end, {}).get(severity, {})
    return [(name, count) for name, count in counts.items() if count.get("n")]


def _unknown(errors: Mapping[str, Any], end: str) -> set[str]:
    one = errors.get(end, {"unavailable": "it was not read"})
    if "unavailable" in one:
        return {one["unavailable"]}
    counts = (count for severity in ("correctable", "nonfatal", "fatal") for count in one.get(severity, {}).values())
    return {count["unavailable"] for count in counts if "unavailable" in count}
