"""The process that a physical slot gets for itself: it may die of a bus error or hang in the kernel; others go on.

The parent starts `python -m laneproof.campaign.worker FD`; FD is one end of a socket pair. In comes the job, then
`Stop`; out go events. When the parent goes away, so does the worker.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterable
from contextlib import suppress
from multiprocessing.connection import Connection

from laneproof.campaign.events import Event
from laneproof.campaign.slot_run import SlotJob, SlotRun, Stop
from laneproof.campaign.steps import Step
from laneproof.integrity import kernels

REPEAT_S = 0.1
"""Seconds after which the slot is told to stop again, since a call may have begun just after it was told."""
CLOSE_GRACE_S = 1.0
"""Seconds that the slot has to give its card back when the parent has gone."""


def load_kernels(steps: Iterable[Step]) -> None:
    """Load the compiled kernels before the first step's time begins, where a step moves enough to be worth it.

    Raises BadInput where the environment asks for what there is not.
    """
    planned = [step.planned_bytes for step in steps]
    if any(nbytes is None or nbytes >= kernels.LARGE_BYTES for nbytes in planned):
        kernels.ready()


def main(descriptor: int) -> None:
    """Run the one job that arrives over the socket `descriptor`."""
    connection: Connection[Event, SlotJob | Stop] = Connection(descriptor)
    job = connection.recv()
    if not isinstance(job, SlotJob):
        raise SystemExit(f"the first message is a job, not {job!r}")

    sending = threading.Lock()

    def emit(event: Event) -> None:
        # A step's own thread and the one that looks at the link beside it both report.
        with sending, suppress(OSError):  # the parent is gone; the other thread notices too, and ends this
            connection.send(event)

    run = SlotRun(job, emit)
    threading.Thread(target=_obey, args=(connection, run), daemon=True).start()
    load_kernels(job.steps)
    run.run()


def _obey(connection: Connection[Event, SlotJob | Stop], run: SlotRun) -> None:
    asked: Stop | None = None
    while True:
        try:
            if connection.poll(REPEAT_S if asked is not None else None):
                message = connection.recv()
                asked = message if isinstance(message, Stop) else asked
        except (EOFError, OSError):  # the parent is gone: nobody is left to report to
            run.stop()
            time.sleep(CLOSE_GRACE_S)
            os._exit(1)
        if asked is not None:
            run.stop(asked.rule)


if __name__ == "__main__":
    main(int(sys.argv[1]))
