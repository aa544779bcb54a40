"""Round-trip times of single small transfers: measured one by one, put on record as percentiles, held to a limit.

A small transfer takes about as long as it takes to be begun, to be answered and to be heard of; how fast the link is
hardly shows. Rates are `throughput`'s.
"""

from __future__ import annotations

from collections.abc import Sequence

from attrs import frozen

from laneproof.campaign.events import Moved
from laneproof.campaign.results import Findings, Plain
from laneproof.campaign.statistics import CONFIDENCE, quantile, values_needed
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.timed_blocks import buffers, came_back
from laneproof.documents import Seconds
from laneproof.units import format_bytes, format_seconds

PERCENTILES = (50.0, 90.0, 99.0, 99.9)
"""Those that are put on record whatever is asked for."""


@frozen(kw_only=True)
class Latency:
    """Times `repeats` round trips of `nbytes`, one at a time, after `warm_up` unmeasured ones.

    A time is that of one call, from its begin until all bytes are back, by the card's clock: what a program waits.
    Filling and verifying lie outside it. `limit_s` holds for that `percentile`.
    """

    nbytes: int
    repeats: int
    warm_up: int
    pattern: str
    limit_s: Seconds | None
    percentile: float

    def measure(self, slot: Slot, findings: Findings) -> None:
        """Puts `latency` into the measures; what came back wrong, or took no time, gives a reason instead."""
        card, turns = slot.endpoint, self.warm_up + self.repeats
        own = slot.pattern(self.pattern)
        first = own.sequence + card.channels[0].take_sequences(turns)
        limit_s = card.channels[0].default_timeout_s(self.nbytes)
        times_s: list[float] = []
        with buffers(slot, self.nbytes) as (out, into):
            for turn in range(turns):
                pattern = own.for_sequence(first + turn)
                pattern.fill(out)
                pattern.fill_unlike(into)
                slot.expect(limit_s)
                begun_s = card.clock.now_s()
                # Not by the slot's loopback: to read the link after each would take longer than the transfer, and so
                # small a load brings no link up to speed.
                transfer = card.loopback(out, into, timeout=limit_s)
                slot.at_work.moved.append(Moved(begun_s, begun_s + transfer.seconds, transfer.bytes_received))
                slot.observation.sample_if_due()
                slot.progress((turn + 1) * self.nbytes, turns * self.nbytes)
                if not came_back(turn, transfer, pattern, into, slot, findings):
                    return
                if turn >= self.warm_up:
                    times_s.append(transfer.seconds)
        findings.measures["latency"] = self._measures(times_s)

    def _measures(self, times_s: Sequence[float]) -> Plain:
        asked = PERCENTILES if self.limit_s is None else (*PERCENTILES, self.percentile)
        found = [(one, quantile(times_s, one / 100)) for one in sorted(set(asked))]
        return {
            "bytes": self.nbytes,
            "repeats": len(times_s),
            "percentiles": [
                {"percentile": one, "seconds": seen.value, "lower_s": seen.lower, "upper_s": seen.upper}
                for one, seen in found
            ],
            "worst_s": max(times_s),
            "confidence": CONFIDENCE,
        }

    def judge(self, findings: Findings, *, virtual: bool) -> None:
        """A reason for what was measured, and for the limit: `virtual` times are simulated."""
        latency: Plain | None = findings.measures.get("latency")
        if latency is None:
            return
        said = ", ".join(_said(one) for one in latency["percentiles"])
        findings.passed(
            f"round trips of {format_bytes(self.nbytes)}{' in simulated time' if virtual else ''}, one at a time: "
            f"{said}, worst {format_seconds(latency['worst_s'])} of {latency['repeats']} (in brackets the "
            f"{latency['confidence']:.0%} confidence interval)"
        )
        if self.limit_s is not None:
            (asked,) = [one for one in latency["percentiles"] if one["percentile"] == self.percentile]
            self._judge_limit(asked, self.limit_s, findings)

    def _judge_limit(self, asked: Plain, limit_s: float, findings: Findings) -> None:
        lower_s: float | None = asked["lower_s"]
        upper_s: float | None = asked["upper_s"]
        text = (
            f"{self.percentile:g} % of round trips of {format_bytes(self.nbytes)} take up to "
            f"{format_seconds(asked['seconds'])}; the plan asks for {format_seconds(limit_s)}"
        )
        if lower_s is not None and lower_s > limit_s:
            findings.failed(f"{text}, and the interval begins at {format_seconds(lower_s)}", of_rate=True)
        elif upper_s is not None and upper_s <= limit_s:
            findings.passed(text)
        elif upper_s is None:
            findings.inconclusive(
                f"{text}, and {self.repeats} repeats are too few to say; give at least "
                f"{values_needed(self.percentile / 100)}"
            )
        else:
            findings.inconclusive(f"{text}, which lies within the interval; more repeats narrow it")


def _said(one: Plain) -> str:
    low, high = (None if one[end] is None else format_seconds(one[end]) for end in ("lower_s", "upper_s"))
    between = f"{low} to {high}" if low and high else f"from {low}" if low else f"up to {high}" if high else "not known"
    return f"p{one['percentile']:g} {format_seconds(one['seconds'])} ({between})"
