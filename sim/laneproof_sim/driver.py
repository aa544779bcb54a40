"""The way in: `sim:BENCH[?seed=N&truth=FILE]#SLOT`. Finds benches, opens a slot, names its card's parts."""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import quote

from attrs import frozen

from laneproof.clock import Deadline
from laneproof.contract import (
    Address,
    Card,
    Channel,
    ConditionObserver,
    Driver,
    ErrorObserver,
    Found,
    IdentitySource,
    LinkObserver,
    LinkTrainer,
    ResetLevel,
    Resettable,
)
from laneproof.errors import BadInput, CannotOpen
from laneproof.readings import Component, Conditions, ErrorReading, Identity, LinkReading, Retraining
from laneproof_sim.limits_of_model import CAVEATS
from laneproof_sim.margining import EyeMargining
from laneproof_sim.path import DmaPath, limits
from laneproof_sim.pattern_engine import CardPatternEngine
from laneproof_sim.scenario_file import load, shipped
from laneproof_sim.slot import OpenSlot
from laneproof_sim.truth import Opened, Truth


@frozen(kw_only=True)
class SimOptions:
    """Options of a `sim:` URI. The same scenario and seed give the same bytes, counts and virtual times.

    What a fault is stands in the scenario alone; `seed` settles what varies from message to message and bit to bit.
    `truth` names a file to which is added what the faults did, one line of JSON each; empty: none is written.
    """

    seed: int = 0
    truth: str = ""


class SlotParts(LinkObserver, ErrorObserver, ConditionObserver, IdentitySource, Resettable, LinkTrainer):
    """Everything about a simulated card but its path."""

    levels: tuple[ResetLevel, ...] = tuple(ResetLevel)

    def __init__(self, opened: OpenSlot) -> None:
        self._opened = opened

    def read_link(self, deadline: Deadline) -> LinkReading:
        return self._opened.read_link()

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return self._opened.read_errors()

    def read_conditions(self, deadline: Deadline) -> Conditions:
        return self._opened.read_conditions()

    def read_identity(self, deadline: Deadline) -> Identity:
        self._opened.require_card()
        card = self._opened.slot.card
        return Identity(model=card.model, serial=card.serial, components=(Component("firmware", card.firmware),))

    def retrain(self, deadline: Deadline) -> Retraining:
        seconds = self._opened.retrain_link()
        wrote = f"Retrain Link, in Link Control of the simulated port above slot {self._opened.slot.name}"
        return Retraining(seconds=seconds, resolution_s=0.0, seen=True, wrote=wrote)

    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        match level:
            case ResetLevel.DATA:
                self._opened.flush()
            case ResetLevel.FUNCTION:
                self._opened.reset_function(deadline.left_s())
            case ResetLevel.LINK:
                self._opened.reset_link(deadline.left_s())


class SimDriver(Driver):
    """Simulated slots."""

    options = SimOptions
    physical = False
    caveats = CAVEATS

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        for name in shipped():
            deadline.check()
            if deadline.expired:
                return
            bench = load(name)
            for slot in bench.slots:
                yield Found(address=Address(name, slot.name), note=f"simulated, {bench.invented}")

    def connect(self, address: Address, options: SimOptions, deadline: Deadline) -> Card:
        bench = load(address.text)
        slot = bench.slot(address.slot)
        if slot is None:
            uris = ", ".join(f"sim:{quote(address.text, safe='/:,')}#{known.name}" for known in bench.slots)
            asked = f'has no slot "{address.slot}"' if address.slot else "needs a slot"
            raise BadInput(f"{address.text} {asked}; use one of {uris}")
        truth = Truth(options.truth, Opened(bench.name, slot.name, options.seed)) if options.truth else None
        try:
            opened = OpenSlot(slot, options.seed, truth, bench)
        except CannotOpen:
            if truth is not None:
                truth.close()
            raise
        return Card(
            channels=tuple(
                Channel(name=channel.name, path=DmaPath(opened, number), limits=limits(opened))
                for number, channel in enumerate(opened.channels)
            ),
            close=opened.close,
            clock=opened.clock,
            parts=(
                SlotParts(opened),
                EyeMargining(opened),
                *((CardPatternEngine(opened),) if slot.card.pattern_engine else ()),
            ),
        )


driver = SimDriver()
