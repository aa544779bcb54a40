"""One slot at work: link, registers, kernel and engine of an open card, put together behind one lock.

Everything that the outside sees of a slot goes through here: transfers, readings, reset, close. Virtual time moves
only here and in the clock itself.
"""

from __future__ import annotations

import threading

import numpy as np

from laneproof import pcie
from laneproof.contract import Completion
from laneproof.errors import BadInput, CannotOpen, DeviceLost, EndpointBusy, EndpointClosed
from laneproof.readings import Conditions, ErrorReading, LinkReading, PartnerCondition, PartnerLink, Unavailable
from laneproof_sim.damage.delivery import Delivery
from laneproof_sim.damage.halting import Halts
from laneproof_sim.damage.memory import CardMemory
from laneproof_sim.engine import Engine
from laneproof_sim.faults import Absent
from laneproof_sim.kernel import End, Kernel
from laneproof_sim.line import ErrorSites, Line
from laneproof_sim.link import OpenLink
from laneproof_sim.packets import link_timing
from laneproof_sim.registers import LinkPartner
from laneproof_sim.scenario import Slot
from laneproof_sim.training import Change, train
from laneproof_sim.truth import Truth
from laneproof_sim.virtual_clock import VirtualClock

SETTLE_S = 0.1
"""What software allows a card after a reset before it speaks to it (base specification, from memory)."""

_NOT_OBSERVABLE = "this platform shows neither the near port's registers nor the card's"
_FIRMWARE = "the platform's firmware owns error reporting; the kernel is told of no error and counts none"
_ERROR_FLAGS = ("CED", "NFED", "FED", "URD")
_NO_SENSORS = Unavailable("a simulated host has no sensors")
_NO_MEMORY_ERRORS = Unavailable("a simulated host has no memory that could count errors")
_NO_IOMMU = Unavailable("a simulated host has no IOMMU")
_NO_LOG = Unavailable("a simulated kernel counts errors and keeps no log of them")
_GONE = "the card's configuration space reads all ones, its vendor id FFFF: no card answers"


class OpenSlot:
    """A powered slot whose link has trained. Raises CannotOpen where it does not. Safe to use from several threads.

    `truth`, if given, is told what the slot's faults do, and closed with the slot.
    """

    def __init__(self, slot: Slot, seed: int, truth: Truth | None = None) -> None:
        self.slot = slot
        self._truth = truth
        self.clock = VirtualClock()
        self.changed = threading.Condition(threading.RLock())
        """Held while the slot is used; notified when a transfer is queued."""
        self.trained = train(slot)
        if self.trained.problem:
            if truth is not None and any(isinstance(fault, Absent) for fault in slot.faults):
                truth.acted(0.0, 0, Absent.kind)
            raise CannotOpen(
                f"slot {slot.name}: {self.trained.problem}; check that the card is seated and powered, and the riser"
            )
        self.timing = link_timing(slot, self.trained)
        self.near = LinkPartner(slot, self.trained, near=True)
        self.far = LinkPartner(slot, self.trained, near=False)
        self._kernel = Kernel(self.near, self.far, owned=slot.errors_owned_by == "kernel")
        self._link = OpenLink(slot, self.trained, self.near, self.far)

        def note(at_s: float, end: End, name: str) -> None:
            self._kernel.note(at_s, end, name)
            self._link.note_error(at_s, name)

        def build(receiver: End, lane_rates: tuple[float, ...]) -> Line:
            rates = {lane: lane_rates[lane] for lane in self.trained.lanes}
            return Line(self.timing, receiver, ErrorSites(rates, seed, slot.name, receiver), note)

        self._lines = build("far", slot.bit_error_rate.to_card), build("near", slot.bit_error_rate.from_card)
        Line.join(*self._lines)
        for line in self._lines:
            line.begin(self.trained.ready_s)
        self._engine = Engine(
            slot,
            self.timing,
            *self._lines,
            CardMemory(slot.faults, seed, slot.name, truth),
            Halts(slot.faults, seed, slot.name),
            Delivery(
                slot.faults,
                seed,
                slot.name,
                payload=self.timing.max_payload,
                completion=self.timing.completion,
                truth=truth,
            ),
            truth,
        )
        self._lost = False
        self._closed = False
        # The computer was there before whoever opens the slot: an idle link has gone to its lower speed.
        self.clock.advance_to(self._link.settled_s)

    @property
    def history(self) -> tuple[Change, ...]:
        """The states that the link has been in so far, in virtual seconds."""
        with self.changed:
            self._settle()
            return self._link.history

    # --- transfers

    def submit(self, ticket: int, out: np.ndarray | None, into: np.ndarray | None) -> None:
        """Queue a transfer at this moment. Raises BadInput, DeviceLost, EndpointClosed."""
        with self.changed:
            self._require_card()
            if ticket in self._engine.tickets:
                raise BadInput(f"ticket {ticket} is out already; give each transfer a number of its own")
            if len(self._engine.tickets) >= self.slot.card.queue_depth:
                raise BadInput(f"the card takes {self.slot.card.queue_depth} transfers at a time; reap one first")
            self._engine.submit(ticket, out, into, self._link.wake(self.clock.now_s()))
            self.changed.notify_all()

    def advance(self, until_s: float) -> list[Completion]:
        """Run to the next completions and return them, or to `until_s` at most. Raises DeviceLost, EndpointClosed."""
        with self.changed:
            self._require_open()
            at_s, done = self._engine.run(until_s)
            self.clock.advance_to(at_s)
            if self._truth is not None:
                self._truth.require()
            if not done:
                self._require_card()
            return done

    def can_go_on(self) -> bool:
        """Whether time alone will bring a completion or a loss."""
        with self.changed:
            return self._engine.can_go_on()

    def stop(self) -> list[Completion]:
        """Stop the engine; every ticket that was out completes."""
        with self.changed:
            at_s, done = self._engine.stop(self.clock.now_s())
            self.clock.advance_to(at_s)
            self.changed.notify_all()
            return done

    def flush(self) -> None:
        """Empty the card's memory, as a data reset does. Raises EndpointBusy, DeviceLost, EndpointClosed."""
        with self.changed:
            self._require_card()
            if self._engine.tickets:
                raise EndpointBusy(
                    f"slot {self.slot.name}: transfers are out; stop the engine before its memory is reset"
                )
            self._engine.flush()

    def reset_function(self) -> None:
        """A function level reset, and the card set up again by its driver. Raises as `flush` does."""
        with self.changed:
            self.flush()
            saved = self.far.saved()
            self.far.reset(of_link=False)
            self.far.restore(saved)
            self.clock.sleep(SETTLE_S)

    def reset_link(self) -> None:
        """A hot reset from the port above: the link trains anew, the operating system sets the card up again.

        The link is taken down on purpose, which is no Surprise Down. Raises as `flush` does.
        """
        with self.changed:
            self.flush()
            self._kernel.forget()
            saved = self.far.saved()
            trained = train(self.slot, self._link.reset_from(self.clock.now_s()))
            self.far.reset(of_link=True)
            self._link.retrained(trained)
            self.far.restore(saved)
            for line in self._lines:
                line.begin(trained.ready_s)
            self.clock.advance_to(trained.ready_s + SETTLE_S)

    def close(self) -> None:
        """Let go of the slot; what was out is dropped. Idempotent."""
        with self.changed:
            self._engine.stop(self.clock.now_s())
            self._closed = True
            if self._truth is not None:
                self._truth.close()
            self.changed.notify_all()

    # --- readings

    def read_link(self) -> LinkReading:
        """Both partners, decoded from their configuration space as it reads now."""
        with self.changed:
            self._settle()
            if not self.slot.observable:
                return LinkReading(near=Unavailable(_NOT_OBSERVABLE), far=Unavailable(_NOT_OBSERVABLE))
            return LinkReading(
                near=_decoded(self.near, self._name("near")),
                far=_decoded(self.far, self._name("far")) if self.far.present else Unavailable(_GONE),
                wiring=self.slot.wiring,
            )

    def read_errors(self) -> ErrorReading:
        """Both partners' counts, as the kernel has them now."""
        with self.changed:
            self._settle()
            for applies, why in (
                (not self.slot.observable, _NOT_OBSERVABLE),
                (self.slot.errors_owned_by == "firmware", _FIRMWARE),
            ):
                if applies:
                    return ErrorReading(near=Unavailable(why), far=Unavailable(why))
            far = self._kernel.errors("far", self._name("far"))
            return ErrorReading(
                near=self._kernel.errors("near", self._name("near")),
                far=far if self.far.present else Unavailable(_GONE),
            )

    def read_conditions(self) -> Conditions:
        """Both partners as their configuration space reads now; of the host there is nothing to read."""
        with self.changed:
            self._settle()
            near: PartnerCondition | Unavailable = Unavailable(_NOT_OBSERVABLE)
            far: PartnerCondition | Unavailable = near
            if self.slot.observable:
                near = _condition(self.near, self._name("near"))
                far = _condition(self.far, self._name("far")) if self.far.present else Unavailable(_GONE)
            return Conditions(
                near=near,
                far=far,
                sensors=_NO_SENSORS,
                memory_errors=_NO_MEMORY_ERRORS,
                iommu_faults=_NO_IOMMU,
                reported=_NO_LOG,
            )

    def images(self) -> tuple[bytes, bytes]:
        """Configuration space of the near and the far partner as it reads now, 4096 bytes each."""
        with self.changed:
            self._settle()
            return self.near.image(), self.far.image()

    def require_card(self) -> None:
        """Raise DeviceLost or EndpointClosed unless the card answers now."""
        with self.changed:
            self._require_card()

    # --- inside; the lock is held

    def _name(self, end: str) -> str:
        return f"root port of slot {self.slot.name}" if end == "near" else f"card in slot {self.slot.name}"

    def _settle(self) -> None:
        """Bring engine, idle lines, hardware and kernel up to this moment, which a sleeper may have moved."""
        self._require_open()
        now_s = self.clock.now_s()
        self._engine.work(now_s)
        lost_s = self._engine.lost_s
        if not self._lost:
            for line in self._lines:
                line.idle_until(min(now_s, lost_s))
            self._link.run_until(min(now_s, lost_s), max(line.free_s for line in self._lines))
            if lost_s <= now_s:
                self._lose_card(lost_s)
        self._kernel.run_until(now_s)

    def _require_open(self) -> None:
        if self._closed:
            raise EndpointClosed(f"the card in slot {self.slot.name} was closed before")

    def _require_card(self) -> None:
        self._settle()
        if self._lost:
            raise DeviceLost(
                f"slot {self.slot.name}: {_GONE}; open it again once it is back", link_evidence=self._evidence()
            )

    def _evidence(self) -> str:
        """What the near port shows, empty where it shows nothing."""
        near = self.read_link().near
        if isinstance(near, Unavailable) or near.active is not False:
            return ""
        return f"{near.name}: data link layer not active"

    def _lose_card(self, at_s: float) -> None:
        """The card leaves its link: its registers answer no more, the near port sees its link go down."""
        self._lost = True
        self._kernel.run_until(at_s)
        self._kernel.forget()
        self.far.present = False
        self._link.down(at_s)
        self._kernel.note(at_s, "near", "SDES")


def _decoded(partner: LinkPartner, name: str) -> PartnerLink:
    seen = pcie.decode(partner.image())
    link, payload = seen.link, seen.payload
    assert link is not None
    assert payload is not None
    return PartnerLink(
        name=name,
        speed_gtps=link.speed_gtps,
        width=link.width,
        max_speed_gtps=link.max_speed_gtps,
        max_width=link.max_width,
        max_payload=payload.set,
        read_request=payload.read_request,
        active=link.dl_active,
        bandwidth_management=link.bandwidth_management,
        autonomous_bandwidth=link.autonomous_bandwidth,
    )


def _condition(partner: LinkPartner, name: str) -> PartnerCondition:
    """What the registers hold. Those that would name a lane stay clear in the model, and so are not shown."""
    seen = pcie.decode(partner.image())
    link, flags = seen.link, seen.device_status
    assert link is not None
    assert flags is not None
    layers = {16.0: seen.physical_16gt, 32.0: seen.physical_32gt}
    equalisation = {8.0: link.equalisation or ()} if seen.secondary is not None else {}
    return PartnerCondition(
        name=name,
        equalisation=equalisation | {speed: layer.equalisation for speed, layer in layers.items() if layer is not None},
        clocking=link.clocking,
        device_status=tuple(flag for flag in flags if flag in _ERROR_FLAGS),
    )
