"""`throughput`: does data move at the rate that the link allows, and how long does a small transfer take?

How blocks and round trips are timed is in `timed_blocks` and `latency`.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence

from attrs import field, frozen, validators

from laneproof.campaign.contention import Excuse, accompanied, busiest_shared, excuse, measures_of
from laneproof.campaign.meeting import Company, Meets
from laneproof.campaign.results import Findings, Plain
from laneproof.campaign.statistics import values_needed
from laneproof.campaign.steps.latency import Latency
from laneproof.campaign.steps.link_ceiling import ceiling_above, link_ceiling
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.campaign.steps.timed_blocks import TimedBlocks, rate_row
from laneproof.campaign.verdict import Verdict
from laneproof.documents import Rate, Seconds, Share, Size, printable
from laneproof.errors import BadInput
from laneproof.pcie import Ceiling
from laneproof.pcie.ceiling import Direction
from laneproof.units import format_bytes, format_bytes_per_s

DEFAULT_BYTES = 16 << 20
DEFAULT_SECONDS = 2.0
LARGEST_TRANSFER = Size(1 << 30)
"""The most that `bytes` may ask for: out and back lie in memory at once, for every slot; bytes."""
MOST_SIZES = 64
MOST_ROUND_TRIPS = 100_000
"""Their times are kept until the step ends."""
MIN_SHARE = Share(0.75)
"""Of a link's ceiling: slots that share one are held to this where a plan asks for a rate alone."""
SMALL_S = 100e-6
"""A transfer that takes less at the link's ceiling measures latency as much as the link. Our choice: of a device that
was measured at 32 GT/s x16 each transfer took about 20 µs beside what its data needed, from 4 KiB to 4 MiB."""

WAYS: dict[Direction, str] = {"both": "each way", "to_card": "to the card", "from_card": "from the card"}
"""What is said of a rate, by the direction that the measures name; in a ledger that names none, both."""


@frozen(kw_only=True)
class ThroughputStep(Step):
    """Moves `bytes`, or each of `sizes` in ascending order, `repeats` times after `warm_up` unmeasured ones.

    In `direction` "both" each block is looped back, and verified outside the time; "to_card" or "from_card" alone is
    moved and compared by the card's PatternEngine, which makes one stream: there are no sizes then, and no latency.
    The median of the repeats, in one direction, is held against `min_share` of the link's ceiling and, where given,
    against `min_rate`: of several sizes the largest alone, since smaller ones measure latency and not the link. Left
    out, `bytes` is 16 MiB or what the card moves in two seconds.

    With `latency_bytes`, `latency_repeats` single round trips of that size are timed before; `latency_percentile` % of
    them are to take no longer than `max_latency`, where given.

    The slots of a run take it at the same time, once each has come to it, and of their transfers those count that had
    company; where it is to be `alone`, one after another while the others rest. What slots that share a link owe
    together is in `campaign.contention`.
    """

    direction: Direction = "both"
    bytes: Size | None = field(default=None, validator=validators.optional(validators.le(LARGEST_TRANSFER)))
    sizes: tuple[Size, ...] = field(
        default=(),
        validator=validators.deep_iterable(validators.and_(validators.gt(Size(0)), validators.le(LARGEST_TRANSFER))),
    )
    repeats: int = field(default=5, validator=validators.ge(1))
    warm_up: int = field(default=1, validator=validators.ge(0))
    min_share: Share = MIN_SHARE
    min_rate: Rate | None = None
    latency_bytes: Size | None = field(
        default=None,
        validator=validators.optional(validators.and_(validators.gt(Size(0)), validators.le(LARGEST_TRANSFER))),
    )
    latency_repeats: int = field(
        default=1000, validator=validators.and_(validators.ge(1), validators.le(MOST_ROUND_TRIPS))
    )
    max_latency: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    latency_percentile: float = field(default=99.0, validator=validators.and_(validators.ge(50), validators.lt(100)))
    pattern: str = "prbs31"
    alone: bool = False

    def __attrs_post_init__(self) -> None:
        if self.sizes and self.bytes is not None:
            raise BadInput("bytes is one size and sizes are several; give one of the two")
        if len(set(self.sizes)) < len(self.sizes):
            raise BadInput("sizes: one of them stands there twice; leave it in once")
        if len(self.sizes) > MOST_SIZES:
            raise BadInput(f"sizes: {len(self.sizes)} are more than {MOST_SIZES}; leave some out")
        if self.max_latency is not None and self.latency_bytes is None:
            raise BadInput("max_latency is a limit for round trips, of which none is asked for; give latency_bytes")
        if self.direction == "both":
            return
        if self.sizes:
            raise BadInput(
                f'sizes: "{self.direction}" is one stream of the card\'s engine, which has no transfers of a size; '
                'give bytes, or leave direction "both"'
            )
        if self.latency_bytes is not None:
            raise BadInput(
                f'latency_bytes: a round trip goes both ways, and nothing comes back of "{self.direction}"; give it in '
                "a step of its own"
            )

    @property
    def meets(self) -> Meets:
        return "alone" if self.alone else "together"

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        found: list[tuple[str, str]] = []
        if self.bytes == 0:
            found.append(("bytes", "0 B moves nothing, so the step can never pass; give more"))
        if self.min_share == 0 and not self.min_rate:
            found.append(("min_share", "0 % can never fail; give a min_share or min_rate that a bad slot misses"))
        if self.min_rate == 0:
            found.append(("min_rate", "0 B/s can never fail; give a rate that a bad slot misses, or leave it out"))
        if self.max_latency is not None and self.latency_repeats < (least := self._round_trips_needed):
            found.append(
                (
                    "latency_repeats",
                    f"of {self.latency_repeats} round trips p{self.latency_percentile:g} has no interval, so that "
                    f"max_latency can never be met; give at least {least}",
                )
            )
        return tuple(found)

    @property
    def _round_trips_needed(self) -> int:
        return values_needed(self.latency_percentile / 100)

    @property
    def goes_one_way(self) -> bool:
        return self.direction != "both"

    @property
    def planned_bytes(self) -> int:
        return self._bytes_with(DEFAULT_BYTES)

    def bytes_at(self, bytes_per_s: float | None) -> int:
        if bytes_per_s is None:
            return self.planned_bytes
        return self._bytes_with(min(DEFAULT_BYTES, int(DEFAULT_SECONDS * bytes_per_s)))

    def _bytes_with(self, by_default: int) -> int:
        sizes = self.sizes or (by_default if self.bytes is None else self.bytes,)
        round_trips = 0 if self.latency_bytes is None else (self.latency_repeats + self.warm_up) * self.latency_bytes
        return (self.repeats + self.warm_up) * sum(sizes) + round_trips

    def run(self, slot: Slot, findings: Findings) -> None:
        one = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS) if self.bytes is None else slot.whole(self.bytes)
        sizes = sorted({slot.whole(size) for size in self.sizes} or {one})
        if not sizes[-1]:
            findings.nothing("bytes = 0, so nothing was sent")
            return
        virtual = slot.endpoint.clock.virtual
        findings.measures |= {"direction": self.direction, "transfer_bytes": sizes[-1], "simulated_time": virtual}
        slot.at_work.direction = self.direction
        if self.latency_bytes is not None:
            self._latency(slot, self.latency_bytes).measure(slot, findings)
        if not findings.reasons:
            self._move(slot, sizes, findings)
        if findings.reasons:  # damaged data, or no time: that is no rate
            return
        at_work = slot.at_work
        at_work.bytes_per_s = findings.measures["bytes_per_second"]
        at_work.link = slot.endpoint.read_link()  # now: a link that has come to rest may run slower
        if not slot.among_others:
            self.judge_beside(slot, None, findings)

    def _latency(self, slot: Slot, nbytes: int) -> Latency:
        return Latency(
            nbytes=slot.whole(nbytes),
            repeats=self.latency_repeats,
            warm_up=self.warm_up,
            pattern=self.pattern,
            limit_s=self.max_latency,
            percentile=self.latency_percentile,
        )

    def _move(self, slot: Slot, sizes: list[int], findings: Findings) -> None:
        """The largest last: its rate is the step's."""
        blocks = TimedBlocks(slot, findings, self.pattern, self.warm_up, self.repeats)
        try:
            if self.direction == "both":
                blocks.out_and_back(sizes)
            else:
                blocks.one_way(sizes[-1], self.direction)
        finally:
            if blocks.rates:
                findings.measures["rates"] = [rate_row(size, rates) for size, rates in blocks.rates.items()]
        if not findings.reasons:
            findings.measures |= _measures_of_rates(blocks.rates[sizes[-1]])

    def judge_beside(self, slot: Slot, company: Company | None, findings: Findings) -> None:
        median, reading, virtual = slot.at_work.bytes_per_s, slot.at_work.link, slot.endpoint.clock.virtual
        if median is None or reading is None:
            return
        if self.latency_bytes is not None:
            self._latency(slot, self.latency_bytes).judge(findings, virtual=virtual)
        measures, beside = findings.measures, slot.at_work.moved[-self.repeats :]
        if company is not None and company.together:
            beside = accompanied(beside, reading, company, virtual=virtual)
            rates = [one.nbytes / (one.end_s - one.start_s) for one in beside]
            median = statistics.median(rates)
            measures |= _measures_of_rates(rates)
            measures["rates"][-1] = rate_row(measures["transfer_bytes"], rates)
        if len(measures["rates"]) > 1:
            findings.passed(_by_size(measures["rates"], virtual=virtual))
        block = "transfers" if self.direction == "both" else "stretches"
        shown = (
            f"{format_bytes_per_s(median)} {WAYS[self.direction]}{' in simulated time' if virtual else ''} (median of "
            f"{measures['repeats']} {block} of {format_bytes(measures['transfer_bytes'])}, between "
            f"{format_bytes_per_s(measures['slowest_bytes_per_second'])} and "
            f"{format_bytes_per_s(measures['fastest_bytes_per_second'])}{_compared(measures)})"
        )
        carrier = printable(slot.endpoint.limits.carrier)
        limit, said = (None, "") if carrier else link_ceiling(reading, self.direction)
        shared, least_share = None, self.min_share or MIN_SHARE
        if company is not None:
            shared = busiest_shared(
                reading,
                beside,
                company,
                bytes_per_s=median,
                virtual=virtual,
                ceiling_of=lambda link: ceiling_above(link, reading, self.direction),
            )
            measures |= measures_of(reading, company, shared, least_share, alone=self.alone, virtual=virtual)

        def missed(wanted: float) -> Excuse:
            return excuse(median, wanted, reading, company, shared, least_share=least_share, virtual=virtual)

        if self.min_rate is not None:
            self._judge_rate(median, self.min_rate, shown, missed, findings)
        if limit is not None:
            self._judge_share(median, limit, f"{shown}: ", said, missed, findings)
        elif carrier and self.min_rate is None:
            findings.inconclusive(f"{shown}; it is that of {carrier}, and says nothing about the link: give min_rate")
        elif self.min_rate is None:
            findings.inconclusive(
                f"{shown}; the link cannot be seen, so there is no ceiling to hold it against: give observe or min_rate"
            )

    def _judge_rate(
        self, median: float, wanted: float, shown: str, missed: Callable[[float], Excuse], findings: Findings
    ) -> None:
        text = f"{shown}; the plan asks for {format_bytes_per_s(wanted)}"
        if median >= wanted:
            findings.passed(text)
            return
        found = missed(wanted)
        text += f". {_capital(found.text)}" if found.text else ""
        if found.verdict is Verdict.FAIL:
            findings.failed(text, of_rate=True)
        else:
            findings.inconclusive(text)  # a rate that is asked for was not there, for whatever reason

    def _judge_share(
        self,
        median: float,
        limit: Ceiling,
        shown: str,
        said: str,
        missed: Callable[[float], Excuse],
        findings: Findings,
    ) -> None:
        share = median / limit.bytes_per_second
        findings.measures |= {
            "ceiling_bytes_per_second": limit.bytes_per_second,
            "share_of_ceiling": share,
            "ceiling_terms": limit.to_dict()["terms"],
        }
        text = f"{shown}{share:.1%} of the link's ceiling of {format_bytes_per_s(limit.bytes_per_second)}{said}"
        if share >= self.min_share:
            findings.passed(text)
            return
        text += f"; at least {self.min_share:.0%} is asked for"
        found = missed(self.min_share * limit.bytes_per_second)
        if found.verdict is Verdict.PASS:
            findings.passed(f"{text}. {_capital(found.text)}")
            return
        if self.direction == "both" and findings.measures["transfer_bytes"] < (least := _large(limit)):
            findings.inconclusive(
                f"{text}, but so small a transfer measures latency and not the link: give {format_bytes(least)} or more"
            )
            return
        if limit.split_bytes_per_second and median >= self.min_share * limit.split_bytes_per_second:
            findings.inconclusive(
                f"{text}, which a host that cuts completions at its read completion boundary cannot reach: give a "
                "min_share or min_rate that this host does"
            )
            return
        text += f". {_capital(found.text)}" if found.text else ""
        if found.verdict is Verdict.FAIL:
            findings.failed(text, of_rate=True)
        else:
            findings.inconclusive(text)


def _by_size(rows: Sequence[Plain], *, virtual: bool) -> str:
    table = "; ".join(
        f"{format_bytes(row['bytes'])} {format_bytes_per_s(row['bytes_per_second'])} "
        f"({format_bytes_per_s(row['lower_quartile'])} to {format_bytes_per_s(row['upper_quartile'])})"
        for row in rows
    )
    return (
        f"median each way{' in simulated time' if virtual else ''} by size, in brackets the quartiles: {table}. Limits "
        "hold for the largest alone: small transfers measure latency"
    )


def _compared(measures: Plain) -> str:
    if "demonstrated" not in measures:
        return ""
    return (
        "; compared by the card"
        if measures["demonstrated"]
        else ("; compared by the card, whose checker was not seen to count an injected error")
    )


def _large(limit: Ceiling) -> int:
    """The least power of two bytes that takes SMALL_S at that ceiling."""
    return 1 << math.ceil(math.log2(SMALL_S * limit.bytes_per_second))


def _measures_of_rates(rates: Sequence[float]) -> dict[str, float]:
    return {
        "bytes_per_second": statistics.median(rates),
        "slowest_bytes_per_second": min(rates),
        "fastest_bytes_per_second": max(rates),
        "repeats": len(rates),
    }


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
