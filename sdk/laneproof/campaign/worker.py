"""The process that a physical slot gets for itself: it may die of a bus error or hang in the kernel; others go on.

The parent starts `python -m laneproof.campaign.worker FD`; FD is one end of a socket pair. In comes what a user's own
steps need, if there are any, then the job, then what a slot that meets others is told, then `Stop`; out go events. When
the parent goes away, so does the worker.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterable
from multiprocessing.connection import Connection

from laneproof.campaign.crossing import Modules
from laneproof.campaign.events import Event, SlotFinished
from laneproof.campaign.meeting import Message
from laneproof.campaign.outbox import Outbox
from laneproof.campaign.own_steps import told
from laneproof.campaign.results import Reason
from laneproof.campaign.slot_job import SlotJob, Stop
from laneproof.campaign.slot_run import SlotRun
from laneproof.campaign.steps import Step
from laneproof.campaign.verdict import Verdict
from laneproof.errors import BadInput
from laneproof.integrity import kernels

REPEAT_S = 0.1
"""Seconds after which the slot is told to stop again, since a call may have begun just after it was told; and after
which what it told is sent, if nothing has come since."""
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
    connection: Connection[list[Event], Modules | SlotJob | Stop | Message] = Connection(descriptor)
    outbox = Outbox(connection)
    job = connection.recv()
    if isinstance(job, Modules):
        try:
            job.bring()
            job = connection.recv()
        except Exception as error:  # what a user's own module does is its own affair, and ends this slot alone
            why = str(error) if isinstance(error, BadInput) else f"its steps cannot be taken in: {told(error)}"
            outbox.put(SlotFinished(job.slot, (Reason(Verdict.ERROR, why),)))
            return
    if not isinstance(job, SlotJob):
        raise SystemExit(f"the first message is a job, not {job!r}")

    run = SlotRun(job, outbox.put)
    threading.Thread(target=_obey, args=(connection, run, outbox), daemon=True).start()
    load_kernels(job.steps)
    run.run()


def _obey(
    connection: Connection[list[Event], Modules | SlotJob | Stop | Message], run: SlotRun, outbox: Outbox
) -> None:
    asked: Stop | None = None
    while True:
        try:
            if connection.poll(REPEAT_S):
                message = connection.recv()
                if isinstance(message, Message):
                    run.tell(message)
                asked = message if isinstance(message, Stop) else asked
        except (EOFError, OSError):  # the parent is gone: nobody is left to report to
            run.stop(at_once=True)
            time.sleep(CLOSE_GRACE_S)
            os._exit(1)
        outbox.flush()
        if asked is not None:
            run.stop(asked.rule, at_once=asked.at_once)


if __name__ == "__main__":
    main(int(sys.argv[1]))
