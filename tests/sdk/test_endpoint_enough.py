"""A check that is ended early by `enough`: nothing more goes out, all that went out comes back, the card is in step."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest
from endpoint_fakes import EchoQueue, EchoStream, opened
from test_endpoint_window import MemoryWindow

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Limits
from laneproof.integrity import Comparison
from laneproof.moving import stream

KIB = 1 << 10
Install = Callable[..., None]


class SerialEcho(EchoStream):
    """Counts what it was given and has given back; holds far less than a check sends."""

    def __init__(self) -> None:
        super().__init__(8 * KIB)
        self.sent = self.returned = 0

    def send(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().send(view, deadline)
        self.sent += moved
        return moved

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        self.returned += moved
        return moved


def until_enough(card: laneproof.Endpoint, blocks: int = 3, **options: object) -> Comparison:
    """Checks 64 blocks of 1 KiB, enough once so many were verified."""
    enough = threading.Event()

    def look(verified: int) -> None:
        if verified >= blocks * KIB:
            enough.set()

    return card.check("prbs31", 64 * KIB, block=KIB, progress=look, enough=enough, **options)  # type: ignore[arg-type]


PATHS = [
    pytest.param(SerialEcho, {}, id="stream"),
    pytest.param(SerialEcho, {"full_duplex": False}, id="stream by turns"),
    pytest.param(EchoQueue, {"queue_depth": 4}, id="queue"),
    pytest.param(MemoryWindow, {}, id="window"),
]


@pytest.mark.parametrize(("path", "limits"), PATHS)
def test_once_there_is_enough_all_that_was_sent_comes_back_and_no_other_block_goes_out(
    install: Install, path: Callable[[], object], limits: dict[str, object]
) -> None:
    with opened(install, path(), limits=Limits(max_transfer=4 * KIB, **limits)) as card:  # type: ignore[arg-type]
        found = until_enough(card)
        assert found.ok
        assert 3 * KIB <= found.bytes_expected < 64 * KIB
        assert found.bytes_received == found.bytes_checked == found.bytes_expected
        assert card.channels[0].in_step
        assert card.check("prbs31", 8 * KIB, block=KIB).ok  # nothing of the one before is left in the card


def test_a_check_that_has_enough_from_the_start_sends_nothing(install: Install) -> None:
    path, enough = SerialEcho(), threading.Event()
    enough.set()
    with opened(install, path) as card:
        found = card.check("prbs31", 64 * KIB, block=KIB, enough=enough)
    assert (found.bytes_expected, found.bytes_received, path.sent) == (0, 0, 0)


def test_enough_does_not_wait_for_a_stream_to_fall_silent(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    """The receiver waits for a block that is then left out; silence alone would tell after half a minute."""
    monkeypatch.setattr(stream, "SETTLE_S", 30.0)
    path, enough, waiting = SerialEcho(), threading.Event(), threading.Event()
    receive = path.receive_into

    def receive_into(view: memoryview, deadline: Deadline) -> int:
        if path.returned == 2 * KIB:
            waiting.set()
        return receive(view, deadline)

    def send(view: memoryview, deadline: Deadline) -> int:
        moved = SerialEcho.send(path, view, deadline)
        if path.sent == 2 * KIB:
            waiting.wait(5.0)
            enough.set()
        return moved

    path.receive_into, path.send = receive_into, send  # type: ignore[method-assign]
    with opened(install, path) as card:
        begun_s = time.monotonic()
        found = card.check("prbs31", 64 * KIB, block=KIB, enough=enough, timeout=60.0)
        assert time.monotonic() - begun_s < 20.0
    assert (found.bytes_expected, found.bytes_received, found.ok) == (2 * KIB, 2 * KIB, True)


class Ending(SerialEcho):
    """Says that there is enough as soon as 6 KiB were sent, and returns another number of bytes than those."""

    def __init__(self, enough: threading.Event, off_by: int) -> None:
        super().__init__()
        self._enough = enough
        self._off_by = off_by

    def send(self, view: memoryview, deadline: Deadline) -> int:
        with self.lock:
            self.sent += len(view)
            self.held += view
            if self.sent == 6 * KIB:
                self._enough.set()
                self.held += b"more"
                del self.held[self._off_by - 4 :]
        return len(view)


def test_bytes_that_were_never_sent_show_also_where_a_check_is_ended_early(install: Install) -> None:
    enough = threading.Event()
    with opened(install, Ending(enough, off_by=2)) as card:
        found = card.check("prbs31", 64 * KIB, block=KIB, enough=enough, more_follows=True)
        assert (found.bytes_expected, found.surplus_bytes, found.ok) == (6 * KIB, 2, False)
        assert not card.channels[0].in_step


def test_a_tail_that_is_lost_shows_also_where_a_check_is_ended_early(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "SETTLE_S", 0.05)
    monkeypatch.setattr(stream, "SETTLE_SHARE", 0.0)
    enough = threading.Event()
    with opened(install, Ending(enough, off_by=-1)) as card:
        found = card.check("prbs31", 64 * KIB, block=KIB, enough=enough)
        assert (found.bytes_expected, found.bytes_received, found.ok) == (6 * KIB, 6 * KIB - 1, False)
        assert not card.channels[0].in_step
