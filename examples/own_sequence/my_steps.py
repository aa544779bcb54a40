"""Two steps of one's own, for plans: `own_steps.toml` beside this file names it. See `laneproof guide steps`."""

from __future__ import annotations

from typing import ClassVar

import attrs

import laneproof
from laneproof.documents import Seconds, Size


@laneproof.step("around a boundary")
def around_a_boundary(slot: laneproof.Slot, findings: laneproof.Findings, *, boundary: Size, repeats: int = 64) -> None:
    """Sends transfers a granule below, at and above `boundary`, `repeats` of each."""
    grain = slot.endpoint.limits.granularity
    middle = slot.whole(boundary)
    checked = {}
    for size in (middle - grain, middle, middle + grain):
        checked[f"{size} B"] = slot.check("prbs31", repeats * size, block=size)
        if not checked[f"{size} B"].ok:
            break
    slot.judge(checked, findings)


@attrs.frozen(kw_only=True)
class RestStep(laneproof.Step):
    """Lets the link rest for `rest`, then sends `bytes`, `repeats` times, and says how long the slowest wake took."""

    kind: ClassVar[str] = "rest and wake"

    rest: Seconds
    bytes: Size = Size(4096)
    repeats: int = attrs.field(default=3, validator=attrs.validators.ge(1))
    most: Seconds | None = None

    @property
    def planned_bytes(self) -> int:
        return self.repeats * self.bytes

    @property
    def verified(self) -> bool:
        return True

    def seconds_at(self, bytes_per_s: float | None) -> float:
        return self.repeats * self.rest  # what is sent takes next to nothing

    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None:
        clock = slot.endpoint.clock
        checked = {}
        taken_s: list[float] = []
        for turn in range(self.repeats):
            slot.expect(self.rest + 5)  # or a silence so long would count as a card that hangs
            clock.sleep(self.rest)
            began_s = clock.now_s()
            checked[f"wake {turn + 1}"] = slot.check("prbs31", self.bytes)
            taken_s.append(clock.now_s() - began_s)
        slot.judge(checked, findings)
        findings.measures["slowest_wake_s"] = max(taken_s)
        if self.most is not None and max(taken_s) > self.most:
            findings.failed(f"the slowest of {self.repeats} wakes took {max(taken_s):.6f} s, more than {self.most} s")
