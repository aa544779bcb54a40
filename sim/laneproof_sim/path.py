"""The queued path of a simulated card: checks what it is given, and turns waiting into virtual time.

What a transfer does is the engine's business. Real time passes here only while nothing can go on and another thread
may be about to hand in what is missing.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np

from laneproof.clock import Deadline
from laneproof.contract import Completion, Limits, QueuedPath
from laneproof.errors import BadInput
from laneproof_sim.open_channel import OpenChannel
from laneproof_sim.slot import OpenSlot

GRACE_S = 0.05
"""How long `reap` waits in real time for another thread before it lets virtual time run out."""
_SLICE_S = 0.005

MAX_TRANSFER_NBYTES = 1 << 30


class DmaPath(QueuedPath):
    """Transfers of one channel of a slot's card."""

    def __init__(self, opened: OpenSlot, number: int = 0) -> None:
        self._opened = opened
        self._channel: OpenChannel = opened.channels[number]

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if out is None and into is None:
            raise BadInput("a transfer with neither side moves nothing; give out, into or both")
        source = None if out is None else _as_bytes(out, "out")
        target = None if into is None else _as_bytes(into, "into")
        if target is not None and not target.flags.writeable:
            raise BadInput("into cannot be written to; give a writable buffer such as a bytearray")
        self._channel.submit(ticket, source, target)

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        opened, channel = self._opened, self._channel
        grace_until_s = time.monotonic() + GRACE_S
        while True:
            with opened.changed:
                deadline.check()
                until_s = opened.clock.now_s() + deadline.left_s()
                if channel.can_go_on() or time.monotonic() >= grace_until_s or deadline.expired:
                    return channel.advance(until_s, deadline.check)
                opened.require_card()
                opened.changed.wait(_SLICE_S)

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        return self._channel.stop()


def limits(opened: OpenSlot) -> Limits:
    """What the card's channel can do."""
    return Limits(
        max_transfer=MAX_TRANSFER_NBYTES,
        fifo_depth=opened.slot.card.fifo,
        queue_depth=opened.slot.card.queue_depth,
        full_duplex=True,
        boundary="message",
        nominal_bytes_per_s=opened.echo_bytes_per_s,
    )


def _as_bytes(view: memoryview, side: str) -> np.ndarray:
    if not view.c_contiguous or not view.nbytes:
        raise BadInput(f"{side} must be one stretch of at least one byte")
    if view.nbytes > MAX_TRANSFER_NBYTES:
        raise BadInput(f"{side} holds {view.nbytes} bytes; one transfer moves at most {MAX_TRANSFER_NBYTES}")
    return np.frombuffer(view.cast("B"), dtype=np.uint8)
