"""What must hold of the process around a card: opening keeps its deadline, and leaves the process as it was."""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Callable
from contextlib import suppress

from laneproof.clock import Deadline
from laneproof.conformance.finding import require
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.errors import LaneproofError

_UMASK, _TIMEOUT_S = 0o057, 97.0
"""Which no driver sets."""


@rule("offline", "hand the deadline on to every wait of discover and connect; sleep in deadline.pause alone")
def opening_keeps_its_deadline(trial: Trial) -> str:
    """Discovering and connecting end soon when they have no time left or are cancelled: done, or with an error."""
    driver, address, options, slack_s = trial.driver, trial.address(), trial.options(), trial.rig.slack_s
    with trial.opened():
        pass  # what is imported or made once, and kept, takes its time once

    def connect(deadline: Deadline) -> None:
        card = driver.connect(address, options, deadline)
        trial.close(card)

    calls: dict[str, Callable[[Deadline], object]] = {
        "discover": lambda deadline: list(driver.discover(deadline)),
        "connect": connect,
    }
    for name, call in calls.items():
        for cancelled in (False, True):
            with Deadline(trial.rig.open_s if cancelled else 0.0) as deadline:
                if cancelled:
                    deadline.cancel()
                began_s = time.monotonic()
                with suppress(LaneproofError, OSError):  # whether it was in time is the driver's to say
                    trial.call(name, call, deadline, given_s=slack_s, deadline=deadline)
                late_s = time.monotonic() - began_s
            state = "cancelled" if cancelled else "with no time left"
            require(late_s <= slack_s, f"{name}, {state}, took {late_s:.2g} s, {slack_s:g} s are allowed")
    return f"{' and '.join(calls)} ended in time"


@rule("offline", "change nothing that belongs to the whole process; give a child its own directory and environment")
def the_process_stays_as_it_is(trial: Trial) -> str:
    """Opening a card changes no working directory, umask, environment, signal handler or default timeout."""
    umask, timeout_s = os.umask(_UMASK), socket.getdefaulttimeout()  # an earlier opening may have set what it sets now
    socket.setdefaulttimeout(_TIMEOUT_S)
    try:
        before = _settings()
        with trial.opened():
            during = _settings()
        after = _settings()
    finally:
        os.umask(umask)
        socket.setdefaulttimeout(timeout_s)
    for what, value in before.items():
        for when, now in (("while a card is open", during), ("after it was closed", after)):
            require(now[what] == value, f"{what} is another {when}")
    return f"{', '.join(before)} are as before"


def _settings() -> dict[str, object]:
    with open("/proc/self/status", encoding="utf-8") as status:
        umask = next((line for line in status if line.startswith("Umask")), "")
    return {
        "the working directory": os.getcwd(),
        "the umask": umask,
        "the environment": dict(os.environ),
        "the signal handlers": {number: signal.getsignal(number) for number in signal.valid_signals()},
        "the sockets' default timeout": socket.getdefaulttimeout(),
    }
