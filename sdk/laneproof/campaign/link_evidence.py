"""What stands on record of a link once a transfer over it has failed: counts, state and the kernel's log, of a step.

Whether the card shows them itself, or an observer beside it, makes no difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from laneproof.campaign.conditions import reported_since
from laneproof.campaign.link_errors import counted
from laneproof.campaign.link_state import retrained
from laneproof.campaign.steps.observation import Observation
from laneproof.readings import ErrorReading, ReportedError, Unavailable, known

_MOST_SHOWN = 4


def uncorrectable(added: ErrorReading | None, seen: Observation) -> list[str]:
    """Uncorrectable errors, each end's in a phrase, then the log's; an advisory one (`NonFatalErr`) is among them, for
    it was left to who had asked."""
    reports = [error for error in _reports(seen) if _is_uncorrectable(error)]
    return [*counted(added, uncorrectable_only=True), *_shown(reports)]


def link_events(added: ErrorReading | None, seen: Observation) -> list[str]:
    """Everything that befell the link, in phrases: its near end down or retrained, errors at either end, reports."""
    return [*_states(seen), *counted(added), *_shown(_reports(seen))]


def unread(added: ErrorReading | None, why: str, seen: Observation) -> list[str]:
    """What could not be read of the evidence at the near end, and `why` not, where that is known."""
    reasons = [why] if added is None else [added.near.why] if isinstance(added.near, Unavailable) else []
    link = seen.last_link
    if link is not None and isinstance(link.near, Unavailable):
        reasons.append(link.near.why)
    return list(dict.fromkeys(filter(None, reasons)))


def _states(seen: Observation) -> Iterator[str]:
    first, last = seen.first_link, seen.last_link
    for reading in (*seen.under_load, *(() if last is None else (last,))):
        near = known(reading.near)
        if near is not None and near.active is False:
            yield f"{near.name} (near end) showed its data link down"
            break
    if first is not None and last is not None and retrained(first, last):
        yield "the near end newly notes that the link changed for reliability, or was retrained by software"


def _reports(seen: Observation) -> list[ReportedError]:
    return [] if seen.before is None or seen.latest is None else reported_since(seen.before, seen.latest)


def _is_uncorrectable(error: ReportedError) -> bool:
    return not error.severity.lower().startswith("correct") or "NonFatalErr" in error.errors


def _shown(reports: Iterable[ReportedError]) -> list[str]:
    found = dict.fromkeys(
        f"the kernel reported {', '.join(error.errors) or 'an error without a name'} at {error.device} "
        f"({error.severity})"
        for error in reports
    )
    return list(found)[:_MOST_SHOWN]
