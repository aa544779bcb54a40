"""Faults inside a switch, behind the link CRC of one link and before that of the next; and what ECRC makes of them.

Without ECRC nobody notices: wrong data pass on under a link CRC that is right for them. With it the receiver at the
path's end refuses the packet and counts ECRC. What it does then the standard leaves open. Assumed here: the root port
drops a write, so that its place in the host's buffer keeps what it held; the card discards a completion, waits for it
in vain, and asks once more, which gets through.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar, Literal

import numpy as np
from attrs import frozen

from laneproof_sim.chance import Places
from laneproof_sim.damage.memory import Flips
from laneproof_sim.damage.message import Bytes
from laneproof_sim.damage.when import Conditional, Occasion
from laneproof_sim.quantities import Probability
from laneproof_sim.transactions.faults import DEFAULT_TIMEOUT
from laneproof_sim.transactions.headers import Header, Request
from laneproof_sim.transactions.mishaps import INTO_ADDRESS, OUT_ADDRESS, Packets, bus_address
from laneproof_sim.transactions.packet import End, Report
from laneproof_sim.truth import Truth

_DIGEST = 1 << 15
"""In a header's first double word: an end-to-end CRC follows (base specification, from memory)."""


@frozen(kw_only=True)
class SwitchFlips(Conditional):
    """Each byte of payload that passes the switch in that direction has one wrong bit with this probability."""

    kind: ClassVar[str] = "switch-flips"
    cause: ClassVar[str] = "A weak cell in a switch's packet memory, between the link CRC of one link and of the next."
    seen: ClassVar[str] = (
        "Without ECRC random wrong bits, full rate, all counters clean. With ECRC the receiver at the path's end "
        "counts ECRC and no link counts anything: the root port drops a write, whose place keeps what it held; the "
        "card has a completion timeout and asks again, which costs time and no data."
    )

    probability: Probability
    direction: Literal["to_card", "from_card", "both"] = "both"


class _Acting:
    """A fault in one direction, and whether it acts on the present message."""

    def __init__(self, fault: SwitchFlips, key: tuple[object, ...]) -> None:
        self.fault, self.key = fault, key
        self.flips = Flips(Places(fault.probability, *key), key)
        self.now = False


class InSwitch:
    """What a switch does to one channel's payload. False where it does nothing, or there is none.

    Which bytes are hit follows from their position in the channel's stream in that direction. `report` takes what an
    end counts; without it there is no ECRC.
    """

    def __init__(
        self,
        faults: Sequence[SwitchFlips],
        seed: int,
        channel: str,
        packets: Packets,
        *,
        report: Callable[[Report], None] | None,
        truth: Truth | None = None,
    ) -> None:
        def acting(direction: str) -> list[_Acting]:
            return [
                _Acting(fault, (seed, channel, "switch", number, direction))
                for number, fault in enumerate(faults)
                if fault.probability > 0 and fault.direction in (direction, "both")
            ]

        self._to_card, self._from_card = acting("to_card"), acting("from_card")
        self._packets = packets
        self._report = report
        self._truth = truth
        self._message = self._fetched = self._written = 0

    def __bool__(self) -> bool:
        return bool(self._to_card or self._from_card)

    def begin(self, occasion: Occasion) -> None:
        """The next bytes to the card are of that message."""
        self._message = occasion.number
        for one in self._to_card:
            one.now = one.fault.acts(occasion, *one.key)

    def to_card(self, data: Bytes, place: int, at_s: float) -> float:
        """Completions with `data`, the message's bytes from `place` on, arrived at `at_s`; return when all were right.

        Changes `data` where nobody notices.
        """
        refused = self._pass(self._to_card, data, self._fetched, place, self._packets.completion, self._message, at_s)
        self._fetched += len(data)
        for number in refused:
            request = self._request(OUT_ADDRESS, self._message, number * self._packets.completion)
            self._tell(at_s, "far", "ECRC", request.completion(), advisory=False)
            self._tell(at_s + DEFAULT_TIMEOUT, "far", "CmpltTO", request.read(), advisory=True)
        return at_s + DEFAULT_TIMEOUT if refused else at_s

    def from_card(self, data: Bytes, before: Bytes, occasion: Occasion) -> None:
        """Writes with all of a message arrived in `data`, which held `before`. Changes it in place."""
        for one in self._from_card:
            one.now = one.fault.acts(occasion, *one.key)
        unit = self._packets.payload
        for number in self._pass(self._from_card, data, self._written, 0, unit, occasion.number, occasion.at_s):
            dropped = slice(number * unit, (number + 1) * unit)
            data[dropped] = before[: len(data)][dropped]
            request = self._request(INTO_ADDRESS, occasion.number, number * unit)
            self._tell(occasion.at_s, "near", "ECRC", request.write(), advisory=False)
        self._written += len(data)

    def _pass(
        self, acting: list[_Acting], data: Bytes, start: int, place: int, unit: int, message: int, at_s: float
    ) -> list[int]:
        """Flip bits of `data`; with ECRC leave it, and return the numbers in their message of the packets refused."""
        refused: set[int] = set()
        for one in acting:
            if not one.now:
                continue
            wrong = data.copy()
            one.flips.apply(wrong, start)
            places = np.flatnonzero(wrong != data)
            if self._truth is not None:
                self._truth.changed(at_s, message, one.fault.kind, data, wrong, place)
            if self._report is None:
                data[:] = wrong
            else:
                refused.update(((place + places) // unit).tolist())
        return sorted(refused)

    def _request(self, base: int, message: int, place: int) -> Request:
        unit = self._packets.completion if base == OUT_ADDRESS else self._packets.payload
        address = bus_address(base, message, place)
        return Request(
            address=address, nbytes=unit, requester=self._packets.requester, completer=self._packets.completer, tag=0
        )

    def _tell(self, at_s: float, end: End, name: str, header: Header, *, advisory: bool) -> None:
        if self._report is not None:
            header = (header[0] | _DIGEST, *header[1:])
            self._report(Report(at_s=at_s, end=end, name=name, header=header, advisory=advisory))
