"""What must hold of readings: identity, link, error counts, conditions. Nothing is moved, nothing is written."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import cast

from laneproof import pcie
from laneproof.conformance.finding import Broken, NotDemonstrated, require
from laneproof.conformance.opened import Opened
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times
from laneproof.contract import ConditionObserver, ErrorObserver, IdentitySource, LinkObserver
from laneproof.readings import (
    AtLeast,
    Conditions,
    ErrorReading,
    Exact,
    Identity,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Unavailable,
    known,
)

_SPEEDS_GTPS = (2.5, 5.0, 8.0, 16.0, 32.0, 64.0)
_WIDTHS = (1, 2, 4, 8, 12, 16, 32)
_SIZES = tuple(128 << step for step in range(6))
"""Speeds, widths and payload sizes as the link and device capability registers code them; a width of 12 and 32 went
with revision 6 of the base specification and is still met (from memory of the base specification)."""
_IDENTITIES = 8
_MORE_ERRORS, _MORE_ERRORS_S = 256, 1.0
"""How often errors are caused to see a narrow register wrap, and for how many seconds at most."""
_SEVERITIES = ("correctable", "nonfatal", "fatal")


@rule(
    "offline", "read model, serial and versions from the card itself, and give the same ones until it is another card"
)
def identity_stays_the_same(trial: Trial) -> str:
    """A card says again and again that it is the same card."""
    with trial.opened() as card:
        source = card.part(IdentitySource)
        first, *others = [card.control(source.read_identity) for _ in range(_IDENTITIES)]
    require(isinstance(cast("object", first), Identity), f"read_identity gave {type(first).__name__}, not an Identity")
    require(bool(first.model.strip()), "the identity names no model")
    for number, other in enumerate(others, 2):
        require(other == first, f"it was {first.model} {first.serial}, and another at reading {number}")
    return f"{first.model}, {times(len(first.components), 'component')}"


@rule("offline", "give speeds in GT/s, widths in lanes and sizes in bytes, each partner from its own registers")
def link_reading_is_plausible(trial: Trial) -> str:
    """A link reading names both partners, with speeds, widths and sizes that a link can have."""
    with trial.opened() as card:
        observer = card.part(LinkObserver)
        reading = card.control(observer.read_link)
    require(isinstance(cast("object", reading), LinkReading), f"read_link gave {type(reading).__name__}")
    near, far = _partner("near", reading.near), _partner("far", reading.far)
    if near is not None and far is not None:
        require(near.name != far.name, f'both partners are called "{near.name}"')
        if near.active is not False:
            for what in ("speed_gtps", "width"):
                ends = getattr(near, what), getattr(far, what)
                require(
                    None in ends or ends[0] == ends[1], f"{what} is {ends[0]} at the near end and {ends[1]} at the far"
                )
    if near is None and far is None:
        raise NotDemonstrated(f"neither partner can be read: {cast('Unavailable', reading.near).why}")
    shown = near or far
    assert shown is not None
    return f"{shown.speed_gtps} GT/s x{shown.width}"


def _partner(end: str, partner: PartnerLink | Unavailable) -> PartnerLink | None:
    if isinstance(partner, Unavailable):
        require(bool(partner.why.strip()), f"the {end} partner is unavailable, and it is not said why")
        return None
    require(isinstance(cast("object", partner), PartnerLink), f"the {end} partner is a {type(partner).__name__}")
    require(bool(partner.name.strip()), f"the {end} partner has no name")
    for what, possible, unit in (
        ("speed_gtps", _SPEEDS_GTPS, "GT/s"),
        ("max_speed_gtps", _SPEEDS_GTPS, "GT/s"),
        ("width", _WIDTHS, "lanes"),
        ("max_width", _WIDTHS, "lanes"),
        ("max_payload", _SIZES, "bytes"),
        ("read_request", _SIZES, "bytes"),
    ):
        value = cast("float | None", getattr(partner, what))
        down = partner.active is False and value == 0
        require(value is None or value in possible or down, f"{what} of the {end} partner is {value}, in {unit}?")
    for now, most in (("speed_gtps", "max_speed_gtps"), ("width", "max_width")):
        value, limit = cast("float | None", getattr(partner, now)), cast("float | None", getattr(partner, most))
        fits = value is None or limit is None or value <= limit
        require(fits, f"{now} of the {end} partner is {value}, more than it can do, {limit}")
    return partner


# --- error counts ---------------------------------------------------------------------------------------------


def _read(card: Opened) -> ErrorReading:
    observer = card.part(ErrorObserver)
    reading = card.control(observer.read_errors)
    require(isinstance(cast("object", reading), ErrorReading), f"read_errors gave {type(reading).__name__}")
    return reading


def _ends(reading: ErrorReading) -> dict[str, PartnerErrors]:
    """The partners that can be read. Raises NotDemonstrated where neither can."""
    ends = {"near": known(reading.near), "far": known(reading.far)}
    found = {end: partner for end, partner in ends.items() if partner is not None}
    if not found:
        raise NotDemonstrated(f"neither partner can be read: {cast('Unavailable', reading.near).why}")
    return found


@rule("offline", "name errors as laneproof.pcie.CATALOGUE does; say Unavailable(why) for what cannot be read, not zero")
def error_counts_are_counts(trial: Trial) -> str:
    """Each error count is Exact, AtLeast or Unavailable with its reason, not negative, and named in the catalogue."""
    with trial.opened() as card:
        reading = _read(card)
    for end, partner in (("near", reading.near), ("far", reading.far)):
        if isinstance(partner, Unavailable):
            require(bool(partner.why.strip()), f"the {end} partner is unavailable, and it is not said why")
    ends = _ends(reading)
    if len(ends) == 2:
        require(ends["near"].name != ends["far"].name, f'both partners are called "{ends["near"].name}"')
    seen = 0
    for end, partner in ends.items():
        require(bool(partner.epoch), f"the {end} partner's counts have no epoch")
        for severity in _SEVERITIES:
            for name, count in cast("Mapping[str, object]", getattr(partner, severity)).items():
                _require_count(
                    f"{severity} {name} at the {end} end", name, count, correctable=severity == "correctable"
                )
                seen += 1
    return f"{times(seen, 'count')} at {' and '.join(ends)}"


def _require_count(what: str, name: str, count: object, *, correctable: bool) -> None:
    error = pcie.CATALOGUE.get(name)
    require(
        error is not None, f"{what}: no error of that name; the catalogue has {', '.join(list(pcie.CATALOGUE)[:3])}, …"
    )
    if error is not None and correctable and error.group != "correctable":
        raise Broken(f"{what}: the error is {error.group}")
    if isinstance(count, Unavailable):
        require(bool(count.why.strip()), f"{what} is unavailable, and it is not said why")
        return
    if not isinstance(count, Exact | AtLeast):
        raise Broken(f"{what} is {type(count).__name__}, not Exact, AtLeast or Unavailable")
    require(type(count.n) is int and count.n >= 0, f"{what} is {count.n!r}")
    if isinstance(count, AtLeast):
        require(bool(count.why.strip()), f"{what} is a lower bound, and it is not said why")


@rule("offline", "make a new epoch where the counters really start anew, a reset or a re-enumeration, and nowhere else")
def an_epoch_lasts(trial: Trial) -> str:
    """Two readings of error counts with nothing in between belong to one epoch."""
    with trial.opened() as card:
        first, second = _ends(_read(card)), _ends(_read(card))
    for end, partner in first.items():
        later = second.get(end)
        if later is None:
            raise Broken(f"the {end} partner could be read, and at once afterwards not")
        epochs = f"the {end} partner's epoch was {partner.epoch}, and at once afterwards {later.epoch}"
        require(partner.epoch == later.epoch, epochs)
        require(partner.name == later.name, f'the {end} partner was "{partner.name}" and then "{later.name}"')
    return f"the same epoch at {' and '.join(first)}"


@rule("offline", "read counters without clearing them; where the register clears by itself, add up what was read")
def reading_keeps_the_counts(trial: Trial) -> str:
    """Reading error counts does not take them back: within an epoch they never fall."""
    with trial.opened() as card:
        _ends(_read(card))
        try:
            trial.hook("cause_errors")
        except NotDemonstrated:
            if not _exact(_ends(_read(card))):
                raise
        first = _ends(_read(card))
        second = _ends(_read(card))
    counted = _require_no_fall(first, second)
    require(counted, "the rig's cause_errors() was called, and no count is above zero")
    return f"{times(counted, 'count')} above zero, read twice"


def _exact(ends: dict[str, PartnerErrors]) -> int:
    """How many exact counts are above zero: a flag that stays set proves nothing."""
    counts = [count for partner in ends.values() for severity in _SEVERITIES for count in _counts(partner, severity)]
    return sum(isinstance(count, Exact) and count.n > 0 for count in counts)


def _counts(partner: PartnerErrors, severity: str) -> list[object]:
    return list(cast("Mapping[str, object]", getattr(partner, severity)).values())


@rule(
    "offline",
    "read the register anew each time, count on where it wraps, and say AtLeast of one that stays at its end",
)
def counts_rise_with_errors(trial: Trial) -> str:
    """Each error that happens raises a count at one end at least, and lowers none."""
    with trial.opened() as card:
        first = _ends(_read(card))
        trial.hook("cause_errors")
        second = _ends(_read(card))
        _require_no_fall(first, second)
        risen = _risen(first, second)
        require(risen, "no count has risen")
        _require_more(trial, card, second)
    return f"risen: {', '.join(sorted(risen))}"


def _risen(first: dict[str, PartnerErrors], second: dict[str, PartnerErrors]) -> list[str]:
    risen: list[str] = []
    for end in first.keys() & second.keys():
        before, after = _totals(first[end]), _totals(second[end])
        risen += [f"{name} at the {end} end" for name in after if after[name] > before.get(name, 0)]
    return risen


def _require_more(trial: Trial, card: Opened, last: dict[str, PartnerErrors]) -> None:
    """Raise Broken where counts fall or stand as errors go on, as those of a register with eight bits do.

    A slow rig causes fewer errors. A count that is AtLeast says of itself that it may stand.
    """
    until_s = time.monotonic() + _MORE_ERRORS_S
    for _ in range(_MORE_ERRORS):
        if time.monotonic() > until_s:
            return
        exact = _exact(last)
        trial.hook("cause_errors")
        now = _ends(_read(card))
        _require_no_fall(last, now)
        stands = exact and _exact(now) == exact and not _risen(last, now)
        require(not stands, "counts have risen, and now stand as errors go on, and each is still called Exact")
        last = now


def _totals(partner: PartnerErrors) -> dict[str, int]:
    return {
        f"{severity} {name}": count.n
        for severity in _SEVERITIES
        for name, count in cast("Mapping[str, object]", getattr(partner, severity)).items()
        if isinstance(count, Exact | AtLeast)
    }


def _require_no_fall(first: dict[str, PartnerErrors], second: dict[str, PartnerErrors]) -> int:
    """Raise Broken where a count has fallen in its epoch; how many counts are above zero."""
    counted = 0
    for end, partner in first.items():
        later = second.get(end)
        if later is None or later.epoch != partner.epoch:
            continue
        now = _totals(later)
        for name, before in _totals(partner).items():
            require(
                now.get(name, 0) >= before, f"{name} at the {end} end was {before}, and then {now.get(name, 'gone')}"
            )
            counted += before > 0
    return counted


@rule("offline", "return laneproof.readings.Conditions, and Unavailable(why) for each thing that this card cannot show")
def conditions_say_what_they_do_not_know(trial: Trial) -> str:
    """A reading of conditions is complete: what cannot be read is Unavailable, with the reason."""
    with trial.opened() as card:
        observer = card.part(ConditionObserver)
        reading = card.control(observer.read_conditions)
    require(isinstance(cast("object", reading), Conditions), f"read_conditions gave {type(reading).__name__}")
    parts = {
        what: cast("object", getattr(reading, what))
        for what in ("near", "far", "sensors", "memory_errors", "iommu_faults", "reported")
    }
    for what, value in parts.items():
        require(value is not None, f"{what} is None; say Unavailable(why)")
        if isinstance(value, Unavailable):
            require(bool(value.why.strip()), f"{what} is unavailable, and it is not said why")
    return (
        f"read: {', '.join(what for what, value in parts.items() if not isinstance(value, Unavailable)) or 'nothing'}"
    )
