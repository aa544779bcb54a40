"""`soak`: steady load for a time or an exposure, verified throughout, with link errors counted."""

from __future__ import annotations

from collections.abc import Collection
from typing import ClassVar

import attrs
from attrs import field, frozen, validators

from laneproof.campaign.carried import Carried
from laneproof.campaign.conditions import LaneFlag, judge_lane_flags
from laneproof.campaign.events import Sampled
from laneproof.campaign.link_errors import judge_link_errors, too_many_link_errors
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import in_step, joined, judge_data, judge_missing, measures_of
from laneproof.campaign.steps.load import CHANGES_LISTED, Load, change_said, dwell_said, steadiness_said
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
    a point of the time series. Damage ends the step unless `stop_on_failure` is false; a stall always does. `dwell` is
    how long a receiver that measures emissions rests on each frequency: portions must follow each other faster.
    """

    bytes: Size | None = None
    duration: Seconds | None = None
    portion: Size = field(default=Size(16 << 20), validator=validators.ge(Size(1)))
    pattern: str = "prbs31"
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    stop_on_failure: bool = True
    dwell: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    goes_on: ClassVar[bool] = True

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        keys = [key for key, value in (("bytes", self.bytes), ("duration", self.duration)) if value == 0]
        return (
            *((key, f"{key} of 0 moves nothing, so the step can never pass; give more") for key in keys),
            *too_many_link_errors(self.max_link_errors, self.planned_bytes),
        )

    @property
    def verified(self) -> bool:
        return True

    @property
    def planned_bytes(self) -> int | None:
        return self.bytes if self.bytes is not None or self.duration is not None else DEFAULT_BYTES

    @property
    def planned_s(self) -> float | None:
        return self.duration

    def bytes_at(self, bytes_per_s: float | None) -> int | None:
        if bytes_per_s is None or (self.bytes is not None and self.duration is None):
            return self.planned_bytes
        if self.duration is None:
            return min(DEFAULT_BYTES, int(DEFAULT_SECONDS * bytes_per_s))
        in_time = int(self.duration * bytes_per_s)
        return in_time if self.bytes is None else min(self.bytes, in_time)

    def run(self, slot: Slot, findings: Findings) -> None:
        total = self.bytes
        if total is None and self.duration is None:
            total = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS)
        if total == 0 or self.duration == 0:
            findings.nothing("bytes or duration is 0, so nothing was sent")
            return
        clock = slot.endpoint.clock
        started_s = clock.now_s()
        before = slot.carried or Carried()
        # What was wrong before has no place here: it stands by itself, and the rest is no proof that all was right.
        combined = before.compared() if before.verified_bytes and not before.mismatched_bits else None
        load = Load()
        done = before.verified_bytes
        to_last_s = None if self.duration is None else max(0.0, self.duration - before.seconds)
        ended = self.stop_on_failure and before.mismatched_bits > 0
        try:
            while (
                not ended
                and (total is None or done < total)
                and (to_last_s is None or clock.now_s() - started_s < to_last_s)
            ):
                portion = slot.whole(self.portion if total is None else min(self.portion, total - done))
                begun_s = clock.now_s()
                try:
                    # Listening for surplus after each portion would make gaps in the load.
                    part = slot.check(
                        self.pattern,
                        portion,
                        done=done,
                        total=total,
                        timed=True,
                        more_follows=total is None or done + portion < total,
                    )
                except LaneproofError as error:
                    if isinstance(error.so_far, Comparison):
                        combined = joined(combined, error.so_far, done)
                        self._sample(slot, error.so_far, clock.now_s() - begun_s)
                    raise
                combined = joined(combined, part, done)
                seconds = clock.now_s() - begun_s
                self._sample(slot, part, seconds)
                load.add(begun_s - slot.origin_s, seconds, part.bytes_received)
                slot.observation.sample_if_due()
                done += portion
                ended = not in_step(part) or (self.stop_on_failure and not part.ok)
            if combined is not None and not ended and (total is None or done < total):
                # Time is up: the least that can be sent, to hear whether anything comes after it.
                last = slot.check(self.pattern, slot.whole(1), done=done, total=total)
                combined = joined(combined, last, done)
        finally:
            if before.mismatched_bits:
                findings.failed(
                    f"{self.pattern}: {before.mismatched_bits} of {8 * before.verified_bytes} bits came back wrong "
                    "before the run was resumed"
                )
                findings.bytes_moved = before.bytes_moved
            if combined is not None:
                findings.bytes_moved += combined.bytes_received
                findings.bytes_carried = before.verified_bytes
                findings.measures |= measures_of({self.pattern: combined})
                findings.measures |= {
                    "seconds": before.seconds + clock.now_s() - started_s,
                    "simulated_time": clock.virtual,
                }
                if slot.carried is not None:
                    findings.measures["carried"] = slot.carried.to_dict()
                    findings.passed(f"{self.pattern}: {before.said()}")
                findings.measures |= load.measures()
                judge_data(self.pattern, combined, findings)
                self._judge_load(slot, load, findings)
        if combined is not None:
            judge_missing(self.pattern, combined, findings)

    def _judge_load(self, slot: Slot, load: Load, findings: Findings) -> None:
        found = load.steadiness()
        if found is not None:
            findings.measures["steadiness"] = attrs.asdict(found)
            findings.passed(steadiness_said(found))
        changes = load.changes()
        for clock_s, change in changes[:CHANGES_LISTED]:
            slot.note("rate", change_said(change), clock_s)
        if changes:
            findings.measures["rate_changes"] = [
                {"clock_s": clock_s, "before_bytes_per_second": change.before, "after_bytes_per_second": change.after}
                for clock_s, change in changes[:CHANGES_LISTED]
            ]
            findings.measures["rate_changes_not_listed"] = max(0, len(changes) - CHANGES_LISTED)
        if self.dwell is None:
            return
        if not load.longest_repetition_s:
            findings.inconclusive("dwell: fewer than two portions moved, so how often the load repeats is not known")
            return
        seen, text = dwell_said(self.dwell, load.longest_repetition_s)
        findings.measures["dwell"] = {"dwell_s": self.dwell, "longest_repetition_s": load.longest_repetition_s}
        (findings.passed if seen else findings.inconclusive)(f"dwell: {text}")

    def _sample(self, slot: Slot, part: Comparison, seconds: float) -> None:
        slot.emit(
            Sampled(
                slot.name,
                slot.step,
                slot.elapsed_s(),
                part.bytes_received,
                seconds,
                verified_bytes=part.bytes_checked,
                mismatched_bits=part.mismatched_bits,
            )
        )

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        judge_link_errors(added, self.max_link_errors, findings)

    def judge_carried(self, carried: Carried, added: ErrorReading | None, findings: Findings) -> None:
        carried.judge(added, self.max_link_errors, findings)

    def judge_lanes(self, flags: Collection[LaneFlag], findings: Findings) -> None:
        judge_lane_flags(flags, self.max_link_errors, findings)
