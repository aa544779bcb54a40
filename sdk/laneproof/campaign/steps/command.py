"""Runs a command of the host's that a plan names, such as one that switches a socket off and on. Without a shell."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from typing import IO

from laneproof.documents import printable
from laneproof.errors import Interrupted

LOOK_EVERY_S = 0.05
_LAST_WORDS = 300
"""Bytes of what a command has printed that are shown if it fails."""


class CommandFailed(Exception):
    """It could not be started, failed, or did not end in time: a sentence that says which."""


def run_command(
    command: tuple[str, ...], timeout_s: float, stop: threading.Event, beside: Callable[[], object]
) -> None:
    """Run `command` until it has ended well; `beside` is called every `LOOK_EVERY_S` meanwhile.

    What it prints is kept out of the way. Past `timeout_s` real seconds it is killed, with all that it has started in
    its session. Raises CommandFailed, and Interrupted once `stop` is set.
    """
    shown = printable(shlex.join(command))
    with tempfile.TemporaryFile() as printed:
        try:
            process = subprocess.Popen(  # noqa: S603 - run on the user's explicit leave (Plan.refuse_commands)
                command, stdin=subprocess.DEVNULL, stdout=printed, stderr=printed, start_new_session=True
            )
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else error
            raise CommandFailed(f"the command {shown} could not be started: {why}") from None
        until_s = time.monotonic() + timeout_s
        try:
            while True:
                try:
                    status = process.wait(LOOK_EVERY_S)
                    break
                except subprocess.TimeoutExpired:
                    pass
                if stop.is_set():
                    raise Interrupted("interrupted while a command ran; it was killed")
                if time.monotonic() >= until_s:
                    raise CommandFailed(f"the command {shown} had not ended after {timeout_s:g} s and was killed")
                beside()
        finally:
            if process.returncode is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
        if status:
            how = f"ended with status {status}" if status > 0 else f"was ended by signal {-status}"
            raise CommandFailed(f"the command {shown} {how}{_last_words(printed)}")


def _last_words(printed: IO[bytes]) -> str:
    printed.seek(max(0, printed.seek(0, os.SEEK_END) - _LAST_WORDS))
    text = " ".join(printed.read().decode(errors="replace").split())
    return f": {printable(text)}" if text else ""
