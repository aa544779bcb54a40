"""What must hold of memory that is lent to a driver: nothing kept, nothing beside it touched, nothing written late."""

from __future__ import annotations

import time

from laneproof.clock import Deadline
from laneproof.conformance.finding import NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.contract import QueuedPath, StreamPath

_SIZES = (1, 5, 64, 1000, 4096)
"""Granules of a transfer."""
_BESIDE = 64
"""Bytes beside a buffer that another thread writes to: a cache line."""


def _sizes(probe: Probe) -> list[int]:
    return sorted({min(probe.largest, size * probe.limits.granularity) for size in _SIZES})


@rule(
    "card",
    "release every memoryview and array made of a buffer before the call returns, or the ticket completes",
    essential=True,
)
def no_view_is_kept(trial: Trial) -> str:
    """After a call nobody holds a view of the buffers that it was given, nor after one that came short."""
    with trial.opened() as card:
        probe = card.probe
        sizes = _sizes(probe)
        for number, size in enumerate(sizes):
            out, into = Lent(size), Lent(size)
            out.fill(stretch_of(number))
            probe.echo(out.view, into.view)
            out.require_returned("a call that sent")
            into.require_returned("a call that received")
        if probe.holds_what_is_sent:
            into = Lent(sizes[-1])
            probe.take(into.view, trial.rig.wait_s)
            into.require_returned("a call that came to its deadline")
    return f"a bytearray that was lent can be resized, after {len(sizes)} sizes and a deadline"


@rule("card", "never let the card write whole bursts into a buffer that ends inside one; copy the tail", essential=True)
def nothing_beside_a_buffer_is_touched(trial: Trial) -> str:
    """Receiving changes no byte before or after the buffer, whatever its size and address."""
    with trial.opened() as card:
        probe, step = card.probe, card.probe.limits.alignment
        sizes = _sizes(probe)
        for number, size in enumerate(sizes):
            for offset in (0, step, 4096 - step):
                stretch = stretch_of(number)
                out, into = Lent(size, offset), Lent(size, offset)
                out.fill(stretch)
                probe.echo(out.view, into.view)
                into.require_guards()
                out.require_guards()
    return f"a page on either side stays, for sizes to {sizes[-1]} bytes"


@rule("card", "receive the bytes of a granule or word that is the buffer's alone; never write a neighbour's back")
def a_neighbours_bytes_may_change(trial: Trial) -> str:
    """What another thread writes beside a buffer, while a call waits or receives into it, stays written."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_a_flow()
        if card.clock.virtual:
            raise NotApplicable("in virtual time a call does not wait for another thread")
        nbytes, step = min(3 * probe.limits.granularity, probe.largest), max(_BESIDE, probe.limits.alignment)
        all_of_it, out = Lent(step + nbytes + _BESIDE), Lent(nbytes)
        all_of_it.view[:] = bytes(len(all_of_it))
        into = all_of_it.view[step : step + nbytes]
        out.fill(stretch_of(0))
        with Deadline(probe.time_for_s(nbytes) + 2 * trial.rig.wait_s, card.clock) as deadline:
            waiting = trial.beside(lambda: _receive(probe, into, deadline))
            waiting.join(trial.rig.wait_s)
            neighbours = (all_of_it.view[step - _BESIDE : step], all_of_it.view[step + nbytes :])
            for view in neighbours:
                view[:] = b"\x5a" * _BESIDE
            if isinstance(probe.channel.path, StreamPath) and probe.limits.full_duplex:
                probe.put(out.view)
            elif isinstance(probe.channel.path, QueuedPath) and probe.limits.queue_depth > 1:
                probe.submit(out.view, None)
            came = waiting.result()
        require(
            all(byte == 0x5A for view in neighbours for byte in view),
            f"what another thread wrote beside a buffer was taken back by a call that received {came} bytes",
        )
    return f"{_BESIDE} bytes to either side, written during a call that received {came}"


def _receive(probe: Probe, into: memoryview, deadline: Deadline) -> int:
    if isinstance(probe.channel.path, StreamPath):
        return probe.receive_some(into, deadline)
    ticket = probe.submit(None, into)
    while True:
        done = probe.reap(deadline) or probe.quiesce()
        for one in done:
            if one.ticket == ticket:
                return one.received


@rule("card", "treat the buffer to send as read-only: no byte swapping, no masking in place", essential=True)
def sent_data_stay_as_they_are(trial: Trial) -> str:
    """Sending changes nothing in the buffer that is sent, and works from read-only memory."""
    with trial.opened() as card:
        probe = card.probe
        sizes = _sizes(probe)
        for number, size in enumerate(sizes):
            stretch = stretch_of(number)
            out, into = Lent(size), Lent(size)
            out.fill(stretch)
            probe.echo(out.view.toreadonly(), into.view)
            out.require(stretch, f"the buffer of {size} bytes that was sent")
            probe.echo(out.view, into.view)
            out.require(stretch, f"the writable buffer of {size} bytes that was sent")
    return f"sizes to {sizes[-1]} bytes, from read-only memory too"


@rule(
    "card",
    "stop the transfer before the call returns, or receive into memory of the driver's own and copy",
    essential=True,
)
def nothing_is_written_late(trial: Trial) -> str:
    """Data that come after a call has reached its deadline are not written to that call's buffer."""
    with trial.opened() as card:
        probe = card.probe
        if not probe.holds_what_is_sent:
            return _nothing_after_a_window_read(probe)
        nbytes = 16 * probe.limits.granularity
        old, out = Lent(nbytes), Lent(nbytes)
        stretch = stretch_of(0)
        old.fill_unlike(stretch)
        untouched = bytes(old.view)
        came = probe.take(old.view, trial.rig.wait_s)
        require(not came, f"{came} bytes came that nobody had sent")
        out.fill(stretch)
        probe.put(out.view)
        time.sleep(trial.rig.wait_s)
        require(
            bytes(old.view) == untouched, "data that came later were written into the buffer of a call that was over"
        )
        old.require_guards()
        into = Lent(nbytes)
        into.fill_unlike(stretch)
        came = probe.take(into.view, probe.time_for_s(nbytes))
        require(came == nbytes, f"of {nbytes} bytes sent after a deadline had passed, {came} came")
        into.require(stretch, "what was sent after a deadline had passed")
    return f"the old buffer stays as it was for {trial.rig.wait_s:g} s, and the data come to the next call"


def _nothing_after_a_window_read(probe: Probe) -> str:
    nbytes, wait_s = probe.largest, probe.opened.trial.rig.wait_s
    old = Lent(nbytes)
    old.fill_unlike(stretch_of(0))
    with Deadline(0, probe.opened.clock) as deadline:
        probe.opened.call(probe.window.read_into, 0, old.view[:], deadline, deadline=deadline)
    left = bytes(old.view)
    time.sleep(wait_s)
    require(bytes(old.view) == left, "read_into had returned at its deadline, and the buffer changed afterwards")
    return f"after read_into at a deadline of 0 the buffer stays as it was for {wait_s:g} s"


@rule(
    "card", "after a stop, let what comes back from the card go to the next call or be dropped, never to the old buffer"
)
def a_silent_card_writes_nothing_late(trial: Trial) -> str:
    """Where the echo comes only after the deadline, the call ends in time and its buffer stays as it was."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_a_flow()
        nbytes = 16 * probe.limits.granularity
        out, old = Lent(nbytes), Lent(nbytes)
        stretch = stretch_of(0)
        out.fill(stretch)
        old.fill_unlike(stretch)
        untouched = bytes(old.view)
        with trial.between_hooks("silence", "resume"):
            came = probe.echo(out.view, old.view, timeout_s=trial.rig.wait_s)
            if came:
                raise NotDemonstrated(f"{came} bytes came back while the rig had silenced the card")
            trial.undo()
            time.sleep(trial.rig.wait_s)
            require(bytes(old.view) == untouched, "the late echo was written into the buffer of a call that was over")
        out.require_returned("a call that came to its deadline")
    return f"the late echo of {nbytes} bytes was not written to the old buffer"
