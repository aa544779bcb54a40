"""`link`: did the link train to what it should, judged under load, and does it count errors?"""

from __future__ import annotations

from collections.abc import Collection

from attrs import field, frozen, validators

from laneproof.campaign.conditions import LaneFlag, judge_lane_flags
from laneproof.campaign.link_errors import judge_link_errors, plain_link, too_many_link_errors
from laneproof.campaign.link_state import judge_link
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import how_checked, in_step, judge_data, judge_missing
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Seconds, Size
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison
from laneproof.readings import ErrorReading

BLOCKS = 8
"""Blocks that the load is cut into; the link is read as each comes back, while the others are under way."""


@frozen(kw_only=True)
class LinkStep(Step):
    """`load` is moved while the link is read; `max_link_errors` is the house limit, for each end by itself."""

    load: Size = Size(4 << 20)
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    pattern: str = "prbs31"
    timeout: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))

    @property
    def planned_bytes(self) -> int:
        return self.load

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        return too_many_link_errors(self.max_link_errors, self.load)

    def run(self, slot: Slot, findings: Findings) -> None:
        idle = slot.observation.first_link
        assert idle is not None  # read before every step
        findings.measures["link"] = plain_link(idle)
        load: Comparison | None = None
        try:
            if self.load:
                load = self._move(slot)
        except LaneproofError as error:
            load = error.so_far if isinstance(error.so_far, Comparison) else None
            raise
        finally:
            if load is not None:
                findings.bytes_moved = load.bytes_received
                findings.measures |= how_checked([load])
            if load is not None and not load.ok:  # no claim is made of so little data, but damage is damage
                judge_data(self.pattern, load, findings)
        if load is not None:
            judge_missing(self.pattern, load, findings)
        if self.load and (load is None or not in_step(load)):
            findings.inconclusive("the load did not come back as it should, so the link is not judged under load")
        readings = slot.observation.under_load or [idle]
        findings.measures["link"] = plain_link(readings[-1])
        judge_link(readings, slot.expectation, findings)

    def _move(self, slot: Slot) -> Comparison:
        nbytes = slot.whole(self.load)
        block = min(slot.whole(-(-nbytes // BLOCKS)), slot.largest_transfer())
        return slot.check(
            self.pattern, nbytes, block=block, timeout_s=self.timeout, total=nbytes, look_at_each_block=True
        )

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        judge_link_errors(added, self.max_link_errors, findings)

    def judge_lanes(self, flags: Collection[LaneFlag], findings: Findings) -> None:
        judge_lane_flags(flags, self.max_link_errors, findings)
