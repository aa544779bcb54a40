"""`link`: did the link train to what it should, judged under load, and does it count errors?"""

from __future__ import annotations

from itertools import pairwise
from typing import TypeVar

from attrs import field, frozen, validators

from laneproof.campaign.link_errors import judge_link_errors, plain_link
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.integrity import in_step, joined, judge_data, judge_missing
from laneproof.campaign.steps.slot import Expectation, Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Seconds, Size
from laneproof.integrity import Comparison
from laneproof.readings import ErrorReading, LinkReading, PartnerLink, Unavailable, known

_N = TypeVar("_N", int, float)

LOADS = 4
"""How many times the link is read while the load runs: a link that idles at a lower speed is not at fault."""


@frozen(kw_only=True)
class LinkStep(Step):
    """`load` is moved while the link is read; `max_link_errors` is the house limit, over both ends."""

    load: Size = Size(4 << 20)
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    pattern: str = "prbs31"
    timeout: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))

    @property
    def planned_bytes(self) -> int:
        return self.load

    def run(self, slot: Slot, findings: Findings) -> None:
        readings = [slot.endpoint.read_link()]
        findings.measures["link"] = plain_link(readings[-1])
        piece = slot.whole(-(-self.load // LOADS)) if self.load else 0
        load: Comparison | None = None
        for turn in range(LOADS if piece else 0):
            result = slot.check(
                self.pattern,
                piece,
                block=None,
                depth=None,
                timeout_s=self.timeout,
                done=turn * piece,
                total=LOADS * piece,
            )
            findings.bytes_moved += result.bytes_received
            load = joined(load, result, turn * piece)
            readings.append(slot.endpoint.read_link())
            findings.measures["link"] = plain_link(readings[-1])
            if not in_step(result):
                findings.inconclusive("the load did not come back as it should, so the link was judged idle")
                break
        for before, after in pairwise(readings):
            if after != before:
                slot.note("link", f"the link changed from {_shown(before)} to {_shown(after)}")
        _judge(readings[-1], slot.expectation, findings)
        if load is not None and not load.ok:  # no claim is made of so little data, but damage is damage
            judge_data(self.pattern, load, findings)
            judge_missing(self.pattern, load, findings)

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        judge_link_errors(added, self.max_link_errors, findings)


def _judge(reading: LinkReading, expectation: Expectation, findings: Findings) -> None:
    near, far = known(reading.near), known(reading.far)
    seen = [partner for partner in (near, far) if partner is not None and partner.width]
    if not seen:
        why = reading.near.why if isinstance(reading.near, Unavailable) else "neither partner shows a trained link"
        findings.inconclusive(f"the link cannot be judged: {why}")
        return
    speed_gtps, width = seen[0].speed_gtps, seen[0].width
    wanted_gtps = expectation.speed or _smaller([partner.max_speed_gtps for partner in seen])
    lanes = [expectation.wiring, reading.wiring, *(partner.max_width for partner in seen)]
    wanted_width = expectation.width or _smaller(lanes)
    findings.measures["expected"] = {"speed_gtps": wanted_gtps, "width": wanted_width}
    if wanted_gtps is None or wanted_width is None or speed_gtps is None or width is None:
        findings.inconclusive("what the link should train to is not known; give expect = { speed, width } in the plan")
        return
    basis = "the plan" if expectation.speed or expectation.width else "the smaller of both partners' capabilities"
    if expectation.width is None and wanted_width == (expectation.wiring or reading.wiring):
        basis += ", and the wiring"
    found, wanted = f"{speed_gtps:g} GT/s x{width}", f"{wanted_gtps:g} GT/s x{wanted_width}"
    if (speed_gtps, width) == (wanted_gtps, wanted_width):
        findings.passed(f"trained to {found}, as expected from {basis}")
        return
    if len(seen) < 2:
        basis += "; only one partner could be read"
    likely = [*_why_width(width, wanted_width), *_why_speed(speed_gtps, wanted_gtps)]
    findings.failed(f"expected {wanted} (from {basis}), found {found}; likely: {'; '.join(likely)}")


def _why_width(width: int, wanted: int) -> list[str]:
    if width > wanted:
        return ["the plan expects fewer lanes than both partners use"]
    if width == wanted:
        return []
    return [
        f"one of lanes {width} to {wanted - 1} is dead or has no receiver (a link keeps lane 0 and falls back to a "
        "width that both ends support): reseat, look for a bent or dirty contact, try without the riser",
        "the slot has fewer lanes wired than declared, or the ports are bifurcated: see the board's manual",
    ]


def _why_speed(speed_gtps: float, wanted_gtps: float) -> list[str]:
    if speed_gtps > wanted_gtps:
        return ["the plan expects a lower speed than both partners can do"]
    if speed_gtps == wanted_gtps:
        return []
    return [
        "the higher speed did not hold (signal quality, riser, retimer), or a target speed is set lower: try without "
        "the riser, look at the setup's slot speed"
    ]


def _smaller(values: list[_N | None]) -> _N | None:
    present = [value for value in values if value is not None]
    return min(present) if present else None


def _shown(reading: LinkReading) -> str:
    partner: PartnerLink | None = known(reading.near) or known(reading.far)
    if partner is None or partner.speed_gtps is None or partner.width is None:
        return "unknown"
    return f"{partner.speed_gtps:g} GT/s x{partner.width}"
