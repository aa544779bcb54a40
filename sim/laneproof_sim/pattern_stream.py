"""A pattern without end on a link: what each block of it puts on both directions, and how the lines carry it.

To the card: the card reads the host's memory, asking `BLOCKS_AHEAD` ahead, and completions carry the pattern. From the
card: posted writes carry it. Blocks follow each other without a gap, so the direction of the pattern is always loaded;
the other one carries what answers it, and is idle between. What a checker makes of the pattern is in `pattern_engine`,
the arithmetic that passes over stretches without errors in `fast_forward`.
"""

from __future__ import annotations

from collections import deque
from typing import Literal

from attrs import frozen

from laneproof_sim.kernel import End
from laneproof_sim.line import Line
from laneproof_sim.packets import Answers, LinkTiming, Load
from laneproof_sim.scenario import DEFAULT_READ_LATENCY

Direction = Literal["to_card", "from_card"]

BLOCK_NBYTES = 64 * 1024
BLOCKS_AHEAD = 3
"""What the card has room for beyond the block that arrives, with a memory of four blocks."""
HOST_LATENCY_S = float(DEFAULT_READ_LATENCY)
"""From the last request of a block to its first completion. A slower host is asked further ahead, at no cost."""


@frozen(kw_only=True)
class Block:
    """What one block of a pattern puts on the link, in the order in which it is sent."""

    timing: LinkTiming
    direction: Direction
    onward: tuple[Load, ...]
    """Sent in the direction of the pattern, which the last of these carry."""
    back: tuple[Load, ...]
    """Sent in the other one, which is idle for the rest of the time."""

    @classmethod
    def of(cls, timing: LinkTiming, direction: Direction) -> Block:
        answers = Answers(timing)
        if direction == "from_card":
            writes = timing.writes(BLOCK_NBYTES)
            updates = answers.to_writes(writes.count, 0.0, writes.nbytes / timing.bytes_per_s)
            return cls(timing=timing, direction=direction, onward=(writes,), back=(updates,))
        requests, completions = timing.requests(BLOCK_NBYTES), timing.completions(BLOCK_NBYTES)
        span_s = completions.nbytes / timing.bytes_per_s
        updates = answers.to_requests(requests.count, 0.0, span_s)
        acks = answers.to_completions(completions.count, 0.0, span_s)
        return cls(timing=timing, direction=direction, onward=(updates, completions), back=(requests, acks))

    @property
    def duration_s(self) -> float:
        """Of a block without errors."""
        return sum(load.nbytes for load in self.onward) / self.timing.bytes_per_s

    @property
    def slack_s(self) -> float:
        """How late the requests for a block may come without holding it up."""
        before_s = sum(load.nbytes for load in self.onward[:-1]) / self.timing.bytes_per_s
        asking_s = self.back[0].nbytes / self.timing.bytes_per_s + HOST_LATENCY_S
        return BLOCKS_AHEAD * self.duration_s + before_s - asking_s

    @property
    def receiver(self) -> End:
        """The end at which the pattern arrives."""
        return "far" if self.direction == "to_card" else "near"

    @property
    def sender(self) -> End:
        return "near" if self.direction == "to_card" else "far"


class PatternStream:
    """Carries blocks over the two lines of a link, one after another, by the lines' own rules."""

    def __init__(self, block: Block, to_card: Line, from_card: Line) -> None:
        self._block = block
        self._onward, self._back = (to_card, from_card) if block.direction == "to_card" else (from_card, to_card)
        self._asked_s: deque[float] = deque()
        """When the requests for the blocks to come had reached the host."""

    def begin(self, at_s: float) -> None:
        """The stream is under way at `at_s`, between two blocks; what was wrong before hit nothing."""
        for line in (self._onward, self._back):
            line.begin(at_s)
        self._asked_s = deque([at_s - HOST_LATENCY_S] * BLOCKS_AHEAD)

    @property
    def next_s(self) -> float:
        """When the next block begins."""
        return self._onward.free_s

    def carry(self) -> float:
        """Carry the next block and what answers it; return when it has arrived. Raises LinkFailed."""
        block, onward, back = self._block, self._onward, self._back
        if block.direction == "from_card":
            start_s, end_s = onward.carry(self.next_s, block.onward[0])
            back.carry(start_s, block.back[0])
        else:
            answers, completions = block.onward
            requests, acks = block.back
            start_s, _ = onward.carry(self.next_s, answers)
            _, asked_s = back.carry(start_s, requests)
            self._asked_s.append(asked_s)
            back.carry(start_s, acks)
            _, end_s = onward.carry(self._asked_s.popleft() + HOST_LATENCY_S, completions)
        self._compare_lanes(start_s)
        return end_s

    def quiet_until(self, at_s: float) -> bool:
        """Whether all is as it was at `begin`, and no error up to `at_s` is still to be met; if so, lanes are told."""
        now_s = self.next_s
        quiet = (
            self._back.free_s <= now_s
            and all(asked_s <= now_s for asked_s in self._asked_s)
            and min(self._onward.next_error_s, self._back.next_error_s) > at_s
        )
        if quiet:
            self._compare_lanes(at_s)
        return quiet

    def _compare_lanes(self, at_s: float) -> None:
        """Neither direction will meet anything more before `at_s`."""
        for line in (self._onward, self._back):
            line.lane_status.compare_before(self.bit_at(at_s))

    def bit_at(self, at_s: float) -> int:
        """The number of the bit that is under way on each lane."""
        return self._onward.bit_at(at_s)

    def time_of(self, bit: float) -> float:
        """When that bit is under way; a whole number is its beginning."""
        return self._onward.time_of(bit)
