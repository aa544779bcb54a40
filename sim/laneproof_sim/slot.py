"""One slot at work: link, channels and clock of an open card, put together behind the lock of its hierarchy.

Everything that the outside sees of a slot but its transfers goes through here: readings, resets, close. Transfers are
in `open_channel`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import NoReturn, TypeVar

from laneproof.contract import ResetLevel
from laneproof.errors import CannotOpen, DeviceLost, DriverFault, EndpointBusy, EndpointClosed
from laneproof.readings import Conditions, ErrorReading, LinkReading, Sensor, Unavailable
from laneproof_sim import packets, resetting, topology
from laneproof_sim.branch import Branch
from laneproof_sim.card_state import CardState
from laneproof_sim.damage.channels import Channels
from laneproof_sim.damage.halting import Halts, SwitchedOff
from laneproof_sim.damage.host import HostCounts
from laneproof_sim.degradation import Degradation
from laneproof_sim.disturbances import Disturbances
from laneproof_sim.engine import Engine
from laneproof_sim.faults import Absent
from laneproof_sim.hierarchy import Participant
from laneproof_sim.kernel import End
from laneproof_sim.observing import NOT_OBSERVABLE, condition, decoded, sensors, slot_power_w, why_uncounted
from laneproof_sim.open_channel import OpenChannel
from laneproof_sim.registers import LinkPartner
from laneproof_sim.route import Route
from laneproof_sim.scenario import Scenario, Slot
from laneproof_sim.training import NO_RECEIVER, Change, degraded, train
from laneproof_sim.truth import Truth
from laneproof_sim.virtual_clock import VirtualClock
from laneproof_sim.working_link import WorkingLink

SETTLE_S = 0.1
"""What software allows a card after a reset before it speaks to it (base specification, from memory)."""

_T = TypeVar("_T")
_SWITCH_GONE = "the port's configuration space reads all ones: the link above its switch is down"
_GONE = "the card's configuration space reads all ones, its vendor id FFFF: no card answers"
_SILENT = "no card answers"
_NOT_READY = "the card's vendor id reads 0001: it is not ready yet after a reset"


class OpenSlot:
    """A powered slot whose link has trained. Raises CannotOpen where it does not. Safe to use from several threads.

    `bench` says what else is below its root port; without it the slot is alone there. `truth`, if given, is told what
    the slot's faults do, and closed with the slot.
    """

    def __init__(self, slot: Slot, seed: int, truth: Truth | None = None, bench: Scenario | None = None) -> None:
        self.slot = slot
        self.seed = seed
        self._truth = truth
        self.clock = VirtualClock()
        self._lost = self._closed = False
        self._branch = Branch.of(slot, bench, seed)
        self.hierarchy = self._branch.hierarchy
        self.changed = self.hierarchy.changed
        """Held while the slot is used; notified when a transfer is queued."""
        with self.changed:
            try:
                self._power_on(bench)
            except BaseException:
                self._branch.leave(slot)
                raise

    def _power_on(self, bench: Scenario | None) -> None:
        slot, above = self.slot, self._branch.link
        failures = Degradation(slot.faults, slot.temperature, self.seed, slot.name)
        for fault in (unlucky := failures.next_training()):
            self._tell(self.hierarchy.now_s, fault.kind, lane=fault.lane)
        trained = train(degraded(slot, unlucky), self.hierarchy.now_s)
        halts = Halts(slot.faults, self.seed, slot.name)
        if trained.problem or halts.switched_off_s <= trained.ready_s:
            self._refuse(trained.problem or NO_RECEIVER)
        near, far = topology.of_slot(slot, bench)
        owned = slot.errors_owned_by == "kernel"
        self.link = WorkingLink(slot, trained, near, far, seed=self.seed, owned=owned, above=above, failures=failures)
        links = (self.link,) if above is None else (above, self.link)
        self._route = Route.over(links, slot.card, packets.ECRC_NBYTES if slot.ecrc else 0)
        self._card = CardState(halts, slot.temperature, lost_s=halts.switched_off_s)
        self._host = HostCounts(slot.faults)
        if above is not None:
            above.when_failed.append(self._card.lose)
        self.link.when_failed.append(partial(self._card.lose, returns=True))
        self.link.when_degraded.append(lambda at_s, one: self._tell(at_s, one.kind, lane=one.lane))
        # The computer was there before whoever opens the slot: an idle link has gone to its lower speed.
        self.clock.advance_to(max(link.states.settled_s for link in links))
        between, numbers = Channels(slot.faults, slot.card.channels), range(slot.card.channels)
        self.channels = tuple(OpenChannel(self, f"dma{number}", self._engine_of(number, between)) for number in numbers)
        for channel in self.channels:
            self.hierarchy.join(channel.participant)
        self._branch.enter(self)
        for fault in self._card.halts.reached(0):
            self._tell(0.0, fault.kind)

    def _refuse(self, problem: str) -> NoReturn:
        for fault in self.slot.faults:
            if isinstance(fault, Absent | SwitchedOff):
                self._tell(0.0, fault.kind)
        raise CannotOpen(f"slot {self.slot.name}: {problem}; check that the card is seated and powered, and the riser")

    def _engine_of(self, number: int, between: Channels) -> Engine:
        switch = self._branch.switch
        disturbances = Disturbances.of(
            self.slot, self.seed, number, self._route, switch, self._host, between, self._truth
        )
        return Engine(self.slot.card, self._route, self._card, disturbances, self._truth)

    @property
    def near(self) -> LinkPartner:
        """The port above the slot."""
        return self.link.near

    @property
    def far(self) -> LinkPartner:
        """The card."""
        return self.link.far

    @property
    def echo_bytes_per_s(self) -> float:
        """Payload per second, out and back at once, that a long transfer has while nobody else uses the route."""
        return self._route.echo_bytes_per_s

    @property
    def history(self) -> tuple[Change, ...]:
        """The states that the link has been in so far, in virtual seconds."""
        with self.changed:
            self._settle()
            return self.link.states.history

    # --- resets

    def flush(self) -> None:
        """Empty the card's memory, as a data reset does.

        Raises EndpointBusy, DeviceLost, DriverFault for a card that is not ready after another reset, EndpointClosed.
        """
        with self.changed:
            self.require_card()
            self._flush(ResetLevel.DATA)

    def reset_function(self, within_s: float = math.inf) -> None:
        """A function level reset, and the card set up again by its driver.

        Raises as `flush` does, and DriverFault where `within_s` is too short: before anything is reset, or for a card
        that is not ready by then.
        """
        with self.changed:
            self.require_card()
            self._require_time(SETTLE_S, within_s)
            self._flush(ResetLevel.FUNCTION)
            saved = self.far.saved()
            self.far.reset(of_link=False)
            self._set_up(ResetLevel.FUNCTION, saved, self.clock.now_s() + SETTLE_S, within_s)

    def reset_link(self, within_s: float = math.inf) -> None:
        """A hot reset from the port above: the link trains anew, the operating system sets the card up again.

        The link is taken down on purpose, which is no Surprise Down. Raises as `reset_function` does, though not
        DeviceLost for a card that this brings back.
        """
        with self.changed:
            self._settle()
            if not (self._lost and self._card.returns):
                self.require_card()
            self._require_time(self.link.reset_s + SETTLE_S, within_s)
            self._flush(ResetLevel.LINK)
            saved, now_s = self.far.saved(), self.clock.now_s()
            ready_s = self.link.hot_reset(now_s, self._card.taken_in)
            self._lost = ready_s == math.inf
            if self._lost:
                self._card.lose(now_s, returns=True)
                self.require_card()
            self._set_up(ResetLevel.LINK, saved, ready_s + SETTLE_S, within_s)

    def retrain_link(self) -> float:
        """Software has the port above retrain the link; return how many seconds that took. Raises as `flush` does."""
        with self.changed:
            self.require_card()
            self.require_no_pattern()
            now_s = self.clock.now_s()
            self.clock.advance_to(self.link.retrain(now_s))
            self.require_card()
            return self.clock.now_s() - now_s

    def _require_time(self, takes_s: float, within_s: float) -> None:
        if takes_s > within_s:
            raise DriverFault(
                f"slot {self.slot.name}: this reset takes {takes_s:.2g} s of the card's time and the deadline leaves "
                f"{within_s:.2g} s; nothing was reset"
            )

    def _flush(self, level: ResetLevel) -> None:
        self.require_no_pattern()
        if any(channel.engine.tickets for channel in self.channels):
            raise EndpointBusy(f"slot {self.slot.name}: transfers are out; stop the engine before its memory is reset")
        self._card.reset(level)
        for channel in self.channels:
            channel.engine.flush()

    def _set_up(self, level: ResetLevel, saved: dict[int, int], from_s: float, within_s: float) -> None:
        """The operating system waits until the card is ready, from `from_s` on, and restores what it has saved."""
        now_s, faults = self.clock.now_s(), self.slot.faults
        if resetting.loses_config(faults, level):
            self._card.lose_config()
            self._tell(from_s, resetting.ConfigLost.kind)
            saved = {}
        if delay_s := resetting.delay_s(faults, level):
            self._tell(from_s, resetting.NotReady.kind, lasts_s=delay_s)
        self.far.ready = False
        self.link.kernel.restore(from_s + delay_s, saved)
        self.clock.advance_to(min(from_s + delay_s, now_s + within_s))
        self.require_card()

    def close(self) -> None:
        """Let go of the slot; what was out is dropped. Idempotent.

        What it puts on a shared link up to now is brought there first: the others must not see when, in real time, a
        slot was closed.
        """
        with self.changed:
            if self._closed:
                return
            self._closed = True
            try:
                self.hierarchy.catch_up(self._participants, self.clock.now_s())
            finally:
                self._leave()

    # --- readings

    def read_link(self) -> LinkReading:
        """Both partners, decoded from their configuration space as it reads now."""
        with self.changed:
            self._settle()
            near, far = self._seen("near", decoded), self._seen("far", decoded)
            if not self.slot.observable:
                return LinkReading(near=near, far=far)
            wiring, watts = self.slot.wiring, slot_power_w(self.near)
            return LinkReading(near=near, far=far, wiring=wiring, slot_power_w=watts, above=self._branch.above)

    def read_errors(self) -> ErrorReading:
        """Both partners' counts, as the kernel has them now."""
        with self.changed:
            self._settle()
            if why := why_uncounted(self.slot):
                return ErrorReading(near=Unavailable(why), far=Unavailable(why))
            errors = self.link.kernel.errors
            return ErrorReading(
                near=self._seen("near", lambda _, name: errors("near", name)),
                far=self._seen("far", lambda _, name: errors("far", name)),
            )

    def read_conditions(self) -> Conditions:
        """Both partners as their configuration space reads now, the card's sensors, and what the host counts."""
        with self.changed:
            self._settle()
            return Conditions(
                near=self._seen("near", condition),
                far=self._seen("far", condition),
                sensors=self._sensors(),
                memory_errors=self._host.memory_errors,
                iommu_faults=self._host.iommu_faults,
                reported=Unavailable(why) if (why := why_uncounted(self.slot)) else self._branch.reported(self.link),
            )

    def images(self) -> tuple[bytes, bytes]:
        """Configuration space of the near and the far partner as it reads now, 4096 bytes each."""
        with self.changed:
            self._settle()
            return self.near.image(), self.far.image()

    def require_card(self) -> None:
        """Raise DeviceLost, DriverFault or EndpointClosed unless the card answers now."""
        with self.changed:
            self._settle()
            if self._lost:
                seen = _GONE if self.slot.observable else _SILENT
                raise DeviceLost(
                    f"slot {self.slot.name}: {seen}; open it again once it is back", link_evidence=self._evidence()
                )
            if not self.far.ready:
                raise DriverFault(f"slot {self.slot.name}: {_NOT_READY}; wait, and try again")

    # --- for its channels and the branch; the lock is held

    def begin(self, channel: OpenChannel) -> None:
        """A call that transfers data begins."""
        self.hierarchy.used([channel.participant], to_transfer=True)

    def wake(self) -> float:
        """Load has come, the links being up to date; return when they can carry it."""
        at_s = self.clock.now_s()
        for link in self._route.links:
            at_s = link.states.wake(at_s)
        return at_s

    def settle_link(self, now_s: float) -> None:
        """Bring the slot's own link up to `now_s`, or to the card's loss before that."""
        if not self._lost:
            self.link.settle(min(now_s, self._card.lost_s))
            self._lost = self._card.lost_s <= now_s
            if self._lost:
                self._lose_card(self._card.lost_s)
        if self._branch.failed_s <= now_s:  # and all that is below the switch with it
            self.near.present = False

    def require_open(self) -> None:
        """Raise EndpointClosed for a slot that was closed."""
        if self._closed:
            raise EndpointClosed(f"the card in slot {self.slot.name} was closed before")

    def require_no_pattern(self) -> None:
        """Raise EndpointBusy while the card's own pattern takes up the link."""
        if self.link.pattern is not None:
            raise EndpointBusy(f"slot {self.slot.name}: the card's pattern engine takes up the link; stop it first")

    def require_truth(self) -> None:
        """Raise StorageFault if something of what the faults did could not be written."""
        if self._truth is not None:
            self._truth.require()

    # --- inside; the lock is held

    @property
    def _participants(self) -> list[Participant]:
        return [channel.participant for channel in self.channels]

    def _leave(self) -> None:
        for channel in self.channels:
            channel.engine.stop(self.clock.now_s())
            self.hierarchy.leave(channel.participant)
        if self._branch.link is not None:
            self._branch.link.when_failed.remove(self._card.lose)
        self.link.kernel.leave()
        self._branch.leave(self.slot)
        if self._truth is not None:
            self._truth.close()

    def _lose_card(self, at_s: float) -> None:
        self.link.down(at_s)
        if at_s == self._card.halts.switched_off_s:
            self._tell(at_s, SwitchedOff.kind)

    def _seen(self, end: End, show: Callable[[LinkPartner, str], _T]) -> _T | Unavailable:
        """What `show` makes of a partner and its name, where its registers can be read."""
        if not self.slot.observable:
            return Unavailable(NOT_OBSERVABLE)
        partner = self.near if end == "near" else self.far
        why = self._why_silent() if end == "far" else "" if partner.present else _SWITCH_GONE
        return Unavailable(why) if why else show(partner, self._name(end))

    def _name(self, end: str) -> str:
        if end == "far":
            return f"card in slot {self.slot.name}"
        return f"{self.near.function.kind} of slot {self.slot.name}"

    def _why_silent(self) -> str:
        """Why the card's registers show nothing, empty where they do."""
        if not self.far.present:
            return _GONE
        return "" if self.far.ready else _NOT_READY

    def _tell(self, at_s: float, kind: str, **more: float) -> None:
        """Put on record, where that is asked for, what a fault did that concerns no message."""
        if self._truth is not None:
            self._truth.acted(at_s, 0, kind, **more)

    def _sensors(self) -> tuple[Sensor, ...] | Unavailable:
        if self._lost:
            return Unavailable(_GONE)
        now_s = self.clock.now_s()
        moves = now_s < self._card.halted_s and not self._card.halts.reached(0)
        return sensors(self.slot, now_s, at_work=moves and any(channel.engine.tickets for channel in self.channels))

    def _settle(self) -> None:
        """Bring engine, idle lines, hardware and kernel up to this moment, which a sleeper may have moved."""
        self.require_open()
        participants = self._participants
        self.hierarchy.used(participants, to_transfer=False)
        now_s = self.clock.now_s()
        self.hierarchy.catch_up(participants, now_s, self.require_open)
        self._branch.settle(now_s)
        self.link.kernel.run_until(now_s)

    def _evidence(self) -> str:
        """What the port above shows, empty where it shows nothing."""
        above = self._branch.link
        if above is not None and self.slot.observable and not above.far.present:
            return f"root port above switch {above.plan.name}: data link layer not active"
        near = self.read_link().near
        if isinstance(near, Unavailable) or near.active is not False:
            return ""
        return f"{near.name}: data link layer not active"
