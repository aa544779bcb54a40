"""Rates that slots had alone beside those that they had together, and what the difference comes from.

It is read from the results of a run, so that an old ledger tells it too. How a single rate is judged that was measured
beside others is in `contention`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Literal

import attrs
from attrs import frozen

from laneproof.campaign.verdict import Verdict
from laneproof.units import format_bytes_per_s

if TYPE_CHECKING:
    from laneproof.campaign.results import EndpointResult, StepResult

TOLERANCE = 0.05
"""A rate that falls by less than that part is the same; by convention here, as in `statistics.comparing`."""
Cause = Literal["none", "shared link", "host", "slot", "not known"]


@frozen(kw_only=True)
class AloneTogether:
    """One slot's rates in bytes per second in one direction, and why they differ."""

    name: str
    alone_bytes_per_second: float
    together_bytes_per_second: float
    ratio: float
    """Together over alone; of several pairs of steps the lowest."""
    cause: Cause
    said: str
    """The cause as a sentence, with its evidence."""
    direction: str = "both"
    """"to_card", "from_card", or "both": each of them, both at once."""

    def __str__(self) -> str:
        way = "" if self.direction == "both" else f"{self.direction.replace('_', ' the ')}: "
        return (
            f"{way}{format_bytes_per_s(self.alone_bytes_per_second)} alone, "
            f"{format_bytes_per_s(self.together_bytes_per_second)} together ({self.ratio:.0%}): {self.said}"
        )


def alone_and_together(endpoints: Sequence[EndpointResult]) -> tuple[AloneTogether, ...]:
    """Of each slot that has both; in the order of the plan."""
    found = [list(_pairs(endpoint)) for endpoint in endpoints]
    return tuple(min(pairs, key=lambda one: one.ratio) for pairs in found if pairs)


def plain(found: Sequence[AloneTogether]) -> list[dict[str, object]]:
    """As `run --json` writes them."""
    return [attrs.asdict(one) for one in found]


def _pairs(endpoint: EndpointResult) -> Iterator[AloneTogether]:
    """Each rate that was had beside others, with the one had alone before it in the same direction."""
    had_alone: dict[str, StepResult] = {}
    for step in endpoint.steps:
        measures = step.measures
        if not measures.get("bytes_per_second"):
            continue
        direction = str(measures.get("direction", "both"))  # which ledgers from before it was asked for do not name
        alone = had_alone.get(direction)
        if measures.get("alone"):
            had_alone[direction] = step
        elif alone is not None and (measures.get("beside") or measures.get("beside_unknown")):
            before, now = alone.measures["bytes_per_second"], measures["bytes_per_second"]
            cause, said = _cause(alone, step, now / before)
            yield AloneTogether(
                name=endpoint.name,
                alone_bytes_per_second=before,
                together_bytes_per_second=now,
                ratio=now / before,
                cause=cause,
                said=said,
                direction=direction,
            )


def _cause(alone: StepResult, together: StepResult, ratio: float) -> tuple[Cause, str]:
    seen = together.measures
    if alone.verdict is Verdict.FAIL:
        return "slot", "a fault of this slot, which misses its limit alone"
    if ratio >= 1 - TOLERANCE:
        return "none", "no contention"
    if seen["beside_unknown"]:
        return "not known", f"not told apart, since what {', '.join(seen['beside_unknown'])} did beside it is not known"
    shared = seen.get("shared_link")
    if shared is not None and shared["share"] >= shared["least_share"]:
        return (
            "shared link",
            f"contention on the link below {shared['link']}, on which {shared['slots']} slots together reach "
            f"{shared['share']:.0%} of its ceiling",
        )
    if not seen["links_seen"]:
        return "not known", "not told apart, since the links above these slots cannot be seen"
    if shared is None:
        return "host", "contention in the host: it shares no link with the others"
    return (
        "host",
        f"contention in the host: the link below {shared['link']}, which {shared['slots']} slots share, was only at "
        f"{shared['share']:.0%} of its ceiling",
    )
