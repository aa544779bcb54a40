"""Conditions around a step: as plain data, what changed in them, which flags were blind, and what that means.

A lane is named from these registers alone, never from damage in the data. Reading them is in `steps.observation`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

import attrs
from attrs import frozen

from laneproof.campaign.link_errors import plain_count
from laneproof.campaign.results import Findings, Plain
from laneproof.pcie import decode_tlp
from laneproof.readings import (
    AtLeast,
    Conditions,
    Count,
    Exact,
    PartnerCondition,
    ReportedError,
    Unavailable,
    added,
    known,
)

LANE_ERRORS = "Lane Error Status"
_SHOWN_REPORTS = 4


@frozen
class LaneFlag:
    """One lane, or one lane as one segment of the link sees it, newly flagged at one end: one event at least."""

    end: str
    partner: str
    register: str
    lane: int


@frozen
class Change:
    """What differs between two readings, as an event: its kind, and a sentence. `flags` are the lanes that it names."""

    kind: str
    text: str
    flags: tuple[LaneFlag, ...] = ()


def unavailable_conditions(why: str) -> Conditions:
    """Nothing is known, for one reason."""
    gone = Unavailable(why)
    return Conditions(near=gone, far=gone, sensors=gone, memory_errors=gone, iommu_faults=gone, reported=gone)


def carried(now: Conditions, earlier: Conditions) -> Conditions:
    """`now`, and where it is unavailable what was known earlier, so that a reading that fails once hides no change."""
    held = {
        name: value
        for name, value in attrs.asdict(earlier, recurse=False).items()
        if isinstance(getattr(now, name), Unavailable)
    }
    return attrs.evolve(now, **held)


# --- plain data


def plain_conditions(reading: Conditions) -> Plain:
    """Plain data, {"unavailable": why} for what cannot be read; one reason for all of it stands once.

    Of the errors that the kernel reported only the number, a lower bound, since a log keeps the last ones; those of a
    step are among its changes.
    """
    parts = list(attrs.asdict(reading, recurse=False).values())
    if isinstance(parts[0], Unavailable) and all(part == parts[0] for part in parts):
        return {"unavailable": parts[0].why}
    sensors, memory, reported = reading.sensors, reading.memory_errors, reading.reported
    return {
        "near": _plain_partner(reading.near),
        "far": _plain_partner(reading.far),
        "sensors": _why(sensors) if isinstance(sensors, Unavailable) else [attrs.asdict(sensor) for sensor in sensors],
        "memory_errors": _why(memory)
        if isinstance(memory, Unavailable)
        else {str(kind): plain_count(count) for kind, count in memory.items()},
        "iommu_faults": plain_count(reading.iommu_faults),
        "reported": _why(reported) if isinstance(reported, Unavailable) else {"n": len(reported), "bound": "at least"},
    }


def _why(gone: Unavailable) -> Plain:
    return {"unavailable": gone.why}


def _plain_partner(partner: PartnerCondition | Unavailable) -> Plain:
    if isinstance(partner, Unavailable):
        return _why(partner)
    return {
        "name": partner.name,
        "lane_errors": None if partner.lane_errors is None else _lanes(partner.lane_errors),
        "parity_mismatches": {str(segment): _lanes(lanes) for segment, lanes in partner.parity_mismatches.items()},
        "equalisation": _by_speed(partner.equalisation),
        "presets": _by_speed(partner.presets),
        "retimers": partner.retimers,
        "clocking": partner.clocking,
        "margining": partner.margining,
        "aspm": None if partner.aspm is None else [str(state) for state in partner.aspm],
        "device_status": None if partner.device_status is None else [str(flag) for flag in partner.device_status],
    }


def _lanes(lanes: Collection[int]) -> list[int]:
    return sorted(int(lane) for lane in lanes)


def _by_speed(shown: Mapping[float, Collection[str]]) -> dict[str, list[str]]:
    return {f"{speed:g}": [str(text) for text in texts] for speed, texts in sorted(shown.items())}


# --- what changed


def changes(before: Conditions, now: Conditions) -> Iterator[Change]:
    """What is new in `now`. What was not known before is not new."""
    for end in ("near", "far"):
        earlier, later = known(getattr(before, end)), known(getattr(now, end))
        if earlier is not None and later is not None:
            yield from _partner_changes(end, earlier, later)
    for kind, count in memory_errors_added(before, now).items():
        if number := _counted(count, f"{kind} memory error"):
            yield Change("memory", f"the host counted {number}")
    if number := _counted(added(now.iommu_faults, before.iommu_faults), "access"):
        yield Change("iommu", f"the IOMMU refused {number}")
    if set(known(before.reported) or ()) - set(known(now.reported) or ()):
        yield Change("reported", "the kernel's log has lost its oldest errors; of those of this step it may lack some")
    for alike in _alike(reported_since(before, now)):
        more = f"; {len(alike) - 1} more like it, the last at {alike[-1].time_s:.6f} s" if len(alike) > 1 else ""
        yield Change("reported", describe_report(alike[0]) + more)


def _partner_changes(end: str, before: PartnerCondition, now: PartnerCondition) -> Iterator[Change]:
    name = f"{now.name} ({end} end)"
    for register, lanes in _flagged(now).items():
        set_before = _flagged(before).get(register)
        new = _lanes(set(lanes) - set(set_before)) if set_before is not None else []
        if new:
            flags = tuple(LaneFlag(end, now.name, register, lane) for lane in new)
            yield Change("lane", f"{register} of {name} newly shows {_lane_text(new)}", flags)
    for speed, flags in now.equalisation.items():
        if "requested" in flags and "requested" not in before.equalisation.get(speed, ("requested",)):
            yield Change("equalisation", f"{name} asks for equalisation at {speed:g} GT/s to be done again")
    if now.device_status is not None and before.device_status is not None:
        new_flags = [flag for flag in now.device_status if flag not in before.device_status]
        if new_flags:
            yield Change("device status", f"Device Status of {name} newly shows {', '.join(new_flags)}")
    if now.aspm is not None and before.aspm is not None and set(now.aspm) != set(before.aspm):
        states, earlier = (", ".join(shown) or "none" for shown in (now.aspm, before.aspm))
        yield Change("power", f"link power states switched on at {name}: {states}; before: {earlier}")


def _flagged(partner: PartnerCondition) -> dict[str, Collection[int]]:
    """Lanes by the register, or the segment of the link, that flags them; what is not shown is missing."""
    shown: dict[str, Collection[int]] = {} if partner.lane_errors is None else {LANE_ERRORS: partner.lane_errors}
    return shown | {f"data parity mismatch ({segment})": at for segment, at in partner.parity_mismatches.items()}


def _lane_text(lanes: Collection[int]) -> str:
    return f"lane{'s' * (len(lanes) > 1)} {', '.join(map(str, lanes))}"


def blind_flags(before: Conditions) -> list[str]:
    """What was set already when a step began: sticky flags, which hide further events of their kind."""
    said: list[str] = []
    for end in ("near", "far"):
        partner = known(getattr(before, end))
        if partner is None:
            continue
        sets = {register: _lane_text(_lanes(lanes)) for register, lanes in _flagged(partner).items() if lanes}
        requested = [f"{speed:g} GT/s" for speed, flags in partner.equalisation.items() if "requested" in flags]
        if requested:
            sets["equalisation requested"] = ", ".join(requested)
        said += [
            f"{register} of {partner.name} ({end} end) showed {shown} before: blind there, for it is not cleared"
            for register, shown in sets.items()
        ]
    return said


def memory_errors_added(before: Conditions, now: Conditions) -> dict[str, Count]:
    """Host memory errors counted in between, by kind."""
    earlier, later = known(before.memory_errors), known(now.memory_errors)
    if earlier is None or later is None:
        return {}
    return {kind: added(count, earlier.get(kind, Unavailable("not counted before"))) for kind, count in later.items()}


def _counted(count: Count, noun: str) -> str:
    """The number and what was counted, for a sentence; nothing where none was counted or nothing is known."""
    if isinstance(count, Unavailable) or not count.n:
        return ""
    plural = "" if count.n == 1 else "es" if noun.endswith("s") else "s"
    return f"{'at least ' if isinstance(count, AtLeast) else ''}{count.n} {noun}{plural}"


def reported_since(before: Conditions, now: Conditions) -> list[ReportedError]:
    """Errors that the kernel has reported since; none where its reports could not be read before."""
    earlier, later = known(before.reported), known(now.reported)
    if earlier is None or later is None:
        return []
    had = set(earlier)
    return [error for error in later if error not in had]


def _alike(errors: list[ReportedError]) -> Iterable[list[ReportedError]]:
    """Errors that differ in their time alone, together."""
    found: dict[ReportedError, list[ReportedError]] = {}
    for error in errors:
        found.setdefault(attrs.evolve(error, time_s=0.0), []).append(error)
    return found.values()


def describe_report(error: ReportedError) -> str:
    """One reported error in a sentence, with the packet header that was logged, decoded."""
    text = (
        f"the kernel reported {', '.join(error.errors) or 'an error without a name'} at {error.device} "
        f"({error.severity}), at {error.time_s:.6f} s of its own clock"
    )
    if error.header_log is None:
        return text
    words = " ".join(f"{word:08x}" for word in error.header_log)
    return f"{text}; header {words}: {decode_tlp(error.header_log)}"


# --- what it means


def judge_lane_flags(flags: Collection[LaneFlag], limit: int, findings: Findings) -> None:
    """Hold newly flagged lanes to the house limit on link errors, each end and register by itself.

    A flag stands for one event at least, so that a limit above zero may be passed though fewer lanes are flagged.
    """
    for (end, partner, register), lanes in _by_register(flags).items():
        shown = f"{register} of {partner} ({end} end) newly shows {_lane_text(lanes)}"
        if len(lanes) > limit:
            findings.failed(f"{shown}, an event each at least; the limit is {limit}. {_accusation(end)}")
        else:
            findings.inconclusive(f"{shown}: flags and no counts, so the limit of {limit} may be passed")


def remark_lane_flags(flags: Collection[LaneFlag], findings: Findings) -> None:
    """For a step with no limit on link errors: say which lanes were flagged."""
    for (end, partner, register), lanes in _by_register(flags).items():
        findings.passed(
            f"{register} of {partner} ({end} end) newly shows {_lane_text(lanes)} during this step, which holds link "
            "errors to no limit; link and soak steps do"
        )


def _by_register(flags: Collection[LaneFlag]) -> dict[tuple[str, str, str], list[int]]:
    found: dict[tuple[str, str, str], list[int]] = {}
    for flag in flags:
        found.setdefault((flag.end, flag.partner, flag.register), []).append(flag.lane)
    return {key: sorted(lanes) for key, lanes in found.items()}


def _accusation(end: str) -> str:
    other = "near" if end == "far" else "far"
    return (
        f"The path into this end is suspect on these lanes, as this port counts them: the {other} end's transmitters, "
        "contacts, riser, this receiver."
    )


def judge_host(before: Conditions, now: Conditions, findings: Findings) -> None:
    """What the host and its kernel noted during a step, and what the step's verdicts are worth then."""
    memory = memory_errors_added(before, now)
    if number := _counted(memory.get("uncorrected", Exact(0)), "uncorrectable error"):
        findings.doubt_data(
            f"the host's own memory reported {number} during this step, so nothing can be said "
            "of the data that went through it; replace the memory and repeat"
        )
    if number := _counted(memory.get("corrected", Exact(0)), "error"):
        findings.passed(f"the host's memory corrected {number} during this step: its data were not changed")
    if number := _counted(added(now.iommu_faults, before.iommu_faults), "access"):
        findings.doubt_data(
            f"the IOMMU refused {number} during this step: data may have gone to, or been asked from, an "
            "address that was not theirs, which is the driver's or the card's doing and not the link's"
        )
    harmful = [error for error in reported_since(before, now) if not error.severity.lower().startswith("correct")]
    if harmful:
        shown = "; ".join(describe_report(error) for error in harmful[:_SHOWN_REPORTS])
        more = len(harmful) - _SHOWN_REPORTS
        findings.failed(f"{shown}{f'; and {more} more' if more > 0 else ''}")
