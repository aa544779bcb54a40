"""`margin`: how far is each lane of the link from errors, at the samplers of its receivers?

Lane Margining at the Receiver, from 16 GT/s on. It is what the receivers say of themselves, each in steps of its own:
it compares a lane with others of the same receiver, or a board with others of its kind, and is no bit error rate. How
a margin is searched is in `margins`.
"""

from __future__ import annotations

from typing import Literal

from attrs import field, frozen, validators

from laneproof.campaign.events import Expecting
from laneproof.campaign.link_errors import counted
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import how_checked, judge_data, judge_missing
from laneproof.campaign.steps.margins import Margin, Quantity, format_offset, search, steps_of
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Seconds, Share, Size, Volts
from laneproof.errors import BadInput, Interrupted
from laneproof.margining import CONTROL_TIMEOUT_S, Margining
from laneproof.on_request import MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.pcie.margining import FAR_RECEIVER, MOST_ERRORS, NEAR_RECEIVER, RETIMER_RECEIVERS, Direction
from laneproof.readings import ErrorReading, Unavailable

Which = Literal["near", "far", "retimers"]
NUMBERS: dict[Which, tuple[int, ...]] = {
    "near": (NEAR_RECEIVER,),
    "retimers": RETIMER_RECEIVERS,
    "far": (FAR_RECEIVER,),
}
FARTHEST_UI, FARTHEST_V = 0.5, 0.5
"""The largest offsets that a receiver can have (base specification 5.0, section 8.4.4; a vendor's public table)."""
NAMED = 8
"""Margins that a reason names one by one."""


@frozen(kw_only=True)
class MarginStep(Step):
    """Moves the sampling points of `receivers` outward, lane by lane, until errors come: that far is the margin.

    To name `receivers` ("near", "far", "retimers") is the leave to write their registers. `lanes` left out are all.
    At each step the point stays for `dwell`, or until more than `max_errors` are counted. `min_timing`, a share of a
    unit interval, and `min_voltage` hold for each side of each lane; without them nothing is judged. `verify` is sent
    and verified at the end.
    """

    receivers: tuple[Which, ...] = field(validator=validators.min_len(1))
    lanes: tuple[int, ...] = ()
    timing: bool = True
    voltage: bool = True
    dwell: Seconds = field(default=Seconds(0.1), validator=[validators.gt(Seconds(0)), validators.le(Seconds(3600))])
    max_errors: int = field(default=4, validator=[validators.ge(0), validators.lt(MOST_ERRORS)])
    min_timing: Share | None = None
    min_voltage: Volts | None = None
    verify: Size = Size(64 << 10)
    pattern: str = "prbs31"

    def __attrs_post_init__(self) -> None:
        for key, given in (("receivers", self.receivers), ("lanes", self.lanes)):
            if len(set(given)) < len(given):
                raise BadInput(f"{key}: one of them stands there twice; leave it in once")
        if not (self.timing or self.voltage):
            raise BadInput("timing and voltage are both false, so nothing would be measured; leave one true")
        for key, limit, measured in (
            ("timing", self.min_timing, self.timing),
            ("voltage", self.min_voltage, self.voltage),
        ):
            if limit is not None and not measured:
                raise BadInput(f"min_{key} is a limit for what {key} = false leaves out; drop one of them")

    @property
    def limits(self) -> dict[Quantity, float | None]:
        """What is measured, and the least that is asked of it, in unit intervals and volts."""
        asked: dict[Quantity, float | None] = {}
        if self.timing:
            asked["timing"] = self.min_timing
        if self.voltage:
            asked["voltage"] = self.min_voltage
        return asked

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        found: list[tuple[str, str]] = []
        for key, limit, farthest in (
            ("timing", self.min_timing, FARTHEST_UI),
            ("voltage", self.min_voltage, FARTHEST_V),
        ):
            if limit == 0:
                found.append((f"min_{key}", "0 can never fail; give a margin that a bad lane misses, or leave it out"))
            elif limit is not None and limit > farthest:
                most = format_offset(key, farthest)
                found.append((f"min_{key}", f"no receiver can be moved further than {most}; give less"))
        return tuple(found)

    @property
    def planned_bytes(self) -> int:
        return self.verify

    def seconds_at(self, bytes_per_s: float | None) -> None:
        """Open: how many steps there are is the receivers' to say."""

    @property
    def best_claim(self) -> str:
        asked = [format_offset(key, limit) for key, limit in self.limits.items() if limit is not None]
        return f"a margin of at least {' and '.join(asked)} on each lane, by the receivers' own word" if asked else ""

    def run(self, slot: Slot, findings: Findings) -> None:
        part, found = slot.endpoint.margining(), list[Margin]()
        _expect(slot, CONTROL_TIMEOUT_S)
        offer = part.offered()
        if isinstance(offer, Unavailable):
            findings.inconclusive(f"nothing was margined: {offer.why}")
            return
        slot.note("write", f"for each margin: {offer.wrote}")
        receivers = self._wanted(offer, findings)
        planned = [(one, lane, key) for one in receivers for lane in self._lanes_of(one) for key in self.limits]
        findings.measures |= {
            "receivers": [_plain(one) for one in receivers],
            "speed_gtps": offer.speed_gtps,
            "disturbs_data": any(not one.independent_sampler for one in receivers),
        }
        try:
            for receiver in receivers:
                for lane in self._lanes_of(receiver):
                    self._one_lane(slot, part, receiver, lane, found)
                    slot.observation.sample_if_due()
        finally:
            findings.measures["margins"] = [one.to_dict() for one in found]
            self._judge(found, len(planned), findings)
        self._see_it_work(slot, findings)

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        """As of any step, but for receivers whose sampler is that of the data: their errors are margining's own."""
        if not findings.measures.get("disturbs_data"):
            super().judge_errors(added, findings)
        elif own := counted(added):
            findings.passed(
                f"{'; '.join(own)} during this step, not judged: a receiver here margins with the sampler that its "
                "data go through"
            )

    # --- measuring

    def _wanted(self, offer: MarginingOffer, findings: Findings) -> list[MarginingReceiver]:
        """The receivers that the plan names, in the link's order. Raises BadInput for a lane that is not there."""
        numbers = {number for which in self.receivers for number in NUMBERS[which]}
        wanted = [one for one in offer.receivers if one.number in numbers]
        for which in self.receivers:
            if not any(one.number in NUMBERS[which] for one in wanted):
                findings.inconclusive(f'receivers = "{which}": none is shown, or it has no margining')
        for receiver in wanted:
            if absent := sorted(set(self.lanes) - set(receiver.lanes)):
                raise BadInput(
                    f"lanes: {receiver.name} has no lane {absent[0]}, the link has {len(receiver.lanes)} lanes"
                )
            for key, limit in self.limits.items():
                if limit is not None and not steps_of(receiver, key):
                    findings.inconclusive(f"{receiver.name} has no {key} margining, so min_{key} is not judged there")
        return wanted

    def _lanes_of(self, receiver: MarginingReceiver) -> tuple[int, ...]:
        return self.lanes or receiver.lanes

    def _one_lane(
        self, slot: Slot, part: Margining, receiver: MarginingReceiver, lane: int, found: list[Margin]
    ) -> None:
        def measure(one: MarginingReceiver, number: int, direction: Direction, step: int) -> MarginPoint:
            if slot.stop.is_set():
                raise Interrupted("stopped before the next step of a margin")
            _expect(slot, CONTROL_TIMEOUT_S + self.dwell)
            return part.measure(one, number, direction, step, dwell=self.dwell, error_limit=self.max_errors)

        own: list[Margin] = []
        try:
            for key in self.limits:
                if steps_of(receiver, key):
                    for one in search(receiver, lane, key, self.dwell, measure):
                        own.append(one)
                        found.append(one)
        finally:
            if own:
                weak = any(self._below(one) for one in own)
                shown = "; ".join(f"{one.side} {one}{f' ({one.untold})' if one.untold else ''}" for one in own)
                slot.note("weak margin" if weak else "margin", f"lane {lane} of {receiver.name}: {shown}")

    def _see_it_work(self, slot: Slot, findings: Findings) -> None:
        """The receivers are back where they were: data come back as before."""
        if not self.verify:
            return
        nbytes = slot.whole(self.verify)
        data = slot.check(self.pattern, nbytes, total=nbytes)
        findings.bytes_moved = data.bytes_received
        findings.measures |= how_checked([data])
        judge_data(self.pattern, data, findings)
        judge_missing(self.pattern, data, findings)

    # --- judging

    def _below(self, one: Margin) -> bool:
        """Whether errors came before the least that is asked for."""
        limit = self.limits[one.quantity]
        return limit is not None and one.offset is not None and not one.at_least and one.offset < limit

    def _judge(self, found: list[Margin], planned: int, findings: Findings) -> None:
        for key, limit in self.limits.items():
            own = [one for one in found if one.quantity == key]
            if limit is not None and own:
                self._judge_limit(key, limit, own, findings)
        if all(limit is None for limit in self.limits.values()):
            if found:
                findings.nothing(
                    f"margins of {len({(one.receiver, one.lane) for one in found})} lanes were measured and none was "
                    "judged; give min_timing or min_voltage"
                )
        elif planned and not found and not findings.reasons:
            findings.inconclusive("no margin was measured")

    def _judge_limit(self, key: Quantity, limit: float, own: list[Margin], findings: Findings) -> None:
        asked = f"the plan asks for {format_offset(key, limit)}"
        weak = [one for one in own if self._below(one)]
        unsure = [one for one in own if one.offset is None or (one.at_least and one.offset < limit)]
        if weak:
            findings.failed(
                f"{len(weak)} of {len(own)} {key} margins are too small, {asked}: {_listed(weak)}. Of a lane that is "
                "weak at one receiver, that receiver or the path into it is suspect"
            )
        for one in unsure:
            why = one.untold or ("it reports no offsets" if one.offset is None else "its steps end there")
            findings.inconclusive(f"{one.place}: {one}, and {asked}; {why}")
        if not weak and not unsure:
            least = min(own, key=lambda one: one.offset or 0.0)
            rest = [other for other, limit in self.limits.items() if limit is None]
            unjudged = f". Measured and held to no limit: {rest[0]}" if rest else ""
            findings.passed(f"{len(own)} {key} margins, the least {least}: {least.place}; {asked}{unjudged}")


def _listed(margins: list[Margin]) -> str:
    more = f"; and {len(margins) - NAMED} more" if len(margins) > NAMED else ""
    return "; ".join(f"{one.place}: {one}" for one in margins[:NAMED]) + more


def _plain(one: MarginingReceiver) -> dict[str, object]:
    return {
        "number": one.number,
        "name": one.name,
        "timing_steps": one.timing_steps,
        "timing_offset_ui": one.timing_offset_ui,
        "voltage_steps": one.voltage_steps,
        "voltage_offset_v": one.voltage_offset_v,
        "independent_sampler": one.independent_sampler,
    }


def _expect(slot: Slot, seconds: float) -> None:
    if not slot.endpoint.clock.virtual:
        slot.emit(Expecting(slot.name, seconds + CONTROL_TIMEOUT_S))
