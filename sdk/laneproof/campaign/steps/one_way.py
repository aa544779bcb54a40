"""`one-way`: steady load in one direction that the card's own engine makes and compares, with link errors counted.

What the card counted is all that is known of the data. How it is asked is in `moving.card_check`.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import ClassVar, Literal

import attrs
from attrs import field, frozen, validators

from laneproof.campaign.carried import Carried
from laneproof.campaign.conditions import LaneFlag, judge_lane_flags
from laneproof.campaign.events import Sampled
from laneproof.campaign.link_errors import judge_link_errors, too_many_link_errors
from laneproof.campaign.results import Findings
from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound, format_bound
from laneproof.campaign.steps.comparisons import joined, measures_of
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Seconds
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison
from laneproof.readings import ErrorReading
from laneproof.units import format_bytes

DEFAULT_SECONDS = 20.0
REAL_PORTION_S = 1.0
"""So long at a time, by default, runs the engine of a card in real time: no more is lost if the run is cut off."""
VIRTUAL_PORTION_S = 60.0
"""The same in virtual time, where days pass in minutes."""


@frozen(kw_only=True)
class OneWayStep(Step):
    """Has the card's PatternEngine make and compare `pattern` in one `direction` until `duration` has passed.

    The engine is started, read and stopped anew for each `portion`, by the card's clock, and an error is injected at
    the end of each, where the card can: only portions whose checker counted one are exposure. Left out, a portion is
    one second, on a simulated card a minute. Damage ends the step unless `stop_on_failure` is false.
    """

    direction: Literal["from_card", "to_card"] = "from_card"
    duration: Seconds = field(default=Seconds(DEFAULT_SECONDS), validator=validators.ge(Seconds(0)))
    portion: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    pattern: str = "prbs31"
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    stop_on_failure: bool = True
    goes_on: ClassVar[bool] = True

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        none = (("duration", "duration of 0 moves nothing, so the step can never pass; give more"),)
        return (*(none if self.duration == 0 else ()), *too_many_link_errors(self.max_link_errors, None))

    @property
    def verified(self) -> bool:
        return True

    @property
    def goes_one_way(self) -> bool:
        return True

    @property
    def planned_s(self) -> float | None:
        return self.duration

    def bytes_at(self, bytes_per_s: float | None) -> int | None:
        return None if bytes_per_s is None else int(self.duration * bytes_per_s)

    def run(self, slot: Slot, findings: Findings) -> None:
        if self.duration == 0:
            findings.nothing("duration is 0, so nothing was sent")
            return
        clock = slot.endpoint.clock
        began_s = clock.now_s()
        before = slot.carried or Carried()
        to_last_s = max(0.0, self.duration - before.seconds)
        portion_s = self.portion or (VIRTUAL_PORTION_S if clock.virtual else REAL_PORTION_S)
        bytes_per_s = slot.endpoint.limits.nominal_bytes_per_s
        counted: Comparison | None = None
        ended = self.stop_on_failure and before.mismatched_bits > 0
        try:
            while not ended and (left_s := to_last_s - (clock.now_s() - began_s)) > 0:
                nbytes = max(1, int(bytes_per_s * min(portion_s, left_s)))
                at_s = clock.now_s()
                done = before.bytes_moved + (0 if counted is None else counted.bytes_received)
                try:
                    part = slot.check_by_card(self.pattern, nbytes, self.direction, done=done)
                except LaneproofError as error:
                    if isinstance(error.so_far, Comparison):
                        counted = self._take(slot, counted, error.so_far, clock.now_s() - at_s)
                    raise
                counted = self._take(slot, counted, part, seconds := clock.now_s() - at_s)
                if part.bytes_received == part.bytes_expected and seconds > 0:
                    bytes_per_s = part.bytes_received / seconds
                blind = part.bytes_received > 0 == part.bytes_checked
                ended = blind or part.bytes_received < part.bytes_expected or (self.stop_on_failure and not part.ok)
        finally:
            self._judge(slot, before, counted, before.seconds + clock.now_s() - began_s, findings)

    def _take(self, slot: Slot, counted: Comparison | None, part: Comparison, seconds: float) -> Comparison:
        """Put a portion on record and behind those before it: as exposure only if its checker was seen to count."""
        part = attrs.evolve(part, bytes_checked=_evidence(part))
        slot.emit(
            Sampled(
                slot.name,
                slot.step,
                slot.elapsed_s(),
                part.bytes_received,
                seconds,
                verified_bytes=part.bytes_checked,
                # A lock is lost over wrong bits that nobody counted; a row has no other place for it.
                mismatched_bits=max(part.mismatched_bits, part.lock_losses),
            )
        )
        return joined(counted, part, 0)

    def _judge(
        self, slot: Slot, before: Carried, counted: Comparison | None, seconds: float, findings: Findings
    ) -> None:
        name = f"{self.pattern} {self.direction.replace('_', ' ')}"
        if before.mismatched_bits:
            findings.failed(
                f"{name}: {before.mismatched_bits} wrong bits or lost locks were counted in {8 * before.bytes_moved} "
                "bits before the run was resumed"
            )
        if slot.carried is not None:
            findings.bytes_moved = findings.bytes_carried = before.bytes_moved
            findings.measures["carried"] = slot.carried.to_dict()
        # What was wrong before stands by itself, and the rest is no proof that all was right.
        exposure = counted
        if before.verified_bytes and not before.mismatched_bits:
            carried = attrs.evolve(before.compared(), method="card", kernels="card")
            exposure = carried if counted is None else counted.combined(carried)
            findings.passed(f"{name}: {before.said()}")
        if exposure is None:
            return
        if counted is None:  # it was cut off once its time was up
            counted = Comparison(bytes_checked=0)
        findings.bytes_moved += counted.bytes_received
        findings.measures |= measures_of({self.pattern: exposure})
        if counted.saturated:
            findings.measures["residual_corruption"] = None  # of a count that stands still there is no upper bound
        findings.measures |= {
            "direction": self.direction,
            "lock_losses": counted.lock_losses,
            "saturated": counted.saturated,
            "demonstrated": counted.demonstrated,
            "seconds": seconds,
            "simulated_time": slot.endpoint.clock.virtual,
        }
        if counted.bytes_received and seconds > before.seconds:
            findings.measures["bytes_per_second"] = counted.bytes_received / (seconds - before.seconds)
        _judge_counts(name, counted, exposure, findings)

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        judge_link_errors(added, self.max_link_errors, findings, went="were compared by the card")

    def judge_carried(self, carried: Carried, added: ErrorReading | None, findings: Findings) -> None:
        carried.judge(added, self.max_link_errors, findings)

    def judge_lanes(self, flags: Collection[LaneFlag], findings: Findings) -> None:
        judge_lane_flags(flags, self.max_link_errors, findings)


def _evidence(part: Comparison) -> int:
    """How many bytes of a portion a claim may rest on: all, if its checker counted an injected error, or any other."""
    return part.bytes_checked if part.demonstrated or part.mismatched_bits else 0


def judge_what_went_wrong(name: str, counted: Comparison, findings: Findings) -> None:
    """Reasons for wrong bits, a lost or missing lock, and a pattern that stands still; none where all went well."""
    if counted.mismatched_bits:
        least = "at least " if counted.saturated else ""
        findings.failed(
            f"{name}: the card's checker counted {least}{counted.mismatched_bits} wrong bits in "
            f"{8 * counted.bytes_received}; which they are it does not know",
            of_data=True,
        )
    if counted.lock_losses:
        times = "once" if counted.lock_losses == 1 else f"{counted.lock_losses} times"
        findings.failed(
            f"{name}: the card's checker lost the pattern {times}, as it does where very many bits are wrong; what "
            "passed meanwhile was not compared",
            of_data=True,
        )
    if counted.stalled:
        findings.failed(
            f"{name}: the pattern stalled; {counted.bytes_received} of {counted.bytes_expected} bytes had been "
            "compared when the deadline passed",
            of_data=True,
            of_stall=True,
        )
    elif counted.bytes_received < counted.bytes_expected:
        findings.inconclusive(
            f"{name}: the card's checker never locked onto the pattern, so nothing was compared"
            + (" from then on" if counted.bytes_received else "")
        )


def _judge_counts(name: str, counted: Comparison, exposure: Comparison, findings: Findings) -> None:
    """Reasons for what the checker counted, and for what it did not."""
    judge_what_went_wrong(name, counted, findings)
    left_out = counted.bytes_received - counted.bytes_checked
    if left_out:
        findings.inconclusive(
            f"{name}: the card's checker is not demonstrated: in {format_bytes(left_out)} it was not seen to count an "
            f"injected error, so that it counted none there is no evidence. {counted.caution}"
        )
    bits = 8 * exposure.bytes_checked
    if bits and not exposure.mismatched_bits:
        findings.passed(
            f"{name}: {format_bytes(exposure.bytes_checked)} compared by the card's own checker, which counted an "
            f"injected error: no wrong bit in {bits} bits, so at {CONFIDENCE:.0%} confidence fewer than "
            f"{format_bound(error_rate_bound(0, bits))} wrong per bit"
        )
