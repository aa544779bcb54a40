"""What must hold of waiting: one deadline a call, kept; a cancelled call ends at once; both directions at once."""

from __future__ import annotations

import resource
import threading
import time
from collections.abc import Callable, Generator
from contextlib import contextmanager, suppress

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Opened, Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.watch import Beside
from laneproof.conformance.words import times, told
from laneproof.contract import StreamPath
from laneproof.errors import Interrupted

_TRICKLE_S = 0.05
_LONG_S = 10.0
"""A deadline that is not."""
_FAR_BEYOND_S = 0.02
_FAR_S = tuple(
    beyond / per_second + _FAR_BEYOND_S
    for beyond, per_second in ((1 << 16, 1000), (1 << 32, 10**6), (1 << 31, 1000), (1 << 32, 1000), (1 << 63, 10**9))
)
"""Just beyond what counters of milli-, micro- and nanoseconds hold, in seconds."""
_LONGEST_TURN_S = 0.001
"""How long a call that waits may compute between two times that it sleeps, in seconds."""
_FLOOD = 32 << 20
"""Bytes after which a card that still takes more is not going to be full."""


def _wait(probe: Probe, view: memoryview, deadline: Deadline) -> str:
    """Wait for bytes that do not come, as a user of this kind of path does; what came nevertheless."""
    probe.require_a_flow()
    if isinstance(probe.channel.path, StreamPath):
        came = probe.receive_some(view, deadline)
        return f"{came} bytes" if came else ""
    if not probe.out:
        probe.submit(None, view)
    done = probe.reap(deadline)
    return f"a completion with {done[0].received} bytes" if done else ""


def _settle(probe: Probe) -> None:
    if probe.out:
        probe.quiesce()


def _require_in_time(card: Opened, what: str, until_s: float) -> None:
    """Raise Broken where more than the rig's slack has passed since `until_s`, by the card's clock."""
    late_s, slack_s = card.clock.now_s() - until_s, card.trial.rig.slack_s
    require(late_s <= slack_s, f"{what} came back {late_s:.2g} s after its deadline, {slack_s:g} s are allowed")


@rule(
    "card",
    "wait only in deadline.wait and deadline.pause, which know how much time is left; keep no clock of your own",
    essential=True,
)
def a_deadline_is_kept(trial: Trial) -> str:
    """A call that waits in vain comes back at its deadline, not before and not later than the rig's slack."""
    with trial.opened() as card:
        card.probe.require_a_flow()
        for probe in card.probes:
            view = Lent(probe.limits.granularity).view
            with Deadline(2 * trial.rig.wait_s, card.clock) as deadline:
                until_s = card.clock.now_s() + deadline.left_s()
                card.clock.sleep(trial.rig.wait_s)  # a driver that counts from its own start is late by that much
                came = _wait(probe, view, deadline)
                require(not came, f"{came} came that nobody had sent")
                _require_in_time(card, "a wait", until_s)
                _wait(probe, view, deadline)
                _require_in_time(card, "a second wait under the same deadline", until_s)
            _settle(probe)
    return f"two waits under one deadline of {2 * trial.rig.wait_s:g} s ended with it, on each channel"


@rule("card", "count a deadline's seconds as Python does, or wait in turns; 32 bits of milliseconds do not hold them")
def a_long_deadline_is_long(trial: Trial) -> str:
    """A call that waits in vain is still waiting, however far away its deadline is."""
    with trial.opened() as card:
        probe = card.probe
        if card.clock.virtual:
            raise NotApplicable("in virtual time nothing waits long enough")
        for timeout_s in _FAR_S:
            view = Lent(probe.limits.granularity).view
            with Deadline(timeout_s, card.clock) as deadline:
                waiting = trial.beside(lambda view=view, deadline=deadline: _wait(probe, view, deadline))
                waiting.join(2 * _FAR_BEYOND_S)
                ended = not waiting.running
                deadline.cancel()
                with suppress(Interrupted):
                    came = waiting.result()
                    require(not ended, f"with {timeout_s:.6g} s to wait, {came or 'nothing'} came back at once")
        _settle(probe)
    return f"deadlines of {_FAR_S[0]:.3g} to {_FAR_S[-1]:.3g} s"


@rule("card", "wait in deadline.wait or deadline.pause, which sleep, and never in a loop that asks the time")
def a_wait_sleeps(trial: Trial) -> str:
    """A call that waits in vain leaves the processor to others, if only for a moment at a time."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_a_flow()
        if card.clock.virtual:
            raise NotApplicable("in virtual time nothing waits")
        view = Lent(probe.limits.granularity).view
        with Deadline(2 * trial.rig.wait_s, card.clock) as deadline:
            before, began_s = resource.getrusage(resource.RUSAGE_THREAD), time.monotonic()
            _wait(probe, view, deadline)
            after, took_s = resource.getrusage(resource.RUSAGE_THREAD), time.monotonic() - began_s
        _settle(probe)
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    seen = f"{used_s:.2g} s of processor time in a wait of {took_s:.2g} s"
    sleeps = after.ru_nvcsw - before.ru_nvcsw
    spins = used_s > took_s / 10 and used_s / (1 + sleeps) > _LONGEST_TURN_S
    require(not spins, f"{seen}, in which it slept {times(sleeps, 'time')}")
    return seen


@rule(
    "card",
    "carry one deadline through all loops and retries of a call; never make a new one when something arrives",
    essential=True,
)
def a_deadline_is_not_restarted(trial: Trial) -> str:
    """Bytes that trickle in do not make a call longer than its deadline."""
    with trial.opened() as card:
        probe = card.probe
        if card.clock.virtual:
            raise NotApplicable("bytes cannot be made to trickle in virtual time")
        if not probe.limits.full_duplex:
            raise NotApplicable("the limits say that the card is not full duplex")
        probe.require_path(StreamPath)
        grain = probe.limits.granularity
        into = Lent(min(4096 * grain, probe.limits.max_transfer // grain * grain))
        stop = threading.Event()
        with _trickling(trial, probe, stop), Deadline(trial.rig.wait_s, card.clock) as deadline:
            until_s = card.clock.now_s() + trial.rig.wait_s
            came = probe.receive_some(into.view, deadline)
            _require_in_time(card, "receive_into, while bytes trickled in,", until_s)
    return f"{came} bytes within a deadline of {trial.rig.wait_s:g} s"


@contextmanager
def _trickling(trial: Trial, probe: Probe, stop: threading.Event) -> Generator[None]:
    """One granule goes out every 50 ms, for longer than the rig allows, or until the block ends."""
    grain = Lent(probe.limits.granularity)
    turns = int((trial.rig.wait_s + trial.rig.slack_s) / _TRICKLE_S) + 4

    def trickle() -> None:
        for _ in range(turns):
            with Deadline(1.0, probe.opened.clock) as deadline:
                probe.send_some(grain.view, deadline)
            if stop.wait(_TRICKLE_S):
                return

    sender = trial.beside(trickle)
    try:
        yield
    finally:
        stop.set()
        sender.join()


@rule("card", "look whether anything can be moved now, and return; wait only where time is left", essential=True)
def a_deadline_of_zero_returns_at_once(trial: Trial) -> str:
    """With no time left a call moves what it can at once, or nothing, and waits for nothing."""
    with trial.opened() as card:
        probe = card.probe
        grain = probe.limits.granularity
        view = Lent(grain).view
        if not probe.holds_what_is_sent:
            calls: list[Callable[[Deadline], object]] = [
                lambda deadline: card.call(probe.window.write, 0, view[:], deadline, deadline=deadline),
                lambda deadline: card.call(probe.window.read_into, 0, view[:], deadline, deadline=deadline),
            ]
        else:
            calls = [lambda deadline: _wait(probe, view, deadline)]
        for call in calls:
            with Deadline(0, card.clock) as deadline:
                until_s = card.clock.now_s()
                call(deadline)
            _require_in_time(card, "a call with no time left", until_s)
        _settle(probe)
    return "it returns at once"


@rule(
    "card",
    "wait in deadline.wait(fd, events) or in slices with deadline.pause(), and let Interrupted pass",
    essential=True,
)
def cancelling_ends_a_wait(trial: Trial) -> str:
    """A call that waits ends with Interrupted soon after its deadline was cancelled from another thread."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_a_flow()
        view = Lent(probe.limits.granularity).view
        with Deadline(_LONG_S, card.clock) as deadline:
            deadline.cancel()
            _require_interrupted(trial, trial.beside(lambda: _wait(probe, view, deadline)), "before it began")
        _settle(probe)
        if card.clock.virtual:
            return "a call that was cancelled before it began; in virtual time nothing waits long enough for more"
        with Deadline(_LONG_S, card.clock) as deadline:
            _require_ends_when_cancelled(trial, lambda: _wait(probe, view, deadline), deadline)
        _settle(probe)
    return "interrupted before and while it waited"


def _require_ends_when_cancelled(trial: Trial, call: Callable[[], object], deadline: Deadline) -> None:
    """Run `call` in a thread, cancel its deadline while it waits, and require Interrupted within the rig's slack."""
    waiting = trial.beside(call)
    waiting.join(trial.rig.wait_s)
    require(waiting.running, "a call that has to wait came back before it was cancelled")
    deadline.cancel()
    _require_interrupted(trial, waiting, "while it waited")


def _require_interrupted(trial: Trial, cancelled: Beside[object], when: str) -> None:
    """Raise Broken unless a call that has just been cancelled ends with Interrupted within the rig's slack."""
    since_s, slack_s = time.monotonic(), trial.rig.slack_s
    cancelled.join(2 * slack_s)
    if cancelled.running:
        raise Broken(f"a call that was cancelled {when} still waits {2 * slack_s:g} s later")
    try:
        result = cancelled.result()
    except Interrupted:
        late_s = cancelled.ended_s - since_s
        require(late_s <= slack_s, f"a call that was cancelled {when} ended {late_s:.2g} s later, not in {slack_s:g} s")
        return
    except Broken:
        raise
    except Exception as error:
        raise Broken(f"a call that was cancelled {when} raised {told(error)}; it raises Interrupted") from None
    raise Broken(f"a call that was cancelled {when} returned {result or 'nothing'}; it raises Interrupted")


@rule("card", "wait for room in deadline.wait(fd, POLLOUT), never in a write that blocks")
def a_full_card_lets_send_end(trial: Trial) -> str:
    """A send for which the card has no room returns 0 at its deadline, and ends when it is cancelled."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(StreamPath)
        if card.clock.virtual:
            raise NotApplicable("in virtual time nothing waits long enough")
        grain, taken = probe.limits.granularity, 0
        out = Lent(min(1 << 16, probe.limits.max_transfer) // grain * grain or grain)
        with Deadline(_LONG_S, card.clock) as overall:
            while taken < _FLOOD and not overall.expired:
                with overall.split(at_most_s=trial.rig.wait_s) as deadline:
                    until_s = card.clock.now_s() + deadline.left_s()
                    sent = probe.send_some(out.view, deadline)
                    _require_in_time(card, "send, to a full card,", until_s)
                if not sent:
                    break
                taken += sent
        if taken >= _FLOOD:
            raise NotDemonstrated(f"the card took {taken} bytes while nobody received, and has room for more")
        with Deadline(_LONG_S, card.clock) as deadline:
            # Again and again: a card that was full may have room for a little more.
            _require_ends_when_cancelled(trial, lambda: _send_until_nothing_goes(probe, out, deadline), deadline)
        out.require_returned("a send that was cancelled")
    return f"after {taken} bytes it took no more, and send ended in time"


def _send_until_nothing_goes(probe: Probe, out: Lent, deadline: Deadline) -> int:
    while sent := probe.send_some(out.view, deadline):
        pass
    return sent


@rule(
    "card",
    "hold no lock of one direction while waiting in the other; say full_duplex=False where the card cannot",
    essential=True,
)
def both_directions_work_at_once(trial: Trial) -> str:
    """One thread can send while another waits to receive, for more than the card holds."""
    with trial.opened() as card:
        probe = card.probe
        if not probe.limits.full_duplex:
            raise NotApplicable("the limits say that the card is not full duplex")
        probe.require_a_flow()
        return (
            _waiting_receiver(trial, card)
            if isinstance(probe.channel.path, StreamPath)
            else _waiting_reaper(trial, card)
        )


def _waiting_receiver(trial: Trial, card: Opened) -> str:
    probe, stretch = card.probe, stretch_of(0)
    nbytes = probe.largest
    out, into = Lent(nbytes), Lent(nbytes)
    out.fill(stretch)
    into.fill_unlike(stretch)
    with Deadline(probe.time_for_s(nbytes), card.clock) as deadline:
        receiver = trial.beside(lambda: probe.receive_all(into.view, deadline))
        receiver.join(trial.rig.wait_s)  # it waits now: there is nothing to receive
        sent = probe.send_all(out.view, deadline)
        came = receiver.result()
    require(sent == nbytes, f"while another thread received, {sent} of {nbytes} bytes went")
    require(came == nbytes, f"while another thread sent {nbytes} bytes, {came} came")
    into.require(stretch, "what was received while another thread sent")
    return f"{nbytes} bytes each way"


def _waiting_reaper(trial: Trial, card: Opened) -> str:
    probe, stretch = card.probe, stretch_of(0)
    nbytes = min(probe.largest, 4096 // probe.limits.granularity * probe.limits.granularity or probe.largest)
    out, into = Lent(nbytes), Lent(nbytes)
    out.fill(stretch)
    into.fill_unlike(stretch)
    with Deadline(probe.time_for_s(nbytes) + _LONG_S, card.clock) as deadline:
        reaper = trial.beside(lambda: probe.reap(deadline))
        reaper.join(trial.rig.wait_s)
        if not reaper.running and card.clock.virtual:
            reaper.result()
            raise NotApplicable("in virtual time a reap with nothing out does not wait for another thread")
        probe.submit(out.view, into.view)
        done = reaper.result()
    require(done, "a transfer that was submitted while another thread was in reap did not complete there")
    into.require(stretch, "what came while another thread was in reap")
    return "submitted while another thread was in reap"
