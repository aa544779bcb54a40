"""The power budget: what a plan declares of its cards' draw against what slot, riser, plugs and supply give.

Sums of declared watts, and the slot power limit that a port announces; nothing here measures what a card draws, and
nothing replaces the manuals of card and computer, or licensed practice. Limits on readings are in `guard`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from laneproof.campaign.results import Reason
from laneproof.campaign.verdict import Verdict
from laneproof.documents import printable
from laneproof.errors import BadInput
from laneproof.readings import LinkReading, known

if TYPE_CHECKING:
    from laneproof.campaign.plan import Plan, PlannedEndpoint

_ROUNDING_W = 1e-9
_SUPPLIES = ("slot_power", "riser_power", "auxiliary_power")
_MANUALS = "the manuals of card and computer decide"


def check(plan: Plan) -> None:
    """Raise BadInput, with the key and the remedy, for a card, a riser or a supply that gets more to do than it may.

    What was not declared is not assumed, but for auxiliary power: a plug that is not declared is not counted on.
    """
    for index, one in enumerate(plan.endpoint):
        through_slot = _through_slot(one)
        if one.slot_power is not None and _exceeds(through_slot, one.slot_power):
            plug = "and no auxiliary_power is declared"
            if one.auxiliary_power is not None:
                plug = f"and auxiliary_power {one.auxiliary_power:g} W"
            raise BadInput(
                f"endpoint[{index}].power: the card may draw {one.power:g} W, slot_power is {one.slot_power:g} W "
                f"{plug}; use a slot or a plug that gives enough, and declare it: {_MANUALS}"
            )
        if one.riser_power is not None and _exceeds(through_slot, one.riser_power):
            raise BadInput(
                f"endpoint[{index}].riser_power: up to {through_slot:g} W of the card's {one.power:g} W come through "
                f"the riser, which is for {one.riser_power:g} W; take one that carries it, or none: {_MANUALS}"
            )
    drawn = [one.power for one in plan.endpoint if one.power is not None]
    if plan.supply_power is not None and _exceeds(sum(drawn), plan.supply_power):
        cards = f"the {len(drawn)} cards that declare power" if len(drawn) > 1 else "the card"
        raise BadInput(
            f"supply_power: {cards} may draw {sum(drawn):g} W, and {plan.supply_power:g} W are there for all; take "
            f"cards out, or fit a supply for them and declare it: {_MANUALS}"
        )


def table(plan: Plan) -> Iterator[str]:
    """A line for each card and one for their sum, and what is not known; none where a plan declares no power."""
    if plan.supply_power is None and not any(_declares(one) for one in plan.endpoint):
        return
    names = plan.names()
    for name, one in zip(names, plan.endpoint, strict=True):
        gives = ", ".join(
            f"{key.removesuffix('_power')} {_watts(watts)}" for key in _SUPPLIES for watts in (getattr(one, key),)
        )
        yield f"{printable(name)}: card {_watts(one.power)}; {gives}{_open(one)}"
    drawn = sum(one.power for one in plan.endpoint if one.power is not None)
    silent = [printable(name) for name, one in zip(names, plan.endpoint, strict=True) if one.power is None]
    least = f"at least {drawn:g} W, not known: {', '.join(silent)}" if silent else f"{drawn:g} W"
    unheld = "" if plan.supply_power is not None and not silent else ": not held against each other"
    yield f"all cards: {least}; supply {_watts(plan.supply_power)}{unheld}"
    yield f"sums of what is declared, and no more: {_MANUALS}, and licensed practice"


def judge_slot(planned: PlannedEndpoint, link: LinkReading) -> Reason | None:
    """What the slot power limit that the port announces says of a card's declared draw; None where none is declared.

    A verdict that is not pass is one before any load: the card would have to draw more than its slot grants. That is
    the slot's failure where the plan declares what it gives, and undecided where it does not: then slot, port set up
    too low and a card that is not meant for that slot all remain possible.
    """
    if not _declares(planned):
        return None
    if planned.power is None:
        return Reason(Verdict.PASS, "power: what the card may draw is not known, for the plan does not declare it")
    limit, draws = link.slot_power_w, f"the {planned.power:g} W that the card may draw"
    if not limit:
        if planned.slot_power is None:
            missing = "no slot_power is declared, and its port shows no limit"
            return Reason(Verdict.PASS, f"power: whether the slot gives {draws} is not known: {missing}")
        return Reason(Verdict.PASS, f"power: {draws} fit what is declared; the slot's port shows no limit")
    near = known(link.near)
    shown = f"{'its port' if near is None else near.name} grants {limit:g} W (slot power limit)"
    plug = "" if planned.auxiliary_power is None else f", {planned.auxiliary_power:g} W of them by a plug"
    if not _exceeds(_through_slot(planned), limit):
        return Reason(Verdict.PASS, f"power: {shown}, enough for {draws}{plug}")
    text = f"power: {shown}, too little for {draws}{plug}"
    remedy = "see the slot's power in the setup and in the board's manual"
    if planned.slot_power is not None:
        return Reason(Verdict.FAIL, f"{text}, and not the {planned.slot_power:g} W of slot_power; {remedy}")
    return Reason(Verdict.INCONC, f"{text}; {remedy}, or declare auxiliary_power if the card has a plug of its own")


def _through_slot(one: PlannedEndpoint) -> float:
    """Watts that have to come through slot and riser when plugs give all that they may."""
    return max(0.0, (one.power or 0.0) - (one.auxiliary_power or 0.0))


def _exceeds(watts: float, limit: float) -> bool:
    return watts > limit + _ROUNDING_W


def _declares(one: PlannedEndpoint) -> bool:
    return one.power is not None or any(getattr(one, key) is not None for key in _SUPPLIES)


def _watts(watts: float | None) -> str:
    return "not known" if watts is None else f"{watts:g} W"


def _open(one: PlannedEndpoint) -> str:
    if one.power is None:
        return ": not held against each other"
    return ": the slot's own limit is read when the card is open" if one.slot_power is None else ""
