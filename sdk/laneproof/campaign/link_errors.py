"""Link readings and error counts as plain data, and what a step concludes from errors counted at either end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import attrs

from laneproof.campaign.results import Findings, Plain
from laneproof.pcie import CATALOGUE
from laneproof.readings import AtLeast, Count, ErrorReading, LinkReading, PartnerErrors, PartnerLink, Unavailable

_RECEIVED_DAMAGED = {"RxErr", "BadTLP", "BadDLLP"}
"""What a receiver counts when a packet arrives damaged on an otherwise working link."""

ADVISORY = "NonFatalErr"
"""What an end counts, as correctable, of an uncorrectable error that it leaves to somebody else."""
MOST_COUNTED = 1 << 32
"""More errors than any step counts: more than a year of a hundred a second."""


def plain_link(reading: LinkReading) -> Plain:
    """Both partners' view of the link; {"unavailable": why} for one that cannot be seen."""
    return {
        "near": _plain_partner(reading.near),
        "far": _plain_partner(reading.far),
        "wiring": reading.wiring,
        "slot_power_w": reading.slot_power_w,
        "above": [_plain_partner(link) for link in reading.above],
    }


def plain_errors(reading: ErrorReading) -> Plain:
    """Counts by end and severity: {"n": …, "bound": "exact" | "at least"}, or {"unavailable": why}.

    What is not listed was counted zero times. Why counts are lower bounds stands once for an end.
    """
    return {"near": _plain_counts(reading.near), "far": _plain_counts(reading.far)}


def _plain_partner(partner: PartnerLink | Unavailable) -> Plain:
    return {"unavailable": partner.why} if isinstance(partner, Unavailable) else attrs.asdict(partner)


def _plain_counts(errors: PartnerErrors | Unavailable) -> Plain:
    if isinstance(errors, Unavailable):
        return {"unavailable": errors.why}
    severities = {
        severity: {name: plain_count(count) for name, count in counts.items() if not _is_zero(count)}
        for severity, counts in _by_severity(errors)
    }
    every = [count for _, counts in _by_severity(errors) for count in counts.values()]
    if not every:  # which is not to have counted zero
        return {"unavailable": f"{errors.name} shows no counters"}
    why = next((count.why for count in every if isinstance(count, AtLeast)), None)
    return {"name": errors.name, **severities, "lower_bounds_because": why}


def _is_zero(count: Count) -> bool:
    return not isinstance(count, Unavailable) and count.n == 0


def plain_count(count: Count) -> Plain:
    """{"n": …, "bound": "exact" | "at least"}, or {"unavailable": why}."""
    if isinstance(count, Unavailable):
        return {"unavailable": count.why}
    if isinstance(count, AtLeast):
        return {"n": count.n, "bound": "at least"}
    return {"n": count.n, "bound": "exact"}


def _by_severity(errors: PartnerErrors) -> Iterator[tuple[str, Mapping[str, Count]]]:
    yield "correctable", errors.correctable
    yield "nonfatal", errors.nonfatal
    yield "fatal", errors.fatal


def judge_link_errors(added: ErrorReading, limit: int, findings: Findings, went: str = "came back") -> None:
    """Hold the errors counted at either end to the house limit.

    The ends are never added up, since one event can show at both: the limit holds for each, and for correctable errors;
    of others there may be none. An end that cannot be read makes the claim inconclusive, and so do lower bounds within
    a limit above zero. An end that counts nothing vouches only for the path into it. `went` says what became of the
    payload meanwhile.
    """
    if isinstance(added.near, Unavailable) and added.near == added.far:
        findings.inconclusive(f"link errors are not known at either end: {added.near.why}")
        return
    ends = {end: getattr(added, end) for end in ("near", "far")}
    within = [_judge_end(end, errors, limit, findings) for end, errors in ends.items()]
    if all(within):
        bits = 8 * (findings.bytes_moved - findings.bytes_carried)
        exposure = f"while {bits} payload bits {went}" if bits else "idle"
        findings.passed(f"{f'at most {limit}' if limit else 'no'} link errors counted at either end, {exposure}")


def too_many_link_errors(limit: int, nbytes: int | None) -> tuple[tuple[str, str], ...]:
    """Key and remedy where a house limit allows an error for each bit of the `nbytes` that are to be moved, or more
    than anybody counts; nothing where it can fail."""
    if limit < (min(MOST_COUNTED, 8 * nbytes) if nbytes else MOST_COUNTED):
        return ()
    return (("max_link_errors", f"{limit} can never fail, for no step of this size counts so many; give fewer"),)


def remark_link_errors(added: ErrorReading, findings: Findings) -> None:
    """For a step with no limit on link errors: uncorrectable ones fail it, correctable ones are said.

    So do advisory ones, each of which is an uncorrectable error that somebody else is to handle: its status flag stays
    set, and makes the steps after this one blind to another.
    """
    for end, errors in (("near", added.near), ("far", added.far)):
        if isinstance(errors, Unavailable):
            continue
        for harm in (False, True):
            rows = [row for row in _counted(errors) if (row[0] != "correctable" or row[1] == ADVISORY) == harm]
            shown = ", ".join(_shown(name, count, severity) for severity, name, count in rows)
            if rows and harm:
                names = {name for _, name, _ in rows}
                findings.failed(f"{errors.name} ({end} end) counted {shown}. " + " ".join(_accusations(end, names)))
            elif rows:
                findings.passed(
                    f"{errors.name} ({end} end) counted {shown} during this step, which holds link errors to no limit; "
                    "link and soak steps do"
                )


def counted(added: ErrorReading | None, *, uncorrectable_only: bool = False) -> list[str]:
    """What either end counted, a phrase for each that did; on request only uncorrectable errors and advisory ones."""
    said: list[str] = []
    for end in ("near", "far"):
        errors = getattr(added, end, None)
        if isinstance(errors, PartnerErrors):
            shown = [
                _shown(name, count, severity)
                for severity, name, count in _counted(errors)
                if not uncorrectable_only or severity != "correctable" or name == ADVISORY
            ]
            said += [f"{errors.name} ({end} end) counted {', '.join(shown)}"] if shown else []
    return said


def _counted(errors: PartnerErrors) -> list[tuple[str, str, Count]]:
    """Severity, name and count of all that was counted at one end."""
    return [
        (severity, name, count)
        for severity, counts in _by_severity(errors)
        for name, count in counts.items()
        if not isinstance(count, Unavailable) and count.n
    ]


def _judge_end(end: str, errors: PartnerErrors | Unavailable, limit: int, findings: Findings) -> bool:
    """Judge one end; True if it keeps the limit as far as its counts tell."""
    if isinstance(errors, Unavailable):
        findings.inconclusive(f"link errors at the {end} end are not known: {errors.why}")
        return False
    rows = [(severity, name, count) for severity, counts in _by_severity(errors) for name, count in counts.items()]
    if not rows:
        findings.inconclusive(f"link errors at the {end} end are not known: {errors.name} shows no counters")
        return False
    unknown: dict[str, list[str]] = {}
    for _, name, count in rows:
        if isinstance(count, Unavailable):
            unknown.setdefault(count.why, []).append(name)
    for why, names in sorted(unknown.items()):
        findings.inconclusive(f"errors at {errors.name} ({end} end) are not known, of {', '.join(names)}: {why}")
    present = [(severity, name, count) for severity, name, count in rows if not isinstance(count, Unavailable)]
    total = sum(count.n for _, _, count in present)
    shown = ", ".join(_shown(name, count, severity) for severity, name, count in present if count.n)
    harmful = any(severity != "correctable" and count.n for severity, _, count in present)
    if total <= limit and not harmful:
        if any(isinstance(count, AtLeast) and count.n for _, _, count in present):
            findings.inconclusive(
                f"{errors.name} ({end} end) counted {shown}: lower bounds, so the limit of {limit} may be passed"
            )
            return False
        return not unknown
    findings.failed(
        f"{errors.name} ({end} end) counted {shown}; the limit is {limit}{' for correctable ones' if harmful else ''}. "
        + " ".join(_accusations(end, {name for _, name, count in present if count.n}))
    )
    return False


def _accusations(end: str, names: set[str]) -> Iterator[str]:
    """Who may be to blame for the errors that one end counted, a sentence each."""
    if names & _RECEIVED_DAMAGED:
        other = "near" if end == "far" else "far"
        yield (
            f"Damage arrived at this end, so the path into it is suspect: the {other} end's transmitter, contacts, "
            "riser, this receiver. A packet that is hit is sent again and arrives intact, for which its sender counts "
            "nothing: silence at one end does not clear the path out of it."
        )
    for name in sorted(names - _RECEIVED_DAMAGED):
        if name in CATALOGUE:
            yield f"{name}: {CATALOGUE[name].meaning} {CATALOGUE[name].suspects}"


def _shown(name: str, count: Count, severity: str) -> str:
    number = "" if isinstance(count, Unavailable) else str(count.n)
    bound = "at least " if isinstance(count, AtLeast) else ""
    return f"{bound}{number} {name}" + ("" if severity == "correctable" else f" ({severity})")
