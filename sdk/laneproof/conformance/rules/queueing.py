"""What must hold of a queued path: each ticket once, as many as it is deep, and an engine that can be stopped."""

from __future__ import annotations

import time
from contextlib import suppress

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Opened, Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times, told
from laneproof.contract import QueuedPath
from laneproof.errors import Interrupted

_STOPS = 3
"""More, each of one ticket: what one loses shows when the queue is filled."""


def _size(probe: Probe, number: int = 0) -> int:
    """Of the transfer of that number: they differ, so that one in another's place shows."""
    return min(probe.largest, (97 + 31 * number) * probe.limits.granularity)


def _reaped(card: Opened, count: int, nbytes: int) -> dict[int, int]:
    """Bytes received by ticket, once `count` of them have completed."""
    received: dict[int, int] = {}
    due = dict(card.probe.out)
    with Deadline(card.probe.time_for_s(nbytes), card.clock) as deadline:
        while len(received) < count:
            done = card.probe.reap(deadline)
            if not done:
                break
            for one in done:
                require(one.status == "done", f"a ticket completed as {one.status}: {one.why or 'no reason given'}")
                sent = due[one.ticket][0]
                require(one.sent == sent, f"a ticket of {sent} bytes to send is done, and says that it sent {one.sent}")
                received[one.ticket] = one.received
    return received


@rule("card", "complete a ticket when its transfer has ended, once, and forget it then")
def each_ticket_completes_once(trial: Trial) -> str:
    """Every ticket that was submitted completes, exactly once, with the bytes of its own transfer."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(QueuedPath)
        rounds, depth = 3, probe.limits.queue_depth
        for turn in range(rounds):
            _fill_and_reap(card, min(depth, 64), turn * 64)
        with Deadline(trial.rig.wait_s, card.clock) as deadline:
            require(not probe.reap(deadline), "a ticket completed when none was out")
    return f"{times(rounds, 'round')} of {times(min(depth, 64), 'ticket')}"


def _fill_and_reap(card: Opened, count: int, first: int) -> None:
    probe = card.probe
    lent: dict[int, tuple[Lent, int]] = {}
    outs: list[Lent] = []
    for number in range(first, first + count):
        nbytes = _size(probe, number % 8)
        out, into = Lent(nbytes), Lent(nbytes)
        out.fill(stretch_of(number))
        into.fill_unlike(stretch_of(number))
        outs.append(out)
        lent[probe.submit(out.view, into.view)] = into, number
    received = _reaped(card, count, sum(len(into) for into, _ in lent.values()))
    require(not probe.out, f"tickets {sorted(probe.out)} of {count} have not completed")
    for ticket, (into, number) in lent.items():
        require(received[ticket] == len(into), f"ticket {ticket} received {received[ticket]} of {len(into)} bytes")
        into.require(stretch_of(number), f"ticket {ticket} of {count} under way")
        into.require_guards()


@rule("card", "give the depth that the engine has, and let submit queue without waiting for room")
def the_queue_is_as_deep_as_it_says(trial: Trial) -> str:
    """As many tickets can be out at once as the limits say, and submitting them does not block."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(QueuedPath)
        depth = probe.limits.queue_depth
        buffers = [Lent(_size(probe)) for _ in range(2 * depth)]
        began_s = time.monotonic()
        for number in range(depth):
            try:
                probe.submit(buffers[2 * number].view, buffers[2 * number + 1].view)
            except (Exception, SystemExit) as error:
                raise Broken(f"submit refuses ticket {number + 1} of a queue of {depth}: {told(error)}") from None
        took_s = time.monotonic() - began_s
        require(
            took_s <= trial.rig.slack_s + 0.001 * depth, f"submitting {depth} tickets took {took_s:.2g} s: it blocks"
        )
        _reaped(card, depth, sum(len(buffer) for buffer in buffers) // 2)
        require(not probe.out, f"of {depth} tickets out at once, {len(probe.out)} have not completed")
    return f"{times(depth, 'ticket')} at once"


@rule(
    "card", "complete a ticket only after the last byte is visible in memory; a completion must not overtake its data"
)
def completions_do_not_overtake_data(trial: Trial) -> str:
    """When a ticket has completed, all of its data are in the buffer, at once."""
    with trial.opened() as card:
        probe, nbytes = card.probe, card.probe.largest
        for number in range(8):
            out, into = Lent(nbytes), Lent(nbytes)
            out.fill(stretch_of(number))
            into.fill_unlike(stretch_of(number))
            ticket = probe.submit(out.view, into.view)
            received = _reaped(card, 1, nbytes)
            tail = bytes(into.view[-1:])  # before anything else: the last byte is the last to come
            require(received.get(ticket) == nbytes, f"a ticket of {nbytes} bytes received {received.get(ticket)}")
            into.require(stretch_of(number), f"{nbytes} bytes, right after their completion")
            require(bytes(into.view[-1:]) == tail, "the last byte came after the completion")
    return f"8 transfers of {nbytes} bytes, whole at their completion"


@rule("card", "queue in submit and return; let reap, or a doorbell, move what the card has no room for yet")
def submit_does_not_wait_for_the_card(trial: Trial) -> str:
    """While the card echoes nothing, as many largest transfers as the queue is deep are submitted at once."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(QueuedPath)
        depth, nbytes = min(probe.limits.queue_depth, 64), probe.largest
        buffers = [(Lent(nbytes), Lent(nbytes)) for _ in range(depth)]
        with trial.between_hooks("silence", "resume"):
            began_s = time.monotonic()
            for out, into in buffers:
                probe.submit(out.view, into.view)
            took_s = time.monotonic() - began_s
        probe.quiesce()
        longest_s = trial.rig.slack_s + 0.001 * depth
        require(took_s <= longest_s, f"submitting {depth} tickets to a silent card took {took_s:.2g} s: it blocks")
    return f"{times(depth, 'ticket')} of {nbytes} bytes submitted to a silent card"


@rule("card", "complete a ticket that sends only after the last byte of its buffer was fetched, or copied")
def a_sent_buffer_is_free(trial: Trial) -> str:
    """Once a ticket that only sends has completed, its buffer may be overwritten: the card has what was in it."""
    with trial.opened() as card:
        probe, grain = card.probe, card.probe.limits.granularity
        probe.require_path(QueuedPath)
        most, taken = max(grain, min(probe.largest, probe.limits.fifo_depth or probe.largest) // grain * grain), 0
        for number, nbytes in enumerate(sorted({probe.few, most})):
            out, into = Lent(nbytes), Lent(nbytes)
            out.fill(stretch_of(number))
            into.fill_unlike(stretch_of(number))
            probe.submit(out.view, None)
            with Deadline(trial.rig.quiet_s + 2 * nbytes / probe.limits.nominal_bytes_per_s, card.clock) as deadline:
                if not probe.reap(deadline):
                    break
            out.fill_unlike(stretch_of(number))
            came = probe.take(into.view, probe.time_for_s(nbytes))
            require(came == nbytes, f"{nbytes} bytes were sent by one ticket; {came} came to another")
            into.require(stretch_of(number), "after the sender's buffer was overwritten, what had been sent")
            taken = nbytes
        probe.quiesce()
        if not taken:
            raise NotDemonstrated(f"the card did not take {probe.few} bytes while nobody received")
    return f"{taken} bytes came as they were when their ticket completed"


@rule("card", "let a ticket with one side do that side alone: out waits in the card, first in first out, for an into")
def one_side_alone_works(trial: Trial) -> str:
    """A ticket may send only or receive only, and what some sent others receive, in the order in which it was sent."""
    with trial.opened() as card:
        probe, grain = card.probe, card.probe.limits.granularity
        probe.require_path(QueuedPath)
        nbytes = max(grain, min(_size(probe), probe.limits.fifo_depth or _size(probe)) // 2 // grain * grain)
        messages = 0
        for number in (0, 1):
            out = Lent(nbytes)
            out.fill(stretch_of(number))
            try:
                probe.put(out.view)
            except NotDemonstrated:
                if not messages:
                    raise
                break  # it holds one
            messages += 1
        for number in range(messages):
            into = Lent(nbytes)
            into.fill_unlike(stretch_of(number))
            came = probe.take(into.view, probe.time_for_s(nbytes))
            require(came == nbytes, f"{nbytes} bytes were sent by one ticket; {came} came to another")
            into.require(stretch_of(number), f"what ticket {number + 1} of {messages} sent and another received")
    return f"{times(messages, 'message')} of {nbytes} bytes, sent by one ticket and received by another"


@rule("card", "abort every transfer in quiesce, complete each ticket that was out, and give its place in the ring back")
def quiesce_completes_all(trial: Trial) -> str:
    """Stopping the engine completes every ticket that was out, once; then as many can be out as before."""
    with trial.opened() as card:
        probe, depth = card.probe, min(card.probe.limits.queue_depth, 64)
        probe.require_path(QueuedPath)
        buffers = [Lent(_size(probe, number)) for number in range(depth)]
        for buffer in buffers:
            probe.submit(None, buffer.view)
        done = probe.quiesce()
        if any(one.status == "held" for one in done):
            raise NotApplicable("its engine cannot be stopped: tickets complete as held, until a reset")
        for one in done:
            require(one.status == "stopped", f"a ticket that got nothing completed as {one.status} in quiesce")
        with Deadline(trial.rig.wait_s, card.clock) as deadline:
            require(not probe.reap(deadline), "a ticket completed after quiesce")
        require(not probe.quiesce(), "a second quiesce completed a ticket again")
        for buffer in buffers:
            buffer.require_returned("quiesce")
        for _ in range(_STOPS):
            probe.submit(None, Lent(_size(probe)).view)
            probe.quiesce()
        _fill_and_reap(card, depth, 0)
    return f"{times(depth, 'ticket')} stopped, and as many transfers afterwards came back"


@rule("card", "wait in quiesce until the engine has stopped writing; what it had taken on must not land later")
def quiesce_ends_all_writing(trial: Trial) -> str:
    """After the engine was stopped no buffer of a stopped ticket is written, whatever comes afterwards."""
    with trial.opened() as card:
        probe, nbytes = card.probe, _size(card.probe)
        probe.require_path(QueuedPath)
        old, out = Lent(nbytes), Lent(nbytes)
        old.fill_unlike(stretch_of(0))
        probe.submit(None, old.view)
        probe.quiesce()
        left = bytes(old.view)
        out.fill(stretch_of(0))
        into = Lent(nbytes)
        into.fill_unlike(stretch_of(0))
        probe.submit(out.view, into.view)
        if not _reaped(card, 1, nbytes):
            probe.quiesce()
        time.sleep(trial.rig.wait_s)
        require(bytes(old.view) == left, "the buffer of a stopped ticket was written after quiesce had returned")
        into.require(stretch_of(0), "a transfer after quiesce")
    return f"the buffer of a stopped ticket stays as it was for {trial.rig.wait_s:g} s"


@rule("card", "return from reap as soon as one ticket has completed; it need not be the first")
def reap_returns_with_the_first_completion(trial: Trial) -> str:
    """A ticket that can complete is given out while another one waits."""
    with trial.opened() as card:
        probe, nbytes = card.probe, _size(card.probe)
        probe.require_path(QueuedPath)
        out, into, later = Lent(nbytes), Lent(nbytes), Lent(nbytes)
        out.fill(stretch_of(0))
        sending = probe.submit(out.view, None)
        first = _reaped(card, 1, nbytes)
        require(sending in first, f"a ticket that only sends {nbytes} bytes did not complete")
        if probe.limits.queue_depth > 1:
            receiving, waiting = probe.submit(None, into.view), probe.submit(None, later.view)
            with Deadline(2 * probe.time_for_s(nbytes), card.clock) as deadline:
                done = probe.reap(deadline)
                require(not deadline.expired, "one message came, and reap waited for both tickets until its deadline")
            one_of_them = len(done) == 1 and done[0].ticket in (receiving, waiting) and done[0].received == nbytes
            require(one_of_them, f"one message came to two tickets, and {times(len(done), 'ticket')} completed")
        probe.quiesce()
    return "one completion is given out while another ticket waits"


@rule("card", "look for a cancelled deadline before completions are taken from the ring, or give them to the next reap")
def an_interrupt_loses_no_ticket(trial: Trial) -> str:
    """A reap that is cancelled loses no completion: the next one, or quiesce, gives it out."""
    with trial.opened() as card:
        probe, depth = card.probe, min(card.probe.limits.queue_depth, 8)
        probe.require_path(QueuedPath)
        buffers = [(Lent(_size(probe)), Lent(_size(probe))) for _ in range(depth)]
        for out, into in buffers:
            probe.submit(out.view, into.view)
        card.clock.sleep(trial.rig.wait_s)  # until they have completed
        with Deadline(trial.rig.wait_s, card.clock) as deadline:
            deadline.cancel()
            with suppress(Interrupted):
                probe.reap(deadline)
        probe.quiesce()
    return f"{times(depth, 'ticket')} completed after a reap that was cancelled"
