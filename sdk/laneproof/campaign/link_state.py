"""What a link has trained to against what it should have, and whether it kept that while a step ran."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeVar

import attrs
from attrs import frozen

from laneproof.campaign.expectation import Expectation
from laneproof.campaign.results import Findings, Reason
from laneproof.campaign.verdict import Verdict
from laneproof.readings import LinkReading, PartnerLink, Unavailable, known

_N = TypeVar("_N", int, float)


@frozen(order=False)
class Trained:
    """What a link runs at: GT/s per lane, and lanes."""

    speed_gtps: float
    width: int

    def __str__(self) -> str:
        return f"{self.speed_gtps:g} GT/s x{self.width}"

    def below(self, other: Trained) -> bool:
        """Slower or narrower."""
        return self.speed_gtps < other.speed_gtps or self.width < other.width


def trained(partner: PartnerLink | Unavailable) -> Trained | None:
    """What one partner shows its link to run at; None where it shows nothing."""
    if isinstance(partner, Unavailable) or not partner.speed_gtps or not partner.width:
        return None
    return Trained(partner.speed_gtps, partner.width)


def judge_link(readings: Sequence[LinkReading], expectation: Expectation, findings: Findings) -> None:
    """Hold every reading to what the link should train to; the first that falls short, or cannot be judged, decides.

    `readings` are in order and at least one.
    """
    reasons = [_examine(reading, expectation, findings) for reading in readings]
    findings.reasons.append(max(reasons, key=lambda reason: reason.verdict))


def judge_kept(
    first: LinkReading, readings: Iterable[LinkReading], best: Trained | None, findings: Findings
) -> Trained | None:
    """Fail a link that goes down or below the `best` that it has run at so far; returns the best, these included.

    `readings` are those under load, in order; `first` is the one before the load, which tells new flags from old ones.
    """
    for reading in readings:
        near = known(reading.near)
        if near is not None and near.active is False:
            findings.failed(f"{near.name} (near end) shows its data link down during this step")
            return best
        now = trained(reading.near) or trained(reading.far)
        if now is None:
            continue
        if best is not None and now.below(best):
            why = f"; {cause}" if (cause := _cause(first, reading)) else ""
            fallen = now == (trained(first.near) or trained(first.far))
            when = "before this step, and was not back under load" if fallen else "during this step, under load"
            findings.failed(f"the link fell from {best} to {now} {when}{why}")
            return best
        best = now
    return best


def judge_at_rest(first: LinkReading, last: LinkReading, under_load: Iterable[LinkReading], findings: Findings) -> None:
    """For a link that came out of a step below what it was before, and was not seen so under load.

    A narrower link is no power saving; a slower one may be, where its port says "for reliability, or by software".
    """
    before, after = (trained(reading.near) or trained(reading.far) for reading in (first, last))
    if before is None or after is None or not after.below(before) or not retrained(first, last):
        return
    if any(after == (trained(reading.near) or trained(reading.far)) for reading in under_load):
        return
    text = f"the link fell from {before} to {after} during this step, seen once it was at rest; {_cause(first, last)}"
    if after.width < before.width:
        findings.failed(text)
    else:
        findings.inconclusive(f"{text}: judge it under load")


def judge_unseen(first: LinkReading, last: LinkReading, findings: Findings) -> None:
    """For a link that was the same whenever it was looked at: what its port notes of changes in between."""
    if retrained(first, last):
        findings.inconclusive(f"the link was the same whenever it was looked at, but {_cause(first, last)}")


def describe(reading: LinkReading) -> str:
    """What a reading shows, for an event."""
    near, far = trained(reading.near), trained(reading.far)
    shown = near or far
    text = str(shown) if shown is not None else "no link that is shown"
    if far is not None and far != shown:
        text += f" (far end {far})"
    partner = known(reading.near)
    return text + (", data link down" if partner is not None and partner.active is False else "")


def changed(before: LinkReading, now: LinkReading) -> str:
    """What differs between two readings, as a sentence with the cause that the port notes; nothing if nothing does."""
    cause = _cause(before, now)
    if describe(before) != describe(now):
        return f"the link changed from {describe(before)} to {describe(now)}" + (f"; {cause}" if cause else "")
    newly = retrained(before, now) or _newly(before, now, "autonomous_bandwidth")
    return f"the link is at {describe(now)} as before; {cause}" if newly else ""


def retrained(before: LinkReading, now: LinkReading) -> bool:
    """Whether the near port newly notes a change for reliability, or a retrain by software."""
    return _newly(before, now, "bandwidth_management")


def _newly(before: LinkReading, now: LinkReading, flag: str) -> bool:
    """Whether a sticky flag that was shown clear is set. Only a link's upper end has these."""
    return getattr(known(before.near), flag, None) is False and getattr(known(now.near), flag, None) is True


def _cause(before: LinkReading, now: LinkReading) -> str:
    """Why the link changed in between, as far as its upper port's sticky flags show it."""
    near, earlier = known(now.near), known(before.near)
    if near is None or earlier is None:
        return ""
    if retrained(before, now):
        return f"{near.name} notes that it changed for reliability, or was retrained by software"
    if _newly(before, now, "autonomous_bandwidth"):
        return f"{near.name} notes that it changed by itself, not for reliability, as power saving does"
    if earlier.bandwidth_management or earlier.autonomous_bandwidth:
        return f"the flags of {near.name} that tell power saving from reliability were set before, and are blind"
    return ""


def _examine(reading: LinkReading, expectation: Expectation, findings: Findings) -> Reason:
    near, far = known(reading.near), known(reading.far)
    if near is not None and near.active is False:
        return Reason(Verdict.FAIL, f"{near.name} (near end) shows its data link down")
    shown = [found for end in (reading.near, reading.far) if (found := trained(end)) is not None]
    if not shown:
        why = reading.near.why if isinstance(reading.near, Unavailable) else "neither partner shows a trained link"
        return Reason(Verdict.INCONC, f"the link cannot be judged: {why}")
    found = shown[0]
    if found != shown[-1]:
        return Reason(Verdict.INCONC, f"the partners disagree: the near end shows {found}, the far end {shown[-1]}")
    if reading.wiring is not None and reading.wiring < found.width:
        reading = attrs.evolve(reading, wiring=None)  # a slot record of the platform that the link itself disproves
    if (near is None or far is None) and not (expectation.speed and expectation.width):
        end = "near" if far is None else "far"
        return Reason(
            Verdict.INCONC,
            f"found {found}, and only the {end} end is shown, so what the link should train to is not known: give "
            "expect = { speed, width } in the plan",
        )
    ends = [end for end in (near, far) if end is not None]
    best_gtps = _smaller([end.max_speed_gtps for end in ends])
    best_width = _smaller([expectation.wiring, reading.wiring, *(end.max_width for end in ends)])
    wanted_gtps, wanted_width = expectation.speed or best_gtps, expectation.width or best_width
    if wanted_gtps is None or wanted_width is None:
        return Reason(
            Verdict.INCONC, f"found {found}; what both ends can do is not shown: give expect = {{ speed, width }}"
        )
    wanted = Trained(wanted_gtps, wanted_width)
    findings.measures["expected"] = {"speed_gtps": wanted_gtps, "width": wanted_width}
    basis = _basis(expectation, reading)
    if found == wanted:
        return Reason(Verdict.PASS, f"trained to {found}, as expected from {basis}")
    if (best_gtps and wanted_gtps > best_gtps) or (best_width and wanted_width > best_width):
        most = Trained(best_gtps or wanted_gtps, best_width or wanted_width)
        likely = f"partners and wiring can do at most {most}, so the plan, the card or the slot is not the one meant"
    else:
        likely = "likely: " + "; ".join([*_why_width(found.width, wanted_width), *_why_speed(found, wanted)])
    return Reason(Verdict.FAIL, f"expected {wanted} (from {basis}), found {found}; {likely}")


def _basis(expectation: Expectation, reading: LinkReading) -> str:
    given = [name for name in ("speed", "width") if getattr(expectation, name)]
    if len(given) == 2:
        return "the plan"
    wiring = ""
    if not expectation.width and (expectation.wiring or reading.wiring):
        wiring = f", and the wiring that the {'plan' if expectation.wiring else 'platform'} declares"
    capabilities = f"the smaller of both partners' capabilities{wiring}"
    return f"the plan's {given[0]} and {capabilities}" if given else capabilities


def _why_width(width: int, wanted: int) -> list[str]:
    if width > wanted:
        return ["the plan expects fewer lanes than both partners use"]
    if width == wanted:
        return []
    return [
        f"one of lanes {width} to {wanted - 1} (with lanes reversed, 0 to {wanted - width - 1}) is dead or has no "
        "receiver, since a link keeps lane 0 or, reversed, the top lane, and falls back to a width that both ends "
        "support: reseat, look for a bent or dirty contact, try without the riser",
        "the slot has fewer lanes wired than declared, or the ports are bifurcated: see the board's manual",
    ]


def _why_speed(found: Trained, wanted: Trained) -> list[str]:
    if found.speed_gtps > wanted.speed_gtps:
        return ["the plan expects a lower speed than both partners can do"]
    if found.speed_gtps == wanted.speed_gtps:
        return []
    return [
        "the higher speed did not hold (signal quality, riser, retimer), or a target speed is set lower: try without "
        "the riser, look at the setup's slot speed"
    ]


def _smaller(values: Iterable[_N | None]) -> _N | None:
    return min((value for value in values if value is not None), default=None)
