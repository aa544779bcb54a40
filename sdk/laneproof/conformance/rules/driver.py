"""What must hold of the driver object and of opening: before any data, and with no card but the one named."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from typing import cast

import attrs

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.leavings import Held, left_since
from laneproof.conformance.memory import Lent
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial, address_without_a_card
from laneproof.conformance.words import times, told
from laneproof.contract import Card, Found, QueuedPath, StreamPath, WindowPath
from laneproof.errors import LaneproofError, NotOffered

_OPENINGS = 4
DISCOVER_S = 10.0
"""As `laneproof endpoints` gives it, in seconds."""


@rule(
    "offline",
    "declare an instance of laneproof.contract.Driver as the entry point, and the contract that it was written for",
    essential=True,
)
def driver_is_accepted(trial: Trial) -> str:
    """The scheme's entry point gives one Driver, which keeps this contract or the one before."""
    try:
        driver = trial.driver
    except LaneproofError as error:
        raise Broken(str(error)) from None
    return f"{type(driver).__name__} keeps contract {driver.contract}"


@rule("offline", "make it a class of attrs.frozen with typed fields, each with a default", essential=True)
def options_are_frozen_values(trial: Trial) -> str:
    """A driver's options are a frozen attrs class, whose fields are the options of the URI."""
    options, again = trial.options(), trial.options()
    names = [field.name for field in attrs.fields(cast("type[attrs.AttrsInstance]", type(options)))]
    require(options == again, "the same URI gives options that are not equal")
    for name in names:
        try:
            setattr(options, name, getattr(options, name))
        except attrs.exceptions.FrozenError:
            continue
        raise Broken(f"the option {name} can be set after the URI was read")
    return f"{times(len(names), 'option')}: {', '.join(names) or 'none'}"


@rule("offline", "return Found values, without opening or writing to anything, and the same ones each time")
def discover_is_repeatable(trial: Trial) -> str:
    """Discovering cards gives Found values, twice the same, within its deadline, and leaves nothing open."""
    before = Held.now()
    first, second = _discovered(trial), _discovered(trial)
    require(first == second, f"it found {len(first)} and then {len(second)} cards, or others")
    left = left_since(before, openings=2)
    require(not left, f"after discover {left}")
    return f"{times(len(first), 'card')}, twice the same"


def _discovered(trial: Trial) -> list[Found]:
    driver = trial.driver
    with Deadline(DISCOVER_S) as deadline:
        found = trial.call("discover", lambda: list(driver.discover(deadline)), given_s=DISCOVER_S, deadline=deadline)
    for one in cast("list[object]", found):
        if not isinstance(one, Found):
            raise Broken(f"it gives {type(one).__name__}, not laneproof.contract.Found")
        require(one.address.text, "it gives a card whose address is empty, which no URI can name")
    return found


@rule("offline", "look at nothing in discover that could move a byte or change a setting")
def discover_disturbs_no_card(trial: Trial) -> str:
    """Discovering leaves an open card as it is: nothing comes out of it, nothing in it has changed."""
    with trial.opened() as card:
        probe = card.probe
        if not probe.holds_what_is_sent:
            held = Lent(probe.largest).view, Lent(probe.largest).view
            card.control(probe.window.read_into, 0, held[0])
            _discovered(trial)
            card.control(probe.window.read_into, 0, held[1])
            require(held[0] == held[1], "the window holds other bytes than before")
            return f"the first {len(held[0])} bytes of the window stay"
        _discovered(trial)
        came = probe.take(Lent(probe.few).view, trial.rig.wait_s)
        require(not came, f"{came} bytes came out of the card that nobody had sent")
    return "nothing came out of the card afterwards"


@rule("offline", "open the card in connect and wait there until it is ready, within the deadline", essential=True)
def connect_returns_a_ready_card(trial: Trial) -> str:
    """Connecting gives a Card with at least one path of a known kind, before the deadline."""
    began_s = time.monotonic()
    card = trial.connect()
    took_s = time.monotonic() - began_s
    try:
        kinds = [_kind(card, number) for number in range(len(card.channels))]
        require(
            took_s <= trial.rig.open_s + trial.rig.slack_s, f"connect took {took_s:.3g} s of {trial.rig.open_s:g} s"
        )
    finally:
        with suppress(Exception):
            trial.close(card)
    return f"{times(len(kinds), 'channel')} ({', '.join(kinds)}) after {took_s:.2g} s"


def _kind(card: Card, number: int) -> str:
    channel = card.channels[number]
    path = cast("object", channel.path)  # as given by a driver
    for kind in (StreamPath, QueuedPath, WindowPath):
        if isinstance(path, kind):
            return kind.__name__
    raise Broken(f"channel {channel.name} has a {type(path).__name__}, which is no path of the contract")


@rule("offline", "remember that the card is closed before anything is given back, and return at once the second time")
def close_may_be_called_twice(trial: Trial) -> str:
    """Closing a card a second time raises nothing and touches nothing that has been opened since."""
    with trial.opened() as opened:
        trial.close(opened.card)
        _require_still_claimed(trial, opened.card)
        others = [os.pipe() for _ in range(8)]  # which get the numbers that the card's descriptors had
        descriptors = [end for pair in others for end in pair]
        try:
            trial.close(opened.card)
            for descriptor in descriptors:
                try:
                    os.fstat(descriptor)
                except OSError:
                    raise Broken("the second close closed a descriptor that was not the card's any more") from None
        finally:
            for descriptor in descriptors:
                with suppress(OSError):
                    os.close(descriptor)
    return "closed twice; what was opened in between stays open"


def _require_still_claimed(trial: Trial, closed: Card) -> None:
    """Raise Broken where closing a card again takes away the claim of the opening that has come after it."""
    with trial.opened():
        if not _is_refused(trial):
            return  # each opening stands for itself
        trial.close(closed)
        require(_is_refused(trial), "the second close gave up the claim of an opening that had come after the first")


def _is_refused(trial: Trial) -> bool:
    try:
        card = trial.connect()
    except (LaneproofError, OSError):
        return True
    trial.close(card)
    return False


@rule(
    "offline",
    "give back in close all that connect took: descriptors, threads (joined), children (waited for), mappings",
    essential=True,
)
def close_leaves_nothing_open(trial: Trial) -> str:
    """A closed card leaves no descriptor, thread, child process or mapping behind, not even for a moment."""
    _open_and_close(trial, 1)  # what is made once and kept, on purpose
    before = Held.now()
    _open_and_close(trial, _OPENINGS)
    left = left_since(before, _OPENINGS)
    require(not left, f"{_OPENINGS} times opened and closed: {left}")
    return f"nothing, after {_OPENINGS} openings"


def _open_and_close(trial: Trial, openings: int) -> None:
    for _ in range(openings):
        with trial.opened():
            pass


@rule("offline", "give back in close whatever claims the card: a lock, an open file, a process", essential=True)
def a_closed_card_opens_again(trial: Trial) -> str:
    """A card that was closed can be opened again at once."""
    with trial.opened():
        pass
    for number in range(2, _OPENINGS + 1):
        try:
            card = trial.connect()
        except (Exception, SystemExit) as error:
            raise Broken(f"opening number {number} failed: {told(error)}") from None
        with suppress(Exception):
            trial.close(card)
    return f"opened {_OPENINGS} times"


@rule("offline", "raise BadInput or CannotOpen, on one line that says what to do, and close what was opened so far")
def a_wrong_address_is_refused(trial: Trial) -> str:
    """Connecting to an address without a card raises one of laneproof's errors on one line, and leaves nothing open."""
    address = address_without_a_card(trial)
    before = Held.now()
    shown = f'the address "{address.text}"'
    try:
        card = trial.connect(address=address)
    except LaneproofError as error:
        text = str(error.args[0])
        require(text.strip() and text.isprintable(), f"{shown} is refused with {told(error)}, which is not one line")
        seen = told(error)
    except OSError as error:  # mapped by the endpoint
        seen = told(error)
    except (Exception, SystemExit) as error:
        raise Broken(f"{shown} ends in {told(error)}, which is no error of laneproof's") from None
    else:
        trial.close(card)
        raise Broken(f"{shown} was taken for a card's")
    left = left_since(before, openings=1)
    require(not left, f"after connect has failed {left}")
    return seen


@rule("offline", "correct the Limits in connect: sizes in bytes, the rate in bytes per second", essential=True)
def limits_fit_each_other(trial: Trial) -> str:
    """The limits of a channel are whole numbers that fit each other."""
    with trial.opened() as card:
        for probe in card.probes:
            limits, name = probe.limits, probe.channel.name
            for what in ("max_transfer", "alignment", "granularity", "queue_depth"):
                value = cast("object", getattr(limits, what))
                require(isinstance(value, int) and not isinstance(value, bool), f"{name}: {what} is {value!r}")
            require(limits.granularity <= limits.max_transfer, f"{name}: not one granule fits into a transfer")
            require(limits.alignment & (limits.alignment - 1) == 0, f"{name}: no power of two: {limits.alignment}")
            depth = limits.fifo_depth
            require(depth is None or depth >= 0, f"{name}: fifo_depth is {depth}")
            if isinstance(probe.channel.path, WindowPath) and probe.window.size < limits.granularity:
                raise Broken(f"{name}: a window of {probe.window.size} bytes holds not one granule")
        limits = card.probe.limits
    return (
        f"transfers to {limits.max_transfer} bytes in granules of {limits.granularity}, aligned to {limits.alignment}, "
        f"{limits.queue_depth} at a time"
    )


@rule("offline", "refuse a second opening with CardInUse, or let both work; never break the one that is open")
def a_card_in_use_stays_usable(trial: Trial) -> str:
    """Opening a card that is open already either works or is refused, and leaves the first opening as it was."""
    with trial.opened() as card:
        try:
            second = trial.connect()
        except LaneproofError as error:
            seen = told(error)
        except OSError as error:
            seen = told(error)
        else:
            seen = "a second opening works"
            trial.close(second)
        if card.probe.holds_what_is_sent:
            came = card.probe.take(Lent(card.probe.few).view, trial.rig.wait_s)
            require(not came, f"{came} bytes came out of the first opening that nobody had sent")
    return seen


@rule("offline", "read the error: laneproof.open looks the driver up by its scheme and checks the card it makes")
def the_whole_opens(trial: Trial) -> str:
    """The card opens with `laneproof.open`, as users open it, and closes twice."""
    with trial.opened():
        pass  # what does not open by itself is another rule's business
    try:
        endpoint = trial.open_endpoint()
    except NotOffered as error:
        raise NotApplicable(str(error.args[0])) from None
    with trial.watch.over("Endpoint.close", 1.0):
        endpoint.close()
        endpoint.close()
    return f"{times(len(endpoint.channels), 'channel')}, {'virtual' if endpoint.clock.virtual else 'real'} time"
