"""One end of the slow model's link: a sender with retry buffer and replay timer, a receiver with Ack and Nak.

The rules are the data link layer's of the base specification, from memory and reviewed against public quotations of it.
Sequence numbers do not wrap here; 12 bits of them would say the same for runs this short.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from slow_wire import BLOCK_SYMBOLS, EDS_TOKEN_NBYTES, SKP_SYMBOLS_8B10B, Sent, Tlp, damage_of, dllp

if TYPE_CHECKING:
    from slow_link import Link

WINDOW = 2048
"""Packets that may be unacknowledged: half of the sequence numbers."""
ARRIVAL, DUE, SEND, SITE = range(4)
"""The order of events at one time: what has gone has gone, then clocks, then the next packet, then what hits it."""


class Port:
    """One end: it sends towards `peer` and judges what comes from there."""

    def __init__(self, name: str, link: Link) -> None:
        self.name, self.link, self.grid = name, link, link.grid
        self.peer: Port
        self.supply: Callable[[], Tlp | None]
        self.deliver: Callable[[Tlp], None]
        # Sender
        self.position = 0  # the first position not used yet
        self.on_wire: deque[Sent] = deque(maxlen=4)
        self.log: list[Sent] = []
        self.retry: deque[tuple[int, Tlp]] = deque()
        self.cursor = 0  # the next of `retry` to send; beyond it, new packets
        self.next_sequence = 0
        self.replay_num = 0
        self.timer_ui: int | None = None
        self.deaf_from_ui: int | None = None  # from here on to the end of Recovery the peer takes in nothing
        self.skp_due = link.skp_positions
        self.kicks: set[int] = set()  # times at which `kick` comes anyway
        # Receiver
        self.expected = 0
        self.nak_scheduled = self.nak_ready = False
        self.due_ui: dict[str, int] = {}  # Ack and UpdateFC
        self.replays = self.packets_replayed = self.duplicates = 0
        self.pieces: list[tuple[int, int, int]] = []
        self.parity: Counter[int] = Counter()  # of each lane, wrong bits in data blocks since it was last compared
        self.skp_sets = 0  # that came since the last Recovery

    # Sending

    def kick(self) -> None:
        """Put the next thing on the wire, if the wire is free."""
        now = self.link.now
        self.kicks.discard(now)
        free_ui = max(self.grid.starts(self.position), self.link.resume_ui)
        if now < free_ui:
            self._kick_at(free_ui)
            return
        start = max(self.position, self.grid.symbol_from(now))
        if start >= self.skp_due:
            self._skip(start)
            return
        sent = self._next(start)
        if sent is None:
            self._kick_at(self.grid.starts(self.skp_due))
            return
        self._put(sent)
        self.link.at(self.grid.gone(sent.end), ARRIVAL, self._gone, sent)

    def _kick_at(self, ui: int) -> None:
        if ui not in self.kicks:
            self.kicks.add(ui)
            self.link.at(ui, SEND, self.kick)

    def _skip(self, start: int) -> None:
        """A SKP ordered set on all lanes; with 128b/130b after an EDS token that ends its block."""
        if self.grid.blocks:
            at = self.grid.block_from(start + EDS_TOKEN_NBYTES)
            self._put(Sent("EDS", at - EDS_TOKEN_NBYTES, at))
            end = at + BLOCK_SYMBOLS * self.grid.width
            self._put(Sent("SKP", at, end))
            self.link.at(self.grid.gone(end), ARRIVAL, self.peer.compare_parity, self.link.retrains)
        else:
            at = self.grid.block_from(start)
            self._put(Sent("SKP", at, at + SKP_SYMBOLS_8B10B * self.grid.width))
        self.skp_due += self.link.skp_positions

    def _put(self, sent: Sent) -> None:
        self.on_wire.append(sent)
        self.log.append(sent)
        self.position = sent.end
        self._kick_at(self.grid.starts(self.position))

    def _next(self, start: int) -> Sent | None:
        if self.nak_ready:
            self.nak_ready = False
            self.due_ui.pop("Ack", None)  # a Nak acknowledges all before it
            return dllp("Nak", start, self.expected - 1)
        for kind, due_ui in sorted(self.due_ui.items()):
            if due_ui <= self.link.now and not (kind == "Ack" and self.nak_scheduled):
                del self.due_ui[kind]
                return dllp(kind, start, self.expected - 1)
        if self.cursor < len(self.retry):
            self.packets_replayed += 1
        elif len(self.retry) < WINDOW and (tlp := self.supply()):
            self.retry.append((self.next_sequence, tlp))
            self.next_sequence += 1
        else:
            return None
        sequence, tlp = self.retry[self.cursor]
        self.cursor += 1
        return Sent(tlp.kind, start, start + tlp.wire_nbytes, sequence, tlp)

    def _gone(self, sent: Sent) -> None:
        """The last symbol of a packet is on its way: the replay timer runs, the peer has it."""
        if sent.tlp is not None and self.timer_ui is None and self.retry and self.retry[0][0] <= (sent.sequence or 0):
            self._start_timer()
        if self.deaf_from_ui is not None and self.grid.gone(sent.end) > self.deaf_from_ui:
            sent.spoil("phy" if self.grid.starts(sent.start) < self.deaf_from_ui else "whole")
        self.peer.receive(sent)

    def _start_timer(self) -> None:
        self.timer_ui = self.link.running_ui() + self.link.replay_ui
        self.link.at(self.timer_ui, DUE, self._timer_ran_out)

    def _timer_ran_out(self) -> None:
        if self.timer_ui == self.link.now:
            self.link.report(self, "Timeout")
            self._replay()

    def _acknowledged(self, sequence: int, nak: bool) -> None:
        progress = False
        while self.retry and self.retry[0][0] <= sequence:
            self.retry.popleft()
            self.cursor = max(0, self.cursor - 1)
            progress = True
        if progress:
            self.replay_num = 0
            self.timer_ui = None
            if self.cursor:
                self._start_timer()
        if nak and self.retry:
            self._replay()

    def _replay(self) -> None:
        """All that is unacknowledged goes again; the fourth time without progress the link retrains first."""
        self.replays += 1
        self.replay_num = (self.replay_num + 1) % 4
        self.cursor = 0
        self.timer_ui = None
        if self.replay_num == 0:
            self.link.report(self, "Rollover")
            self.link.recover(deaf=None)
        self.kick()

    # Receiving

    def receive(self, sent: Sent) -> None:
        if sent.damage == "whole":
            return
        if sent.tlp is not None and sent.sequence is not None:
            self._receive_tlp(sent.tlp, sent.sequence, sent.damage)
        elif sent.damage == "lcrc":
            self.link.report(self, "BadDLLP")
        elif sent.damage is None and sent.sequence is not None and sent.kind in ("Ack", "Nak"):
            ui = self.link.now + self.link.sender_ui
            self.link.at(ui, ARRIVAL, self._acknowledged, sent.sequence, sent.kind == "Nak")

    def _receive_tlp(self, tlp: Tlp, sequence: int, damage: str | None) -> None:
        if damage is not None:
            if damage == "lcrc":
                self.link.report(self, "BadTLP")
            self._schedule_nak()
        elif sequence == self.expected:
            self.expected += 1
            self.nak_scheduled = False
            self._schedule("Ack")
            if tlp.kind != "CplD":  # credits for completions have no end
                self._schedule("UpdateFC-P" if tlp.kind == "MWr" else "UpdateFC-NP")
            if tlp.kind != "MRd":
                self.pieces.append((tlp.item, tlp.offset, tlp.nbytes))
                self.link.last_ui = self.link.now
            self.deliver(tlp)
        elif sequence < self.expected:
            self.duplicates += 1
            self._schedule("Ack")
        elif not self.nak_scheduled:  # one before it is missing, which is reported once (base specification, 3.6.3.1)
            self.link.report(self, "BadTLP")
            self._schedule_nak()

    def _schedule(self, kind: str) -> None:
        if kind not in self.due_ui:
            self.due_ui[kind] = self.link.running_ui() + self.link.ack_ui
            self._kick_at(self.due_ui[kind])
        elif self.due_ui[kind] <= self.link.now:
            self.kick()

    def _schedule_nak(self) -> None:
        if not self.nak_scheduled:
            self.nak_scheduled = True
            self.link.at(self.link.now + self.link.nak_ui, DUE, self._nak_is_ready)

    def _nak_is_ready(self) -> None:
        self.nak_ready = self.nak_scheduled
        self.kick()

    def hit(self, lane: int, ui: int) -> None:
        """A wrong bit on the wire away from this port."""
        position, in_sync_header = self.grid.hit(lane, ui)
        if ui < self.link.resume_ui and (self.deaf_from_ui is None or ui >= self.deaf_from_ui):
            return  # a training sequence
        struck = next((sent for sent in self.on_wire if sent.start <= position < sent.end), None)
        damage = damage_of(self.grid.blocks, struck, position, in_sync_header)
        if self.grid.blocks and (in_sync_header or (struck is not None and struck.kind == "SKP")):
            self.link.mark(self.peer, lane, parity=False)
        elif self.grid.blocks:
            self.peer.parity[lane] += 1
        if struck is not None and damage.packet is not None:
            struck.spoil(damage.packet)
        if damage.rx_error:
            self.link.report(self.peer, "RxErr")
        if damage.retrain:
            self.link.recover(deaf=self)

    def compare_parity(self, retrains: int) -> None:
        """A SKP ordered set has come. To 8 GT/s each holds the parity of what came before it, above that every second,
        the Control SKP ordered set; a new data stream, as after a Recovery, begins anew (base specification, 4.2.8.2).
        """
        if retrains != self.link.retrains or self.link.now < self.link.resume_ui:
            return
        self.skp_sets += 1
        if self.grid.speed_gtps > 8 and self.skp_sets % 2:
            return
        for lane, wrong in self.parity.items():
            if wrong % 2:
                self.link.mark(self, lane, parity=True)
        self.parity.clear()

    def pause(self, resume_ui: int, deaf: bool) -> None:
        """Recovery: a packet begun is sent to its end, then nothing until `resume_ui`; clocks stand still meanwhile."""
        now = self.link.now
        self.deaf_from_ui = now if deaf else max(now, self.grid.gone(self.position))
        held_ui = resume_ui - now
        if self.timer_ui is not None:
            self.timer_ui += held_ui
            self.link.at(self.timer_ui, DUE, self._timer_ran_out)
        self.due_ui = {kind: due_ui + held_ui for kind, due_ui in self.due_ui.items()}
        for ui in {resume_ui, *self.due_ui.values()}:
            self._kick_at(ui)
        self.link.at(resume_ui, ARRIVAL, self._resume)

    def _resume(self) -> None:
        if self.link.now >= self.link.resume_ui:
            self.deaf_from_ui = None
            self.skp_sets = 0
            self.parity.clear()
            self.position = max(self.position, self.grid.block_from(self.grid.symbol_from(self.link.now)))
            self.skp_due = self.position + self.link.skp_positions
