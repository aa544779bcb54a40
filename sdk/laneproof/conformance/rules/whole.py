"""What must hold of the card as users have it, through `laneproof.open`: checks, interrupts, recovery."""

from __future__ import annotations

import time

from laneproof.clock import SLICE_S
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import CONTROL_S
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import told
from laneproof.endpoint import Endpoint
from laneproof.errors import Interrupted, OutOfStep, TransferTimeout

_LONG_S = 10.0
_BLOCKS = 16


def _few(endpoint: Endpoint) -> int:
    limits = endpoint.limits
    return min(64 * limits.granularity, limits.max_transfer // limits.granularity * limits.granularity)


@rule("card", "see the result's text: which bytes came back wrong, were missing, or too many", essential=True)
def a_check_passes(trial: Trial) -> str:
    """A check through the endpoint brings back every byte, with several blocks under way."""
    with trial.endpoint() as endpoint:
        limits = endpoint.limits
        most = min(trial.rig.largest, int(limits.nominal_bytes_per_s / 4))
        block = max(1, min(most // _BLOCKS, limits.max_transfer) // limits.granularity) * limits.granularity
        nbytes = _BLOCKS * block
        allowed_s = trial.rig.quiet_s + 10 * nbytes / limits.nominal_bytes_per_s
        with trial.watch.over("Endpoint.check", 0.0 if endpoint.clock.virtual else allowed_s):
            result = endpoint.check("prbs31", nbytes, block=block, timeout=allowed_s)
    wrong = f"{result.mismatched_bytes} of {nbytes} bytes wrong, {result.bytes_received} came back"
    require(result.ok, f"{wrong}, {result.surplus_bytes} too many{', and then it stalled' if result.stalled else ''}")
    return f"{nbytes} bytes in {_BLOCKS} blocks"


@rule("card", "let Interrupted pass through the driver, and end waiting when the deadline is cancelled", essential=True)
def an_interrupt_ends_a_call(trial: Trial) -> str:
    """An interrupt from another thread ends a call that waits, and after recovery the card works."""
    with trial.endpoint() as endpoint:
        if endpoint.clock.virtual:
            raise NotApplicable("in virtual time nothing waits long enough")
        into = Lent(_few(endpoint))
        waiting = trial.beside(lambda: endpoint.receive_into(into.view, timeout=_LONG_S))
        waiting.join(trial.rig.wait_s)
        require(waiting.running, "a call that has to wait came back by itself")
        endpoint.interrupt()
        asked_s = time.monotonic()
        waiting.join(2 * trial.rig.slack_s)
        require(not waiting.running, f"a call still waits {2 * trial.rig.slack_s:g} s after interrupt()")
        try:
            came = waiting.result()
        except Interrupted:
            late_s = waiting.ended_s - asked_s
            require(late_s <= trial.rig.slack_s, f"the call ended {late_s:.2g} s after interrupt()")
        else:
            raise Broken(f"the call returned {came} in place of raising Interrupted")
        _recovered(trial, endpoint, 1)
    return f"it ended {late_s:.2g} s after interrupt(), and the card works"


@rule("card", "drop what is under way in a data reset, or let it come out so that it can be drained", essential=True)
def a_card_recovers_from_a_timeout(trial: Trial) -> str:
    """After a timeout the channel is out of step; after recovery it carries fresh data, and nothing of before."""
    with trial.endpoint() as endpoint:
        nbytes = _few(endpoint)
        out, into = Lent(nbytes), Lent(2 * nbytes)
        out.fill(stretch_of(0))
        into.fill_unlike(stretch_of(0))
        sent = 0
        if endpoint.limits.boundary == "stream":  # where a message ends, so does its transfer: none is half received
            with trial.watch.over("Endpoint.send", CONTROL_S):
                sent = endpoint.send(out.view)
        try:
            with trial.watch.over("Endpoint.receive_into", trial.rig.wait_s):
                endpoint.receive_into(into.view, timeout=trial.rig.wait_s)
        except TransferTimeout as timeout:
            require(timeout.moved == sent, f"{timeout.moved} bytes came of {sent} that were sent")
        else:
            raise Broken(f"a buffer of {len(into)} bytes was filled, and {sent} were sent")
        into.require(stretch_of(0), f"the {sent} bytes that came before the deadline", sent)
        try:
            endpoint.send(out.view)
        except OutOfStep:
            pass
        else:
            raise Broken("after a timeout the channel is not out of step")
        how = _recovered(trial, endpoint, 1)
    return f"{how} after a timeout, and the next data came back alone"


def _recovered(trial: Trial, endpoint: Endpoint, number: int) -> str:
    with trial.watch.over("Endpoint.recover", CONTROL_S):
        how = endpoint.recover(timeout=CONTROL_S).how
    nbytes = _few(endpoint)
    out, into = Lent(nbytes), Lent(nbytes)
    out.fill(stretch_of(number))
    into.fill_unlike(stretch_of(number))
    try:
        with trial.watch.over("Endpoint.loopback", trial.rig.quiet_s):
            endpoint.loopback(out.view, into.view, timeout=trial.rig.quiet_s + SLICE_S)
    except TransferTimeout as timeout:
        raise Broken(f"after recover(), which {how}, {told(timeout)}") from None
    into.require(stretch_of(number), f"after recover(), which {how}: {nbytes} bytes")
    return how
