"""Puts a slot's faults of the transaction layer to work on the packets of one channel, and says what came of them.

Which packet of a message is hit is settled when the message begins, in bytes of the message, so that the segments in
which a card moves it cannot matter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from laneproof_sim.chance import generator
from laneproof_sim.damage.when import Occasion
from laneproof_sim.transactions.headers import Request
from laneproof_sim.transactions.packet import Outcome, Packet, Report, TransactionFault
from laneproof_sim.truth import Truth

Bytes = NDArray[np.uint8]

OUT_ADDRESS, INTO_ADDRESS = 1 << 40, 1 << 41
"""Bus addresses from which on the host has its buffers mapped, each in a stretch of its own; invented, like those of
an IOMMU, so that a header is the same in every run."""
_STRETCH = 1 << 30
_STRETCHES = 256
_ENOUGH_TAGS = 256


@frozen(kw_only=True)
class Packets:
    """What a channel's packets are like: sizes in bytes, `tags` of read requests (None: enough), who sends them.

    `requester` and `completer` are the card's and the root's numbers of bus, device and function; `memory` is the size
    of the card's for one channel, in bytes.
    """

    payload: int
    completion: int
    read_request: int
    tags: int | None
    memory: int
    requester: int
    completer: int


@frozen(kw_only=True)
class Fetched:
    """What came of a stretch that was asked for: its first `nbytes` are there at `until_s`.

    With a `failure` the transfer ends there and then.
    """

    nbytes: int
    until_s: float
    failure: str = ""


@frozen
class _Planned:
    fault: TransactionFault
    key: tuple[object, ...]
    place: int


class Mishaps:
    """Faults of one channel's packets. False where it has none, so that nothing need be done.

    `read` and `written` take the stretches of a message in order, once it was begun.
    """

    def __init__(
        self,
        faults: Sequence[object],
        seed: int,
        slot: str,
        sizes: Packets,
        *,
        report: Callable[[Report], None],
        truth: Truth | None = None,
    ) -> None:
        self._faults = [
            (fault, (seed, slot, "transaction", number))
            for number, fault in enumerate(faults)
            if isinstance(fault, TransactionFault)
        ]
        self._sizes = sizes
        self._report = report
        self._truth = truth
        self._held = np.zeros(sizes.memory if self._faults else 0, np.uint8)
        """The card's memory, in which the stream of messages goes round."""
        self._passed = self._started = 0
        self._reads: list[_Planned] = []
        self._writes: list[_Planned] = []
        self._reading = self._writing = 0

    def __bool__(self) -> bool:
        return bool(self._faults)

    def begin_reads(self, occasion: Occasion) -> None:
        """The next stretches to be read are of that message."""
        self._reading, self._started = occasion.number, self._passed
        self._reads = self._planned(occasion, "request", "completion")

    def begin_writes(self, occasion: Occasion) -> None:
        """The next stretches to be written are of that message."""
        self._writing = occasion.number
        self._writes = self._planned(occasion, "write")

    def read(self, place: int, data: Bytes, start_s: float, end_s: float, round_trip_s: float) -> Fetched:
        """The card read `data`, the message's bytes from `place` on, completions coming from `start_s` to `end_s`.

        Changes `data` as it then stands in the card's memory. A request is out for `round_trip_s`.
        """
        until_s = end_s
        for planned in _within(self._reads, place, len(data)):
            at = planned.place - place
            unit = self._unit(planned.fault)
            piece = data[at : at + unit]
            within = planned.place % self._sizes.read_request
            request_at = planned.place - within
            request = self._request(
                OUT_ADDRESS, self._reading, request_at, min(self._sizes.read_request, place + len(data) - request_at)
            )
            due_s = start_s + (end_s - start_s) * (at + len(piece)) / len(data)
            packet = Packet(request=request, place=within, data=piece, sent_s=due_s - round_trip_s, due_s=due_s)
            outcome = self._strike(planned, packet, self._reading)
            until_s = max(until_s, outcome.until_s)
            if outcome.failure:
                return Fetched(nbytes=at, until_s=outcome.until_s, failure=outcome.failure)
            if outcome.unwritten:
                piece[:] = self._held[(self._passed + at + np.arange(len(piece))) % len(self._held)]
        self._keep(data)
        return Fetched(nbytes=len(data), until_s=until_s)

    def written(self, place: int, data: Bytes, start_s: float, end_s: float) -> list[slice]:
        """The card wrote `data`, the message's bytes from `place` on: the stretches of it that did not arrive."""
        holes: list[slice] = []
        for planned in _within(self._writes, place, len(data)):
            at = planned.place - place
            piece = data[at : at + self._sizes.payload]
            request = self._request(INTO_ADDRESS, self._writing, planned.place, len(piece))
            each_s = (end_s - start_s) / len(data)
            sent_s, due_s = start_s + each_s * at, start_s + each_s * (at + len(piece))
            packet = Packet(request=request, place=0, data=piece, sent_s=sent_s, due_s=due_s)
            if self._strike(planned, packet, self._writing).unwritten:
                holes.append(slice(at, at + len(piece)))
        return holes

    def _planned(self, occasion: Occasion, *units: str) -> list[_Planned]:
        """Which packets of a message are hit, those first that come first."""
        planned: list[_Planned] = []
        for fault, key in self._faults:
            if fault.unit in units and fault.acts(occasion, *key):
                unit = self._unit(fault)
                place = unit * int(generator(*key, occasion.number).integers(-(-occasion.size // unit)))
                planned.append(_Planned(fault, (*key, occasion.number, "packet"), place))
        return sorted(planned, key=lambda one: one.place)

    def _unit(self, fault: TransactionFault) -> int:
        return {
            "request": self._sizes.read_request,
            "completion": self._sizes.completion,
            "write": self._sizes.payload,
        }[fault.unit]

    def _request(self, base: int, message: int, place: int, nbytes: int) -> Request:
        number = (self._started + place) // self._sizes.read_request if base == OUT_ADDRESS else 0
        return Request(
            address=bus_address(base, message, place),
            nbytes=nbytes,
            requester=self._sizes.requester,
            completer=self._sizes.completer,
            tag=number % (self._sizes.tags or _ENOUGH_TAGS),
        )

    def _strike(self, planned: _Planned, packet: Packet, message: int) -> Outcome:
        outcome = planned.fault.strike(packet, generator(*planned.key))
        for report in outcome.reports:
            self._report(report)
        if self._truth is not None:
            self._truth.acted(
                packet.sent_s,
                message,
                planned.fault.kind,
                places=[[planned.place, planned.place + len(packet.data)]],
                errors=[[report.at_s, report.end, report.name] for report in outcome.reports],
            )
        return outcome

    def _keep(self, data: Bytes) -> None:
        """The card's memory holds `data` now."""
        size = len(self._held)
        last = data[-size:] if len(data) else data
        start = self._passed + len(data) - len(last)
        self._held[(start + np.arange(len(last))) % size] = last
        self._passed += len(data)


def _within(planned: Sequence[_Planned], place: int, nbytes: int) -> list[_Planned]:
    return [one for one in planned if place <= one.place < place + nbytes]


def bus_address(base: int, message: int, place: int) -> int:
    """Where a message's byte is on the bus: `base` is that of what is sent, or of where it is received."""
    return base + message % _STRETCHES * _STRETCH + place
