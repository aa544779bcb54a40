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
from laneproof.campaign.steps.load_cycle import LEAST_S, LoadCycle
from laneproof.campaign.steps.observation import SAMPLE_EVERY_S
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.campaign.timekeeping import utc_beside
from laneproof.documents import Seconds, Size
from laneproof.errors import BadInput, LaneproofError
from laneproof.integrity import Comparison
from laneproof.readings import ErrorReading
from laneproof.units import format_seconds

DEFAULT_BYTES = 128 << 20
DEFAULT_SECONDS = 20.0
_ROUNDING_S = 1e-9
"""Less than this is no time left: sums of floating-point seconds end beside the moment meant."""


@frozen(kw_only=True)
class SoakStep(Step):
    """Checks `portion` after `portion` until `bytes` have moved or `duration` has passed by the card's clock.

    With both, whichever comes first; with neither, 128 MiB or what the card moves in twenty seconds. Each portion is
    a point of the time series. Damage ends the step unless `stop_on_failure` is false; a stall always does. `dwell` is
    how long a receiver that measures emissions rests on each frequency: portions must follow each other faster.
    `load_on` and `load_off` switch the load on and off from the first portion on, the rests a part of `duration`;
    portions are then at most so large that 32 fit into an on-time.
    """

    bytes: Size | None = None
    duration: Seconds | None = None
    portion: Size = field(default=Size(16 << 20), validator=validators.ge(Size(1)))
    pattern: str = "prbs31"
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    stop_on_failure: bool = True
    dwell: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    load_on: Seconds | None = field(default=None, validator=validators.optional(validators.ge(LEAST_S)))
    load_off: Seconds | None = field(default=None, validator=validators.optional(validators.ge(LEAST_S)))
    goes_on: ClassVar[bool] = True

    def __attrs_post_init__(self) -> None:
        if (self.load_on is None) != (self.load_off is None):
            raise BadInput("load_on and load_off belong together; give both or none")

    @property
    def share_loaded(self) -> float:
        """Of the step's time, that in which data are meant to move."""
        if self.load_on is None or self.load_off is None:
            return 1.0
        return self.load_on / (self.load_on + self.load_off)

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        keys = [key for key, value in (("bytes", self.bytes), ("duration", self.duration)) if value == 0]
        return (
            *((key, f"{key} of 0 moves nothing, so the step can never pass; give more") for key in keys),
            *self._never_rests,
            *too_many_link_errors(self.max_link_errors, self.planned_bytes),
        )

    @property
    def _never_rests(self) -> tuple[tuple[str, str], ...]:
        if self.load_on is None or self.duration is None or self.duration > self.load_on:
            return ()
        text = f"a duration of {format_seconds(self.duration)} ends before the first rest; give more, or leave it out"
        return (("load_off", text),)

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
        in_time = int(self.duration * self.share_loaded * bytes_per_s)
        return in_time if self.bytes is None else min(self.bytes, in_time)

    def seconds_at(self, bytes_per_s: float | None) -> float | None:
        nbytes = self.bytes_at(bytes_per_s)
        by_bytes = None if nbytes is None or not bytes_per_s else nbytes / bytes_per_s / self.share_loaded
        return min((one for one in (by_bytes, self.planned_s) if one is not None), default=None)

    def run(self, slot: Slot, findings: Findings) -> None:
        total = self.bytes
        if total is None and self.duration is None:
            total = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS)
        if total == 0 or self.duration == 0:
            findings.nothing("bytes or duration is 0, so nothing was sent")
            return
        soaking = _Soaking(self, slot, total)
        try:
            soaking.run()
        finally:
            soaking.conclude(findings)
        if soaking.combined is not None:
            judge_missing(self.pattern, soaking.combined, findings)

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        judge_link_errors(added, self.max_link_errors, findings)

    def judge_carried(self, carried: Carried, added: ErrorReading | None, findings: Findings) -> None:
        carried.judge(added, self.max_link_errors, findings)

    def judge_lanes(self, flags: Collection[LaneFlag], findings: Findings) -> None:
        judge_lane_flags(flags, self.max_link_errors, findings)


class _Soaking:
    """One soak while it runs: what has come back, how long it may go on, and the load that this was."""

    def __init__(self, step: SoakStep, slot: Slot, total: int | None) -> None:
        self._step = step
        self._slot = slot
        self._total = total
        self._started_s = slot.elapsed_s()
        self._before = slot.carried or Carried()
        # What was wrong before has no place here: it stands by itself, and the rest is no proof that all was right.
        right = self._before.verified_bytes and not self._before.mismatched_bits
        self.combined = self._before.compared() if right else None
        self._load = Load()
        self._done = self._before.verified_bytes
        self._until_s: float | None = None
        """When the step's time is up, in seconds since the card was opened."""
        if step.duration is not None:
            passed_s = self._before.seconds / step.share_loaded  # the rests of before have passed too
            self._until_s = self._started_s + max(0.0, step.duration - passed_s)
        self._cycle: LoadCycle | None = None
        self._ended = step.stop_on_failure and self._before.mismatched_bits > 0

    def run(self) -> None:
        """Raises what the card's calls raise."""
        if self._step.load_on is not None and self._step.load_off is not None and self._goes_on():
            self._cycle = self._begin_cycle(self._step.load_on, self._step.load_off)
        while self._goes_on():
            if self._cycle is not None and not self._cycle.is_on(self._slot.elapsed_s()):
                self._rest(self._cycle)
            else:
                self._move()
        if self.combined is not None and not self._ended and (self._total is None or self._done < self._total):
            # Time is up: the least that can be sent, to hear whether anything comes after it.
            last = self._slot.check(self._step.pattern, self._slot.whole(1), done=self._done, total=self._total)
            self.combined = joined(self.combined, last, self._done)

    def _goes_on(self) -> bool:
        return (
            not self._ended
            and (self._total is None or self._done < self._total)
            and (self._until_s is None or self._until_s - self._slot.elapsed_s() > _ROUNDING_S)
        )

    def _begin_cycle(self, on_s: float, off_s: float) -> LoadCycle:
        slot = self._slot
        utc, clock_s, within_s = utc_beside(slot.endpoint.clock)
        began_s = clock_s - slot.origin_s
        on, off = format_seconds(on_s), format_seconds(off_s)
        slot.note("load", f"switched on for {on} and off for {off}, again and again, from {utc} on", began_s)
        return LoadCycle(
            on_s=on_s,
            off_s=off_s,
            largest=self._step.portion,
            nominal_bytes_per_s=slot.endpoint.limits.nominal_bytes_per_s,
            began_utc=utc,
            began_s=began_s,
            began_within_s=within_s,
            virtual=slot.endpoint.clock.virtual,
        )

    def _move(self) -> None:
        """One portion, there and back."""
        slot, done, total = self._slot, self._done, self._total
        begun_s = slot.elapsed_s()
        wanted = self._step.portion if self._cycle is None else self._cycle.next_portion(begun_s)
        portion = slot.whole(wanted if total is None else min(wanted, total - done))
        try:
            # Listening for surplus after each portion would make gaps in the load.
            part = slot.check(
                self._step.pattern,
                portion,
                done=done,
                total=total,
                timed=True,
                more_follows=total is None or done + portion < total,
            )
        except LaneproofError as error:
            if isinstance(error.so_far, Comparison):
                self._took(error.so_far, begun_s)
            raise
        self._load.add(begun_s, self._took(part, begun_s), part.bytes_received)
        slot.observation.sample_if_due()
        self._done += portion
        self._ended = not in_step(part) or (self._step.stop_on_failure and not part.ok)

    def _took(self, part: Comparison, begun_s: float) -> float:
        """Put what came back of a portion on record; how long it took."""
        slot = self._slot
        self.combined = joined(self.combined, part, self._done)
        seconds = slot.elapsed_s() - begun_s
        if self._cycle is not None:
            self._cycle.moved(begun_s, seconds)
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
        return seconds

    def _rest(self, cycle: LoadCycle) -> None:
        """Until the next on-time, or the end of the step. Raises Interrupted at once when the run is to stop."""
        slot, clock = self._slot, self._slot.endpoint.clock
        begun_s = slot.elapsed_s()
        until_s = cycle.switch_off(begun_s)
        until_s = until_s if self._until_s is None else min(until_s, self._until_s)
        try:
            while (left_s := until_s - slot.elapsed_s()) > _ROUNDING_S:
                slot.expect(left_s)
                slice_s = min(left_s, SAMPLE_EVERY_S)
                if clock.virtual:
                    clock.sleep(slice_s)
                else:
                    slot.stop.wait(slice_s)
                if left_s - slice_s > SAMPLE_EVERY_S:  # not where reading would delay the next edge
                    slot.observation.sample_if_due()
        finally:
            self._load.rest(max(0.0, min(until_s, slot.elapsed_s()) - begun_s))

    # --- what came of it

    def conclude(self, findings: Findings) -> None:
        """Say what is known by now, however the soak has ended."""
        step, before, combined = self._step, self._before, self.combined
        if before.mismatched_bits:
            findings.failed(
                f"{step.pattern}: {before.mismatched_bits} of {8 * before.verified_bytes} bits came back wrong "
                "before the run was resumed"
            )
            findings.bytes_moved = before.bytes_moved
        if combined is None:
            return
        findings.bytes_moved += combined.bytes_received
        findings.bytes_carried = before.verified_bytes
        findings.measures |= measures_of({step.pattern: combined})
        findings.measures |= {
            "seconds": before.seconds + self._slot.elapsed_s() - self._started_s,
            "simulated_time": self._slot.endpoint.clock.virtual,
        }
        if self._slot.carried is not None:
            findings.measures["carried"] = before.to_dict()
            findings.passed(f"{step.pattern}: {before.said()}")
        findings.measures |= self._load.measures()
        judge_data(step.pattern, combined, findings)
        self._judge_steadiness(findings)
        if self._cycle is not None:
            self._cycle.close()
            findings.measures["load_cycle"] = self._cycle.measures()
            self._cycle.judge(findings)
        if step.dwell is not None:
            self._judge_dwell(step.dwell, findings)

    def _judge_steadiness(self, findings: Findings) -> None:
        found = self._load.steadiness()
        if found is not None:
            findings.measures["steadiness"] = attrs.asdict(found)
            findings.passed(steadiness_said(found))
        changes = self._load.changes()
        for clock_s, change in changes[:CHANGES_LISTED]:
            self._slot.note("rate", change_said(change), clock_s)
        if changes:
            findings.measures["rate_changes"] = [
                {"clock_s": clock_s, "before_bytes_per_second": change.before, "after_bytes_per_second": change.after}
                for clock_s, change in changes[:CHANGES_LISTED]
            ]
            findings.measures["rate_changes_not_listed"] = max(0, len(changes) - CHANGES_LISTED)

    def _judge_dwell(self, dwell_s: float, findings: Findings) -> None:
        repetition_s, rest_s = self._load.longest_repetition_s, self._load.longest_rest_s
        if not repetition_s:
            findings.inconclusive("dwell: fewer than two portions moved, so how often the load repeats is not known")
            return
        seen, text = dwell_said(dwell_s, repetition_s, rest_s)
        findings.measures["dwell"] = {"dwell_s": dwell_s, "longest_repetition_s": repetition_s}
        if self._cycle is not None:
            findings.measures["dwell"]["longest_rest_s"] = rest_s
        (findings.passed if seen else findings.inconclusive)(f"dwell: {text}")
