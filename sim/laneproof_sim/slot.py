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
from laneproof_sim.engine import Engine
from laneproof_sim.faults import CardMemory
from laneproof_sim.kernel import End, Kernel
from laneproof_sim.line import ErrorSites, Line
from laneproof_sim.packets import link_timing
from laneproof_sim.registers import LinkPartner
from laneproof_sim.scenario import Slot
from laneproof_sim.training import train
from laneproof_sim.virtual_clock import VirtualClock

_NOT_OBSERVABLE = "this platform shows neither the near port's registers nor the card's"
_FIRMWARE = "the platform's firmware owns error reporting; the kernel is told of no error and counts none"
_ERROR_FLAGS = ("CED", "NFED", "FED", "URD")
_NO_SENSORS = Unavailable("a simulated host has no sensors")
_NO_MEMORY_ERRORS = Unavailable("a simulated host has no memory that could count errors")
_NO_IOMMU = Unavailable("a simulated host has no IOMMU")
_NO_LOG = Unavailable("a simulated kernel counts errors and keeps no log of them")
_GONE = "the card's configuration space reads all ones, its vendor id FFFF: no card answers"


class OpenSlot:
    """A powered slot whose link has trained. Raises CannotOpen where it does not. Safe to use from several threads."""

    def __init__(self, slot: Slot, seed: int) -> None:
        self.slot = slot
        self.clock = VirtualClock()
        self.changed = threading.Condition(threading.RLock())
        """Held while the slot is used; notified when a transfer is queued."""
        self.trained = train(slot)
        if self.trained.problem:
            raise CannotOpen(
                f"slot {slot.name}: {self.trained.problem}; check that the card is seated and powered, and the riser"
            )
        self.timing = link_timing(slot, self.trained)
        self.near = LinkPartner(slot, self.trained, near=True)
        self.far = LinkPartner(slot, self.trained, near=False)
        self._kernel = Kernel(self.near, self.far, owned=slot.errors_owned_by == "kernel")

        def build(receiver: End, lane_rates: tuple[float, ...]) -> Line:
            rates = {lane: lane_rates[lane] for lane in self.trained.lanes}
            return Line(self.timing, receiver, ErrorSites(rates, seed, slot.name, receiver), self._kernel.note)

        self._lines = build("far", slot.bit_error_rate.to_card), build("near", slot.bit_error_rate.from_card)
        Line.join(*self._lines)
        for line in self._lines:
            line.begin(self.trained.ready_s)
        memory = CardMemory(slot.faults, seed, slot.name)
        self._engine = Engine(slot, self.timing, *self._lines, memory)
        self._lost = False
        self._closed = False
        self.clock.advance_to(self.trained.ready_s)

    # --- transfers

    def submit(self, ticket: int, out: np.ndarray | None, into: np.ndarray | None) -> None:
        """Queue a transfer at this moment. Raises BadInput, DeviceLost, EndpointClosed."""
        with self.changed:
            self._require_card()
            if ticket in self._engine.tickets:
                raise BadInput(f"ticket {ticket} is out already; give each transfer a number of its own")
            if len(self._engine.tickets) >= self.slot.card.queue_depth:
                raise BadInput(f"the card takes {self.slot.card.queue_depth} transfers at a time; reap one first")
            self._engine.submit(ticket, out, into, self.clock.now_s())
            self.changed.notify_all()

    def advance(self, until_s: float) -> list[Completion]:
        """Run to the next completions and return them, or to `until_s` at most. Raises DeviceLost, EndpointClosed."""
        with self.changed:
            self._require_open()
            at_s, done = self._engine.run(until_s)
            self.clock.advance_to(at_s)
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

    def close(self) -> None:
        """Let go of the slot; what was out is dropped. Idempotent."""
        with self.changed:
            self._engine.stop(self.clock.now_s())
            self._closed = True
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
        self.near.link_down()
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
    """What the registers hold: the model has none for lanes, equalisation, margining or link power states."""
    flags = pcie.decode(partner.image()).device_status
    assert flags is not None
    return PartnerCondition(name=name, device_status=tuple(flag for flag in flags if flag in _ERROR_FLAGS))
