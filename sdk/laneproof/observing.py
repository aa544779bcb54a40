"""What is seen of a card's link: by observers that are added to the card's own parts, as `observe=` asks for, and of a
card that is lost."""

from __future__ import annotations

import attrs

from laneproof import registry
from laneproof.clock import Deadline
from laneproof.contract import (
    Card,
    ConditionObserver,
    ErrorObserver,
    IdentitySource,
    LaneMargining,
    LinkObserver,
    LinkTrainer,
    Part,
)
from laneproof.errors import BadInput, CannotOpen, LaneproofError
from laneproof.moving import in_driver
from laneproof.readings import Conditions, ErrorReading, LinkReading, known


def observed(card: Card, observe: str, deadline: Deadline) -> Card:
    """The card with the parts of `observe`, SCHEME:ADDRESS, beside its own, of which they replace none.

    Raises BadInput or CannotOpen.
    """
    scheme, colon, address = observe.partition(":")
    if not colon:
        raise BadInput(f'observe="{observe}" names no device; write for example observe="pci:0000:65:00.0"')
    source = registry.observers_for(scheme)
    with in_driver(os_error=CannotOpen):
        added = tuple(source.attach(address, deadline))
    for kind in (LinkObserver, ErrorObserver, ConditionObserver):
        if card.part(kind) is not None and any(isinstance(part, kind) for part in added):
            raise BadInput(f'the card has a {kind.__name__} of its own; open it without observe="{observe}"')
    if card.part(IdentitySource) is not None:  # which knows better than the slot what it is
        added = tuple(seen for part in added for seen in _without_identity(part))
    if card.part(LinkTrainer) is None:
        with in_driver(os_error=CannotOpen):
            trainer = source.trainer(address, deadline)
        added += () if trainer is None else (trainer,)
    if card.part(LaneMargining) is None:
        with in_driver(os_error=CannotOpen):
            margining = source.margining(address, deadline)
        added += () if margining is None else (margining,)
    return attrs.evolve(card, parts=(*card.parts, *added))


def near_shows_down(observer: LinkObserver, deadline: Deadline) -> str:
    """What the near port shows of a card that is lost: a sentence, or nothing."""
    try:
        with in_driver():
            near = known(observer.read_link(deadline).near)
    except LaneproofError:
        return ""
    return f"{near.name} shows its link down" if near is not None and near.active is False else ""


def _without_identity(part: Part) -> tuple[Part, ...]:
    if not isinstance(part, IdentitySource):
        return (part,)
    seen: list[Part] = [_SeenLink(part)] if isinstance(part, LinkObserver) else []
    seen += [_SeenErrors(part)] if isinstance(part, ErrorObserver) else []
    seen += [_SeenConditions(part)] if isinstance(part, ConditionObserver) else []
    return tuple(seen)


class _SeenLink(LinkObserver):
    """The link that an observer sees, and no more of it; the next two are alike."""

    def __init__(self, part: LinkObserver) -> None:
        self._part = part

    def read_link(self, deadline: Deadline) -> LinkReading:
        return self._part.read_link(deadline)


class _SeenErrors(ErrorObserver):
    def __init__(self, part: ErrorObserver) -> None:
        self._part = part

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return self._part.read_errors(deadline)


class _SeenConditions(ConditionObserver):
    def __init__(self, part: ConditionObserver) -> None:
        self._part = part

    def read_conditions(self, deadline: Deadline) -> Conditions:
        return self._part.read_conditions(deadline)
