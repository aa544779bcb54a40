"""`throughput`: does data move at the rate that the link allows?"""

from __future__ import annotations

import statistics
from contextlib import suppress

from attrs import field, frozen, validators

from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import how_checked, judge_data
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Rate, Share, Size, printable
from laneproof.errors import EndpointBusy
from laneproof.pcie import Ceiling, bottleneck, ceiling
from laneproof.readings import LinkReading, known
from laneproof.units import format_bytes, format_bytes_per_s

DEFAULT_BYTES = 16 << 20
DEFAULT_SECONDS = 2.0
LARGEST_TRANSFER = Size(1 << 30)
"""The most that `bytes` may ask for: out and back lie in memory at once, for every slot; bytes."""
ASSUMED_PAYLOAD = 128
"""The smallest payload setting there is, taken where neither partner shows its own; bytes."""
ASSUMED_READ_REQUEST = 512
"""The setting after a reset, taken where the card does not show its own; bytes."""


@frozen(kw_only=True)
class ThroughputStep(Step):
    """Loops `bytes` back `repeats` times after `warm_up` unmeasured ones; each echo is verified outside the time.

    The median of the repeats, in one direction while both run, is held against `min_share` of the link's ceiling and,
    where given, against `min_rate`. Left out, `bytes` is 16 MiB or what the card moves in two seconds.
    """

    bytes: Size | None = field(default=None, validator=validators.optional(validators.le(LARGEST_TRANSFER)))
    repeats: int = field(default=5, validator=validators.ge(1))
    warm_up: int = field(default=1, validator=validators.ge(0))
    min_share: Share = Share(0.75)
    min_rate: Rate | None = None

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        found: list[tuple[str, str]] = []
        if self.bytes == 0:
            found.append(("bytes", "0 B moves nothing, so the step can never pass; give more"))
        if self.min_share == 0 and not self.min_rate:
            found.append(("min_share", "0 % can never fail; give a min_share or min_rate that a bad slot misses"))
        if self.min_rate == 0:
            found.append(("min_rate", "0 B/s can never fail; give a rate that a bad slot misses, or leave it out"))
        return tuple(found)

    @property
    def planned_bytes(self) -> int:
        return (self.repeats + self.warm_up) * (DEFAULT_BYTES if self.bytes is None else self.bytes)

    def bytes_at(self, bytes_per_s: float | None) -> int:
        if self.bytes is not None or bytes_per_s is None:
            return self.planned_bytes
        return (self.repeats + self.warm_up) * min(DEFAULT_BYTES, int(DEFAULT_SECONDS * bytes_per_s))

    def run(self, slot: Slot, findings: Findings) -> None:
        nbytes = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS) if self.bytes is None else slot.whole(self.bytes)
        if not nbytes:
            findings.nothing("bytes = 0, so nothing was sent")
            return
        rates = self._measure(slot, nbytes, findings)
        if findings.reasons:  # damaged data, or no time: that is no rate
            return
        median = statistics.median(rates)
        virtual = slot.endpoint.clock.virtual
        findings.measures |= {
            "bytes_per_second": median,
            "slowest_bytes_per_second": min(rates),
            "fastest_bytes_per_second": max(rates),
            "repeats": len(rates),
            "transfer_bytes": nbytes,
            "simulated_time": virtual,
        }
        shown = (
            f"{format_bytes_per_s(median)} each way{' in simulated time' if virtual else ''} (median of {len(rates)} "
            f"transfers of {format_bytes(nbytes)}, between {format_bytes_per_s(min(rates))} and "
            f"{format_bytes_per_s(max(rates))})"
        )
        carrier = printable(slot.endpoint.limits.carrier)
        limit, said = (None, "") if carrier else link_ceiling(slot.endpoint.read_link())
        if self.min_rate is not None:
            if median < self.min_rate:
                findings.failed(f"{shown}; the plan asks for {format_bytes_per_s(self.min_rate)}", of_rate=True)
            else:
                findings.passed(f"{shown}; the plan asks for {format_bytes_per_s(self.min_rate)}")
        if limit is not None:
            share = median / limit.bytes_per_second
            findings.measures |= {
                "ceiling_bytes_per_second": limit.bytes_per_second,
                "share_of_ceiling": share,
                "ceiling_terms": limit.to_dict()["terms"],
            }
            text = f"{shown}: {share:.1%} of the link's ceiling of {format_bytes_per_s(limit.bytes_per_second)}{said}"
            if share >= self.min_share:
                findings.passed(text)
            elif limit.split_bytes_per_second and median >= self.min_share * limit.split_bytes_per_second:
                findings.inconclusive(
                    f"{text}; at least {self.min_share:.0%} is asked for, which a host that cuts completions at its "
                    "read completion boundary cannot reach: give a min_share or min_rate that this host does"
                )
            else:
                findings.failed(f"{text}; at least {self.min_share:.0%} is asked for", of_rate=True)
        elif carrier and self.min_rate is None:
            findings.inconclusive(f"{shown}; it is that of {carrier}, and says nothing about the link: give min_rate")
        elif self.min_rate is None:
            findings.inconclusive(
                f"{shown}; the link cannot be seen, so there is no ceiling to hold it against: give observe or min_rate"
            )

    def _measure(self, slot: Slot, nbytes: int, findings: Findings) -> list[float]:
        sent, back = (slot.endpoint.allocate(nbytes) for _ in range(2))
        try:
            return self._measure_in(sent.view[:nbytes], back.view[:nbytes], slot, findings)
        finally:
            for region in (sent, back):
                with suppress(EndpointBusy):  # after a fault the hardware may still write to it
                    region.close()

    def _measure_in(self, out: memoryview, into: memoryview, slot: Slot, findings: Findings) -> list[float]:
        turns, nbytes = self.warm_up + self.repeats, len(out)
        own = slot.pattern("prbs31")
        first = own.sequence + slot.endpoint.channels[0].take_sequences(turns)
        rates: list[float] = []
        for turn in range(turns):
            pattern = own.for_sequence(first + turn)
            pattern.fill(out)
            pattern.fill_unlike(into)
            transfer = slot.loopback(out, into, nbytes)
            findings.bytes_moved += transfer.bytes_received
            slot.progress((turn + 1) * nbytes, turns * nbytes)
            result = pattern.verify(into)
            findings.measures |= how_checked([result])
            if not result.ok:
                judge_data("prbs31", result, findings)
                return rates
            if transfer.seconds <= 0:
                findings.inconclusive(f"the card's clock did not move while {format_bytes(nbytes)} came back: no rate")
                return rates
            if turn >= self.warm_up:
                rates.append(nbytes / transfer.seconds)
        return rates


def link_ceiling(reading: LinkReading) -> tuple[Ceiling | None, str]:
    """The ceiling of the way to the card, as read: that of its link, or of one above that carries less.

    With it, what is to be said of it: which link it is, if not the card's own, and what had to be assumed.
    """
    seen = [partner for partner in (known(reading.near), known(reading.far)) if partner is not None]
    own = next((partner for partner in seen if partner.speed_gtps and partner.width), None)
    if own is None:
        return None, ""
    way = [(link.speed_gtps, link.width, link.name) for link in (own, *reading.above)]
    rates = [(speed, width, name) for speed, width, name in way if speed and width]
    speed, width, name = rates[bottleneck([(speed, width) for speed, width, _ in rates])]
    payloads = [partner.max_payload for partner in (*seen, *reading.above) if partner.max_payload]
    far = known(reading.far)
    request = far.read_request if far is not None else None  # the card's own: it is the card that reads
    assumptions = [] if payloads else [f"payload {ASSUMED_PAYLOAD} B"]
    assumptions += [] if request else [f"read request {ASSUMED_READ_REQUEST} B"]
    said = "" if name == own.name else f", that of the link below {name}, which carries less than the card's own"
    said += f" (assuming {' and '.join(assumptions)}, which cannot be read)" if assumptions else ""
    limit = ceiling(
        speed,
        width,
        min(payloads, default=ASSUMED_PAYLOAD),
        direction="both",
        read_request=request or ASSUMED_READ_REQUEST,
    )
    return limit, said
