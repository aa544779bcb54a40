"""What a report says of a run, as plain rows and sentences: links, errors, claims, damage, what was not tested.

Every format is made from these. They hold text as it came; each format escapes it for itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from attrs import frozen

from laneproof.campaign.order import planned_kinds, turns
from laneproof.campaign.results import EndpointResult, Reason, RunResult, StepResult
from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound, format_bound
from laneproof.campaign.steps import STEPS
from laneproof.campaign.steps.throughput import WAYS
from laneproof.campaign.timekeeping import ClockRow
from laneproof.pcie import CATALOGUE
from laneproof.units import format_bytes, format_bytes_per_s

_SEVERITIES = ("correctable", "nonfatal", "fatal")
_ENDS = ("near", "far")
_CLOCK_ROWS = 12
"""Rows on the computer's clock that are shown from the beginning and from the end of a run."""
_MOST_CLOCK_ROWS = 200
MOST_FIRST, MOST_LAST = 60, 20
"""Of a list that may be as long as a run, the rows that are shown from its beginning and from its end."""
MOST_POINTS_SHOWN = 40

NOT_CLAIMED: tuple[str, ...] = (
    "That no error can occur. A bound says how often at most, at its confidence; it is not zero.",
    "Anything about the link's own error rate from right data: a packet that is damaged on the link is sent again and "
    "arrives right. Link errors are claimed from the counters of the two partners only.",
    "That an end which counted nothing is sound. Each end counts what it saw itself, counts marked “at least” are "
    "lower bounds, and what cannot be read is not known, not zero.",
    "Anything about another card, slot, speed, width, load, temperature or time than those tested.",
    "Which part is to blame, beyond what the evidence given says.",
)
_MARGIN_NOT_CLAIMED = "How much electrical margin the link has: no margin step measured it."
_SIMULATED_NOT_CLAIMED = "Anything about a real card, slot or computer from the endpoints that are simulated."


@frozen(kw_only=True)
class Claim:
    """What the verified steps of one endpoint come to together. `bits` is 0 where none verified anything."""

    bits: int
    wrong_bits: int
    steps: int
    methods: tuple[str, ...]
    bound: float | None
    """Wrong bits per payload bit, at `CONFIDENCE`."""

    @property
    def said(self) -> str:
        if self.bound is None:
            return "no data were verified, so nothing is claimed of them"
        how = "" if self.methods == ("exact",) else f" (checked by {', '.join(self.methods)})"
        steps = "one step" if self.steps == 1 else f"{self.steps} steps"
        return (
            f"{self.wrong_bits or 'no'} wrong bit{'s' * (self.wrong_bits > 1)} in {self.bits} payload bits of {steps}, "
            f"end to end{how}: at {CONFIDENCE:.0%} confidence fewer than {format_bound(self.bound)} per bit"
        )


def claim(endpoint: EndpointResult) -> Claim:
    """The exposure of all verified steps as one: errors are taken to be independent, and their rate to be steady."""
    kept = [(step, step.measures.get("residual_corruption")) for step in endpoint.steps]
    verified = [(step, residual) for step, residual in kept if residual]
    bits = sum(int(residual["exposure_bits"]) for _, residual in verified)
    wrong = sum(int(residual["wrong_bits"]) for _, residual in verified)
    return Claim(
        bits=bits,
        wrong_bits=wrong,
        steps=len(verified),
        methods=tuple(dict.fromkeys(str(step.measures.get("method", "exact")) for step, _ in verified)),
        bound=error_rate_bound(wrong, bits) if bits else None,
    )


def errors_said(endpoint: EndpointResult) -> list[str]:
    """Of each end, what it counted over all steps, or why that is not known."""
    said: list[str] = []
    for end in _ENDS:
        unknown = dict.fromkeys(str(step.errors[end]["unavailable"]) for step in _with(endpoint, end, "unavailable"))
        counts: Counter[str] = Counter()
        at_least = False
        for step in endpoint.steps:
            for severity in _SEVERITIES:
                for name, count in step.errors.get(end, {}).get(severity, {}).items():
                    if count.get("n"):
                        counts[name] += count["n"]
                        at_least |= count["bound"] == "at least"
        read = [step for step in endpoint.steps if end in step.errors and "unavailable" not in step.errors[end]]
        if counts:
            told = ", ".join(f"{name} {n}" for name, n in counts.most_common())
            said.append(f"{end} end: {'at least ' * at_least}{sum(counts.values())} counted ({told})")
        elif read:
            said.append(f"{end} end: none counted")
        said += [f"{end} end: not known: {why}" for why in unknown]
    return said


def rates_said(endpoint: EndpointResult) -> list[str]:
    """Of each step that measured a rate by repeats, the rate with its spread and what that is worth."""
    return [
        f"{step.kind}: {format_bytes_per_s(step.measures['bytes_per_second'])} {way_said(step.measures)}, "
        f"{spread_said(step.measures)}"
        for step in endpoint.steps
        if step.measures.get("repeats")
    ]


def way_said(measures: Mapping[str, Any]) -> str:
    """In which direction a rate was had."""
    return WAYS.get(measures.get("direction", "both"), WAYS["both"])


def spread_said(measures: Mapping[str, Any]) -> str:
    """Between the slowest and the fastest of n repeats lies the true median unless all fell to one side of it.

    That has the probability 2^(1-n), whatever the distribution.
    """
    repeats = int(measures["repeats"])
    low, high = measures["slowest_bytes_per_second"], measures["fastest_bytes_per_second"]
    between = f"between {format_bytes_per_s(low)} and {format_bytes_per_s(high)}"
    return f"{between} at {1 - 2.0 ** (1 - repeats):.1%} confidence ({repeats} repeats)" if repeats > 1 else "once"


def near_limit_said(step: StepResult, plan: Mapping[str, Any]) -> str:
    """Where the limit lies within the spread of a rate's repeats, a sentence that says so; else empty."""
    asked, measures = asked_rate(step, plan), step.measures
    if asked is None or not measures["slowest_bytes_per_second"] < asked <= measures["fastest_bytes_per_second"]:
        return ""
    return (
        f"Near the limit: {format_bytes_per_s(asked)} lies between the slowest and the fastest repeat. The median was "
        "held against it, and another run may be judged otherwise."
    )


def not_claimed(result: RunResult) -> list[str]:
    """What a reader might take the report to say, and it does not."""
    said = list(NOT_CLAIMED)
    if not any(
        step.kind == "margin" and step.measures.get("margins") for one in result.endpoints for step in one.steps
    ):
        said.append(_MARGIN_NOT_CLAIMED)
    if any(not endpoint.physical for endpoint in result.endpoints):
        said.append(_SIMULATED_NOT_CLAIMED)
    return said


def main_reason(endpoint: EndpointResult) -> Reason | None:
    """The first reason that has the endpoint's verdict, its own before those of its steps."""
    reasons = [*endpoint.reasons, *(reason for step in endpoint.steps for reason in step.reasons)]
    return next((reason for reason in reasons if reason.verdict is endpoint.verdict), None)


def link_rows(endpoint: EndpointResult) -> list[dict[str, Any]]:
    """The link at both ends, at open and as each `link` step last saw it."""
    readings = [("at open", endpoint.opened.get("link"))]
    readings += [("under load", step.measures["link"]) for step in endpoint.steps if "link" in step.measures]
    return [
        {"when": when, "end": end, **reading[end]} for when, reading in readings if reading is not None for end in _ENDS
    ]


def error_rows(step: StepResult, opened: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
    """Every error that either end counted during a step, what it had at open, and what it means."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    ambient: Mapping[str, Any] = (opened or {}).get("ambient_errors", {})
    for end in _ENDS:
        errors: Mapping[str, Any] = step.errors.get(end, {})
        for severity in _SEVERITIES:
            for name, count in errors.get(severity, {}).items():
                if count.get("n"):
                    row = rows.setdefault((severity, name), {"name": name, "severity": severity})
                    row[end] = count
                    row[f"{end}_before"] = ambient.get(end, {}).get(severity, {}).get(name)
    for row in rows.values():
        known = CATALOGUE.get(row["name"])
        row["layer"] = known.layer if known else "not in the catalogue"
        row["meaning"] = f"{known.meaning} {known.suspects}" if known else ""
    return list(rows.values())


def counted(count: Mapping[str, Any] | None) -> str:
    if not count:
        return "none counted"
    if "unavailable" in count:
        return f"not known: {count['unavailable']}"
    return f"at least {count['n']}" if count["bound"] == "at least" else str(count["n"])


def asked_rate(step: StepResult, plan: Mapping[str, Any]) -> float | None:
    """Bytes per second that the plan asked of this step; None where it does not say, or it cannot be told."""
    steps: Sequence[Mapping[str, Any]] = plan.get("step", [])
    order = list(turns(len(steps), plan.get("repeat", 1), plan.get("order", "as written"), plan.get("seed") or 0))
    if not 0 <= step.position < len(order):
        return None
    planned, limit = steps[order[step.position].step], step.measures.get("ceiling_bytes_per_second")
    wanted = [planned.get("min_rate"), planned["min_share"] * limit if limit and planned.get("min_share") else None]
    return max((float(one) for one in wanted if one), default=None)


def sweep_rows(points: Sequence[Mapping[str, Any]]) -> list[tuple[str, int, int]]:
    """Of each sweep its name, points tried, points wrong."""
    tried = Counter(str(point["sweep"]) for point in points)
    wrong = Counter(str(point["sweep"]) for point in points if not point["ok"])
    return [(name, n, wrong[name]) for name, n in tried.items()]


def wrong_points(points: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Texts of the points that went wrong, few enough to read."""
    return [
        {
            "sweep": str(point["sweep"]),
            "bytes": format_bytes(point["bytes"]),
            "offset": str(point["offset"]),
            "depth": str(point["depth"]),
            "what": "; ".join(_point_said(point)),
        }
        for point in points
        if not point["ok"]
    ][:MOST_POINTS_SHOWN]


def _point_said(point: Mapping[str, Any]) -> Iterator[str]:
    if point["mismatched_bytes"]:
        yield f"{point['mismatched_bytes']} wrong bytes from {point['first']} on"
    if point["received_bytes"] < point["bytes"]:
        yield f"{point['received_bytes']} bytes came back"
    if point["surplus_bytes"]:
        yield f"{point['surplus_bytes']} bytes too many"
    if point["stalled"]:
        yield "stalled"


def origin_said(block: Mapping[str, Any]) -> str:
    """What stood where data were wrong in a block, kind by kind, with the source where all of a kind share one."""
    by_kind: dict[str, list[Mapping[str, Any]]] = {}
    for one in block["origins"]:
        by_kind.setdefault(str(one["kind"]), []).append(one)
    said: list[str] = []
    for kind, ranges in by_kind.items():
        wrong = sum(one["wrong_bytes"] for one in ranges)
        sources = [one["source"] for one in ranges if one["source"]]
        same = sources and all(one == sources[0] for one in sources)
        said.append(f"{kind}: {wrong} wrong byte{'s' * (wrong > 1)}{_source_said(sources[0]) if same else ''}")
    return "; ".join(said)


def _source_said(source: Mapping[str, Any]) -> str:
    back = -int(source["sequence_delta"])
    which = (
        "this buffer" if not back else f"{abs(back)} buffer{'s' * (abs(back) > 1)} {'before' if back > 0 else 'after'}"
    )
    moved = int(source["position_delta"])
    place = "at the same place" if not moved else f"{abs(moved)} bytes {'further on' if moved > 0 else 'further back'}"
    return f" of channel {source['channel']}, slot {source['slot']}, {which}, {place}"


def shown_of(rows: Sequence[Any]) -> tuple[Sequence[Any], int, Sequence[Any]]:
    """Of a long list the first rows that are shown, how many are not, and the last."""
    if len(rows) <= MOST_FIRST + MOST_LAST:
        return rows, 0, ()
    return rows[:MOST_FIRST], len(rows) - MOST_FIRST - MOST_LAST, rows[-MOST_LAST:]


def clock_rows(rows: Sequence[ClockRow]) -> Sequence[ClockRow]:
    """Those that a report shows: all of a day, of a longer run the beginning and the end, and what has happened."""
    ends = {*rows[:_CLOCK_ROWS], *rows[-_CLOCK_ROWS:]}
    return [row for row in rows if row in ends or row.what != "hourly"][:_MOST_CLOCK_ROWS]


def not_tested(result: RunResult) -> list[str]:
    planned = {step["kind"] for step in result.plan.get("step", [])}
    missing = [f"no {kind} step was planned" for kind in STEPS if kind not in planned]
    for endpoint in result.endpoints:
        reached = len(endpoint.steps)
        missing += [
            f"{endpoint.name}: {kind} was planned and not begun" + (f", {times} times" if times > 1 else "")
            for kind, times in Counter(planned_kinds(result.plan)[reached:]).items()
        ]
        channels = endpoint.opened.get("channels", [])
        missing += [f"{endpoint.name}: channel {channel['name']}" for channel in channels[1:]]
    return missing


def _with(endpoint: EndpointResult, end: str, key: str) -> list[StepResult]:
    return [step for step in endpoint.steps if key in step.errors.get(end, {})]


DECISION_RULES = (
    "A verdict is the worst of its reasons (none, pass, inconc, fail, error; TTCN-3, ETSI ES 201 873-1), and one that "
    "has got worse never gets better.",
    "Data: one wrong, missing or surplus byte fails a step. Right data pass with a one-sided bound on the rate of "
    f"wrong bits at {CONFIDENCE:.0%} confidence, from the exact Poisson limit.",
    "Link errors: a count above the plan's limit at one end fails; the limit is none unless the plan says more. What "
    "cannot be read passes nothing: inconc where a claim would rest on it.",
    "Rates: the median of the repeats is held against the plan's limit itself, without a guard band. Its uncertainty "
    "is the spread from the slowest to the fastest repeat; where the limit lies within it, the report says so.",
)
"""Declared in every report."""
