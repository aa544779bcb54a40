"""An open slot for the simulator's tests, a plain echo loop over its path, and wrong bits where a test wants them."""

from __future__ import annotations

from collections.abc import Iterable

from attrs import frozen

from laneproof.clock import Deadline
from laneproof_sim.line import ErrorSites
from laneproof_sim.path import DmaPath
from laneproof_sim.scenario import EchoCard, RootPort, Slot
from laneproof_sim.slot import OpenSlot


class Planted(ErrorSites):
    """Errors exactly where a test puts them; the last one lies beyond all time, so that there is always a next."""

    def __init__(self, bits: Iterable[int]) -> None:
        super().__init__({})
        self._ahead.extend(sorted(bits))
        self._heap = [(1 << 62, 0)]


@frozen
class Echo:
    """What an echo loop saw: received bytes, completions short of `done`, virtual seconds from start to end."""

    received: bytes
    unfinished: int
    seconds: float


class Bench:
    """One open slot and its path."""

    def __init__(self, slot: Slot, seed: int) -> None:
        self.opened = OpenSlot(slot, seed)
        self.path = DmaPath(self.opened)

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
        near=RootPort(max_speed=8.0, max_width=8),
        card=EchoCard(max_speed=8.0, max_width=8, model="echo card", serial="invented"),
    )
