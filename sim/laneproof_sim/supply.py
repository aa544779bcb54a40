"""What powers the cards of a bench, and what becomes of a card that has too little: faults that follow from watts.

A slot grants a card some power, an auxiliary plug adds its own, and the supply behind both has a limit; a card with a
supply of its own takes nothing from the computer. Slots' limits: PCI Express card electromechanical specification, as
the project's check values have it. Assumptions, where no source says more:

- All cards work at once when one does, so that what a supply cannot carry does not depend on who else is at work.
- A supply that is too weak gives way under the card that draws most, the first of them in the file; where what is left
  is still too much, under the next. That card leaves its link once `BROWN_OUT_AFTER` bytes have passed it.
- A supply that cannot carry the cards at rest does not start.
- A card that was told of a slot power limit below what its work takes, and has no plug that makes up for it, keeps to
  what it may: it answers, and moves no data.
- The computer looks for cards when it starts, and not again: one that is switched on later is not there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Literal

from attrs import frozen

from laneproof.documents import Seconds
from laneproof.errors import BadInput
from laneproof_sim.config_space import slot_power_code
from laneproof_sim.damage.halting import DropOff, Stall, SwitchedOff
from laneproof_sim.faults import Absent
from laneproof_sim.quantities import ByteCount, Watts

BROWN_OUT_AFTER = ByteCount(8 << 20)
GRANTED = Watts(25.0)
"""What a slot gives to a card once it is configured, one of x1 as well."""
NOTHING = Watts(0.0)


@frozen(kw_only=True)
class Supply:
    """The computer's supply: what it can give to all cards together."""

    limit: Watts


@frozen(kw_only=True)
class OwnSupply:
    """A supply of the card's own: switched on before the computer, as it should be, or after; and when off again."""

    switched_on: Literal["before", "after"] = "before"
    switched_off: Seconds | None = None
    """Virtual time since the computer's power-on; None for after the computer, as it should be."""


@frozen(kw_only=True)
class CardPower:
    """What one card draws, at rest and under load, and what its slot and an auxiliary plug may give."""

    at_rest: Watts
    under_load: Watts
    from_slot: Watts = GRANTED
    from_plug: Watts = NOTHING
    """0 W where no plug is in."""
    own_supply: OwnSupply | None = None

    def __attrs_post_init__(self) -> None:
        if self.under_load < self.at_rest:
            raise BadInput("under_load is below at_rest; a card at work draws at least what it draws at rest")
        slot_power_code(self.from_slot)
        if self.own_supply is not None and self.from_plug:
            raise BadInput("a card with a supply of its own takes no plug of the computer's; leave one of them out")

    @property
    def granted(self) -> float:
        """What the card may draw from the computer."""
        return self.from_slot + self.from_plug


@frozen(kw_only=True)
class NoPower(Absent):
    """The card is not powered when the computer looks for it."""

    kind: ClassVar[str] = "no-power"
    cause: ClassVar[str] = "A supply switched on too late, a plug that is not in, or more cards than a supply carries."


@frozen(kw_only=True)
class PowerHeld(Stall):
    """The card may draw too little for its work, and does not begin with it."""

    kind: ClassVar[str] = "power-held"
    cause: ClassVar[str] = "A card that needs more than its slot grants, its auxiliary plug not in."


@frozen(kw_only=True)
class BrownOut(DropOff):
    """The card's supply gives way under load."""

    kind: ClassVar[str] = "brown-out"
    cause: ClassVar[str] = "More cards at work than the supply carries."


PowerFault = NoPower | PowerHeld | BrownOut | SwitchedOff


def power_faults(supply: Supply | None, cards: Mapping[str, CardPower]) -> dict[str, tuple[PowerFault, ...]]:
    """What each card suffers, by the name of its slot; no entry for one that has what it needs."""
    found: dict[str, tuple[PowerFault, ...]] = {}
    drawing: dict[str, float] = {}
    for name, card in cards.items():
        if card.own_supply is not None:
            if faults := _own(card.own_supply):
                found[name] = faults
        elif card.at_rest > card.granted:
            found[name] = (NoPower(),)
        elif card.under_load > card.granted:
            found[name] = (PowerHeld(after=ByteCount(0)),)
            drawing[name] = card.at_rest
        else:
            drawing[name] = card.under_load
    if supply is None:
        return found
    if sum(cards[name].at_rest for name in drawing) > supply.limit:
        return found | dict.fromkeys(cards, (NoPower(),))
    while sum(drawing.values()) > supply.limit:
        most = max((name for name in drawing if name not in found), key=lambda name: drawing[name])
        del drawing[most]
        found[most] = (BrownOut(after=BROWN_OUT_AFTER),)
    return found


def _own(own: OwnSupply) -> tuple[PowerFault, ...]:
    if own.switched_on == "after":
        return (NoPower(),)
    return () if own.switched_off is None else (SwitchedOff(at=own.switched_off),)
