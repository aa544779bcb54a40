"""How the tests hold cards that speak frames: the firmware in a process of its own, a server, and what opens them."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import laneproof
from laneproof import Endpoint
from laneproof_drivers import serve

FIRMWARE = Path(__file__).with_name("framed_firmware.py")
SERVE = (sys.executable, "-m", "laneproof_drivers.serve", "--port", "0", "--acknowledge-cautions")
"""The server; the card's URI follows."""


@contextmanager
def firmware(*arguments: object) -> Iterator[str]:
    """Runs the firmware; what it can be reached at."""
    with started(sys.executable, "-I", str(FIRMWARE), *map(str, arguments)) as (process, place):
        yield place
        process.kill()


@contextmanager
def started(*command: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A process and the first line that it prints; killed at the end."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield process, process.stdout.readline().rstrip("\n")
    finally:
        process.kill()
        process.communicate()


@contextmanager
def served(uri: str, token: bytes = b"") -> Iterator[str]:
    """What to open to have that card, served from a thread of this process."""
    server = serve.Server(uri, "127.0.0.1", 0, token, acknowledged=True)
    ended = threading.Event()
    thread = threading.Thread(target=server.run, args=(ended.is_set,))
    thread.start()
    try:
        yield server.endpoint
    finally:
        ended.set()
        server.wake()
        thread.join()
        server.close()


@contextmanager
def opened(uri: str, timeout: float = 10.0, **options: object) -> Iterator[Endpoint]:
    texts = {name: str(value) for name, value in options.items()}
    with laneproof.open(uri, options=texts, timeout=timeout, acknowledge_cautions=True) as card:
        yield card


def raised(call: Callable[[], object]) -> BaseException:
    """What a call raises; it has to."""
    try:
        call()
    except BaseException as error:
        return error
    raise AssertionError("it raised nothing")
