"""`integrity`: does every byte come back as it went out?"""

from __future__ import annotations

from typing import Literal

from attrs import field, frozen, validators

from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import in_step, judge_data, judge_missing, measures_of
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.campaign.steps.sweep import Order, Sweep, Swept, in_order, points_of
from laneproof.documents import Seconds, Size
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison

DEFAULT_BYTES = 64 << 20
DEFAULT_SECONDS = 10.0


@frozen(kw_only=True)
class IntegrityStep(Step):
    """Sends `bytes` in each of `patterns` and verifies every byte of the echo, as `check` says: "exact", by
    "digest", or "both", one after the other.

    Left out, `bytes` is 64 MiB, or what the card moves in ten seconds if that is less. `block` is the size of one
    transfer, `depth` how many are under way, `timeout` that of one pattern. `sweep` tries, after that and in the first
    pattern, "sizes" around every border, "offsets" of the buffers in a page, and "depths" of the queue, in `order`.
    """

    patterns: tuple[str, ...] = field(default=("prbs31",), validator=validators.min_len(1))
    check: Literal["exact", "digest", "both"] = "exact"
    bytes: Size | None = None
    block: Size | None = field(default=None, validator=validators.optional(validators.ge(Size(1))))
    depth: int | None = field(default=None, validator=validators.optional([validators.ge(1), validators.le(1024)]))
    timeout: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    sweep: tuple[Sweep, ...] = ()
    order: Order = "ascending"

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        return (("bytes", "0 B moves nothing, so the step can never pass; give more"),) if self.bytes == 0 else ()

    @property
    def verified(self) -> bool:
        return True

    @property
    def planned_bytes(self) -> int:
        return self._turns * (DEFAULT_BYTES if self.bytes is None else self.bytes)

    @property
    def _turns(self) -> int:
        return len(self.patterns) * (2 if self.check == "both" else 1)

    def bytes_at(self, bytes_per_s: float | None) -> int:
        if self.bytes is not None or bytes_per_s is None:
            return self.planned_bytes
        return self._turns * min(DEFAULT_BYTES, int(DEFAULT_SECONDS * bytes_per_s))

    def run(self, slot: Slot, findings: Findings) -> None:
        nbytes = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS) if self.bytes is None else self.bytes
        if not nbytes:
            findings.nothing("bytes = 0, so nothing was sent")
            return
        limits = slot.endpoint.limits
        points = in_order(points_of(self.sweep, limits), self.order, slot.seed)
        total = self._turns * nbytes + sum(point.bytes for point in points)
        checked: dict[str, Comparison] = {}
        swept = Swept(slot, self.patterns[0])
        try:
            self._check_patterns(slot, nbytes, total, checked)
            if points and all(in_step(result) for result in checked.values()):
                swept.run(points, done=self._turns * nbytes, total=total)
        finally:
            findings.bytes_moved = sum(result.bytes_received for result in checked.values()) + swept.bytes_received
            findings.measures |= measures_of(checked)
            for name, result in checked.items():
                judge_data(name, result, findings)
            if points:
                findings.measures |= swept.measures()
                swept.judge(findings)
        for name, result in checked.items():
            judge_missing(name, result, findings)
        if points and not swept.found:
            findings.inconclusive(f"{', '.join(self.sweep)}: not tried, since the card was out of step before")

    def _check_patterns(self, slot: Slot, nbytes: int, total: int, checked: dict[str, Comparison]) -> None:
        """Each pattern by each check, into `checked`, until one leaves the card out of step."""
        ways = [(name, name, self.check == "digest") for name in self.patterns]
        if self.check == "both":
            ways = [
                (f"{name}, {'digest' if digest else 'exact'}", name, digest)
                for name in self.patterns
                for digest in (False, True)
            ]
        for turn, (said, name, digest) in enumerate(ways):
            try:
                checked[said] = slot.check(
                    name,
                    nbytes,
                    block=self.block,
                    depth=self.depth,
                    digest=digest,
                    timeout_s=self.timeout,
                    done=turn * nbytes,
                    total=total,
                )
            except LaneproofError as error:
                if isinstance(error.so_far, Comparison):
                    checked[said] = error.so_far
                raise
            if not in_step(checked[said]):
                break
