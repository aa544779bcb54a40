"""An endpoint over real character devices, with another process behind them that echoes, faithfully or not.

Positions of damage are known from the echo's arguments alone. Linux: pty(7), fifo(7), pipe(7), unix(7).
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from endpoint_fakes import AT_ONCE_S, InThread

import laneproof
from laneproof.errors import DeviceLost, Interrupted, OutOfStep, TransferTimeout
from laneproof.integrity import Comparison
from laneproof.integrity.comparison import WrongRegion
from laneproof.moving import stream

Echo = Callable[..., str]
KIB = 1 << 10
MIB = 1 << 20


@contextmanager
def opened(uri: str) -> Iterator[laneproof.Endpoint]:
    with laneproof.open(uri, acknowledge_cautions=True) as card:
        yield card


def transports(folder: Path) -> dict[str, tuple[object, ...]]:
    return {
        "terminal": (),
        "fifos": ("--fifos", folder / "out", folder / "in"),
        "socket": ("--socket", folder / "socket"),
    }


@pytest.fixture(params=["terminal", "fifos", "socket"])
def transport(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[object, ...]:
    return transports(tmp_path)[request.param]


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tail is given up sooner than in use, to keep the tests short."""
    monkeypatch.setattr(stream, "SETTLE_S", 0.5)


# --- clean data


def test_megabytes_come_back_whole_in_full_duplex(echo: Echo, tmp_path: Path) -> None:
    for name in ("fifos", "socket"):
        with opened(echo(*transports(tmp_path)[name])) as card:
            result = card.check("prbs31", 8 * MIB)
            assert result.ok
            assert result.bytes_checked == 8 * MIB
            data = np.random.default_rng(1).integers(0, 256, 4 * MIB, np.uint8)
            buffer = np.zeros_like(data)
            card.loopback(data, buffer)
            assert np.array_equal(data, buffer)


@pytest.mark.parametrize("mode", ["plain", "short", "slow"])
def test_short_reads_and_slow_echoes_pass(echo: Echo, transport: tuple[object, ...], mode: str) -> None:
    with opened(echo("--mode", mode, *transport)) as card:
        result = card.check("prbs31", 96 * KIB + 13, block=8 * KIB)
        assert result.ok
        assert (result.bytes_checked, result.surplus_bytes, result.stalled) == (96 * KIB + 13, 0, False)


def test_send_and_receive_run_at_once_in_two_threads(echo: Echo, tmp_path: Path) -> None:
    with opened(echo(*transports(tmp_path)["fifos"])) as card:
        data, buffer = os.urandom(2 * MIB), bytearray(2 * MIB)
        receiving = InThread(lambda: card.receive_into(buffer, 30.0))
        assert card.send(data, 30.0) == len(data)
        assert receiving.join().result == len(data)
        assert buffer == data


# --- damage is a result


@pytest.mark.parametrize("at", [0, 1, 8 * KIB - 1, 8 * KIB, 50_001, 64 * KIB - 1])
def test_a_flipped_bit_is_found_where_it_is(echo: Echo, tmp_path: Path, at: int) -> None:
    with opened(echo("--mode", "corrupt", "--at", at, *transports(tmp_path)["fifos"])) as card:
        result = card.check("prbs31", 64 * KIB, block=8 * KIB)
        assert not result.ok
        assert (result.first, result.mismatched_bytes, result.mismatched_bits) == (at, 1, 1)
        assert result.regions == (WrongRegion(at, at + 1),)
        assert (result.bytes_checked, result.surplus_bytes, result.stalled) == (64 * KIB, 0, False)
        assert card.check("prbs31", 8 * KIB).ok, "damage leaves the channel in step"


def test_dropped_bytes_are_a_missing_tail(echo: Echo, transport: tuple[object, ...], soon: None) -> None:
    with opened(echo("--mode", "drop", "--at", 20_000, "--count", 5, *transport)) as card:
        result = card.check("prbs31", 64 * KIB, block=8 * KIB, timeout=10.0)
        assert not result.ok
        assert (result.bytes_expected, result.bytes_received) == (64 * KIB, 64 * KIB - 5)
        assert result.bytes_checked == 64 * KIB - 5
        assert not result.stalled, "everything was sent, and the echo fell silent: lost, not stuck"
        assert result.first is not None
        assert 20_000 <= result.first <= 20_004, "from there on nothing stands where it should"
        with pytest.raises(OutOfStep):
            card.check("prbs31", 8)


def test_added_bytes_are_surplus(echo: Echo, transport: tuple[object, ...]) -> None:
    with opened(echo("--mode", "add", "--at", 64 * KIB - 1, "--count", 7, *transport)) as card:
        # A seed of its own: one drawn for the card may have an added byte's value at that place.
        result = card.check(laneproof.pattern("prbs31", seed=1), 64 * KIB, block=8 * KIB)
        assert not result.ok
        assert result.surplus_bytes == 7
        assert (result.bytes_expected, result.bytes_received) == (64 * KIB, 64 * KIB + 7)
        assert result.first == 64 * KIB - 1
        assert card.recover().how == "drained"
        assert card.check("prbs31", 8 * KIB).ok


@pytest.mark.parametrize("mode", ["stall", "deaf"])
def test_a_stall_ends_at_the_deadline_and_is_a_result(echo: Echo, transport: tuple[object, ...], mode: str) -> None:
    with opened(echo("--mode", mode, "--at", 10_000, *transport)) as card:
        started_s = time.monotonic()
        result = card.check("prbs31", 4 * MIB, block=8 * KIB, timeout=0.5)
        assert 0.4 < time.monotonic() - started_s < 0.5 + AT_ONCE_S
        assert not result.ok
        assert result.stalled
        assert (result.bytes_checked, result.mismatched_bytes) == (10_000, 0)
        assert (result.bytes_expected, result.bytes_received) == (4 * MIB, 10_000)


def test_loopback_raises_what_check_reports(echo: Echo, tmp_path: Path) -> None:
    with opened(echo("--mode", "stall", "--at", 1000, *transports(tmp_path)["fifos"])) as card:
        with pytest.raises(TransferTimeout, match="returned 1000 of 4096 bytes") as caught:
            card.loopback(bytes(4096), bytearray(4096), 0.2)
        assert caught.value.moved == 1000


def test_an_echo_that_dies_is_a_lost_device_and_what_was_verified_is_kept(
    echo: Echo, transport: tuple[object, ...]
) -> None:
    with opened(echo("--mode", "die", "--at", 100_000, *transport)) as card:
        with pytest.raises(DeviceLost) as caught:
            card.check("prbs31", MIB, block=8 * KIB, timeout=10.0)
        so_far = caught.value.so_far
        assert isinstance(so_far, Comparison)
        assert so_far.bytes_checked == so_far.bytes_received <= 100_000
        assert so_far.mismatched_bytes == 0
        assert not so_far.ok, "a part is not the whole"


# --- ended at once


@pytest.mark.parametrize("call", ["receive_into", "check", "loopback", "send"])
def test_interrupt_ends_a_stalled_call_at_once(echo: Echo, transport: tuple[object, ...], call: str) -> None:
    calls: dict[str, Callable[[Any], Any]] = {
        "receive_into": lambda card: card.receive_into(bytearray(64), 30.0),
        "check": lambda card: card.check("prbs31", 4 * MIB, timeout=30.0),
        "loopback": lambda card: card.loopback(bytes(4 * MIB), bytearray(4 * MIB), 30.0),
        "send": lambda card: card.send(bytes(4 * MIB), 30.0),
    }
    with opened(echo("--mode", "deaf", "--at", 0, *transport)) as card:
        running = InThread(lambda: calls[call](card))
        while not card._calls.live:
            time.sleep(0.001)
        time.sleep(0.05)
        started_s = time.monotonic()
        card.interrupt()
        error = running.join().error
        assert time.monotonic() - started_s < AT_ONCE_S
        assert isinstance(error, Interrupted)


def test_close_ends_a_stalled_check_at_once(echo: Echo, transport: tuple[object, ...]) -> None:
    with opened(echo("--mode", "deaf", "--at", 0, *transport)) as card:
        running = InThread(lambda: card.check("prbs31", 4 * MIB, timeout=30.0))
        while not card._calls.live:
            time.sleep(0.001)
        started_s = time.monotonic()
        card.close()
        assert isinstance(running.join().error, Interrupted)
        assert time.monotonic() - started_s < AT_ONCE_S


def test_a_signal_handler_may_interrupt_the_call_that_it_broke_into(echo: Echo) -> None:
    with opened(echo("--mode", "deaf", "--at", 0)) as card:
        before = signal.signal(signal.SIGALRM, lambda *_: card.interrupt())
        try:
            signal.setitimer(signal.ITIMER_REAL, 0.1)
            with pytest.raises(Interrupted):
                card.receive_into(bytearray(8), 30.0)
        finally:
            signal.signal(signal.SIGALRM, before)


# --- back in step


def test_after_a_timeout_the_late_echo_is_discarded(echo: Echo, tmp_path: Path) -> None:
    with opened(echo(*transports(tmp_path)["fifos"])) as card:
        card.send(os.urandom(50_000))
        with pytest.raises(TransferTimeout):
            card.receive_into(bytearray(60_000), 0.3)
        recovered = card.recover()
        assert recovered.how == "drained"
        card.send(os.urandom(20_000))
        card.channels[0].in_step = False
        assert card.recover().discarded_bytes == 20_000
        assert card.check("prbs31", 256 * KIB).ok


def test_a_lost_device_is_connected_anew_when_it_is_back(echo: Echo, tmp_path: Path) -> None:
    uri = echo("--mode", "die", "--at", 1000, "--socket", tmp_path / "socket")
    with opened(uri) as card:
        with pytest.raises(DeviceLost):
            card.check("prbs31", 64 * KIB, timeout=10.0)
        os.unlink(tmp_path / "socket")
        with pytest.raises(laneproof.CannotOpen, match="does not exist"):
            card.recover()
        assert echo("--socket", tmp_path / "socket") == uri
        assert card.recover().how == "reconnected"
        assert card.check("prbs31", 64 * KIB).ok


def test_opening_and_closing_again_and_again_leaves_nothing_open(echo: Echo) -> None:
    uri = echo()
    before = set(os.listdir("/proc/self/fd"))
    for _ in range(5):
        with opened(uri) as card:
            assert card.check("prbs31", KIB).ok
    assert set(os.listdir("/proc/self/fd")) == before


# --- the simulator


@pytest.mark.parametrize("slot", ["north", "middle", "south"])
def test_no_fifo_is_too_small_on_the_simulated_card(slot: str) -> None:
    with laneproof.open(f"sim:demo#{slot}") as card:
        fifo = card.limits.fifo_depth
        assert fifo is not None
        data = np.random.default_rng(1).integers(0, 256, 16 * fifo, np.uint8)
        buffer = np.zeros_like(data)
        card.loopback(data, buffer)
        assert np.array_equal(data, buffer)
        result = card.check("prbs31", 16 * fifo, block=4 * fifo)
        assert result.ok
        receiving = InThread(lambda: card.receive_into(buffer, 30.0))
        assert card.send(data, 30.0) == data.size
        assert receiving.join().result == data.size


def test_a_simulated_stall_passes_in_virtual_time() -> None:
    with laneproof.open("sim:stalling-card#north") as card:
        started_s, real_s = card.clock.now_s(), time.monotonic()
        results = [card.check("prbs31", 32 * MIB, timeout=600.0) for _ in range(1)]
        while not results[-1].stalled and len(results) < 20:
            results.append(card.check("prbs31", 32 * MIB, timeout=600.0))
        assert results[-1].stalled
        assert not results[-1].ok
        assert card.clock.now_s() - started_s >= 600.0
        assert time.monotonic() - real_s < 60.0
        assert card.recover().how == "reset"


def check_for_ever(card: laneproof.Endpoint) -> None:
    while True:
        card.check("prbs31", 16 * MIB)


def test_a_simulated_card_that_drops_off_is_lost_with_evidence_and_so_far() -> None:
    with laneproof.open("sim:drops-off#north") as card:
        with pytest.raises(DeviceLost) as caught:
            check_for_ever(card)
        assert caught.value.link_evidence
        assert isinstance(caught.value.so_far, Comparison)
