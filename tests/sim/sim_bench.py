"""An open slot for the simulator's tests, a plain echo loop over its path, and wrong bits where a test wants them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import attrs
from attrs import frozen

from laneproof.clock import Deadline
from laneproof_sim.line import ErrorSites
from laneproof_sim.path import DmaPath
from laneproof_sim.scenario import EchoCard, Port, Scenario, Slot, Switch
from laneproof_sim.slot import OpenSlot


class Planted(ErrorSites):
    """Errors exactly where a test puts them, by lane or all on lane 0; the last one lies beyond all time, so that there
    is always a next."""

    def __init__(self, bits: Iterable[int] | Mapping[int, Iterable[int]], first: int = 0) -> None:
        super().__init__({})
        lanes = bits if isinstance(bits, Mapping) else {0: bits}
        self._ahead.extend(sorted((first + bit, lane) for lane, of_lane in lanes.items() for bit in of_lane))
        self._heap = [(1 << 62, 0)]


@frozen
class Echo:
    """What an echo loop saw: received bytes, completions short of `done`, virtual seconds from start to end."""

    received: bytes
    unfinished: int
    seconds: float


class Bench:
    """One open slot and the path of one of its channels."""

    def __init__(
        self, slot: Slot, seed: int, scenario: Scenario | None = None, channel: int = 0, opened: OpenSlot | None = None
    ) -> None:
        self.opened = OpenSlot(slot, seed, bench=scenario) if opened is None else opened
        self.path = DmaPath(self.opened, channel)

    def deadline(self, timeout_s: float = 5.0) -> Deadline:
        return Deadline(timeout_s, self.opened.clock)

    def echo(self, data: bytes, block: int, depth: int = 4, timeout_s: float = 5.0) -> Echo:
        """Send `data` out and back in blocks, at most `depth` at a time; stop at the first empty reap."""
        starts = range(0, len(data), block)
        received = [bytearray(len(data[start : start + block])) for start in starts]
        begin_s = self.opened.clock.now_s()
        submitted = live = unfinished = 0
        while submitted < len(starts) or live:
            while submitted < len(starts) and live < depth:
                start = starts[submitted]
                self.path.submit(submitted, memoryview(data)[start : start + block], memoryview(received[submitted]))
                submitted, live = submitted + 1, live + 1
            done = self.path.reap(self.deadline(timeout_s)) or self.path.quiesce(self.deadline())
            live -= len(done)
            unfinished += sum(completion.status != "done" for completion in done)
            if unfinished:
                break
        return Echo(b"".join(received), unfinished, self.opened.clock.now_s() - begin_s)

    def counts(self, end: str) -> dict[str, int]:
        """Kinds counted at `end` so far and how often, those of zero left out, once the kernel has caught up."""
        self.opened.clock.sleep(1e-4)
        partner = getattr(self.opened.read_errors(), end)
        groups = (partner.correctable, partner.nonfatal, partner.fatal)
        return {name: count.n for group in groups for name, count in group.items() if count.n}


def plain_slot() -> Slot:
    """A healthy slot: 8 GT/s x8, payload 256 bytes."""
    return Slot(
        name="north",
        wiring=8,
        near=Port(max_speed=8.0, max_width=8),
        card=EchoCard(max_speed=8.0, max_width=8, model="echo card", serial="invented"),
    )


def plain_switch(**changes: Any) -> Switch:
    """A healthy switch with a link above it as wide and fast as that of the plain slot."""
    port = plain_slot().near
    return attrs.evolve(Switch(name="hub", wiring=8, near=port, upstream=port), **changes)


def below_a_switch(*names: str, switch: dict[str, Any] | None = None, **changes: Any) -> Scenario:
    """A bench of plain slots of these names, with changes, below a plain switch, with others."""
    slots = tuple(attrs.evolve(plain_slot(), name=name, below="hub", **changes) for name in names)
    return Scenario(
        schema=1,
        name="shared",
        invented="invented",
        description="Slots below a switch.",
        switches=(plain_switch(**(switch or {})),),
        slots=slots,
    )
