"""The card's DMA engine: what moves when, in virtual time.

The card fetches `out` by memory reads into its FIFO and gives it back, in order, by posted writes. It works in
segments of a quarter of the FIFO (64 KiB at most), so that fetching, storing and writing back overlap. Steps are taken
in the order in which they become possible; nothing here waits, and nothing here knows of threads.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from functools import partial

import numpy as np

from laneproof.contract import Completion
from laneproof_sim.card_state import CardState
from laneproof_sim.damage.when import Occasion
from laneproof_sim.disturbances import Disturbances
from laneproof_sim.line import LinkFailed
from laneproof_sim.route import Route
from laneproof_sim.scenario import EchoCard
from laneproof_sim.steady import Flow
from laneproof_sim.temperature import celsius_at
from laneproof_sim.transactions.mishaps import Fetched
from laneproof_sim.transfers import Held, Transfer
from laneproof_sim.truth import Truth

START_S = 1.0e-6
"""From the doorbell to the first request: the card reads its descriptor. An assumption, as are the next two."""
CARD_LATENCY_S = 0.2e-6
"""From the last byte into the card's memory to the first one out."""
DONE_S = 1.0e-6
"""From the last byte to the software that is told of it."""
_MAX_SEGMENT = 64 * 1024


class Engine:
    """One channel's engine. Times are virtual seconds; the engine may have computed ahead of the slot's clock."""

    def __init__(
        self,
        card: EchoCard,
        route: Route,
        state: CardState,
        disturbances: Disturbances,
        truth: Truth | None = None,
    ) -> None:
        self.state = state
        self._route = route
        self._failures = route.links[-1].failures
        self._disturbances = disturbances
        self._undisturbed = not (disturbances or self._failures)
        """Nothing but halts can happen to what passes."""
        self._halting = bool(state.halts)
        self._failed_s = math.inf
        """When a transfer failed, and with it the channel until it is stopped."""
        self._written = 0
        """Messages that have begun to be written back."""
        self._truth = truth
        self._depth = card.fifo
        self._segment = max(1, min(card.fifo // 4, _MAX_SEGMENT))
        self._outs: deque[Transfer] = deque()
        self._intos: deque[Transfer] = deque()
        self._fifo: deque[Held] = deque()
        self._room = self._depth
        self._freed: deque[tuple[float, int]] = deque()
        self._room_s = 0.0
        self._under_way: dict[int, Transfer] = {}
        self._finished: list[tuple[float, int]] = []

    @property
    def tickets(self) -> tuple[int, ...]:
        """Tickets that are out."""
        return tuple(self._under_way)

    def submit(self, ticket: int, out: np.ndarray | None, into: np.ndarray | None, now_s: float) -> None:
        """Queue a transfer; either side is uint8 or None."""
        transfer = Transfer(ticket, out, into, now_s)
        self._under_way[ticket] = transfer
        if out is not None:
            self._outs.append(transfer)
        if into is not None:
            self._intos.append(transfer)

    @property
    def next_completion_s(self) -> float:
        """When the next transfer that is finished is to be told of."""
        return self._finished[0][0] if self._finished else math.inf

    def work(self, until_s: float, *, to_completion: bool = False) -> None:
        """Take every step that starts before `until_s`, or before the next completion if that comes first."""
        while self._under_way:
            ready_s, writing = self.next_step()
            if ready_s >= until_s or (to_completion and ready_s >= self.next_completion_s):
                return
            self.step(ready_s, writing)
            if self._undisturbed:
                self._flow(min(until_s, self.next_completion_s) if to_completion else until_s)

    def deliver(self, until_s: float) -> tuple[float, list[Completion]]:
        """The next completions, and when they are due; none, and `until_s`, where there is none up to then.

        All steps before that must have been taken.
        """
        if self.next_completion_s > until_s:
            return until_s, []
        now_s = self._finished[0][0]
        done: list[Completion] = []
        while self._finished and self._finished[0][0] <= now_s:
            _, ticket = heapq.heappop(self._finished)
            done.append(self._complete(ticket))
        return now_s, done

    def can_go_on(self) -> bool:
        """Whether time alone will bring anything: a step, a completion or the loss of the card."""
        return bool(self._finished) or self.state.lost_s < math.inf or self.next_step()[0] < math.inf

    def next_step(self) -> tuple[float, bool]:
        """When the next step can start, infinite where none can, and whether it writes.

        A request goes before a write, as it is short and awaited.
        """
        fetch_s, write_s = self._fetch_ready(), self._write_ready()
        ready_s = min(fetch_s, write_s)
        if ready_s >= min(self.state.lost_s, self.state.halted_s, self._failed_s):
            return math.inf, False
        return ready_s, write_s < fetch_s

    def step(self, ready_s: float, writing: bool) -> None:
        """Take the step that `next_step` found."""
        if ready_s >= self._failures.next_s:
            self._route.links[-1].degrade(ready_s)
            return
        try:
            if writing:
                self._write_back(ready_s)
            else:
                self._fetch(ready_s)
        except LinkFailed as failure:
            self.state.lose(failure.at_s, returns=True)
            self.state.halted_s = min(self.state.halted_s, ready_s)

    def stop(self, now_s: float) -> tuple[float, list[Completion]]:
        """Stop. What is finished but for its notice is done; the rest is stopped, or failed if the card is lost."""
        done: list[Completion] = []
        while self._finished and self._finished[0][0] <= self.state.lost_s:
            at_s, ticket = heapq.heappop(self._finished)
            now_s = max(now_s, at_s)
            done.append(self._complete(ticket))
        lost = self.state.lost_s <= now_s
        for transfer in self._under_way.values():
            done.append(transfer.completion("failed", "the card is gone") if lost else self._stopped(transfer))
            self._give_back(transfer)
        self._under_way.clear()
        self._finished.clear()
        self._forget()
        return now_s, done

    def _forget(self) -> None:
        """Let go of all that is queued; a channel that failed can be used again."""
        self._outs.clear()
        self._intos.clear()
        self._failed_s = math.inf

    def _give_back(self, transfer: Transfer) -> None:
        """Let go of a transfer's buffer: what the FIFO holds of it becomes the card's own."""
        for held in self._fifo:
            if held.lender is transfer:
                held.data, held.lender = held.data.copy(), None

    def flush(self) -> None:
        """Empty the FIFO, as a data reset does; the engine must have been stopped."""
        self._forget()
        self._fifo.clear()
        self._freed.clear()
        self._room = self._depth
        self._disturbances.delivery.reset()

    @staticmethod
    def _stopped(transfer: Transfer) -> Completion:
        return transfer.completion("stopped", "the engine was stopped before the transfer was finished")

    def _flow(self, until_s: float) -> None:
        """Move whole segments of the transfers under way, up to their last, as far as nothing disturbs them."""
        size, state = self._segment, self.state
        if not self._outs or not self._intos or self._halting or state.lost_s < math.inf:
            return
        source, target = self._outs[0], self._intos[0]
        assert source.out is not None
        assert target.into is not None
        fetches, writes = (len(source.out) - source.sent - 1) // size, (len(target.into) - target.received - 1) // size
        if not (source.sent and target.received and min(fetches, writes) > 2):
            return
        if any(held.last or held.taken or len(held.data) != size for held in self._fifo):
            return
        link = self._route.clean(size)
        if link is None:
            return
        flow = Flow(
            size=size,
            fetches=fetches,
            writes=writes,
            room=self._room,
            room_s=self._room_s,
            freed=self._freed,
            held=deque(held.ready_s for held in self._fifo),
            card_latency_s=CARD_LATENCY_S,
        )
        limit_s = min(until_s, state.halted_s, self._failed_s, self._failures.next_s)
        fetched, written = flow.run(link, limit_s)
        self._room, self._room_s = flow.room, flow.room_s
        state.taken_in += fetched * size
        self._take_along(source, target, fetched, written, flow.held)

    def _take_along(self, source: Transfer, target: Transfer, fetched: int, written: int, held: deque[float]) -> None:
        """Move the data of what was fetched and written back; what the card has still is `held` until then."""
        size, out, into = self._segment, source.out, target.into
        assert out is not None
        assert into is not None
        for _ in range(min(written, len(self._fifo))):
            into[target.received : target.received + size] = self._fifo.popleft().data
            target.received += size
            written -= 1
        straight = written * size
        into[target.received : target.received + straight] = out[source.sent : source.sent + straight]
        target.received += straight
        source.sent += straight
        for ready_s in list(held)[len(self._fifo) :]:
            data = out[source.sent : source.sent + size]
            self._fifo.append(Held(data, source, ready_s, last=False))
            source.sent += size

    def _fetch_ready(self) -> float:
        if not self._outs or self._outs[0].failure:
            return math.inf
        need = self._fetch_size()
        while self._room < need and self._freed:
            self._room_s, nbytes = self._freed.popleft()
            self._room += nbytes
        if need <= 0 or self._room < need:
            return math.inf
        route = self._route
        return max(self._room_s, self._outs[0].submitted_s + START_S, route.from_card_free_s(), route.ask_from_s(need))

    def _fetch_size(self) -> int:
        transfer = self._outs[0]
        assert transfer.out is not None
        size = min(self._segment, len(transfer.out) - transfer.sent)
        if not self._halting:
            return size
        limit = min(self.state.halts.drop_after, self.state.halts.stall_after) - self.state.taken_in
        return int(min(size, limit))

    def _fetch(self, ready_s: float) -> None:
        transfer = self._outs[0]
        assert transfer.out is not None
        if not transfer.sent:
            self._begin(transfer.out, ready_s)
        size = self._fetch_size()
        start_s, end_s = self._route.fetch(ready_s, size)
        data = transfer.out[transfer.sent : transfer.sent + size]
        there_s, lender = end_s, transfer
        if self._disturbances.of_reads:
            data, lender = data.copy(), None
            trip_s = self._route.round_trip_s
            fetched = self._disturbances.read(transfer.sent, data, ready_s, start_s, end_s, trip_s)
            size, there_s, data = fetched.nbytes, fetched.until_s, data[: fetched.nbytes]
            if fetched.failure:
                self._fail(transfer, fetched)
        transfer.sent += size
        self._room -= size
        state = self.state
        state.taken_in += size
        last = transfer.sent == len(transfer.out)
        if size:
            self._fifo.append(Held(data, lender, there_s + CARD_LATENCY_S, last))
        if last:
            self._outs.popleft()
            self._disturbances.channels.fetched(self._disturbances.number, there_s)
            self._half_done(transfer, there_s)
            if not self._outs:
                self._route.end_fetching(end_s)
        if self._halting:
            state.halt(end_s, self._truth)
        if self._failures:
            self._failures.passed(state.taken_in, end_s)

    def _begin(self, out: np.ndarray, at_s: float) -> None:
        """The card begins to fetch a message: what can go wrong with it on the card's side is settled here."""
        self.state.begun += 1
        if self._disturbances or self._halting:
            occasion = self._occasion(self.state.begun, out, at_s)
            self.state.halts.begin(occasion)
            self._disturbances.begin_read(out, at_s, occasion)

    def _occasion(self, number: int, buffer: np.ndarray, at_s: float) -> Occasion:
        return Occasion(
            number=number,
            passed=self.state.taken_in,
            at_s=at_s,
            size=len(buffer),
            address=buffer.ctypes.data,
            depth=len(self._under_way),
            celsius=celsius_at(self.state.temperature, at_s),
        )

    def _fail(self, transfer: Transfer, fetched: Fetched) -> None:
        """A transfer ends before it is done, and the channel stands still until it is stopped."""
        transfer.failure, transfer.done_s = fetched.failure, fetched.until_s
        self._failed_s = fetched.until_s
        heapq.heappush(self._finished, (transfer.done_s + DONE_S, transfer.ticket))

    def _write_ready(self) -> float:
        if not self._intos or not self._fifo:
            return math.inf
        return max(self._fifo[0].ready_s, self._intos[0].submitted_s + START_S, self._route.from_card_free_s())

    def _write_back(self, ready_s: float) -> None:
        transfer, held = self._intos[0], self._fifo[0]
        assert transfer.into is not None
        size = min(len(held.data) - held.taken, len(transfer.into) - transfer.received)
        start_s, end_s = self._route.write(ready_s, size, self.state.lost_s)
        if end_s > self.state.lost_s:  # still under way when the card left, and so is all that would follow
            self.state.halted_s = min(self.state.halted_s, ready_s)
            return
        at = transfer.received
        data = held.data[held.taken : held.taken + size]
        if self._disturbances:
            if not at:
                self._written += 1
                self._disturbances.begin_write(transfer, partial(self._occasion, self._written, transfer.into, start_s))
            data = self._disturbances.written(transfer, data, start_s, end_s)
        transfer.into[at : at + size] = data
        transfer.received += size
        held.taken += size
        self._freed.append((end_s, size))
        emptied = held.taken == len(held.data)
        if emptied:
            self._fifo.popleft()
        if transfer.received == len(transfer.into) or (emptied and held.last):
            self._intos.popleft()
            self._disturbances.end_write(transfer, partial(self._occasion, self._written, transfer.into, end_s))
            self._half_done(transfer, end_s)
            if not self._intos:
                self._route.end_writing(end_s)

    def _complete(self, ticket: int) -> Completion:
        """The completion of a transfer that is done, which is when the faults have had their way with its message."""
        transfer = self._under_way.pop(ticket)
        if transfer.failure:
            self._give_back(transfer)
            return transfer.completion("failed", transfer.failure)
        self._disturbances.complete(transfer, list(self._under_way.values()))
        return transfer.completion("done")

    def _half_done(self, transfer: Transfer, end_s: float) -> None:
        transfer.done_s = max(transfer.done_s, end_s)
        transfer.halves -= 1
        if not transfer.halves:
            self._give_back(transfer)
            heapq.heappush(self._finished, (transfer.done_s + DONE_S, transfer.ticket))
