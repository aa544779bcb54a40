"""One direction of a link in virtual time: packets one after another, bit errors where they fall, replays.

A bit error is a place on the line: lane and bit number, drawn once from the lane's bit error rate by geometric gaps.
What it hits follows from what is on the line at that moment, by the rules of the base specification as the project's
check values have them:

- 8b/10b (to 5 GT/s): any bit, idle included, is a Receiver Error at the receiver (`RxErr`); a packet hit by it is
  dropped in the physical layer, so `BadTLP` and `BadDLLP` are not counted for it.
- 128b/130b: in a packet's body `BadTLP` or `BadDLLP` at the receiver; in a framing token (idle symbols are such), a
  sync header or an ordered set `RxErr`, and the link goes through Recovery.
- A refused TLP is answered with a Nak and sent again from there on; its *sender counts nothing* for that. A Nak that
  is itself hit counts at the TLP's sender, as does the `Timeout` by which the replay then starts. One Nak is all that
  the receiver sends for a packet: refused again, it waits for the sender's `Timeout`. The fourth replay of one packet
  without progress is a `Rollover` at the sender, and the link retrains before it is sent once more.
- A TLP whose start is hit is never seen. The next one shows that it is missing, a `BadTLP` and a Nak for that; after
  the last one of a load nothing does, and it waits for the sender's `Timeout`.
- A lost Ack or flow-control update is made up for by the next; only the last one of a burst leads to a `Timeout`.

Approximated: packets of one load are all of its average size, link packets travel in loads of their own, and with
128b/130b what is hit while a Nak is under way is not counted. The directions are computed load by load: a retrain in
one holds up the other from the load on that has not been computed yet. An idle link receives for `IDLE_S`, then it
sleeps as in L1 and there is nothing to be hit. After `MAX_ROLLOVERS` rollovers over one packet the link goes down.
"""

from __future__ import annotations

import heapq
import math
from bisect import insort
from collections import deque
from collections.abc import Callable
from typing import Literal

from laneproof_sim.chance import Places
from laneproof_sim.kernel import End
from laneproof_sim.packets import DLLP_NBYTES, Kind, LinkTiming, Load

RETRAIN_S = 16e-6
"""Recovery without a change of speed; an assumption, of the order of its training sets."""
IDLE_S = 1e-3
REPLAYS_TO_ROLLOVER = 4
"""REPLAY_NUM has two bits: the fourth replay without progress rolls it over."""
MAX_ROLLOVERS = 8

_TOKEN_NBYTES = {"tlp": 4, "dllp": 2}
_START_SYMBOL_NBYTES = 1
_BLOCK_BITS = 130
_SYNC_HEADER_BITS = 2
_BLOCKS_TO_SKP = 372
_SYMBOLS_TO_SKP = 1359
_SKP_SYMBOLS = 4

Hit = Literal["none", "refused", "lost"]
"""What an error does to the packet it hits: nothing, the receiver refuses it, or the receiver never sees it begin."""

Note = Callable[[float, End, str], None]
"""Takes an error: virtual time, the end that sees it, its short name."""


class LinkFailed(Exception):
    """A packet could not be brought through; the link went down at `at_s`."""

    def __init__(self, at_s: float) -> None:
        super().__init__(at_s)
        self.at_s = at_s


class ErrorSites:
    """Bit errors of one direction by bit number, lanes merged, in order. Bits count from power-on, alike on each lane.

    `repr` of `purpose` and the lane key the chance, so that no lane or direction moves another.
    """

    def __init__(self, lane_rates: dict[int, float], *purpose: object) -> None:
        self._lanes = {lane: Places(rate, *purpose, lane) for lane, rate in lane_rates.items() if rate > 0}
        self._heap = [(places.next, lane) for lane, places in self._lanes.items()]
        heapq.heapify(self._heap)
        self._ahead: deque[int] = deque()
        """Errors already drawn, in order, before those of the heap."""

    def __bool__(self) -> bool:
        return bool(self._heap)

    def peek(self) -> int:
        """The bit number of the next error."""
        return self._ahead[0] if self._ahead else self._heap[0][0]

    def take(self) -> int:
        """Take the next error away and return its bit number."""
        return self._ahead.popleft() if self._ahead else self._draw()

    def skip_to(self, bit: int) -> None:
        """Pass over the errors before `bit`."""
        while self._ahead and self._ahead[0] < bit:
            self._ahead.popleft()
        if self._heap[0][0] < bit:
            for places in self._lanes.values():
                places.skip_to(bit)
            self._heap = [(places.next, lane) for lane, places in self._lanes.items()]
            heapq.heapify(self._heap)

    def claim(self, first: int, last: int) -> int | None:
        """Take away one error from `first` up to `last`, leaving earlier ones; None where there is none."""
        while self._heap[0][0] < last:
            self._ahead.append(self._draw())
        for bit in self._ahead:
            if first <= bit < last:
                self._ahead.remove(bit)
                return bit
        return None

    def _draw(self) -> int:
        bit, lane = self._heap[0]
        places = self._lanes[lane]
        places.advance()
        heapq.heapreplace(self._heap, (places.next, lane))
        return bit


class Line:
    """One direction. `receiver` is the end at which its packets arrive."""

    def __init__(self, timing: LinkTiming, receiver: End, sites: ErrorSites, note: Note) -> None:
        self._timing = timing
        self._receiver: End = receiver
        self._sender: End = "near" if receiver == "far" else "far"
        self._sites = sites
        self._note = note
        self._opposite: Line | None = None
        self._bits_per_s = timing.line_bits_per_s
        self._symbols = timing.speed_gtps <= 5
        self._quiet_s = 0.0
        """When the last load had passed."""
        self._outages: deque[float] = deque()
        """When the other direction began a Recovery that this one has still to sit out."""
        self.free_s = 0.0
        """When the next load can start: the last one has passed, and any Recovery is over."""

    @staticmethod
    def join(first: Line, second: Line) -> None:
        """Make two lines the two directions of one link."""
        first._opposite, second._opposite = second, first

    def begin(self, at_s: float) -> None:
        """The link is up from `at_s` on; errors before that hit nothing."""
        self.free_s = self._quiet_s = at_s
        if self._sites:
            self._sites.skip_to(self._bit(at_s))

    def carry(self, ready_s: float, load: Load) -> tuple[float, float]:
        """Send `load` as soon as it is ready and the line free; return when it starts and when it has arrived.

        Raises LinkFailed.
        """
        start_s = max(ready_s, self.free_s)
        self._idle(start_s)
        start_s = max(start_s, self.free_s)  # an error on the idle line may have sent the link into Recovery
        while self._outages and self._outages[0] <= start_s:
            start_s = max(start_s, self._outages.popleft() + RETRAIN_S)
        work_s = load.nbytes / self._timing.bytes_per_s
        end_s = self._pass_errors(start_s, work_s, load) if self._sites else start_s + work_s
        while self._outages and self._outages[0] < end_s:
            self._outages.popleft()
            end_s += RETRAIN_S
        self.free_s = self._quiet_s = end_s
        return start_s, end_s

    def idle_until(self, at_s: float) -> None:
        """Meet the errors of the idle link to `at_s`, in order of time; no load that starts before is to come."""
        lines = [self] if self._opposite is None else [self, self._opposite]
        while (first := min(lines, key=lambda line: line._idle_hit_s(at_s)))._idle_hit_s(at_s) < math.inf:
            first._meet_idle()
        for line in lines:
            line._idle(at_s)

    def _idle(self, at_s: float) -> None:
        """Meet the errors of this idle direction from the last load to `at_s`."""
        while self._idle_hit_s(at_s) < math.inf:
            self._meet_idle()
        if self._sites and at_s > self.free_s:
            self._sites.skip_to(self._bit(at_s))

    def _idle_hit_s(self, at_s: float) -> float:
        """When the next error before `at_s` falls on the idle line; infinite where none does."""
        if not self._sites or at_s <= self.free_s:
            return math.inf
        self._sites.skip_to(self._bit(self.free_s))
        asleep = self._bit(min(at_s, self._quiet_s + IDLE_S))
        while self._sites.peek() < asleep:
            hit_s = self._sites.peek() / self._bits_per_s
            while self._outages and self._outages[0] + RETRAIN_S <= hit_s:
                self._outages.popleft()
            if not self._outages or hit_s < self._outages[0]:
                return hit_s
            self._sites.skip_to(self._bit(self._outages[0] + RETRAIN_S))
        return math.inf

    def _meet_idle(self) -> None:
        """Count the error that `_idle_hit_s` found."""
        hit_s = self._sites.take() / self._bits_per_s
        self._note(hit_s, self._receiver, "RxErr")
        if not self._symbols:
            self._retrain(hit_s)
            self.free_s = max(self.free_s, hit_s + RETRAIN_S)

    def lose_answer(self, due_s: float) -> bool:
        """Whether an error falls on the one link packet that is due here at `due_s`; it is counted if so.

        Errors that this direction has already passed hit something else and are not looked at.
        """
        if not self._sites:
            return False
        bit = self._sites.claim(self._bit(due_s), self._bit(due_s + DLLP_NBYTES / self._timing.bytes_per_s))
        if bit is None:
            return False
        hit_s = bit / self._bits_per_s
        hit, retrains = self._meet(bit, hit_s, max(0.0, hit_s - due_s), "dllp")
        if retrains:
            insort(self._outages, hit_s)
            self._retrain(hit_s)
        return hit != "none"

    def end_burst(self, at_s: float) -> None:
        """The last packet of a burst arrived at `at_s`: if its Ack is lost, the sender's replay timer runs out."""
        if self._opposite is not None and self._opposite.lose_answer(at_s + self._timing.nak_round_trip_s / 2):
            self._note(at_s + self._timing.replay_timer_s, self._sender, "Timeout")

    def _pass_errors(self, start_s: float, work_s: float, load: Load) -> float:
        """Send packets worth `work_s` from `start_s`; return when the last has arrived intact."""
        unit_s = work_s / load.count
        now_s, done_s = start_s, 0.0  # `done_s` of the work has passed at `now_s`
        blocked, nak_sent, replays, rollovers = -1, False, 0, 0
        while True:
            self._sites.skip_to(self._bit(now_s))
            hit_s = self._sites.peek() / self._bits_per_s
            end_s = now_s + work_s - done_s
            if hit_s >= end_s:
                return end_s
            bit = self._sites.take()
            place_s = done_s + max(0.0, hit_s - now_s)
            packet = min(int(place_s / unit_s), load.count - 1)
            hit, retrains = self._meet(bit, hit_s, place_s - packet * unit_s, load.kind)
            if retrains:
                self._retrain(hit_s)
            elif hit == "none" or load.kind == "dllp":
                continue
            resume_s = hit_s + RETRAIN_S if retrains else now_s + (packet + 1) * unit_s - done_s
            if load.kind == "dllp":  # never sent again, but the rest of the load waits for the link
                now_s, done_s = resume_s, place_s
                continue
            if packet != blocked:
                blocked, nak_sent, replays, rollovers = packet, False, 0, 0
            missed = hit == "lost" and packet + 1 < load.count
            if missed:  # seen by the packet after it
                resume_s += unit_s
                if not nak_sent:
                    self._note(resume_s, self._receiver, "BadTLP")
            seen = hit == "refused" or missed
            resume_s = self._replay_time(resume_s, by_nak=seen and not nak_sent)
            nak_sent = nak_sent or seen
            while self._symbols and self._sites.peek() < self._bit(resume_s):  # the receiver drops it all, and looks on
                self._note(self._sites.take() / self._bits_per_s, self._receiver, "RxErr")
            replays += 1
            if replays == REPLAYS_TO_ROLLOVER:
                self._note(resume_s, self._sender, "Rollover")
                self._retrain(resume_s)
                resume_s += RETRAIN_S
                replays, rollovers = 0, rollovers + 1
                if rollovers == MAX_ROLLOVERS:
                    raise LinkFailed(resume_s)
            now_s, done_s = resume_s, packet * unit_s

    def _meet(self, bit: int, hit_s: float, within_s: float, kind: Kind) -> tuple[Hit, bool]:
        """Count what the receiver sees of an error `within_s` seconds into a packet.

        Returns what becomes of the packet, and whether the link retrains.
        """
        within_nbytes = within_s * self._timing.bytes_per_s
        if self._symbols:
            self._note(hit_s, self._receiver, "RxErr")
            if bit // 10 % _SYMBOLS_TO_SKP < _SKP_SYMBOLS:
                return "none", False
            return "lost" if within_nbytes < _START_SYMBOL_NBYTES else "refused", False
        block, place = divmod(bit, _BLOCK_BITS)
        in_token = within_nbytes < _TOKEN_NBYTES[kind]
        if in_token or place < _SYNC_HEADER_BITS or block % _BLOCKS_TO_SKP == 0:
            self._note(hit_s, self._receiver, "RxErr")
            return "lost" if in_token else "refused", True
        self._note(hit_s, self._receiver, "BadTLP" if kind == "tlp" else "BadDLLP")
        return "refused", False

    def _replay_time(self, passed_s: float, *, by_nak: bool) -> float:
        """When the sender starts again after a packet that was not taken in had passed, at `passed_s`."""
        nak_s = passed_s + self._timing.nak_round_trip_s / 2
        if by_nak and (self._opposite is None or not self._opposite.lose_answer(nak_s)):
            return passed_s + self._timing.nak_round_trip_s
        timeout_s = passed_s + self._timing.replay_timer_s
        self._note(timeout_s, self._sender, "Timeout")
        return timeout_s

    def _retrain(self, at_s: float) -> None:
        """Recovery from `at_s` on holds up the other direction too."""
        other = self._opposite
        if other is None:
            return
        if other.free_s > at_s:
            other.free_s += RETRAIN_S
        else:
            insort(other._outages, at_s)

    def _bit(self, at_s: float) -> int:
        return int(at_s * self._bits_per_s)
