"""What one stretch of a run by the computer's clock comes to, slot by slot: bytes, rate, errors, recovery, verdict.

Pure: `campaign.ledger.windows` finds in a ledger what is accounted for here. A time series is made of spans, and what
lies in a span that reaches over an edge may belong to either side: it is stated as such, never counted as inside.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from attrs import asdict, field, frozen

from laneproof.campaign.results import Findings, Plain, Reason
from laneproof.campaign.statistics import CONFIDENCE, WITHIN, error_rate_bound, format_bound
from laneproof.campaign.verdict import Verdict
from laneproof.units import format_bytes, format_bytes_per_s, format_seconds

if TYPE_CHECKING:
    from laneproof.campaign.ledger.series import Span

Region = Sequence[tuple[float, float]]
"""Stretches of time that do not overlap, in order, in seconds of UTC since 1970; the ends may be infinite."""
VIRTUAL = "the card's time is simulated: how much of it passed in a window by the wall clock means little"


@frozen(kw_only=True)
class Part:
    """A span of a time series with its place in UTC, which is known to `within_s`."""

    segment: int
    step: int
    begins_s: float
    ends_s: float
    within_s: float
    span: Span

    @property
    def rate(self) -> float:
        """Bytes per second of the card's clock, gaps included."""
        return self.span.bytes / (self.span.to_s - self.span.from_s)


@frozen(kw_only=True)
class Increase:
    """What one end of a link counted between two readings of its counters, at `since_s` and at `until_s`."""

    step: int
    since_s: float
    until_s: float
    end: str
    severity: str
    name: str
    n: int
    at_least: bool


@frozen(kw_only=True)
class Unread:
    """Counters of one end that could not be read between these times, and why."""

    since_s: float
    until_s: float
    end: str
    why: str


@frozen(kw_only=True)
class SlotRecord:
    """What a ledger holds of one slot, by UTC."""

    name: str
    virtual: bool = False
    parts: Sequence[Part] = ()
    increases: Sequence[Increase] = ()
    unread: Sequence[Unread] = ()
    events: Sequence[tuple[float, Mapping[str, Any]]] = ()
    ends: Sequence[tuple[float, Reason]] = ()
    """When a step stalled or the slot came to an end that is no pass, and what was said of it."""
    limits: Mapping[int, int] = field(factory=dict[int, int])
    """By step, how many link errors an end may count; steps that have no such limit are left out."""


@frozen(kw_only=True)
class Account:
    """One slot within a region. Counts are (surely inside, at most inside); rates are in bytes per second."""

    name: str
    reasons: tuple[Reason, ...]
    remarks: tuple[str, ...]
    """Sentences beside the verdict, for a reader."""
    clock: tuple[Mapping[str, Any], ...]
    """The same region by the card's clock: segment, from_s, to_s."""
    bytes_moved: tuple[int, int]
    verified_bits: tuple[int, int]
    wrong_bits: tuple[int, int]
    upper_bound_per_bit: float | None
    """Of what is surely inside, at 95 % confidence."""
    bytes_per_second: float | None
    slowest_bytes_per_second: float | None
    longest_gap_s: tuple[float, float]
    link_errors: Mapping[str, Mapping[str, tuple[int, int]]]
    """By end and name."""
    recovered_s: tuple[float, float] | None = None
    """Between how many seconds after its close the rate was back; None where it never was, or cannot be told."""
    events: tuple[Mapping[str, Any], ...] = ()

    @property
    def verdict(self) -> Verdict:
        return max((reason.verdict for reason in self.reasons), default=Verdict.NONE)

    def to_dict(self) -> Plain:
        return asdict(self) | {
            "verdict": str(self.verdict),
            "reasons": [{"verdict": str(reason.verdict), "text": reason.text} for reason in self.reasons],
        }


@frozen(kw_only=True)
class Window:
    """What lies between a marker that opens it and the one that closes it."""

    name: str
    text: str
    opened_utc: str
    closed_utc: str | None
    """None for one that was never closed: it reaches to the end of what is on record."""
    until_utc: str
    slots: tuple[Account, ...]
    excluded: bool = False

    @property
    def said(self) -> str:
        """Name, times and length, for a reader."""
        length_s = utc_seconds(self.until_utc) - utc_seconds(self.opened_utc)
        closed = "" if self.closed_utc else ", never closed: taken up to the end of what is on record"
        excluded = "; excluded from the claims" if self.excluded else ""
        between = f"{_moment(self.opened_utc)} to {_moment(self.until_utc)} UTC"
        return f"{self.name}: {between} ({format_seconds(max(0.0, length_s))}{closed}){excluded}"

    def to_dict(self) -> Plain:
        return {
            "name": self.name,
            "text": self.text,
            "opened_utc": self.opened_utc,
            "closed_utc": self.closed_utc,
            "until_utc": self.until_utc,
            "excluded": self.excluded,
            "slots": [slot.to_dict() for slot in self.slots],
        }


@frozen(kw_only=True)
class Excluded:
    """Windows that somebody excludes from the claims, why, and what all time series come to with and without them."""

    reasons: tuple[tuple[str, str, str], ...]
    """Of each exclusion the window's name, why, and when that was noted (UTC)."""
    included: tuple[Account, ...]
    left: tuple[Account, ...]

    @property
    def said(self) -> tuple[str, ...]:
        return tuple(f"{name}, noted {_moment(utc)} UTC: {why}" for name, why, utc in self.reasons)

    def to_dict(self) -> Plain:
        return {
            "windows": [{"name": name, "reason": why, "utc": utc} for name, why, utc in self.reasons],
            "with": [slot.to_dict() for slot in self.included],
            "without": [slot.to_dict() for slot in self.left],
        }


def utc_seconds(utc: str) -> float:
    """Seconds since 1970 of a moment as a ledger has it. Raises ValueError for anything else."""
    return datetime.fromisoformat(utc).timestamp()


def account(slot: SlotRecord, region: Region) -> Account:
    """What came of one slot within `region`, with a verdict of its own. Nothing outside has a say in it."""
    touched = [part for part in slot.parts if _overlap_s(part, region) > 0]
    inside = [part for part in touched if _is_inside(part, region)]
    sums = {name: _sums(inside, touched, name) for name in ("bytes", "verified_bytes", "mismatched_bits")}
    bits = 8 * sums["verified_bytes"][0], 8 * sums["verified_bytes"][1]
    wrong = sums["mismatched_bits"]
    rates = [part.rate for part in inside if part.span.to_s > part.span.from_s]
    slowest = [part.span.slowest for part in inside if part.span.slowest is not None]
    findings, remarks = Findings(), list[str]()
    link_errors: dict[str, dict[str, tuple[int, int]]] = {"near": {}, "far": {}}
    gap, recovered = (0.0, 0.0), None
    if sums["bytes"][1]:
        _judge_data(bits, wrong, findings)
        link_errors = _judge_link(slot, touched, region, findings)
        for utc_s, reason in slot.ends:
            if any(begin <= utc_s <= end for begin, end in region):
                findings.reasons.append(reason)
        if rates:
            remarks.append(
                f"rate {format_bytes_per_s(statistics.median(rates))} in the median, "
                f"{format_bytes_per_s(min(slowest, default=min(rates)))} at its slowest"
            )
        if not slot.virtual:
            gap = _gaps(touched, region)
            remarks.append(_gap_said(gap))
        outside = sums["bytes"][1] - sums["bytes"][0]
        if outside:
            remarks.append(f"{format_bytes(outside)} moved in spans that reach over an edge, in or out")
    else:
        findings.nothing("nothing moved in it that is on record as a time series, so nothing is judged")
    if len(region) == 1 and slot.parts and not slot.virtual:
        recovered, text = _recovery(slot.parts, *region[0])
        remarks += [text] if text else []
    happened = tuple(event for utc_s, event in slot.events if any(begin <= utc_s <= end for begin, end in region))
    if happened:
        remarks.append(f"{len(happened)} event{'s' * (len(happened) != 1)} in it")
    if slot.virtual:
        remarks.append(VIRTUAL)
    return Account(
        name=slot.name,
        reasons=tuple(findings.reasons),
        remarks=tuple(remarks),
        clock=tuple(_by_card(touched, region, virtual=slot.virtual)),
        bytes_moved=sums["bytes"],
        verified_bits=bits,
        wrong_bits=wrong,
        upper_bound_per_bit=error_rate_bound(wrong[0], bits[0]) if bits[0] else None,
        bytes_per_second=statistics.median(rates) if rates else None,
        slowest_bytes_per_second=min(slowest, default=None),
        longest_gap_s=gap,
        link_errors=link_errors,
        recovered_s=recovered,
        events=happened,
    )


def _judge_data(bits: tuple[int, int], wrong: tuple[int, int], findings: Findings) -> None:
    if wrong[0]:
        bound = f"at {CONFIDENCE:.0%} confidence fewer than {format_bound(error_rate_bound(wrong[0], bits[0]))} per bit"
        findings.failed(f"{_between(wrong)} wrong bits in {bits[0]} bits that are surely inside; {bound}")
    elif wrong[1]:
        findings.inconclusive(f"{wrong[1]} wrong bits came back across an edge: they may lie inside or outside")
    if not bits[0]:
        findings.inconclusive("no verified bit is surely inside: what moved lies in spans that reach over an edge")
    elif not wrong[1]:
        bound = format_bound(error_rate_bound(0, bits[0]))
        findings.passed(
            f"no wrong bit in {bits[0]} bits, so at {CONFIDENCE:.0%} confidence fewer than {bound} wrong per bit"
        )


def _judge_link(
    slot: SlotRecord, touched: Sequence[Part], region: Region, findings: Findings
) -> dict[str, dict[str, tuple[int, int]]]:
    """Each end for itself: counters are read now and then, so that an increase may lie across an edge."""
    limits = [slot.limits[step] for step in {part.step for part in touched} if step in slot.limits]
    limit = min(limits, default=None)
    counted: dict[str, dict[str, tuple[int, int]]] = {"near": {}, "far": {}}
    whys = {
        end: {one.why for one in slot.unread if one.end == end and _touches(one.since_s, one.until_s, region)}
        for end in counted
    }
    at_both = whys["near"] & whys["far"]
    for where, unknown in (("at either end", at_both), *((f"at the {end} end", whys[end] - at_both) for end in whys)):
        if unknown:
            findings.inconclusive(f"link errors {where} are not known: {'; '.join(sorted(unknown))}")
    clean = not any(whys.values())
    for end, names in counted.items():
        harm = (0, 0)
        at_least = False
        for one in slot.increases:
            if one.end != end or not _touches(one.since_s, one.until_s, region):
                continue
            low, high = names.get(one.name, (0, 0))
            surely = one.n if any(begin <= one.since_s and one.until_s <= to for begin, to in region) else 0
            names[one.name] = low + surely, high + one.n
            at_least |= one.at_least
            if one.severity != "correctable":
                harm = harm[0] + surely, harm[1] + one.n
        total = sum(low for low, _ in names.values()), sum(high for _, high in names.values())
        shown = ", ".join(f"{'at least ' if at_least else ''}{_between(n)} {name}" for name, n in names.items())
        if harm[0] or (limit is not None and total[0] > limit):
            clean = False
            held = "" if limit is None else f"; the limit is {limit}"
            findings.failed(f"the {end} end counted {shown}{held}")
        elif harm[1] or (limit is not None and (total[1] > limit or (at_least and total[1]))):
            clean = False
            findings.inconclusive(f"the {end} end counted {shown}: counters are read too seldom to tell more")
        elif total[1]:
            clean = False
            findings.passed(f"the {end} end counted {shown}" + ("" if limit is None else f"; the limit is {limit}"))
    if clean:
        findings.passed("no link errors counted at either end")
    return counted


def _recovery(parts: Sequence[Part], opened_s: float, closed_s: float) -> tuple[tuple[float, float] | None, str]:
    """How long after its close the rate was back within 5 % of the median before, and that in words."""
    earlier = [part for part in parts if part.ends_s <= opened_s and part.span.to_s > part.span.from_s]
    if not earlier:
        return None, "" if opened_s == float("-inf") else "no rate before it to recover to"
    same = earlier[-1].segment, earlier[-1].step
    before = statistics.median(part.rate for part in earlier if (part.segment, part.step) == same)
    whole = [
        part
        for part in parts
        if (part.segment, part.step) == same
        and part.begins_s >= closed_s - part.within_s
        and part.span.to_s > part.span.from_s
    ]
    if not whole:
        return None, "no rate after it that could show it recovered"
    slow_until_s = closed_s
    for part in whole:
        if part.rate >= (1 - WITHIN) * before:
            found = max(0.0, slow_until_s - closed_s), max(0.0, part.ends_s - closed_s)
            latest = format_seconds(found[1])
            when = f"after {format_seconds(found[0])} to {latest}" if found[0] else f"after {latest} at most"
            return found, f"rate back within {WITHIN:.0%} of {format_bytes_per_s(before)} {when}"
        slow_until_s = part.ends_s
    lasted = format_seconds(whole[-1].ends_s - closed_s)
    return None, f"not recovered: not within {WITHIN:.0%} of {format_bytes_per_s(before)} in {lasted} after it"


def _gaps(touched: Sequence[Part], region: Region) -> tuple[float, float]:
    """The longest time in which surely nothing moved, and what it may have been at most, hidden in a span."""
    longest = 0.0
    for begin, end in region:
        covered = begin
        for part in touched:
            if part.ends_s > begin and part.begins_s < end:
                if covered > float("-inf"):
                    longest = max(longest, part.begins_s - covered)
                covered = max(covered, part.ends_s)
        if begin < covered and end < float("inf"):
            longest = max(longest, end - covered)
    hidden = [part.span.to_s - part.span.from_s - part.span.seconds for part in touched if part.span.count > 1]
    return longest, max(longest, *hidden, 0.0)


def _gap_said(gap: tuple[float, float]) -> str:
    if gap[1] - gap[0] < 1e-3:  # seconds: what the ledger's times tell apart
        return f"longest gap between portions {format_seconds(gap[0])}" if gap[0] >= 1e-3 else "no gap between portions"
    return f"longest gap between portions: between {format_seconds(gap[0])} and {format_seconds(gap[1])}"


def _by_card(touched: Sequence[Part], region: Region, *, virtual: bool) -> Iterable[Plain]:
    for begin, end in region:
        within = [part for part in touched if _overlap_s(part, [(begin, end)]) > 0]
        for segment in sorted({part.segment for part in within}):
            parts = [part for part in within if part.segment == segment]
            from_s, to_s = parts[0].span.from_s, parts[-1].span.to_s
            if not virtual:
                from_s += max(0.0, begin - parts[0].begins_s)
                to_s -= max(0.0, parts[-1].ends_s - end)
            yield {"segment": segment, "from_s": from_s, "to_s": to_s}


def _overlap_s(part: Part, region: Region) -> float:
    return sum(
        max(0.0, min(part.ends_s + part.within_s, end) - max(part.begins_s - part.within_s, begin))
        for begin, end in region
    )


def _is_inside(part: Part, region: Region) -> bool:
    return any(begin <= part.begins_s - part.within_s and part.ends_s + part.within_s <= end for begin, end in region)


def _touches(since_s: float, until_s: float, region: Region) -> bool:
    return any(until_s > begin and since_s < end for begin, end in region)


def _sums(inside: Sequence[Part], touched: Sequence[Part], name: str) -> tuple[int, int]:
    return sum(getattr(part.span, name) for part in inside), sum(getattr(part.span, name) for part in touched)


def _between(count: tuple[int, int]) -> str:
    return str(count[0]) if count[0] == count[1] else f"between {count[0]} and {count[1]}"


def _moment(utc: str) -> str:
    return utc.replace("T", " ").replace("+00:00", "")
