"""A pattern on one link of a test's own, by arithmetic or block by block, with wrong bits where a test wants them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from side_by_side import slot_of
from sim_bench import Planted

from laneproof_sim.fast_forward import FastForward, SitesAhead
from laneproof_sim.kernel import End
from laneproof_sim.line import ErrorSites, Line
from laneproof_sim.loaded_link import LoadedLink
from laneproof_sim.packets import link_timing
from laneproof_sim.pattern_stream import Block, Direction, PatternStream
from laneproof_sim.training import train

Setting = tuple[float, int, int]
"""Speed, width and payload."""
How = Literal["fast", "slow"]
MakeSites = Callable[[End], ErrorSites]


class PlantedAhead(Planted):
    """Wrong bits where a test puts them, that can be taken at once too."""

    def take_before(self, bit: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        taken = []
        while self._ahead and self._ahead[0][0] < bit:
            taken.append(self._ahead.popleft())
        bits, lanes = np.array(taken, np.int64).reshape(-1, 2).T
        return bits, lanes


def planted(**bits: Iterable[int]) -> MakeSites:
    """`planted(far=…, near=…)`: wrong bits on lane 0, by the end at which they arrive."""
    return lambda receiver: PlantedAhead({0: bits.get(receiver, ())})


def by_rate(rate: float, width: int, seed: int) -> MakeSites:
    return lambda receiver: ErrorSites(dict.fromkeys(range(width), rate), seed, receiver)


class PatternLink:
    """What both ends see: `counts` by (end, name), `marks` by (end, lane, parity), `notes` of those told one by one."""

    def __init__(
        self, setting: Setting, direction: Direction, sites: MakeSites, how: How = "fast", start_bit: int = 0
    ) -> None:
        speed, width, payload = setting
        slot = slot_of(speed, width, payload, 512)
        self.timing = link_timing(slot, train(slot))
        self.counts: Counter[tuple[End, str]] = Counter()
        self.marks: set[tuple[End, int, bool]] = set()
        self.notes: list[tuple[float, End, str]] = []
        to_card, from_card = (Line(self.timing, end, sites(end), self.note, self.mark) for end in ("far", "near"))
        Line.join(to_card, from_card)
        self.block = Block.of(self.timing, direction)
        self.start_s = start_bit / self.timing.line_bits_per_s
        self.stream = PatternStream(self.block, to_card, from_card)
        ahead = SitesAhead(sites(self.block.receiver), sites(self.block.sender))
        self.way = FastForward(
            LoadedLink(self.block), self.stream, ahead, self.start_s, self, always_slow=how == "slow"
        )

    def note(self, at_s: float, end: End, name: str) -> None:
        self.notes.append((at_s, end, name))
        self.counts[end, name] += 1

    def count(self, end: End, name: str, n: int) -> None:
        self.counts[end, name] += n

    def mark(self, at_s: float, end: End, lane: int, *, parity: bool) -> None:
        self.marks.add((end, lane, parity))

    def run(self, seconds: float) -> PatternLink:
        self.way.run_until(self.start_s + seconds, lambda: None)
        self.blocks = self.way.blocks(self.start_s + seconds)
        self.lost_s = seconds - self.blocks * self.block.duration_s
        """Within one block."""
        return self
