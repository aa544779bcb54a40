"""A character device that echoes, driven as a card: real pseudo-terminals, FIFOs and sockets, with a process behind."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable

import pytest
from echo_card import (
    AT_ONCE_S,
    LONG_S,
    MIB,
    SHORT_S,
    TRANSPORTS,
    arguments_for,
    echoed,
    random_bytes,
    receive,
    send_all,
)

from laneproof.clock import Deadline
from laneproof.contract import Address
from laneproof.errors import DeviceLost, DriverFault, Interrupted
from laneproof_drivers.chardev import CharDeviceOptions, driver

# --- bytes out and back ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_more_bytes_than_any_kernel_buffer_holds_come_back_in_full_duplex(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo(*arguments_for(transport, tmp_path)).address)
    data = random_bytes(8 * MIB)
    assert echoed(path, data) == data


def test_every_byte_value_passes_a_terminal_that_was_in_line_mode(start_echo, open_card):
    path = open_card(start_echo("--cooked").address)
    data = bytes(range(256)) * 64
    assert echoed(path, data) == data


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_short_reads_at_the_far_side_lose_nothing(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "short", *arguments_for(transport, tmp_path)).address)
    data = random_bytes(20_001)
    assert echoed(path, data) == data


def test_a_slow_echo_is_waited_for(start_echo, open_card):
    path = open_card(start_echo("--mode", "slow").address)
    data = random_bytes(100_000)
    assert echoed(path, data) == data


def test_no_call_moves_more_than_a_chunk(start_echo, open_card):
    path = open_card(start_echo().address, chunk=100)
    with Deadline(LONG_S) as deadline:
        assert path.send(memoryview(bytes(1000)), deadline) == 100
        assert 1 <= path.receive_into(memoryview(bytearray(1000)), deadline) <= 100


def test_an_empty_view_moves_nothing_and_is_not_taken_for_the_end(start_echo, open_card):
    path = open_card(start_echo().address)
    with Deadline(LONG_S) as deadline:
        assert path.send(memoryview(b""), deadline) == 0
        assert path.receive_into(memoryview(bytearray()), deadline) == 0


# --- damage is passed on as it is -----------------------------------------------------------------------------


def test_a_flipped_bit_arrives_flipped(start_echo, open_card):
    path = open_card(start_echo("--mode", "corrupt", "--at", 70_000).address)
    data = random_bytes(100_000)
    back = echoed(path, data)
    assert [
        (position, sent ^ got) for position, (sent, got) in enumerate(zip(data, back, strict=True)) if sent != got
    ] == [(70_000, 1)]


def test_dropped_bytes_are_missing_at_the_end(start_echo, open_card):
    path = open_card(start_echo("--mode", "drop", "--at", 5_000, "--count", 3).address)
    data = random_bytes(20_000)
    send_all(path, data)
    assert receive(path, len(data) - 3) == data[:5_000] + data[5_003:]
    assert receive(path, 1, SHORT_S) == b""


def test_added_bytes_are_surplus_at_the_end(start_echo, open_card):
    path = open_card(start_echo("--mode", "add", "--at", 5_000, "--count", 3).address)
    data = random_bytes(20_000)
    send_all(path, data)
    assert receive(path, len(data) + 3) == data[:5_000] + b"\xa5\xa5\xa5" + data[5_000:]
    assert receive(path, 1, SHORT_S) == b""


# --- deadlines and cancellation -------------------------------------------------------------------------------


def test_a_stalled_echo_ends_the_receive_at_its_deadline(start_echo, open_card):
    path = open_card(start_echo("--mode", "stall", "--at", 1000).address)
    send_all(path, bytes(2000))
    assert receive(path, 1000) == bytes(1000)
    with Deadline(SHORT_S) as deadline:
        assert path.receive_into(memoryview(bytearray(1000)), deadline) == 0
        assert deadline.expired


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_a_blocked_write_ends_at_its_deadline(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "deaf", *arguments_for(transport, tmp_path)).address)
    assert send_all(path, bytes(8 * MIB), SHORT_S) < 8 * MIB


def test_what_can_move_at_once_moves_even_when_the_deadline_has_passed(held_fifos, open_card):
    path = open_card(held_fifos.address)
    os.write(held_fifos.into, b"laneproof")
    assert receive(path, 100, timeout_s=0) == b"laneproof"
    assert send_all(path, b"x", timeout_s=0) == 1


def cancelled_after(call: Callable[[Deadline], int]) -> float:
    """Seconds between a cancellation from another thread and the end of `call`."""
    deadline = Deadline(LONG_S)
    moment: list[float] = []

    def cancel() -> None:
        moment.append(time.monotonic())
        deadline.cancel()

    timer = threading.Timer(SHORT_S, cancel)
    timer.start()
    with deadline, pytest.raises(Interrupted):
        all(iter(lambda: call(deadline), 0))
    ended = time.monotonic()
    timer.join()
    return ended - moment[0]


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_cancelling_ends_a_stalled_receive_at_once(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "stall", *arguments_for(transport, tmp_path)).address)
    send_all(path, bytes(100))
    view = memoryview(bytearray(100))
    assert cancelled_after(lambda deadline: path.receive_into(view, deadline)) < AT_ONCE_S


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_cancelling_ends_a_blocked_write_at_once(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "deaf", *arguments_for(transport, tmp_path)).address)
    view = memoryview(bytes(65536))
    assert cancelled_after(lambda deadline: path.send(view, deadline)) < AT_ONCE_S


def test_cancelling_ends_the_wait_for_a_fifo_to_be_opened(tmp_path):
    os.mkfifo(tmp_path / "out")
    os.mkfifo(tmp_path / "in")

    def wait_for_reader(deadline: Deadline) -> int:
        driver.connect(Address(f"{tmp_path}/out,{tmp_path}/in"), CharDeviceOptions(), deadline)
        return 0

    assert cancelled_after(wait_for_reader) < AT_ONCE_S


def test_a_device_that_never_lets_its_poll_block_is_still_left_at_the_deadline(start_echo, open_card, monkeypatch):
    """A kernel driver without a poll of its own always polls ready (Linux Documentation/filesystems/vfs.rst)."""
    path = open_card(start_echo("--mode", "stall").address)
    calls = []
    monkeypatch.setattr(Deadline, "wait", lambda self, fd, events: calls.append(fd) or events)
    assert receive(path, 10, SHORT_S) == b""
    assert len(calls) < 1000  # it paused in between


# --- the far side leaves --------------------------------------------------------------------------------------


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_an_echo_that_dies_is_a_lost_device_to_the_reader(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "die", "--at", 1, *arguments_for(transport, tmp_path)).address)
    send_all(path, b"xyz")
    with pytest.raises(DeviceLost) as caught:
        receive(path, 100)
    assert caught.value.link_evidence == ""


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_an_echo_that_dies_is_a_lost_device_to_the_writer(transport, tmp_path, start_echo, open_card):
    echo = start_echo("--mode", "deaf", *arguments_for(transport, tmp_path))
    path = open_card(echo.address)
    timer = threading.Timer(SHORT_S, echo.process.kill)
    timer.start()
    with pytest.raises(DeviceLost):
        send_all(path, bytes(64 * MIB))
    timer.join()


def test_what_came_before_the_end_is_received_before_the_loss_is_reported(tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "die", "--at", 500, *arguments_for("fifos", tmp_path)).address)
    send_all(path, bytes(1000))
    assert receive(path, 500) == bytes(500)
    with pytest.raises(DeviceLost):
        receive(path, 1)


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (errno.EPIPE, DeviceLost),
        (errno.ECONNRESET, DeviceLost),
        (errno.ENODEV, DeviceLost),
        (errno.ENXIO, DeviceLost),
        (errno.ESHUTDOWN, DeviceLost),
        (errno.ENOTCONN, DeviceLost),
        (errno.EIO, DeviceLost),  # of a terminal
        (errno.EINVAL, DriverFault),
        (errno.ENOMEM, DriverFault),
        (errno.EOVERFLOW, DriverFault),
    ],
)
def test_every_error_of_the_system_is_mapped(number, expected, start_echo, open_card, monkeypatch):
    path = open_card(start_echo().address)

    def fail(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "write", fail)
    monkeypatch.setattr(os, "readv", fail)
    with Deadline(LONG_S) as deadline:
        for call in (path.send, path.receive_into):
            with pytest.raises(expected) as caught:
                call(memoryview(bytearray(8)), deadline)
            assert isinstance(caught.value.__cause__, OSError)
    monkeypatch.undo()  # before the card closes


def test_an_input_error_that_is_no_terminals_is_a_failed_transfer(tmp_path, start_echo, open_card, monkeypatch):
    path = open_card(start_echo(*arguments_for("fifos", tmp_path)).address)

    def fail(*_: object) -> int:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "readv", fail)
    with pytest.raises(DriverFault):
        receive(path, 8)
    monkeypatch.undo()
