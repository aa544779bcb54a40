"""The card's DMA engine and memory: what moves when, in virtual time, and which bytes end up where.

The card fetches `out` by memory reads into its FIFO and gives it back, in order, by posted writes. It works in
segments of a quarter of the FIFO (64 KiB at most), so that fetching, storing and writing back overlap. Steps are taken
in the order in which they become possible; nothing here waits, and nothing here knows of threads.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Callable
from functools import lru_cache
from typing import Literal

import numpy as np
from attrs import define, field, frozen

from laneproof.contract import Completion
from laneproof_sim.damage.delivery import Delivery
from laneproof_sim.damage.halting import Halts
from laneproof_sim.damage.memory import CardMemory
from laneproof_sim.damage.when import Occasion
from laneproof_sim.line import Line, LinkFailed
from laneproof_sim.packets import LinkTiming, Load
from laneproof_sim.scenario import Slot
from laneproof_sim.truth import Truth

START_S = 1.0e-6
"""From the doorbell to the first request: the card reads its descriptor. An assumption, as are the next three."""
READ_LATENCY_S = 0.6e-6
"""From the last request of a segment to its first completion: the host's memory."""
CARD_LATENCY_S = 0.2e-6
"""From the last byte into the card's memory to the first one out."""
DONE_S = 1.0e-6
"""From the last byte to the software that is told of it."""
_MAX_SEGMENT = 64 * 1024


@define(eq=False)
class _Transfer:
    ticket: int
    out: np.ndarray | None
    into: np.ndarray | None
    submitted_s: float
    sent: int = 0
    received: int = 0
    done_s: float = 0.0
    """When its last step ended."""
    halves: int = field(init=False)
    """Directions still to be finished."""
    before: np.ndarray | None = None
    """What `into` held before, where some fault may want to know."""

    def __attrs_post_init__(self) -> None:
        self.halves = (self.out is not None) + (self.into is not None)

    def completion(self, status: Literal["done", "stopped", "failed"], why: str = "") -> Completion:
        return Completion(ticket=self.ticket, sent=self.sent, received=self.received, status=status, why=why)


@define(eq=False)
class _Held:
    """Bytes in the card's FIFO, readable from `ready_s` on; `last` ends a message.

    While there is a `lender`, they are still in the host's buffer, which is the host's again when that transfer ends.
    """

    data: np.ndarray
    lender: _Transfer | None
    ready_s: float
    last: bool
    taken: int = 0


@frozen(kw_only=True)
class _Loads:
    """What a segment puts on the link, out of the host and back into it."""

    requests: Load
    request_answers: Load
    completions: Load
    completion_acks: Load
    writes: Load
    write_answers: Load

    @classmethod
    def of(cls, timing: LinkTiming, nbytes: int) -> _Loads:
        requests, completions, writes = timing.requests(nbytes), timing.completions(nbytes), timing.writes(nbytes)
        return cls(
            requests=requests,
            request_answers=timing.answers(requests.count),
            completions=completions,
            completion_acks=timing.acks(completions.count),
            writes=writes,
            write_answers=timing.answers(writes.count),
        )


class Engine:
    """One channel's engine. Times are virtual seconds; the engine may have computed ahead of the slot's clock."""

    def __init__(
        self,
        slot: Slot,
        timing: LinkTiming,
        to_card: Line,
        from_card: Line,
        memory: CardMemory,
        halts: Halts,
        delivery: Delivery,
        truth: Truth | None = None,
    ) -> None:
        self._timing = timing
        self._loads = lru_cache(maxsize=64)(lambda nbytes: _Loads.of(timing, nbytes))
        self._to_card = to_card
        self._from_card = from_card
        self._memory = memory
        self._halts = halts
        self._delivery = delivery
        self._truth = truth
        self._begun = 0
        """Messages that the card has begun to fetch."""
        self._depth = slot.card.fifo
        self._segment = max(1, min(slot.card.fifo // 4, _MAX_SEGMENT))
        self._taken_in = 0
        self._halted_s = math.inf
        self._outs: deque[_Transfer] = deque()
        self._intos: deque[_Transfer] = deque()
        self._fifo: deque[_Held] = deque()
        self._room = self._depth
        self._freed: deque[tuple[float, int]] = deque()
        self._room_s = 0.0
        self._under_way: dict[int, _Transfer] = {}
        self._finished: list[tuple[float, int]] = []
        self.lost_s = math.inf
        """When the card leaves its link."""

    @property
    def tickets(self) -> tuple[int, ...]:
        """Tickets that are out."""
        return tuple(self._under_way)

    def submit(self, ticket: int, out: np.ndarray | None, into: np.ndarray | None, now_s: float) -> None:
        """Queue a transfer; either side is uint8 or None."""
        transfer = _Transfer(ticket, out, into, now_s)
        self._under_way[ticket] = transfer
        if out is not None:
            self._outs.append(transfer)
        if into is not None:
            self._intos.append(transfer)

    def run(self, until_s: float) -> tuple[float, list[Completion]]:
        """Work up to the next completion, `until_s` or the loss of the card.

        Returns the virtual time reached and the completions due then, empty where there is none before `until_s`.
        """
        self.work(until_s, to_completion=True)
        if not self._finished or self._finished[0][0] > min(until_s, self.lost_s):
            return min(until_s, self.lost_s), []
        now_s = self._finished[0][0]
        done: list[Completion] = []
        while self._finished and self._finished[0][0] <= now_s:
            _, ticket = heapq.heappop(self._finished)
            done.append(self._complete(ticket))
        return now_s, done

    def work(self, until_s: float, *, to_completion: bool = False) -> None:
        """Take every step that starts before `until_s`, or before the next completion if that comes first."""
        while True:
            completion_s = self._finished[0][0] if to_completion and self._finished else math.inf
            ready_s, step = self._next_step()
            if step is None or ready_s >= min(until_s, completion_s, self.lost_s, self._halted_s):
                return
            try:
                step(ready_s)
            except LinkFailed as failure:
                self.lost_s = failure.at_s
                self._halted_s = min(self._halted_s, ready_s)

    def can_go_on(self) -> bool:
        """Whether time alone will bring anything: a step, a completion or the loss of the card."""
        ready_s, step = self._next_step()
        return bool(self._finished) or self.lost_s < math.inf or (step is not None and ready_s < self._halted_s)

    def stop(self, now_s: float) -> tuple[float, list[Completion]]:
        """Stop. What is finished but for its notice is done; the rest is stopped, or failed if the card is lost."""
        done: list[Completion] = []
        while self._finished and self._finished[0][0] <= self.lost_s:
            at_s, ticket = heapq.heappop(self._finished)
            now_s = max(now_s, at_s)
            done.append(self._complete(ticket))
        lost = self.lost_s <= now_s
        for transfer in self._under_way.values():
            done.append(transfer.completion("failed", "the card is gone") if lost else self._stopped(transfer))
            self._give_back(transfer)
        self._under_way.clear()
        self._finished.clear()
        self._outs.clear()
        self._intos.clear()
        return now_s, done

    def _give_back(self, transfer: _Transfer) -> None:
        """Let go of a transfer's buffer: what the FIFO holds of it becomes the card's own."""
        for held in self._fifo:
            if held.lender is transfer:
                held.data, held.lender = held.data.copy(), None

    def flush(self) -> None:
        """Empty the FIFO, as a data reset does; the engine must have been stopped."""
        self._fifo.clear()
        self._freed.clear()
        self._room = self._depth
        self._delivery.reset()

    @staticmethod
    def _stopped(transfer: _Transfer) -> Completion:
        return transfer.completion("stopped", "the engine was stopped before the transfer was finished")

    def _next_step(self) -> tuple[float, Callable[[float], None] | None]:
        """The step that can start first, and when; a request goes before a write, as it is short and awaited."""
        fetch_s, write_s = self._fetch_ready(), self._write_ready()
        if fetch_s <= write_s:
            return fetch_s, self._fetch if fetch_s < math.inf else None
        return write_s, self._write_back

    def _fetch_ready(self) -> float:
        if not self._outs:
            return math.inf
        need = self._fetch_size()
        while self._room < need and self._freed:
            self._room_s, nbytes = self._freed.popleft()
            self._room += nbytes
        if need <= 0 or self._room < need:
            return math.inf
        # Asked for early enough to follow the segment before without a gap, even if a write is in the way.
        ahead_s = READ_LATENCY_S + 2 * self._loads(need).writes.nbytes / self._timing.bytes_per_s
        due_s = self._to_card.free_s - ahead_s
        return max(self._room_s, self._outs[0].submitted_s + START_S, self._from_card.free_s, due_s)

    def _fetch_size(self) -> int:
        transfer = self._outs[0]
        assert transfer.out is not None
        limit = min(self._halts.drop_after, self._halts.stall_after) - self._taken_in
        return int(min(self._segment, len(transfer.out) - transfer.sent, limit))

    def _fetch(self, ready_s: float) -> None:
        transfer = self._outs[0]
        assert transfer.out is not None
        if not transfer.sent:
            self._begin(transfer.out, ready_s)
        size = self._fetch_size()
        loads = self._loads(size)
        _, asked_s = self._from_card.carry(ready_s, loads.requests)
        self._to_card.carry(asked_s, loads.request_answers)
        self._from_card.carry(asked_s, loads.completion_acks)  # early, so as to leave no gap behind
        _, end_s = self._to_card.carry(asked_s + READ_LATENCY_S, loads.completions)
        data = transfer.out[transfer.sent : transfer.sent + size]
        if self._memory:
            data = data.copy()
            self._memory.pass_through(data, ready_s)
        transfer.sent += size
        self._room -= size
        self._taken_in += size
        last = transfer.sent == len(transfer.out)
        lender = None if self._memory else transfer
        self._fifo.append(_Held(data, lender, end_s + CARD_LATENCY_S, last))
        if last:
            self._outs.popleft()
            self._half_done(transfer, end_s)
            if not self._outs:
                self._to_card.end_burst(end_s)
        if self._taken_in >= self._halts.drop_after:
            self._halt("drop-off", end_s)
            self.lost_s = end_s
        if self._taken_in >= self._halts.stall_after:
            self._halt("stall", end_s)
            self._halted_s = min(self._halted_s, end_s)

    def _begin(self, out: np.ndarray, at_s: float) -> None:
        """The card begins to fetch a message: what can go wrong with it on the card's side is settled here."""
        self._begun += 1
        if self._memory or self._halts:
            occasion = Occasion(
                number=self._begun,
                passed=self._taken_in,
                at_s=at_s,
                size=len(out),
                address=out.ctypes.data,
                depth=len(self._under_way),
            )
            self._memory.begin(occasion)
            self._halts.begin(occasion)

    def _halt(self, kind: str, at_s: float) -> None:
        if self._truth:
            self._truth.acted(at_s, self._begun, kind, after=self._taken_in)

    def _write_ready(self) -> float:
        if not self._intos or not self._fifo:
            return math.inf
        return max(self._fifo[0].ready_s, self._intos[0].submitted_s + START_S, self._from_card.free_s)

    def _write_back(self, ready_s: float) -> None:
        transfer, held = self._intos[0], self._fifo[0]
        assert transfer.into is not None
        size = min(len(held.data) - held.taken, len(transfer.into) - transfer.received)
        loads = self._loads(size)
        start_s, end_s = self._from_card.carry(ready_s, loads.writes)
        if end_s > self.lost_s:  # still under way when the card left, and so is all that would follow
            self._halted_s = min(self._halted_s, ready_s)
            return
        self._to_card.carry(start_s, loads.write_answers)
        at = transfer.received
        if not at and self._delivery:
            transfer.before = transfer.into.copy()
        transfer.into[at : at + size] = held.data[held.taken : held.taken + size]
        transfer.received += size
        held.taken += size
        self._freed.append((end_s, size))
        emptied = held.taken == len(held.data)
        if emptied:
            self._fifo.popleft()
        if transfer.received == len(transfer.into) or (emptied and held.last):
            self._intos.popleft()
            self._half_done(transfer, end_s)
            if not self._intos:
                self._from_card.end_burst(end_s)

    def _complete(self, ticket: int) -> Completion:
        """The completion of a transfer that is done, which is when the faults have had their way with its message."""
        transfer = self._under_way.pop(ticket)
        if transfer.into is not None and transfer.before is not None:
            beside = [other.out for other in self._under_way.values() if other.out is not None]
            transfer.received = self._delivery.arrived(
                transfer.into,
                transfer.received,
                transfer.before,
                at_s=transfer.done_s,
                depth=len(self._under_way) + 1,
                beside=beside,
            )
        return transfer.completion("done")

    def _half_done(self, transfer: _Transfer, end_s: float) -> None:
        transfer.done_s = max(transfer.done_s, end_s)
        transfer.halves -= 1
        if not transfer.halves:
            self._give_back(transfer)
            heapq.heappush(self._finished, (transfer.done_s + DONE_S, transfer.ticket))
