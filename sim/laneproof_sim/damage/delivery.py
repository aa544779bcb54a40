"""Puts a slot's faults to work on each message that has arrived whole: which act, with which chance, and their truth.

The faults act in the scenario's order, each on what the one before it left.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from laneproof_sim.chance import generator
from laneproof_sim.damage.host import HostCounts
from laneproof_sim.damage.message import Bytes, Message, MessageFault
from laneproof_sim.damage.when import Occasion
from laneproof_sim.temperature import TemperaturePoint, celsius_at
from laneproof_sim.truth import Truth

MAX_KEPT_NBYTES = 256 << 20
"""The most bytes of earlier messages that are kept for faults that look back; the oldest go first."""


class Delivery:
    """Messages of one card as they arrive. False where no fault acts on messages, so that nothing need be done.

    `payload` and `completion` are the link's largest, in bytes.
    """

    def __init__(
        self,
        faults: Sequence[object],
        seed: int,
        slot: str,
        *,
        payload: int = 256,
        completion: int = 256,
        temperature: Sequence[TemperaturePoint] = (),
        host: HostCounts | None = None,
        truth: Truth | None = None,
    ) -> None:
        self._faults = [
            (fault, (seed, slot, "message", number))
            for number, fault in enumerate(faults)
            if isinstance(fault, MessageFault)
        ]
        self._payload, self._completion = payload, completion
        self._temperature = temperature
        self._truth = truth
        self._host = host or HostCounts(())
        self._number = self._passed = self._since_reset = 0
        self._looks_back = max((fault.looks_back for fault, _ in self._faults), default=0)
        self._earlier: deque[Bytes] = deque(maxlen=self._looks_back)

    def __bool__(self) -> bool:
        return bool(self._faults)

    def reset(self) -> None:
        """The card's memory was emptied."""
        self._since_reset = 0

    def arrived(
        self,
        into: Bytes,
        size: int,
        before: Bytes,
        *,
        at_s: float = 0.0,
        depth: int = 1,
        beside: Sequence[Bytes] = (),
        others: Sequence[Bytes] = (),
    ) -> int:
        """Damage the message in the first `size` bytes of `into`, which held `before`; how many the card reports.

        `depth` transfers are out, this one among them; `beside` is what the others send, `others` what
        other channels do.
        """
        self._number += 1
        self._since_reset += 1
        occasion = Occasion(
            number=self._number,
            passed=self._passed,
            at_s=at_s,
            size=size,
            address=into.ctypes.data,
            depth=depth,
            celsius=celsius_at(self._temperature, at_s),
        )
        self._passed += size
        acting = [(fault, key) for fault, key in self._faults if fault.acts(occasion, *key)]
        sent = into[:size].copy() if self._looks_back else None
        message = Message(
            into=into,
            size=size,
            received=size,
            before=before,
            since_reset=self._since_reset,
            earlier=tuple(self._earlier),
            beside=beside,
            others=others,
            payload=self._payload,
            completion=self._completion,
        )
        for fault, key in acting:
            right, reported = into.copy() if self._truth else None, message.received
            fault.strike(message, generator(*key, self._number))
            self._host.note(fault)
            if self._truth and right is not None:
                report = {} if message.received == reported else {"received": message.received}
                self._truth.changed(at_s, self._number, fault.kind, right, into, **report)
        into[message.received :] = before[message.received :]
        if sent is not None:
            self._remember(sent)
        return message.received

    def _remember(self, sent: Bytes) -> None:
        self._earlier.appendleft(sent)
        while sum(map(len, self._earlier)) > MAX_KEPT_NBYTES:
            self._earlier.pop()
