"""One link at work: two partners that have trained, their registers, the two lines between them, who hears of errors.

A slot has one; a switch has one above it, which the slots below share. What packets pass is a route's business, what
the lines do with them theirs.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from typing import Any

from laneproof_sim.config_space import Function
from laneproof_sim.degradation import BadTraining, Degradation, Degrading
from laneproof_sim.fast_forward import FastForward, SitesAhead
from laneproof_sim.kernel import End, Kernel
from laneproof_sim.line import RETRAIN_S, ErrorSites, Line, LinkFailed
from laneproof_sim.link import HOT_RESET_S, OpenLink
from laneproof_sim.loaded_link import LoadedLink
from laneproof_sim.packets import LinkTiming, link_timing
from laneproof_sim.pattern_engine import PatternRun
from laneproof_sim.pattern_stream import Block, Direction, PatternStream
from laneproof_sim.registers import LinkPartner
from laneproof_sim.scenario import Link
from laneproof_sim.training import Trained, degraded, fall_back, retrain, train
from laneproof_sim.transactions.window import Window


class WorkingLink:
    """A link in L0 and what becomes of it. `payload` is the largest that may be sent over it, in bytes.

    `timing` is what counts for the next packet; nobody keeps a copy of it.
    """

    def __init__(
        self,
        plan: Link,
        trained: Trained,
        near: Function,
        far: Function,
        *,
        seed: int,
        owned: bool,
        above: WorkingLink | None = None,
        failures: Degradation | None = None,
    ) -> None:
        self.plan = plan
        self.trained = trained
        self.near, self.far = LinkPartner(near, trained), LinkPartner(far, trained)
        self.timing = self._timing_of(trained)
        self.kernel = Kernel(self.near, self.far, owned=owned, above=above.kernel if above is not None else None)
        self.states = OpenLink(plan, trained, self.near, self.far)
        self.failures = Degradation((), ()) if failures is None else failures
        """What of it fails in use; before anything that starts at `failures.next_s` or later, call `degrade`."""
        self._seed = seed
        self._lanes = trained.lanes
        """Those in use."""
        self.to_card, self.from_card = self._line("far"), self._line("near")
        Line.join(self.to_card, self.from_card)
        buffer = plan.near.posted_buffer
        self.room_for_writes = None if buffer is None else Window(buffer // self.timing.max_payload)
        """For posted writes, at the near end; None: enough."""
        for line in self.lines:
            line.begin(trained.ready_s)
        self.pattern: PatternRun | None = None
        """What keeps the link loaded, where something does."""
        self.when_failed: list[Callable[[float], None]] = []
        """Who is to be told when a packet could not be brought over it, and the link goes down."""
        self.when_degraded: list[Callable[[float, Degrading | BadTraining], None]] = []
        """Who is to be told when something of it fails in use, or in a training."""

    @property
    def lines(self) -> tuple[Line, Line]:
        """Towards the card, and from it."""
        return self.to_card, self.from_card

    def settle(self, until_s: float) -> None:
        """Bring idle lines, or those that carry a pattern, and states to `until_s`; no packet before is to come."""
        try:
            self.degrade(until_s)
            if self.pattern is None:
                self.to_card.idle_until(until_s)
            else:
                self.pattern.run_until(until_s)
        except LinkFailed as failure:
            self.pattern = None
            self.fail(failure.at_s)
        quiet_s = max(line.quiet_s for line in self.lines) if self.pattern is None else until_s
        self.states.run_until(until_s, quiet_s)

    def stream(self, direction: Direction, start_s: float) -> FastForward:
        """A pattern without end over this link, which the lines can carry from `start_s` on."""
        block = Block.of(self.timing, direction)
        onward, back = (self._sites(receiver) for receiver in (block.receiver, block.sender))
        lines = PatternStream(block, *self.lines)
        return FastForward(LoadedLink(block), lines, SitesAhead(onward, back), start_s, self)

    def stop_pattern(self, now_s: float) -> None:
        """The lines are idle from now on, or once the block under way has passed."""
        self.pattern = None
        for line in self.lines:
            line.begin(max(now_s, line.free_s))

    def retime(self, timing: LinkTiming, at_s: float, outage_s: float, lanes: tuple[int, ...] | None = None) -> None:
        """From `at_s` on the link carries nothing for `outage_s`, and then runs at another speed or width.

        `lanes` are the physical lanes that it still uses; left out, the same as before.
        """
        if self.pattern is not None:
            self.pattern.pause(at_s)
        self.timing = timing
        self._lanes = self._lanes if lanes is None else lanes
        for line in self.lines:
            line.retime(timing, at_s, outage_s, lanes)
        if self.pattern is not None:
            self.pattern.way = self.stream(self.pattern.direction, max(line.free_s for line in self.lines))

    def degrade(self, until_s: float) -> None:
        """What fails up to `until_s` sends the link back, from when its Recovery can begin."""
        while (onset_s := self.failures.next_s) <= until_s:
            self._fall_back(max(onset_s, self.trained.ready_s), self.failures.set_in(onset_s))

    @property
    def reset_s(self) -> float:
        """How long a hot reset takes until the link is up, with its lanes as they are."""
        return RETRAIN_S + HOT_RESET_S + train(degraded(self.plan, self.failures.acting())).ready_s

    def hot_reset(self, at_s: float, passed: int = 0) -> float:
        """Reset from the port above, when so many bytes had passed the card: the link trains anew.

        Return when it is up, infinity where it does not come up.
        """
        self.kernel.forget()
        self.failures.link_reset(at_s, passed)
        detect_s = self.states.reset_from(at_s)
        trained = train(self._as_trained_next(detect_s), detect_s)
        self.far.reset(of_link=True)
        self.far.present = not trained.problem
        if trained.problem:
            self.states.down(trained.ready_s)
            return math.inf
        if (trained.speed_gtps, trained.lanes) != (self.trained.speed_gtps, self.trained.lanes):
            self.retime(self._timing_of(trained), detect_s, 0.0, trained.lanes)
        self.trained = trained
        self.states.retrained(trained)
        for line in self.lines:
            line.begin(trained.ready_s)
        return trained.ready_s

    def retrain(self, at_s: float) -> float:
        """Software has the near port retrain the link; return when it is up, or given up."""
        trained = retrain(self._as_trained_next(at_s), self.trained, at_s, RETRAIN_S)
        self.near.note_retraining()
        if trained.problem or trained.fell_back:
            self._note_receiver_errors(at_s)
        self._follow(trained, at_s)
        return trained.ready_s

    def down(self, at_s: float) -> None:
        """The far partner leaves the link: its registers answer no more, the near port sees its link go down."""
        self.kernel.run_until(at_s)
        self.kernel.forget()
        self.far.present = False
        self.states.down(at_s)
        self.kernel.note(at_s, "near", "SDES")

    def fail(self, at_s: float) -> None:
        """A packet could not be brought over the link, which goes down at `at_s`."""
        for tell in self.when_failed:
            tell(at_s)

    def _fall_back(self, at_s: float, fresh: tuple[Degrading, ...]) -> None:
        self._tell(at_s, fresh)
        trained = fall_back(degraded(self.plan, self.failures.acting()), self.trained, at_s)
        if trained is self.trained:
            return
        if self.pattern is None:
            self.to_card.idle_until(at_s)
        lanes = tuple(failure.lane for failure in fresh if failure.lane in self.trained.lanes)
        self._note_receiver_errors(at_s)
        self._follow(trained, at_s, lanes)

    def _follow(self, trained: Trained, at_s: float, lanes: tuple[int, ...] = ()) -> None:
        """Go where Recovery leads from `at_s` on; `lanes` are those that fail."""
        self.states.fall_back(trained, lanes)
        outage_s = trained.ready_s - at_s
        if trained.problem:
            self.retime(self.timing, at_s, outage_s)
            self.fail(trained.ready_s)
            return
        self.trained = trained
        self.retime(self._timing_of(trained), at_s, outage_s, trained.lanes)

    def _as_trained_next(self, at_s: float) -> Link:
        """The link as the training that begins at `at_s` meets it."""
        unlucky = self.failures.next_training()
        self._tell(at_s, unlucky)
        return degraded(self.plan, (*self.failures.acting(), *unlucky))

    def _tell(self, at_s: float, failures: Iterable[Degrading | BadTraining]) -> None:
        for tell, failure in itertools.product(self.when_degraded, failures):
            tell(at_s, failure)

    def _note_receiver_errors(self, at_s: float) -> None:
        self.kernel.note(at_s, "near", "RxErr")
        self.kernel.note(at_s, "far", "RxErr")

    def _timing_of(self, trained: Trained) -> LinkTiming:
        return link_timing(self.plan, trained, self.near.function.payload)

    # --- what the ends see

    def note(self, at_s: float, end: End, name: str, **more: Any) -> None:
        """An error of that short name."""
        self.kernel.note(at_s, end, name, **more)
        self.states.note_error(at_s, name)

    def count(self, end: End, name: str, n: int) -> None:
        """So many correctable errors, each of which had been handled before the next; of these no log is kept."""
        self.kernel.add_counts(end, "correctable", name, n)

    def mark(self, at_s: float, end: End, lane: int, *, parity: bool) -> None:
        """An error that a receiver lays to a lane."""
        self.kernel.mark_lane(at_s, end, lane, parity=parity)

    def _line(self, receiver: End) -> Line:
        return Line(self.timing, receiver, self._sites(receiver), self.note, self.mark)

    def _sites(self, receiver: End) -> ErrorSites:
        """Where bits are wrong on the way to that end, from power-on."""
        rates = self.plan.bit_error_rate
        by_lane = rates.to_card if receiver == "far" else rates.from_card
        return ErrorSites({lane: by_lane[lane] for lane in self._lanes}, self._seed, self.plan.name, receiver)
