"""What must hold between openings, channels and cards: nothing is carried over, nothing is shared."""

from __future__ import annotations

import time

from laneproof.conformance.finding import NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.contract import IdentitySource, StreamPath


def _require_fresh(probe: Probe, number: int, what: str) -> None:
    """The card gives nothing unasked, and echoes what it is sent now."""
    nbytes = probe.few
    stale = Lent(nbytes).view
    came = probe.take(stale, probe.opened.trial.rig.wait_s)
    require(not came, f"{what} {came} bytes came out of the card that were sent before")
    out, into = Lent(nbytes), Lent(nbytes)
    out.fill(stretch_of(number))
    into.fill_unlike(stretch_of(number))
    came = probe.echo(out.view, into.view)
    require(came == nbytes, f"{what} {came} of {nbytes} bytes came back")
    into.require(stretch_of(number), f"{what} {nbytes} bytes")


@rule("card", "reset or drain the card's FIFOs in connect, before it is called ready", essential=True)
def nothing_is_carried_over(trial: Trial) -> str:
    """What was sent and never received in one opening does not come out in the next."""
    with trial.opened() as card:
        card.probe.require_a_flow()
        out = Lent(card.probe.few)
        out.fill(stretch_of(0))
        card.probe.put(out.view)
        time.sleep(trial.rig.wait_s)  # until they have reached the card
    with trial.opened() as card:
        _require_fresh(card.probe, 1, "after it was opened anew")
    return f"{len(out)} bytes were left in the card and did not come out"


@rule("card", "drain until the card falls silent in connect, not only what is there at once")
def stray_bytes_are_dropped(trial: Trial) -> str:
    """What an earlier user left in the card does not come out after it was opened."""
    with trial.opened() as card:
        card.probe.require_a_flow()
        nbytes = 37 * card.probe.limits.granularity
    trial.hook("stray", nbytes)
    with trial.opened() as card:
        _require_fresh(card.probe, 1, "after an earlier user")
    return f"{nbytes} bytes of an earlier user were dropped"


@rule(
    "card", "keep all state in the object that connect returns; nothing in the class, the module or the driver object"
)
def two_cards_share_nothing(trial: Trial) -> str:
    """What is sent to one card comes back from that card, whatever goes on at the other, which may be closed."""
    if not trial.rig.second_uri:
        raise NotDemonstrated("the rig names no second_uri")
    with trial.opened() as first:
        with trial.opened(trial.rig.second_uri) as second:
            seen = _each_its_own(first.probe, second.probe, "card")
        nbytes = first.probe.few
        out, into = Lent(nbytes), Lent(nbytes)
        out.fill(stretch_of(2))
        came = first.probe.echo(out.view, into.view)
        require(came == nbytes, f"after the second card was closed, {came} of {nbytes} bytes came back from the first")
        into.require(stretch_of(2), "after the second card was closed")
    return seen


@rule("offline", "read the serial from the card, not from the driver; where it has none, say None")
def two_cards_are_told_apart(trial: Trial) -> str:
    """Two cards do not have one serial."""
    if not trial.rig.second_uri:
        raise NotDemonstrated("the rig names no second_uri")
    if trial.rig.second_uri == trial.rig.uri:
        raise NotApplicable("the rig's second_uri is its uri")
    serials: list[str] = []
    for uri in ("", trial.rig.second_uri):
        with trial.opened(uri) as card:
            serial = card.control(card.part(IdentitySource).read_identity).serial
            if serial is None:
                raise NotApplicable("the card tells no serial")
            serials.append(serial)
    require(serials[0] != serials[1], f'both cards say that their serial is "{serials[0]}"')
    return f"{serials[0]} and {serials[1]}"


@rule("card", "keep a FIFO, a queue and its tickets for each channel")
def channels_share_no_data(trial: Trial) -> str:
    """What is sent on one channel comes back on that channel."""
    with trial.opened() as card:
        if len(card.probes) < 2:
            raise NotApplicable("the card has one channel")
        return _each_its_own(card.probes[0], card.probes[1], "channel")


def _each_its_own(one: Probe, other: Probe, what: str) -> str:
    if not one.holds_what_is_sent:
        return _each_its_own_window(one, other, what)
    nbytes = one.few
    sent = Lent(nbytes), Lent(nbytes)
    for number, (probe, out) in enumerate(zip((one, other), sent, strict=True)):
        out.fill(stretch_of(number))
        probe.put(out.view)
    whole = one.limits.boundary == "message" or not isinstance(one.channel.path, StreamPath)
    first = nbytes if whole else min(nbytes, 3 * one.limits.granularity)  # less than a driver may have fetched
    received = Lent(nbytes), Lent(nbytes)
    for begin, end in ((0, first), (first, nbytes)):
        for number, probe in ((1, other), (0, one)):
            came = probe.take(received[number].view[begin:end], probe.time_for_s(nbytes)) if end > begin else 0
            name = ("first", "second")[number]
            require(came == end - begin, f"of {nbytes} bytes sent to the {name} {what}, {begin + came} came back")
    for number, into in enumerate(received):
        into.require(stretch_of(number), f"what came back from the {('first', 'second')[number]} {what}")
    return f"{nbytes} bytes on each {what}, received in the other order"


def _each_its_own_window(one: Probe, other: Probe, what: str) -> str:
    nbytes = one.few
    for number, probe in enumerate((one, other)):
        out = Lent(nbytes)
        out.fill(stretch_of(number))
        probe.opened.control(probe.window.write, 0, out.view[:])
    for number, probe in enumerate((one, other)):
        into = Lent(nbytes)
        probe.opened.control(probe.window.read_into, 0, into.view[:])
        into.require(stretch_of(number), f"the window of the {('first', 'second')[number]} {what}")
    return f"{nbytes} bytes in the window of each {what}"
