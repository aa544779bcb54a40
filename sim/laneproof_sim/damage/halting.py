"""Faults in which the card stops: it falls off its link, or moves no more data; after how much, until which reset."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import ClassVar, Literal

from attrs import frozen

from laneproof.contract import ResetLevel
from laneproof.documents import Seconds
from laneproof_sim.damage.when import Conditional, Occasion
from laneproof_sim.quantities import ByteCount

_ENDED_BY = {
    "data reset": ResetLevel.DATA,
    "function reset": ResetLevel.FUNCTION,
    "link reset": ResetLevel.LINK,
}
"""The mildest reset that ends a fault."""


@frozen(kw_only=True)
class DropOff(Conditional):
    """The card falls off its link once it has taken in so many bytes, from when its conditions first hold.

    Where a link reset brings it back, the bytes count anew from there.
    """

    kind: ClassVar[str] = "drop-off"
    cause: ClassVar[str] = "Contact, supply or temperature that fails under load."
    seen: ClassVar[str] = (
        "The card's configuration space reads all ones; the near port shows its link down, and a Surprise Down (SDES)."
    )

    after: ByteCount
    until: Literal["never", "link reset"] = "never"


@frozen(kw_only=True)
class Stall(Conditional):
    """The card stops moving data once it has taken in so many bytes, counted in the same way; its link stays up.

    `until` is the mildest reset that lets it go on, from where the bytes count anew.
    """

    kind: ClassVar[str] = "stall"
    cause: ClassVar[str] = "A DMA engine that waits for something that never comes: a credit, a tag, a full memory."
    seen: ClassVar[str] = "Transfers reach their deadline; link up, error counters clean."

    after: ByteCount
    until: Literal["never", "data reset", "function reset", "link reset"] = "never"


@frozen(kw_only=True)
class SwitchedOff:
    """The card's own supply is switched off while the computer runs, at that virtual time."""

    kind: ClassVar[str] = "switched-off"
    cause: ClassVar[str] = "A card with a supply of its own that is switched off before the computer."
    seen: ClassVar[str] = DropOff.seen
    steps: ClassVar[tuple[str, ...]] = DropOff.steps

    at: Seconds


@frozen
class _Halting:
    """A fault, the key of its chance, and the bytes at which it acts; infinite while its conditions have not held."""

    fault: DropOff | Stall
    key: tuple[object, ...]
    at_nbytes: float

    def from_here(self, passed: int) -> _Halting:
        """The same, its conditions holding once `passed` bytes have gone through the card."""
        return _Halting(self.fault, self.key, passed + self.fault.after)

    def anew(self, passed: int) -> _Halting:
        """The same as it is when the card begins, at `passed` bytes."""
        return self.from_here(passed) if self.fault.when is None else _Halting(self.fault, self.key, math.inf)


class Halts:
    """The bytes that the card takes in before it falls off its link or stalls. False where it never will.

    `drop_after` and `stall_after` are bytes since power-on, infinite where nothing is to come; `switched_off_s` is
    when the card is lost whatever it does.
    """

    def __init__(self, faults: Sequence[object], seed: int, slot: str) -> None:
        self._set(
            _Halting(fault, (seed, slot, "halt", number), math.inf).anew(0)
            for number, fault in enumerate(faults)
            if isinstance(fault, DropOff | Stall)
        )
        self.switched_off_s = min((fault.at for fault in faults if isinstance(fault, SwitchedOff)), default=math.inf)

    def __bool__(self) -> bool:
        return bool(self._all)

    def begin(self, occasion: Occasion) -> None:
        """A message begins: conditions may hold from here on."""
        self._set(
            one.from_here(occasion.passed) if one.at_nbytes == math.inf and one.fault.acts(occasion, *one.key) else one
            for one in self._all
        )

    def reached(self, passed: int) -> list[DropOff | Stall]:
        """The faults that act once `passed` bytes have gone through the card."""
        return [one.fault for one in self._all if one.at_nbytes <= passed]

    def reset(self, level: ResetLevel, passed: int) -> None:
        """A reset, after so many bytes: those that it ends begin anew."""
        self._set(one.anew(passed) if _ends(one.fault, level) else one for one in self._all)

    def _set(self, halting: Iterable[_Halting]) -> None:
        self._all = list(halting)
        self.drop_after = self._first(DropOff)
        self.stall_after = self._first(Stall)

    def _first(self, kind: type[DropOff | Stall]) -> float:
        return min((one.at_nbytes for one in self._all if isinstance(one.fault, kind)), default=math.inf)


def _ends(fault: DropOff | Stall, level: ResetLevel) -> bool:
    return fault.until != "never" and level >= _ENDED_BY[fault.until]
