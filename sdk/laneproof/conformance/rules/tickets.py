"""What must hold of tickets beyond one transfer: their numbers, messages that are too long, a stop beside a reap."""

from __future__ import annotations

import time

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.contract import QueuedPath
from laneproof.errors import BadInput

_NUMBERS = (1, 1 << 8, (1 << 16) + 1, 1 << 31, (1 << 32) + 1, (1 << 53) + 1, (1 << 63) - 1)
"""Of tickets: beyond what eight to sixty-three bits, and a floating-point number, hold."""
_SHORT, _LONG = 3, 8
"""Granules of a buffer, and of a message that is too long for it."""


def _numbered(probe: Probe, ticket: int, number: int) -> None:
    """One transfer with a ticket of that number, which brings back its own bytes."""
    nbytes = probe.few
    out, into = Lent(nbytes), Lent(nbytes)
    out.fill(stretch_of(number))
    into.fill_unlike(stretch_of(number))
    probe.submit(out.view, into.view, ticket)
    with Deadline(probe.time_for_s(nbytes), probe.opened.clock) as deadline:
        done = probe.reap(deadline)
    require(done, f"ticket {ticket} has not completed")
    require(done[0].received == nbytes, f"ticket {ticket} received {done[0].received} of {nbytes} bytes")
    into.require(stretch_of(number), f"what ticket {ticket} received")


@rule("card", "keep a ticket's number as Python has it; where the hardware has fewer bits, look it up by those")
def a_ticket_number_is_the_callers(trial: Trial) -> str:
    """A ticket completes under the number that it was submitted with, from 1 to 2^63 - 1."""
    with trial.opened() as card:
        card.probe.require_path(QueuedPath)
        for number, ticket in enumerate(_NUMBERS):
            _numbered(card.probe, ticket, number)
    return f"{len(_NUMBERS)} numbers from 1 to {_NUMBERS[-1]}"


@rule("card", "forget a ticket when it completes, so that its number is as good as a new one")
def a_ticket_may_be_used_again(trial: Trial) -> str:
    """A number whose ticket has completed may be given to another, and completes once for that one."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(QueuedPath)
        for number in range(4):
            _numbered(probe, 7, number)
        stopped = Lent(probe.few)
        probe.submit(None, stopped.view, 7)
        if any(one.status == "held" for one in probe.quiesce()):
            return "4 transfers with one ticket"
        _numbered(probe, 7, 5)
        with Deadline(trial.rig.wait_s, card.clock) as deadline:
            require(not probe.reap(deadline), "a ticket completed again")
    return "5 transfers with one ticket, and a stop between them"


@rule("card", "write no more than `into` holds, say so in `received`, and give or drop the rest of the message whole")
def a_message_may_be_too_long(trial: Trial) -> str:
    """A message that is longer than the buffer that takes it fills that one, and what is left harms nothing later."""
    with trial.opened() as card:
        probe, grain = card.probe, card.probe.limits.granularity
        probe.require_a_flow()
        short, long = _SHORT * grain, _LONG * grain
        if probe.limits.boundary != "message":
            raise NotApplicable("a stream has no messages")
        if long > probe.limits.max_transfer:
            raise NotApplicable(f"a largest transfer of {probe.limits.max_transfer} bytes is too short to cut")
        out, into, rest = Lent(long), Lent(short), Lent(long)
        out.fill(stretch_of(0))
        into.fill_unlike(stretch_of(0))
        probe.put(out.view)
        came = probe.take(into.view, probe.time_for_s(long))
        require(came == short, f"a message of {long} bytes filled {came} bytes of a buffer of {short}")
        into.require(stretch_of(0), f"the first {short} bytes of a message of {long}")
        into.require_guards()
        left = probe.take(rest.view, trial.rig.wait_s)
        require(left in (0, long - short), f"of the {long - short} bytes that were left of a message {left} came")
        require(rest.view[:left] == out.view[short : short + left], "the rest of a message is not what had been sent")
        how = "came to the next" if left else "were dropped"
        if isinstance(probe.channel.path, QueuedPath):
            _echo_cut(probe, out, short)
        into.fill_unlike(stretch_of(1))
        out.fill(stretch_of(1))
        came = probe.echo(out.view[:short], into.view)
        require(came == short, f"after a message that was too long, {came} of {short} bytes came back")
        into.require(stretch_of(1), "the message after one that was too long")
    return f"{short} of {long} bytes came, and {long - short} {how}"


@rule("card", "end a transfer from the card where the card ends the message, however much room there is")
def messages_stay_apart(trial: Trial) -> str:
    """Where the limits say so, what was sent as two messages comes as two, into however much room."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_a_flow()
        if probe.limits.boundary != "message":
            raise NotApplicable("a stream has no messages")
        nbytes = probe.few // 2 // probe.limits.granularity * probe.limits.granularity
        room = min(4 * nbytes, probe.limits.max_transfer)
        if room <= nbytes:
            raise NotApplicable("the card has no room for two messages")
        for number in (0, 1):
            out = Lent(nbytes)
            out.fill(stretch_of(number))
            probe.put(out.view)
        for number in (0, 1):
            into = Lent(room)
            into.fill_unlike(stretch_of(number))
            came = probe.take(into.view, trial.rig.wait_s + probe.time_for_s(nbytes))
            require(came == nbytes, f"of two messages of {nbytes} bytes, {came} came into {room} bytes of room")
            into.require(stretch_of(number), f"message {number + 1} of two", nbytes)
    return f"two messages of {nbytes} bytes came as two"


def _echo_cut(probe: Probe, out: Lent, short: int) -> None:
    """A ticket whose `into` is shorter than its `out`: refused, or filled; and what is left, taken out."""
    into = Lent(short)
    into.fill_unlike(stretch_of(0))
    try:
        came = probe.echo(out.view, into.view)
    except BadInput:
        probe.out.clear()
    else:
        require(came == short, f"an echo of {len(out)} bytes into a buffer of {short} is said to be {came} bytes")
        into.require(stretch_of(0), f"the first {short} bytes of an echo of {len(out)}")
        probe.take(Lent(len(out)).view, probe.opened.trial.rig.wait_s)
    into.require_guards()


@rule("card", "hold no lock in reap while it waits, and let it look again for what is submitted after a stop")
def a_stop_does_not_wait_for_a_reap(trial: Trial) -> str:
    """The engine is stopped while another thread is in reap, which goes on and gives out what is submitted then."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(QueuedPath)
        if card.clock.virtual:
            raise NotApplicable("in virtual time a reap does not wait for another thread")
        stretch, nbytes = stretch_of(0), probe.few
        old, out, into = Lent(nbytes), Lent(nbytes), Lent(nbytes)
        out.fill(stretch)
        into.fill_unlike(stretch)
        probe.submit(None, old.view)
        with Deadline(2 * (trial.rig.wait_s + trial.rig.slack_s) + probe.time_for_s(nbytes), card.clock) as deadline:
            reaper = trial.beside(lambda: probe.reap(deadline))
            reaper.join(trial.rig.wait_s)
            require(reaper.running, "reap came back although nothing was sent")
            began_s = time.monotonic()
            done = probe.quiesce()
            took_s, slack_s = time.monotonic() - began_s, trial.rig.slack_s
            require(took_s <= slack_s, f"beside a reap quiesce took {took_s:.2g} s, {slack_s:g} s are allowed")
            if any(one.status == "held" for one in done):
                deadline.cancel()
                raise NotApplicable("its engine cannot be stopped: tickets complete as held, until a reset")
            old.require_returned("quiesce beside a reap")
            reaper.join(trial.rig.wait_s)
            if not reaper.running:
                ended = reaper.result()
                raise Broken(f"a reap that was waiting ended with the stop, with {len(ended)} completions")
            ticket = probe.submit(out.view, into.view)
            came = [one for one in reaper.result() if one.ticket == ticket]
            require(came, "a reap that was waiting when the engine was stopped gave out another ticket than was out")
            into.require(stretch, "what was submitted after a stop beside a reap")
    return f"stopped after {took_s:.2g} s, and the reap gave out the next ticket"
