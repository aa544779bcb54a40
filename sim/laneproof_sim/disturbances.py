"""All that can go wrong with one channel's data between two hosts' buffers, in the order in which data pass it.

Out of the host: the switch, the packets' own mishaps, the card's memory. Back: mishaps and the switch again, and then
the faults that act on a message that has arrived. What each does is in `damage` and `transactions`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import attrs
import numpy as np
from attrs import frozen

from laneproof_sim.damage.channels import Channels
from laneproof_sim.damage.delivery import Delivery
from laneproof_sim.damage.host import HostCounts
from laneproof_sim.damage.in_switch import InSwitch
from laneproof_sim.damage.memory import CardMemory
from laneproof_sim.damage.when import Occasion
from laneproof_sim.route import Route
from laneproof_sim.scenario import Slot, Switch
from laneproof_sim.transactions.mishaps import Fetched, Mishaps
from laneproof_sim.transfers import Transfer
from laneproof_sim.truth import Truth


@frozen(kw_only=True)
class Disturbances:
    """Those of channel `number`. False where nothing can go wrong."""

    memory: CardMemory
    delivery: Delivery
    mishaps: Mishaps
    in_switch: InSwitch
    channels: Channels
    number: int

    @classmethod
    def of(
        cls,
        slot: Slot,
        seed: int,
        number: int,
        route: Route,
        switch: Switch | None,
        host: HostCounts,
        channels: Channels,
        truth: Truth | None,
    ) -> Disturbances:
        """Those that the faults of a slot, and of the switch above it, make on one of the card's channels."""
        faults, packets = slot.faults, route.packets
        key = f"{slot.name}/{number}" if number else str(slot.name)
        return cls(
            memory=CardMemory(faults, seed, key, truth),
            delivery=Delivery(
                faults,
                seed,
                key,
                payload=packets.payload,
                completion=packets.completion,
                temperature=slot.temperature,
                host=host,
                truth=truth,
            ),
            mishaps=Mishaps(faults, seed, key, packets, report=route.report, truth=truth),
            in_switch=InSwitch(
                () if switch is None else switch.faults,
                seed,
                key,
                packets,
                report=route.report if slot.ecrc else None,
                truth=truth,
            ),
            channels=channels,
            number=number,
        )

    def __bool__(self) -> bool:
        return bool(self.memory or self.delivery or self.mishaps or self.in_switch)

    @property
    def of_reads(self) -> bool:
        """Whether what the card reads may not be what the host has."""
        return bool(self.memory or self.mishaps or self.in_switch)

    def begin_read(self, out: np.ndarray, at_s: float, occasion: Occasion) -> None:
        """The card begins to read a message."""
        self.channels.begun(self.number, out, at_s)
        self.memory.begin(occasion)
        self.mishaps.begin_reads(occasion)
        self.in_switch.begin(occasion)

    def read(
        self, place: int, data: np.ndarray, ready_s: float, start_s: float, end_s: float, round_trip_s: float
    ) -> Fetched:
        """The card asked for a message's bytes from `place` on at `ready_s`; `data` came from `start_s` to `end_s`.

        Changes `data` to what the card then holds.
        """
        until_s = self.in_switch.to_card(data, place, end_s) if self.in_switch else end_s
        fetched = Fetched(nbytes=len(data), until_s=until_s)
        if self.mishaps:
            came = self.mishaps.read(place, data, start_s, end_s, round_trip_s)
            fetched = Fetched(nbytes=came.nbytes, until_s=max(until_s, came.until_s), failure=came.failure)
        if self.memory:
            self.memory.pass_through(data[: fetched.nbytes], ready_s)
        return fetched

    def begin_write(self, transfer: Transfer, occasion: Callable[[], Occasion]) -> None:
        """A message begins to be written to the host's buffer."""
        assert transfer.into is not None
        if self.delivery or self.in_switch:
            transfer.before = transfer.into.copy()
        if self.mishaps:
            begun = occasion()
            if transfer.out is not None:  # its echo is no longer than that, though the buffer may be
                begun = attrs.evolve(begun, size=min(begun.size, len(transfer.out)))
            self.mishaps.begin_writes(begun)

    def written(self, transfer: Transfer, data: np.ndarray, start_s: float, end_s: float) -> np.ndarray:
        """What then stands in the host's buffer where `data` is written: what was there, where a packet is lost."""
        if not self.mishaps:
            return data
        assert transfer.into is not None
        at = transfer.received
        holes = self.mishaps.written(at, data, start_s, end_s)
        if holes:
            data = data.copy()
            for hole in holes:
                data[hole] = transfer.into[at + hole.start : at + hole.stop]
        return data

    def end_write(self, transfer: Transfer, occasion: Callable[[], Occasion]) -> None:
        """All of a message has arrived."""
        if self.in_switch and transfer.into is not None and transfer.before is not None:
            self.in_switch.from_card(transfer.into[: transfer.received], transfer.before, occasion())

    def complete(self, transfer: Transfer, others: Sequence[Transfer]) -> None:
        """The transfer is done, `others` are out: the faults that act on a message have their way with it."""
        if not self.delivery or transfer.into is None or transfer.before is None:
            return
        transfer.received = self.delivery.arrived(
            transfer.into,
            transfer.received,
            transfer.before,
            at_s=transfer.done_s,
            depth=len(others) + 1,
            beside=[other.out for other in others if other.out is not None],
            others=self.channels.beside(self.number, transfer.submitted_s, transfer.done_s),
        )
