"""`integrity`: does every byte come back as it went out?"""

from __future__ import annotations

from typing import Literal

from attrs import field, frozen, validators

from laneproof.campaign.results import Findings
from laneproof.campaign.steps.comparisons import in_step, judge_data, judge_missing, measures_of
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.documents import Seconds, Size
from laneproof.errors import LaneproofError
from laneproof.integrity import Comparison

DEFAULT_BYTES = 64 << 20
DEFAULT_SECONDS = 10.0


@frozen(kw_only=True)
class IntegrityStep(Step):
    """Sends `bytes` in each of `patterns` and verifies every byte of the echo: as `check` says, "exact" or by "digest".

    Left out, `bytes` is 64 MiB, or what the card moves in ten seconds if that is less. `block` is the size of one
    transfer, `depth` how many are under way, `timeout` that of one pattern.
    """

    patterns: tuple[str, ...] = field(default=("prbs31",), validator=validators.min_len(1))
    check: Literal["exact", "digest"] = "exact"
    bytes: Size | None = None
    block: Size | None = field(default=None, validator=validators.optional(validators.ge(Size(1))))
    depth: int | None = field(default=None, validator=validators.optional([validators.ge(1), validators.le(1024)]))
    timeout: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        return (("bytes", "0 B moves nothing, so the step can never pass; give more"),) if self.bytes == 0 else ()

    @property
    def verified(self) -> bool:
        return True

    @property
    def planned_bytes(self) -> int:
        return len(self.patterns) * (DEFAULT_BYTES if self.bytes is None else self.bytes)

    def bytes_at(self, bytes_per_s: float | None) -> int:
        if self.bytes is not None or bytes_per_s is None:
            return self.planned_bytes
        return len(self.patterns) * min(DEFAULT_BYTES, int(DEFAULT_SECONDS * bytes_per_s))

    def run(self, slot: Slot, findings: Findings) -> None:
        nbytes = slot.nominal_bytes(DEFAULT_BYTES, DEFAULT_SECONDS) if self.bytes is None else self.bytes
        if not nbytes:
            findings.nothing("bytes = 0, so nothing was sent")
            return
        checked: dict[str, Comparison] = {}
        try:
            for turn, name in enumerate(self.patterns):
                done, total = turn * nbytes, len(self.patterns) * nbytes
                try:
                    checked[name] = slot.check(
                        name,
                        nbytes,
                        block=self.block,
                        depth=self.depth,
                        digest=self.check == "digest",
                        timeout_s=self.timeout,
                        done=done,
                        total=total,
                    )
                except LaneproofError as error:
                    if isinstance(error.so_far, Comparison):
                        checked[name] = error.so_far
                    raise
                if not in_step(checked[name]):
                    break
        finally:
            findings.bytes_moved = sum(result.bytes_received for result in checked.values())
            findings.measures |= measures_of(checked)
            for name, result in checked.items():
                judge_data(name, result, findings)
        for name, result in checked.items():
            judge_missing(name, result, findings)
