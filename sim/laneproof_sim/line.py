"""One direction of a link in virtual time: packets one after another, bit errors where they fall, replays.

A bit error is a place on the line: lane and bit number, drawn once from the lane's bit error rate by geometric gaps.
What it hits follows from what is on the line at that moment, by the rules of the base specification as the project's
check values have them, those on Naks and lost packets from a public copy of its 3.6.3.1:

- 8b/10b (to 5 GT/s): any bit, idle included, is a Receiver Error at the receiver (`RxErr`); a packet hit by it is
  dropped in the physical layer, so `BadTLP` and `BadDLLP` are not counted for it.
- 128b/130b: in a packet's body `BadTLP` or `BadDLLP` at the receiver; in a framing token (idle symbols are such), a
  sync header or an ordered set `RxErr`, and the link goes through Recovery. What names a lane is in `lane_status`.
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

import numpy as np
from numpy.typing import NDArray

from laneproof_sim.chance import Places
from laneproof_sim.kernel import End
from laneproof_sim.lane_status import LaneStatus, Mark, Site, breaks_block
from laneproof_sim.packets import DLLP_NBYTES, Kind, LinkTiming, Load

RETRAIN_S = 16e-6
"""Recovery without a change of speed; an assumption, of the order of its training sets."""
IDLE_S = 1e-3
REPLAYS_TO_ROLLOVER = 4
"""REPLAY_NUM has two bits to revision 5.0. In 6.x it has three and counts by two outside FLIT mode, which rolls it over
by the fourth replay without progress as well (base specification, 3.6.2.1, from a public copy)."""
MAX_ROLLOVERS = 8

TOKEN_NBYTES = {"tlp": 4, "dllp": 2}
START_SYMBOL_NBYTES = 1
SYMBOLS_TO_SKP = 1359
SKP_SYMBOLS = 4

Hit = Literal["none", "refused", "lost"]
"""What an error does to the packet it hits: nothing, the receiver refuses it, or the receiver never sees it begin."""

Note = Callable[[float, End, str], None]
"""Takes an error: virtual time, the end that sees it, its short name."""


def _unmarked(at_s: float, end: End, lane: int, *, parity: bool) -> None:
    """Where nobody looks at lanes."""


class LinkFailed(Exception):
    """A packet could not be brought through; the link went down at `at_s`."""

    def __init__(self, at_s: float) -> None:
        super().__init__(at_s)
        self.at_s = at_s


class ErrorSites:
    """Bit errors of one direction as bit number and lane, lanes merged, in order.

    Bits count from power-on, alike on each lane. `repr` of `purpose` and the lane key the chance, so that no lane or
    direction moves another.
    """

    def __init__(self, lane_rates: dict[int, float], *purpose: object) -> None:
        self._all = {lane: Places(rate, *purpose, lane) for lane, rate in lane_rates.items() if rate > 0}
        self._lanes = dict(self._all)
        self._heap = [(places.next, lane) for lane, places in self._lanes.items()]
        heapq.heapify(self._heap)
        self._ahead: deque[tuple[int, int]] = deque()
        """Errors already drawn, in order, before those of the heap."""

    def __bool__(self) -> bool:
        return bool(self._heap)

    def peek(self) -> int:
        """The bit number of the next error."""
        return self._ahead[0][0] if self._ahead else self._heap[0][0]

    def take(self) -> tuple[int, int]:
        """Take the next error away and return its bit number and lane."""
        return self._ahead.popleft() if self._ahead else self._draw()

    def skip_to(self, bit: int) -> None:
        """Pass over the errors before `bit`."""
        while self._ahead and self._ahead[0][0] < bit:
            self._ahead.popleft()
        if self._heap[0][0] < bit:
            for places in self._lanes.values():
                places.skip_to(bit)
            self._heap = [(places.next, lane) for lane, places in self._lanes.items()]
            heapq.heapify(self._heap)

    def take_before(self, bit: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Take away all errors before `bit` at once: their bit numbers in order, and the lane of each.

        None must have been claimed.
        """
        nothing = np.empty(0, np.int64)
        taken = [(places.take_before(bit), lane) for lane, places in self._lanes.items()]
        self._heap = [(places.next, lane) for lane, places in self._lanes.items()]
        heapq.heapify(self._heap)
        bits = np.concatenate([nothing, *(bits for bits, _ in taken)])
        lanes = np.concatenate([nothing, *(np.full(bits.size, lane) for bits, lane in taken)])
        order = np.argsort(bits, kind="stable")
        return bits[order], lanes[order]

    def keep(self, lanes: tuple[int, ...]) -> None:
        """Leave out the lanes that are not in use, and take up again those that are."""
        self._lanes = {lane: places for lane, places in self._all.items() if lane in lanes}
        self._heap = [(places.next, lane) for lane, places in self._lanes.items()]
        heapq.heapify(self._heap)

    def claim(self, first: int, last: int) -> tuple[int, int] | None:
        """Take away one error from `first` up to `last`, leaving earlier ones; None where there is none."""
        while self._heap[0][0] < last:
            self._ahead.append(self._draw())
        for site in self._ahead:
            if first <= site[0] < last:
                self._ahead.remove(site)
                return site
        return None

    def _draw(self) -> tuple[int, int]:
        bit, lane = self._heap[0]
        places = self._lanes[lane]
        places.advance()
        heapq.heapreplace(self._heap, (places.next, lane))
        return bit, lane


class Line:
    """One direction. `receiver` is the end at which its packets arrive."""

    def __init__(
        self, timing: LinkTiming, receiver: End, sites: ErrorSites, note: Note, mark: Mark | None = None
    ) -> None:
        self._timing = timing
        self._receiver: End = receiver
        self._sender: End = "near" if receiver == "far" else "far"
        self._sites = sites
        self._note = note
        self._mark = _unmarked if mark is None else mark
        self._opposite: Line | None = None
        self._bits_per_s = timing.line_bits_per_s
        self._symbols = timing.speed_gtps <= 5
        self._timed_s, self._timed_bit = 0.0, 0
        """Since when bits come at this rate, and which was the first."""
        self.lane_status = self._fresh_lane_status()
        self.quiet_s = 0.0
        """When the last load had passed."""
        self._outages: deque[float] = deque()
        """When the other direction began a Recovery that this one has still to sit out."""
        self.free_s = 0.0
        """When the next load can start: the last one has passed, and any Recovery is over."""

    @property
    def next_error_s(self) -> float:
        """When the next error falls that this direction has not passed; infinite where none will."""
        return self.time_of(self._sites.peek()) if self._sites else math.inf

    @staticmethod
    def join(first: Line, second: Line) -> None:
        """Make two lines the two directions of one link."""
        first._opposite, second._opposite = second, first

    def begin(self, at_s: float) -> None:
        """The link is up from `at_s` on; errors before that hit nothing."""
        self.free_s = self.quiet_s = at_s
        self.lane_status = self._fresh_lane_status()
        if self._sites:
            self._sites.skip_to(self.bit_at(at_s))

    def retime(self, timing: LinkTiming, at_s: float, outage_s: float, lanes: tuple[int, ...] | None) -> None:
        """Carry nothing for `outage_s` from `at_s` on, and from then on run like that, on those lanes alone if given.

        What is under way at that moment passes first as it was.
        """
        self.lane_status.compare_before(self.bit_at(at_s))
        self._timed_s, self._timed_bit = at_s, self.bit_at(at_s)
        self._timing = timing
        self._bits_per_s = timing.line_bits_per_s
        self._symbols = timing.speed_gtps <= 5
        self.lane_status = self._fresh_lane_status()
        self.free_s = max(self.free_s, at_s) + outage_s
        if lanes is not None:
            self._sites.keep(lanes)

    def carry(self, ready_s: float, load: Load) -> tuple[float, float]:
        """Send `load` as soon as it is ready and the line free; return when it starts and when it has arrived.

        Raises LinkFailed.
        """
        start_s = max(ready_s, self.free_s)
        if not self._outages and not self._sites:
            self.free_s = self.quiet_s = end_s = start_s + load.nbytes / self._timing.bytes_per_s
            return start_s, end_s
        self._idle(start_s)
        start_s = max(start_s, self.free_s)  # an error on the idle line may have sent the link into Recovery
        while self._outages and self._outages[0] <= start_s:
            start_s = max(start_s, self._outages.popleft() + RETRAIN_S)
        work_s = load.nbytes / self._timing.bytes_per_s
        end_s = self._pass_errors(start_s, work_s, load) if self._sites else start_s + work_s
        while self._outages and self._outages[0] < end_s:
            self._outages.popleft()
            end_s += RETRAIN_S
        self.free_s = self.quiet_s = end_s
        return start_s, end_s

    @property
    def clean(self) -> bool:
        """Whether nothing can disturb this direction: no wrong bits, and no Recovery to sit out."""
        return not self._outages and not self._sites

    def passed(self, at_s: float) -> None:
        """The last load had passed at `at_s`."""
        self.free_s = self.quiet_s = at_s

    def idle_until(self, at_s: float) -> None:
        """Meet the errors of the idle link to `at_s`, in order of time; no load that starts before is to come."""
        lines = [self] if self._opposite is None else [self, self._opposite]
        while (first := min(lines, key=lambda line: line._idle_hit_s(at_s)))._idle_hit_s(at_s) < math.inf:
            first._meet_idle()
        for line in lines:
            line._idle(at_s)
            line.lane_status.compare_before(line.bit_at(at_s))

    def _idle(self, at_s: float) -> None:
        """Meet the errors of this idle direction from the last load to `at_s`."""
        while self._idle_hit_s(at_s) < math.inf:
            self._meet_idle()
        if self._sites and at_s > self.free_s:
            self._sites.skip_to(self.bit_at(at_s))

    def _idle_hit_s(self, at_s: float) -> float:
        """When the next error before `at_s` falls on the idle line; infinite where none does."""
        if not self._sites or at_s <= self.free_s:
            return math.inf
        self._sites.skip_to(self.bit_at(self.free_s))
        asleep = self.bit_at(min(at_s, self.quiet_s + IDLE_S))
        while self._sites.peek() < asleep:
            hit_s = self.time_of(self._sites.peek())
            while self._outages and self._outages[0] + RETRAIN_S <= hit_s:
                self._outages.popleft()
            if not self._outages or hit_s < self._outages[0]:
                return hit_s
            self._sites.skip_to(self.bit_at(self._outages[0] + RETRAIN_S))
        return math.inf

    def _meet_idle(self) -> None:
        """Count the error that `_idle_hit_s` found."""
        bit, lane = self._sites.take()
        hit_s = self.time_of(bit)
        self._note(hit_s, self._receiver, "RxErr")
        if not self._symbols:
            if breaks_block(bit):
                self.lane_status.meet((bit, lane))
            self._retrain(hit_s)
            self.free_s = max(self.free_s, hit_s + RETRAIN_S)

    def lose_answer(self, due_s: float) -> bool:
        """Whether an error falls on the one link packet that is due here at `due_s`; it is counted if so.

        Errors that this direction has already passed hit something else and are not looked at.
        """
        if not self._sites:
            return False
        site = self._sites.claim(self.bit_at(due_s), self.bit_at(due_s + DLLP_NBYTES / self._timing.bytes_per_s))
        if site is None:
            return False
        hit_s = self.time_of(site[0])
        hit, retrains = self._meet(site, hit_s, max(0.0, hit_s - due_s), "dllp")
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
            self._sites.skip_to(self.bit_at(now_s))
            hit_s = self.time_of(self._sites.peek())
            end_s = now_s + work_s - done_s
            if hit_s >= end_s:
                return end_s
            site = self._sites.take()
            place_s = done_s + max(0.0, hit_s - now_s)
            packet = min(int(place_s / unit_s), load.count - 1)
            hit, retrains = self._meet(site, hit_s, place_s - packet * unit_s, load.kind)
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
            while not retrains and self._sites.peek() < self.bit_at(resume_s):  # the receiver drops it all and looks on
                site = self._sites.take()
                if self._symbols:
                    self._note(self.time_of(site[0]), self._receiver, "RxErr")
                elif not breaks_block(site[0]):
                    self.lane_status.meet(site)
            replays += 1
            if replays == REPLAYS_TO_ROLLOVER:
                self._note(resume_s, self._sender, "Rollover")
                self._retrain(resume_s)
                resume_s += RETRAIN_S
                replays, rollovers = 0, rollovers + 1
                if rollovers == MAX_ROLLOVERS:
                    raise LinkFailed(resume_s)
            now_s, done_s = resume_s, packet * unit_s

    def _meet(self, site: Site, hit_s: float, within_s: float, kind: Kind) -> tuple[Hit, bool]:
        """Count what the receiver sees of an error `within_s` seconds into a packet.

        Returns what becomes of the packet, and whether the link retrains.
        """
        bit = site[0]
        within_nbytes = within_s * self._timing.bytes_per_s
        if self._symbols:
            self._note(hit_s, self._receiver, "RxErr")
            if bit // 10 % SYMBOLS_TO_SKP < SKP_SYMBOLS:
                return "none", False
            return "lost" if within_nbytes < START_SYMBOL_NBYTES else "refused", False
        in_token, broken = within_nbytes < TOKEN_NBYTES[kind], breaks_block(bit)
        if broken or not in_token:
            self.lane_status.meet(site)
        if in_token or broken:
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
        self.lane_status.recover(self.bit_at(at_s))
        other = self._opposite
        if other is None:
            return
        other.lane_status.recover(other.bit_at(at_s))
        if other.free_s > at_s:
            other.free_s += RETRAIN_S
        else:
            insort(other._outages, at_s)

    def _fresh_lane_status(self) -> LaneStatus:
        return LaneStatus(self._timing.speed_gtps, self._receiver, self._mark, self.time_of)

    def bit_at(self, at_s: float) -> int:
        """The number of the bit that is under way at that time, as the error sites count them."""
        return int(self._timed_bit + (at_s - self._timed_s) * self._bits_per_s)

    def time_of(self, bit: float) -> float:
        """When that bit is under way; a whole number is its beginning."""
        return self._timed_s + (bit - self._timed_bit) / self._bits_per_s
