"""What a rate means that was measured while other slots were at work: contention, or a fault of the slot.

The rule for links that several slots share, such as the one above a switch: while they load it together, the sum of
what they move is held against that link's ceiling. What each gets of it is up to the switch and guaranteed by nothing,
so a slot is not failed for its part. Links are known by the names that observers give the ports above them.

Where the links above a slot, or above one beside it, cannot be seen, contention cannot be told from a fault. A rate
that misses its limit is inconclusive there: to fail it would accuse a slot of what its neighbours may have done, to
pass it would claim what nobody saw. The same goes for a slot that reached its limit alone and, sharing no link, does
not beside others: slot and card are not at fault, and host or tester cannot be told apart from here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import attrs
from attrs import frozen

from laneproof.campaign.events import Measured, Moved
from laneproof.campaign.meeting import Company, way_above
from laneproof.campaign.verdict import Verdict
from laneproof.readings import LinkReading, PartnerLink
from laneproof.units import format_bytes_per_s

SAY_ALONE = "take a throughput step with alone = true before this one"
_ROUNDING = 1e-9


@frozen(kw_only=True)
class SharedLoad:
    """What a link above several slots carried in one direction while one of them was slow, in bytes per second."""

    link: str
    """The port above it."""
    slots: int
    """How many loaded it, this one included."""
    bytes_per_second: float
    ceiling_bytes_per_second: float

    @property
    def share(self) -> float:
        return self.bytes_per_second / self.ceiling_bytes_per_second

    def __str__(self) -> str:
        return (
            f"{self.slots} slots together moved {format_bytes_per_s(self.bytes_per_second)} meanwhile over the link "
            f"that they share, below {self.link}: {self.share:.1%} of its ceiling of "
            f"{format_bytes_per_s(self.ceiling_bytes_per_second)}"
        )


def busiest_shared(
    reading: LinkReading,
    moved: Sequence[Moved],
    company: Company,
    *,
    bytes_per_s: float,
    virtual: bool,
    ceiling_of: Callable[[PartnerLink], float | None],
) -> SharedLoad | None:
    """Of the links that others of the `company` loaded too, the one that was nearest to its ceiling; None without any.

    The load is counted over the time of those of this slot's own transfers that came to `bytes_per_s`, its rate, or
    less: what made them slow was there then. Others' transfers contribute as far as they lie within it. `ceiling_of`
    gives a link's ceiling in bytes per second.
    """
    found: list[SharedLoad] = []
    slow = [one for one in moved if one.nbytes <= (1 + _ROUNDING) * bytes_per_s * (one.end_s - one.start_s)]
    seconds = sum(one.end_s - one.start_s for one in slow)
    for link in reading.above:
        others = [one for one in company.together if one.virtual_time == virtual and link.name in (one.way or ())]
        limit = ceiling_of(link)
        if others and limit and seconds > 0:
            nbytes = sum(one.nbytes for one in slow) + sum(overlapping(slow, one.moved) for one in others)
            found.append(
                SharedLoad(
                    link=link.name,
                    slots=1 + len(others),
                    bytes_per_second=nbytes / seconds,
                    ceiling_bytes_per_second=limit,
                )
            )
    return max(found, key=lambda one: one.share, default=None)


def accompanied(moved: Sequence[Moved], reading: LinkReading, company: Company, *, virtual: bool) -> Sequence[Moved]:
    """Those of a slot's transfers, in order, that had company: of all the others that matter, else of any of them.

    Others matter that share a link with it, or, where none does, that are in real time as it is. A slot that is faster
    is done before the rest, who then have the link for themselves. All transfers, where none had company.
    """
    beside = [one for one in company.together if one.virtual_time == virtual and one.moved]
    above = {link.name for link in reading.above}
    sharing = [one for one in beside if above & set(one.way or ())]
    others = sharing or ([] if virtual else beside)
    spans = [(one.moved[0].start_s, one.moved[-1].end_s) for one in others]
    for enough in (all, any):
        found = [one for one in moved if spans and enough(low <= _middle_s(one) <= high for low, high in spans)]
        if found:
            return found
    return moved


def _middle_s(one: Moved) -> float:
    return (one.start_s + one.end_s) / 2


def overlapping(mine: Sequence[Moved], theirs: Sequence[Moved]) -> float:
    """How many bytes of another's transfers passed within the time of one's own, if each moved at an even rate.

    Either are in order, and do not overlap among themselves.
    """
    nbytes = 0.0
    first = 0
    for one in mine:
        while first < len(theirs) and theirs[first].end_s <= one.start_s:
            first += 1
        for other in theirs[first:]:
            if other.start_s >= one.end_s:
                break
            within_s = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
            if other.end_s > other.start_s:
                nbytes += other.nbytes * within_s / (other.end_s - other.start_s)
    return nbytes


@frozen
class Excuse:
    """What a rate that missed its limit is judged as, and the words that follow the rate."""

    verdict: Verdict
    text: str


def excuse(
    bytes_per_s: float,
    wanted_bytes_per_s: float,
    reading: LinkReading,
    company: Company | None,
    shared: SharedLoad | None,
    *,
    least_share: float,
    virtual: bool,
) -> Excuse:
    """Judge a rate below what is wanted of the slot's own link.

    `least_share` of a shared link's ceiling is what the slots have to reach there together. A pass says that they do.
    """
    if company is None or not (company.together or company.unknown):
        return Excuse(Verdict.FAIL, "")
    alone = company.alone_bytes_per_s
    proven = alone is not None and alone >= wanted_bytes_per_s
    said_alone = "" if alone is None else f"; alone it had {format_bytes_per_s(alone)}"
    if shared is not None and shared.share >= least_share:
        even = least_share * shared.ceiling_bytes_per_second / shared.slots
        if proven or (alone is None and bytes_per_s >= even):
            lack = "" if proven else ", and what its own link carries is not shown by this"
            return Excuse(Verdict.PASS, f"{shared}; what each slot gets of it is not guaranteed{lack}{said_alone}")
        why = said_alone or f"; it had less than an even part, by arbitration or by a fault: {SAY_ALONE}"
        return Excuse(Verdict.FAIL if alone is not None else Verdict.INCONC, f"{shared}{why}")
    hidden = _hidden(reading, company, virtual)
    if hidden:
        return Excuse(
            Verdict.INCONC, f"{hidden}, so contention cannot be told from a fault of this slot{said_alone or _ask()}"
        )
    beside = f"; {shared}" if shared is not None else ", and this slot shares no link with them"
    if proven:
        return Excuse(
            Verdict.INCONC,
            f"{_named(company)} at work beside it{beside}{said_alone}, so that slot and card are not at fault: the "
            "host, or the computer that tests, does not serve all of them at once",
        )
    return Excuse(Verdict.FAIL, f"{_named(company)} at work beside it{beside}{said_alone}")


def _hidden(reading: LinkReading, company: Company, virtual: bool) -> str:
    """Whose part in a common load is not known, and why; empty where all is known."""
    if company.unknown:
        return f"{_several(company.unknown)} at work beside it, and what they moved is not known"
    beside = [one for one in company.together if one.virtual_time == virtual]
    if beside and way_above(reading) is None:
        return f"{_named(company)} at work beside it, and the links above this slot cannot be seen"
    unseen = [one.slot for one in beside if one.way is None]
    return f"{_several(unseen)} at work beside it, and the links above cannot be seen there" if unseen else ""


def _named(company: Company) -> str:
    return _several([one.slot for one in company.together])


def _several(names: Sequence[str]) -> str:
    return f"{', '.join(names)} {'was' if len(names) == 1 else 'were'}"


def _ask() -> str:
    return f": {SAY_ALONE}"


def measures_of(
    reading: LinkReading, company: Company, shared: SharedLoad | None, least_share: float, *, alone: bool, virtual: bool
) -> dict[str, Any]:
    """What is kept of it beside a step's rate."""
    others: list[Measured] = list(company.together)
    found: dict[str, Any] = {
        "alone": alone and not (others or company.unknown),
        "beside": [one.slot for one in others],
        "beside_unknown": list(company.unknown),
        "links_seen": not _hidden(reading, company, virtual),
    }
    if shared is not None:
        found["shared_link"] = {**attrs.asdict(shared), "share": shared.share, "least_share": least_share}
    return found
