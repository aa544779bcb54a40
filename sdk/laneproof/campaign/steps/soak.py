"""`soak`: steady load for a time or an exposure, verified throughout, with link errors counted."""

from __future__ import annotations

import statistics
from collections.abc import Collection

from attrs import field, frozen, validators

from laneproof.campaign.conditions import LaneFlag, judge_lane_flags
from laneproof.campaign.events import Sampled
from laneproof.campaign.link_errors import judge_link_errors
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import in_step, joined, judge_data, judge_missing, measures_of
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Seconds, Size
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison
from laneproof.readings import ErrorReading

DEFAULT_BYTES = 128 << 20
DEFAULT_SECONDS = 20.0


@frozen(kw_only=True)
class SoakStep(Step):
    """Checks `portion` after `portion` until `bytes` have moved or `duration` has passed by the card's clock.

    With both, whichever comes first; with neither, 128 MiB or what the card moves in twenty seconds. Each portion is
    a point of the time series. Damage ends the step unless `stop_on_failure` is false; a stall always does.
    """

    bytes: Size | None = None
    duration: Seconds | None = None
    portion: Size = field(default=Size(16 << 20), validator=validators.ge(Size(1)))
    pattern: str = "prbs31"
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    stop_on_failure: bool = True

    @property
    def planned_bytes(self) -> int | None:
        return self.bytes if self.bytes is not None or self.duration is not None else DEFAULT_BYTES

    def run(self, slot: Slot, findings: Findings) -> None:
        total = self.bytes
        if total is None and self.duration is None:
            total = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS)
        if total == 0 or self.duration == 0:
            findings.nothing("bytes or duration is 0, so nothing was sent")
            return
        clock = slot.endpoint.clock
        started_s = clock.now_s()
        combined: Comparison | None = None
        rates: list[float] = []
        done = 0
        try:
            while (total is None or done < total) and (
                self.duration is None or clock.now_s() - started_s < self.duration
            ):
                portion = slot.whole(self.portion if total is None else min(self.portion, total - done))
                begun_s = clock.now_s()
                try:
                    part = slot.check(self.pattern, portion, done=done, total=total, timed=True)
                except LaneproofError as error:
                    if isinstance(error.so_far, Comparison):
                        combined = joined(combined, error.so_far, done)
                    raise
                combined = joined(combined, part, done)
                seconds = clock.now_s() - begun_s
                slot.emit(Sampled(slot.name, slot.step, slot.elapsed_s(), part.bytes_received, seconds))
                if seconds > 0:
                    rates.append(part.bytes_received / seconds)
                slot.observation.sample_if_due()
                done += portion
                if not in_step(part) or (self.stop_on_failure and not part.ok):
                    break
        finally:
            if combined is not None:
                findings.bytes_moved = combined.bytes_received
                findings.measures |= measures_of({self.pattern: combined})
                findings.measures |= {"seconds": clock.now_s() - started_s, "simulated_time": clock.virtual}
                if rates:
                    findings.measures |= {
                        "bytes_per_second": statistics.median(rates),
                        "slowest_bytes_per_second": min(rates),
                        "fastest_bytes_per_second": max(rates),
                    }
                judge_data(self.pattern, combined, findings)
        if combined is not None:
            judge_missing(self.pattern, combined, findings)

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        judge_link_errors(added, self.max_link_errors, findings)

    def judge_lanes(self, flags: Collection[LaneFlag], findings: Findings) -> None:
        judge_lane_flags(flags, self.max_link_errors, findings)
