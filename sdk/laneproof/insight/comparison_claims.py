"""What later runs say that earlier ones did not, and what they can no longer say: verdicts, links, exposure, counters.

Facts, without statistics: a verdict or a trained width is what it is, and what was never read is not known.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

from attrs import frozen

from laneproof.campaign.events import ROUTINE
from laneproof.campaign.results import EndpointResult, Reason, StepResult
from laneproof.campaign.statistics import format_bound
from laneproof.campaign.verdict import Verdict
from laneproof.insight.comparison_facts import SlotPair, StepPair, error_counts, readable

Kind = Literal["worse", "better", "new", "gone", "no longer claimed", "not told", "surroundings"]
LESS = 0.9
"""The share of an exposure below which less can be claimed: a tenth less is no other claim."""
_RANK = {Verdict.PASS: 0, Verdict.NONE: 1, Verdict.INCONC: 1, Verdict.ERROR: 1, Verdict.FAIL: 2}
"""What a verdict says of the slot: nothing bad, nothing at all, something bad."""
_ENDS = ("near", "far")
_MOST_NEW = 4
"""New texts of one kind that are told of one slot."""


@frozen(kw_only=True)
class Difference:
    """One thing that is not as it was. `p_value` is corrected for the number of comparisons; None without a test."""

    kind: Kind
    slot: str
    step: str
    text: str
    p_value: float | None = None


def claims(slot: SlotPair) -> Iterator[Difference]:
    """Every difference of one slot that needs no statistics."""
    if all(one is None for one in slot.later):
        yield Difference(kind="no longer claimed", slot=slot.name, step="", text="this slot is in no later run")
        return
    if all(one is None for one in slot.earlier):
        yield Difference(kind="new", slot=slot.name, step="", text="this slot is in no earlier run")
        return
    judged = [one for pair in slot.steps for one in _verdicts(pair)]
    yield from judged
    for pair in slot.steps:
        yield from _exposure(pair)
    yield from _links(slot)
    yield from _counters(slot)
    yield from _conditions_read(slot)
    said = " ".join(one.text for one in judged)
    for one in _news(slot):
        if one.step != "reason" or one.text.split(": ", 2)[-1] not in said:
            yield one


# --- verdicts


def _verdicts(pair: StepPair) -> Iterator[Difference]:
    before, now = ([step for run in side for step in run] for side in (pair.earlier, pair.later))
    if not now or not before:
        kind: Kind = "new" if now else "no longer claimed"
        text = "no earlier run has this step" if now else "missing: no later run came to this step"
        yield Difference(kind=kind, slot=pair.slot, step=pair.step, text=text)
        return
    ranks = [max(_RANK[step.verdict] for step in side) for side in (before, now)]
    said = f"{_tallied(before)} before, {_tallied(now)} now"
    if ranks[0] == ranks[1]:
        return
    if ranks[1] == 2:
        kind = "worse"
    elif ranks[1] > ranks[0]:
        kind = "no longer claimed"
    elif ranks[0] == 1:
        kind = "better"
    elif all(_RANK[step.verdict] == 2 for step in before):
        kind = "better" if ranks[1] == 0 else "not told"
    else:  # it failed now and then: that it has not yet done so again is no proof
        kind, said = "not told", f"{said}: it failed now and then before, which so few passes do not undo"
    why = next((reason.text for step in now for reason in step.reasons if _RANK[reason.verdict] == ranks[1]), "")
    yield Difference(kind=kind, slot=pair.slot, step=pair.step, text=f"{said}. {why}" if why and ranks[1] else said)


def _tallied(steps: Sequence[StepResult]) -> str:
    counts = Counter(str(step.verdict) for step in steps)
    if len(counts) == 1:
        return next(iter(counts))
    return " and ".join(f"{n} × {verdict}" for verdict, n in counts.most_common())


# --- exposure


def _exposure(pair: StepPair) -> Iterator[Difference]:
    before, now = (
        [found for run in side if (found := _claimed(run)) is not None] for side in (pair.earlier, pair.later)
    )
    if not before:
        return
    weakest = min(before)
    if not now:
        if any(pair.later) and not any(_wrong(step) for run in pair.later for step in run):
            yield Difference(
                kind="no longer claimed",
                slot=pair.slot,
                step=pair.step,
                text=f"no bit was verified now; {weakest} bits were before",
            )
        return
    best = max(now)
    if best < LESS * weakest:
        from laneproof.campaign.statistics import error_rate_bound

        yield Difference(
            kind="no longer claimed",
            slot=pair.slot,
            step=pair.step,
            text=f"fewer than {format_bound(error_rate_bound(0, weakest))} wrong per bit: {best} bits verified, "
            f"{weakest} before; now {format_bound(error_rate_bound(0, best))}",
        )


def _claimed(steps: Iterable[StepResult]) -> int | None:
    """Bits that one run verified without a wrong one; None without a claim."""
    bits = 0
    for step in steps:
        found = step.measures.get("residual_corruption")
        if not found or found["wrong_bits"]:
            return None
        bits += int(found["exposure_bits"])
    return bits or None


def _wrong(step: StepResult) -> bool:
    found: Mapping[str, Any] = step.measures.get("residual_corruption") or {}
    return bool(found.get("wrong_bits"))


# --- links


def _links(slot: SlotPair) -> Iterator[Difference]:
    for end in _ENDS:
        before, now = (_partners(side, end) for side in (slot.earlier, slot.later))
        if before and not now:
            text = f"the {end} end's link is not seen any more{_why(_opened(slot.later, 'link'), end)}"
            yield Difference(kind="no longer claimed", slot=slot.name, step="link", text=text)
        if not before or not now:
            continue
        for key, unit in (("speed_gtps", "{:g} GT/s"), ("width", "x{}")):
            had, has = ([one[key] for one in side] for side in (before, now))
            yield from _trained(slot.name, end, key, unit.format, had, has)


def _trained(
    slot: str, end: str, key: str, shown: Callable[[Any], str], before: Sequence[Any], now: Sequence[Any]
) -> Iterator[Difference]:
    had, has = ([value for value in side if value] for side in (before, now))
    name = f"{'speed' if key == 'speed_gtps' else 'width'} at the {end} end"
    if had and not has:
        text = f"{name}: not shown now, {shown(min(had))} before"
        yield Difference(kind="no longer claimed", slot=slot, step="link", text=text)
    elif had and min(has) != min(had):
        kind = "worse" if min(has) < min(had) else "better"
        least = " at least" if len(set(had)) + len(set(has)) > 2 else ""
        text = f"{name}: {shown(min(had))}{least} before, {shown(min(has))}{least} now"
        yield Difference(kind=kind, slot=slot, step="link", text=text)


def _partners(side: Iterable[EndpointResult | None], end: str) -> list[Mapping[str, Any]]:
    """One end of the link as it was seen at open and by each step that looked."""
    readings = [
        reading
        for one in side
        if one is not None
        for reading in (one.opened.get("link"), *(step.measures.get("link") for step in one.steps))
    ]
    return [reading[end] for reading in readings if reading and "unavailable" not in reading[end]]


def _opened(side: Iterable[EndpointResult | None], key: str) -> list[Mapping[str, Any]]:
    return [one.opened[key] for one in side if one is not None and one.opened.get(key)]


def _why(readings: Iterable[Mapping[str, Any]], end: str) -> str:
    whys = [str(reading[end]["unavailable"]) for reading in readings if "unavailable" in reading[end]]
    return f": {whys[0]}" if whys else ""


# --- what could be read


def _counters(slot: SlotPair) -> Iterator[Difference]:
    for end in _ENDS:
        before, now = ([step for one in side if one for step in one.steps] for side in (slot.earlier, slot.later))
        if any(readable(step, end) for step in before) and now and not any(readable(step, end) for step in now):
            why = _why([step.errors for step in now if step.errors.get(end)], end)
            text = f"link errors at the {end} end: its counters were read before, and are not readable now{why}"
            yield Difference(kind="no longer claimed", slot=slot.name, step="link", text=text)


def _conditions_read(slot: SlotPair) -> Iterator[Difference]:
    before, now = ([step for one in side if one for step in one.steps] for side in (slot.earlier, slot.later))
    if any("before" in step.conditions for step in before) and not any("before" in step.conditions for step in now):
        why = next((f": {step.conditions['unavailable']}" for step in now if "unavailable" in step.conditions), "")
        text = f"conditions around the steps are not readable now{why}"
        yield Difference(kind="no longer claimed", slot=slot.name, step="", text=text)


# --- what is new


def _news(slot: SlotPair) -> Iterator[Difference]:
    for what, found in _SOURCES.items():
        before, now = (_gathered(side, found) for side in (slot.earlier, slot.later))
        yield from _told("new", slot.name, what, [text for shape, text in now.items() if shape not in before])
        yield from _told("gone", slot.name, what, [text for shape, text in before.items() if shape not in now])


def _told(kind: Kind, slot: str, what: str, texts: Sequence[str]) -> Iterator[Difference]:
    for text in texts[:_MOST_NEW]:
        yield Difference(kind=kind, slot=slot, step=what, text=text)
    if len(texts) > _MOST_NEW:
        yield Difference(kind=kind, slot=slot, step=what, text=f"and {len(texts) - _MOST_NEW} more")


def _gathered(
    side: Iterable[EndpointResult | None], found: Callable[[EndpointResult], Iterable[tuple[str, str]]]
) -> dict[str, str]:
    """The first text of each shape."""
    told: dict[str, str] = {}
    for shape, text in (row for one in side if one is not None for row in found(one)):
        told.setdefault(shape, text)
    return told


def _errors(endpoint: EndpointResult) -> Iterator[tuple[str, str]]:
    for step in endpoint.steps:
        for end in _ENDS:
            counts = error_counts(step, end) if readable(step, end) else ()
            names = [f"{name} at the {end} end" for name, count in counts if count.get("n")]
            yield from zip(names, names, strict=True)


def _events(endpoint: EndpointResult) -> Iterator[tuple[str, str]]:
    """By their kinds: what an event's text says of time and place differs from run to run."""
    changed = {change["kind"] for step in endpoint.steps for change in step.conditions.get("changes") or ()}
    for event in endpoint.events:
        if event["kind"] not in ROUTINE and event["kind"] not in changed:  # these are told as conditions
            yield str(event["kind"]), f"{event['kind']}: {event['text']}"


def _changes(endpoint: EndpointResult) -> Iterator[tuple[str, str]]:
    flagged: dict[tuple[str, str], set[int]] = {}
    for step in endpoint.steps:
        for change in step.conditions.get("changes") or ():
            if change["kind"] != "lane":
                shape = "reported" if change["kind"] == "reported" else f"{change['kind']}: {change['text']}"
                yield _without_numbers(shape), str(change["text"])
        for flag in step.conditions.get("lanes") or ():
            flagged.setdefault((str(flag["register"]), str(flag["end"])), set()).add(int(flag["lane"]))
    for (register, end), lanes in flagged.items():
        text = f"{register} at the {end} end newly showed lanes {', '.join(map(str, sorted(lanes)))}"
        yield text, text


def _reasons(endpoint: EndpointResult) -> Iterator[tuple[str, str]]:
    """Of the slot itself, and of steps: whatever is no pass."""
    told: list[tuple[str, Reason]] = [("", reason) for reason in endpoint.reasons]
    told += [(f"{step.kind}: ", reason) for step in endpoint.steps for reason in step.reasons]
    for kind, reason in told:
        if reason.verdict > Verdict.PASS:
            yield _without_numbers(f"{kind}{reason.verdict}: {reason.text}"), f"{kind}{reason.verdict}: {reason.text}"


def _without_numbers(text: str) -> str:
    """The shape of a text: numbers, and units that go with their size, differ from run to run."""
    return re.sub(r"[0-9][0-9.,e+-]*( (B|[KMGT]i?B|[kMGT]B|ns|µs|ms|s|min|h)(/s)?\b)?", "#", text)


_SOURCES: Mapping[str, Callable[[EndpointResult], Iterable[tuple[str, str]]]] = {
    "error": _errors,
    "event": _events,
    "condition": _changes,
    "reason": _reasons,
}
