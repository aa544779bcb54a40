"""`throughput`: does data move at the rate that the link allows?"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from contextlib import suppress

from attrs import field, frozen, validators

from laneproof.campaign.contention import Excuse, accompanied, busiest_shared, excuse, measures_of
from laneproof.campaign.events import Moved
from laneproof.campaign.meeting import Company, Meets
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import how_checked, judge_data
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.campaign.verdict import Verdict
from laneproof.documents import Rate, Share, Size, printable
from laneproof.errors import EndpointBusy
from laneproof.integrity import WrongPiece
from laneproof.integrity.buffers import byte_view
from laneproof.pcie import Ceiling, bottleneck, ceiling
from laneproof.readings import LinkReading, PartnerLink, known
from laneproof.units import format_bytes, format_bytes_per_s

DEFAULT_BYTES = 16 << 20
DEFAULT_SECONDS = 2.0
LARGEST_TRANSFER = Size(1 << 30)
"""The most that `bytes` may ask for: out and back lie in memory at once, for every slot; bytes."""
MIN_SHARE = Share(0.75)
"""Of a link's ceiling: slots that share one are held to this where a plan asks for a rate alone."""
ASSUMED_PAYLOAD = 128
"""The smallest payload setting there is, taken where neither partner shows its own; bytes."""
ASSUMED_READ_REQUEST = 512
"""The setting after a reset, taken where the card does not show its own; bytes."""


@frozen(kw_only=True)
class ThroughputStep(Step):
    """Loops `bytes` back `repeats` times after `warm_up` unmeasured ones; each echo is verified outside the time.

    The median of the repeats, in one direction while both run, is held against `min_share` of the link's ceiling and,
    where given, against `min_rate`. Left out, `bytes` is 16 MiB or what the card moves in two seconds.

    The slots of a run take it at the same time, once each has come to it, and of their transfers those count that had
    company; where it is to be `alone`, one after another while the others rest. What slots that share a link owe
    together is in `campaign.contention`.
    """

    bytes: Size | None = field(default=None, validator=validators.optional(validators.le(LARGEST_TRANSFER)))
    repeats: int = field(default=5, validator=validators.ge(1))
    warm_up: int = field(default=1, validator=validators.ge(0))
    min_share: Share = MIN_SHARE
    min_rate: Rate | None = None
    alone: bool = False

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
        at_work = slot.at_work
        at_work.bytes_per_s = statistics.median(rates)
        at_work.link = slot.endpoint.read_link()  # now: a link that has come to rest may run slower
        findings.measures |= _measures_of_rates(rates)
        findings.measures |= {"transfer_bytes": nbytes, "simulated_time": slot.endpoint.clock.virtual}
        if not slot.among_others:
            self.judge_beside(slot, None, findings)

    def judge_beside(self, slot: Slot, company: Company | None, findings: Findings) -> None:
        median, reading, virtual = slot.at_work.bytes_per_s, slot.at_work.link, slot.endpoint.clock.virtual
        if median is None or reading is None:
            return
        measures, beside = findings.measures, slot.at_work.moved[self.warm_up :]
        if company is not None and company.together:
            beside = accompanied(beside, reading, company, virtual=virtual)
            rates = [one.nbytes / (one.end_s - one.start_s) for one in beside]
            median = statistics.median(rates)
            measures |= _measures_of_rates(rates)
        shown = (
            f"{format_bytes_per_s(median)} each way{' in simulated time' if virtual else ''} (median of "
            f"{measures['repeats']} transfers of {format_bytes(measures['transfer_bytes'])}, between "
            f"{format_bytes_per_s(measures['slowest_bytes_per_second'])} and "
            f"{format_bytes_per_s(measures['fastest_bytes_per_second'])})"
        )
        carrier = printable(slot.endpoint.limits.carrier)
        limit, said = (None, "") if carrier else link_ceiling(reading)
        shared, least_share = None, self.min_share or MIN_SHARE
        if company is not None:
            shared = busiest_shared(
                reading,
                beside,
                company,
                bytes_per_s=median,
                virtual=virtual,
                ceiling_of=lambda link: _ceiling_above(link, reading),
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
            begun_s = slot.endpoint.clock.now_s()
            transfer = slot.loopback(out, into, nbytes)
            slot.at_work.moved.append(Moved(begun_s, begun_s + transfer.seconds, transfer.bytes_received))
            findings.bytes_moved += transfer.bytes_received
            slot.progress((turn + 1) * nbytes, turns * nbytes)
            result = pattern.verify(into)
            findings.measures |= how_checked([result])
            if not result.ok:
                piece = WrongPiece(number=turn, pattern=pattern, received=byte_view(into), comparison=result)
                slot.damage.keep(piece)
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
    payloads, request = _packet_sizes(reading)
    assumptions = [] if payloads else [f"payload {ASSUMED_PAYLOAD} B"]
    assumptions += [] if request else [f"read request {ASSUMED_READ_REQUEST} B"]
    said = "" if name == own.name else f", that of the link below {name}, which carries less than the card's own"
    said += f" (assuming {' and '.join(assumptions)}, which cannot be read)" if assumptions else ""
    return _ceiling(speed, width, reading), said


def _ceiling_above(link: PartnerLink, reading: LinkReading) -> float | None:
    """What one link above the card's carries of packets such as this card's; None where its rate is not shown."""
    if not link.speed_gtps or not link.width:
        return None
    return _ceiling(link.speed_gtps, link.width, reading).bytes_per_second


def _ceiling(speed_gtps: float, width: int, reading: LinkReading) -> Ceiling:
    payloads, request = _packet_sizes(reading)
    return ceiling(
        speed_gtps,
        width,
        min(payloads, default=ASSUMED_PAYLOAD),
        direction="both",
        read_request=request or ASSUMED_READ_REQUEST,
    )


def _packet_sizes(reading: LinkReading) -> tuple[list[int], int | None]:
    """Payload settings along the way, and the card's own read request: it is the card that reads."""
    seen = (known(reading.near), known(reading.far), *reading.above)
    payloads = [partner.max_payload for partner in seen if partner is not None and partner.max_payload]
    far = known(reading.far)
    return payloads, None if far is None else far.read_request


def _measures_of_rates(rates: Sequence[float]) -> dict[str, float]:
    return {
        "bytes_per_second": statistics.median(rates),
        "slowest_bytes_per_second": min(rates),
        "fastest_bytes_per_second": max(rates),
        "repeats": len(rates),
    }


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
