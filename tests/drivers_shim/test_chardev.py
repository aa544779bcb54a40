"""A character device that echoes, driven as a card: real pseudo-terminals, FIFOs and sockets, with a process behind."""

from __future__ import annotations

import errno
import fcntl
import os
import pty
import random
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, StreamPath
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault, Interrupted
from laneproof_drivers.chardev import CharDeviceOptions, driver

MIB = 2**20
SHORT_S = 0.2
"""A deadline that is meant to pass."""
LONG_S = 20.0
"""A deadline that is not."""


def connect(address: str, timeout_s: float = LONG_S, **options: object) -> Card:
    with Deadline(timeout_s) as deadline:
        return driver.connect(Address(address), CharDeviceOptions(**options), deadline)


@pytest.fixture
def open_card() -> Iterator[Callable[..., StreamPath]]:
    cards: list[Card] = []

    def open_path(address: str, **options: object) -> StreamPath:
        cards.append(connect(address, **options))
        path = cards[-1].channels[0].path
        assert isinstance(path, StreamPath)
        return path

    yield open_path
    for card in cards:
        card.close()


def random_bytes(nbytes: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(nbytes)


def send_all(path: StreamPath, data: bytes, timeout_s: float = LONG_S) -> int:
    """Bytes that went before the deadline."""
    left = memoryview(data)
    with Deadline(timeout_s) as deadline:
        while left:
            sent = path.send(left, deadline)
            if sent == 0:
                break
            left = left[sent:]
    return len(data) - len(left)


def receive(path: StreamPath, nbytes: int, timeout_s: float = LONG_S) -> bytes:
    """What came before the deadline, at most `nbytes`."""
    buffer = bytearray(nbytes)
    left = memoryview(buffer)
    with Deadline(timeout_s) as deadline:
        while left:
            got = path.receive_into(left, deadline)
            if got == 0:
                break
            left = left[got:]
    return bytes(buffer[: nbytes - len(left)])


def echoed(path: StreamPath, data: bytes) -> bytes:
    """`data` sent from a thread of its own while what comes back is received here."""
    sender = threading.Thread(target=send_all, args=(path, data))
    sender.start()
    back = receive(path, len(data))
    sender.join()
    return back


def arguments_for(transport: str, folder: Path) -> tuple[object, ...]:
    return {
        "terminal": (),
        "fifos": ("--fifos", folder / "out", folder / "in"),
        "socket": ("--socket", folder / "socket"),
    }[transport]


TRANSPORTS = ("terminal", "fifos", "socket")


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
    assert receive(path, len(data), SHORT_S) == data[:5_000] + data[5_003:]


def test_added_bytes_are_surplus_at_the_end(start_echo, open_card):
    path = open_card(start_echo("--mode", "add", "--at", 5_000, "--count", 3).address)
    data = random_bytes(20_000)
    send_all(path, data)
    assert receive(path, len(data) + 100, SHORT_S) == data[:5_000] + b"\xa5\xa5\xa5" + data[5_000:]


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


def test_what_has_arrived_is_returned_even_when_the_deadline_has_passed(start_echo, open_card):
    path = open_card(start_echo().address)
    send_all(path, b"laneproof")
    assert receive(path, 1) == b"l"
    assert receive(path, 8, timeout_s=0) in (b"aneproof", b"")
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
    assert cancelled_after(lambda deadline: path.receive_into(view, deadline)) < 0.5


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_cancelling_ends_a_blocked_write_at_once(transport, tmp_path, start_echo, open_card):
    path = open_card(start_echo("--mode", "deaf", *arguments_for(transport, tmp_path)).address)
    view = memoryview(bytes(65536))
    assert cancelled_after(lambda deadline: path.send(view, deadline)) < 0.5


def test_cancelling_ends_the_wait_for_a_fifo_to_be_opened(tmp_path):
    os.mkfifo(tmp_path / "out")
    os.mkfifo(tmp_path / "in")

    def wait_for_reader(deadline: Deadline) -> int:
        driver.connect(Address(f"{tmp_path}/out,{tmp_path}/in"), CharDeviceOptions(), deadline)
        return 0

    assert cancelled_after(wait_for_reader) < 0.5


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


# --- opening --------------------------------------------------------------------------------------------------


def test_nothing_is_discovered_because_nothing_may_be_guessed():
    with Deadline(LONG_S) as deadline:
        assert list(driver.discover(deadline)) == []


def test_the_card_has_one_full_duplex_stream_of_the_rate_that_was_named(start_echo):
    card = connect(start_echo().address, nominal_mb_s=12.5)
    (channel,) = card.channels
    card.close()
    assert (channel.name, channel.limits.boundary, channel.limits.full_duplex) == ("echo", "stream", True)
    assert channel.limits.nominal_bytes_per_s == 12.5e6
    assert card.parts == ()


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda folder: None, "does not exist"),
        (lambda folder: folder.mkdir(), "is a directory"),
        (lambda folder: folder.write_bytes(b"x"), "is a regular file"),
    ],
    ids=["missing", "directory", "regular-file"],
)
def test_what_cannot_echo_is_refused_in_one_line(make, expected, tmp_path):
    make(tmp_path / "device")
    with pytest.raises(CannotOpen, match=expected) as caught:
        connect(f"{tmp_path}/device")
    assert str(tmp_path / "device") in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("number", "kind", "expected"),
    [
        (errno.EACCES, CannotOpen, "not permitted"),
        (errno.EPERM, CannotOpen, "not permitted"),
        (errno.EBUSY, CardInUse, "in use"),
        (errno.ENXIO, CannotOpen, "no device behind it"),
        (errno.ENODEV, CannotOpen, "no device behind it"),
        (errno.EIO, CannotOpen, "cannot be opened"),
        (errno.EMFILE, CannotOpen, "cannot be opened"),
    ],
)
def test_every_refusal_of_the_system_says_what_to_do(number, kind, expected, start_echo, monkeypatch):
    address = start_echo().address

    def fail(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "open", fail)
    with pytest.raises(kind, match=expected) as caught:
        connect(address)
    assert type(caught.value) is kind


@pytest.mark.parametrize("address", ["a,b,c", ",b", "a,", "nul\0byte"])
def test_an_address_that_names_neither_one_nor_two_paths_is_bad_input(address):
    with pytest.raises(BadInput):
        connect(address)


def test_one_device_named_twice_is_bad_input(start_echo):
    address = start_echo().address
    with pytest.raises(BadInput, match="twice"):
        connect(f"{address},{address}")


def test_a_single_fifo_is_refused_since_it_would_echo_by_itself(tmp_path):
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(BadInput, match="one way"):
        connect(f"{tmp_path}/fifo")


@pytest.mark.parametrize(
    ("device", "expected"),
    [("/dev/null", "at its end"), ("/dev/zero", "before anything was sent")],
)
def test_a_device_that_plainly_does_not_echo_is_refused(device, expected):
    with pytest.raises(CannotOpen, match=expected):
        connect(device)


def test_a_fifo_pair_without_an_echo_is_given_up_at_the_deadline(tmp_path):
    os.mkfifo(tmp_path / "out")
    os.mkfifo(tmp_path / "in")
    with pytest.raises(CannotOpen, match="for reading"):
        connect(f"{tmp_path}/out,{tmp_path}/in", SHORT_S)


def test_a_fifo_that_nobody_writes_is_told_from_one_that_ended(tmp_path):
    os.mkfifo(tmp_path / "out")
    os.mkfifo(tmp_path / "in")
    reader = os.open(tmp_path / "out", os.O_RDONLY | os.O_NONBLOCK)
    with pytest.raises(CannotOpen, match="for writing"):
        connect(f"{tmp_path}/out,{tmp_path}/in", SHORT_S)
    os.close(reader)


def test_an_echo_that_starts_later_is_waited_for(tmp_path, start_echo):
    out, into = tmp_path / "out", tmp_path / "in"
    os.mkfifo(out)
    os.mkfifo(into)
    timer = threading.Timer(SHORT_S, start_echo, ("--fifos", out, into))
    timer.start()
    card = connect(f"{out},{into}")
    timer.join()
    assert echoed(card.channels[0].path, b"late") == b"late"
    card.close()


def test_a_socket_without_a_listener_is_refused(tmp_path, start_echo):
    echo = start_echo("--socket", tmp_path / "socket")
    echo.kill()
    with pytest.raises(CannotOpen, match="no process listening"):
        connect(echo.address)


def test_bytes_that_an_earlier_user_left_are_not_taken_for_echoes(start_echo, open_card):
    ours, theirs = pty.openpty()
    os.write(ours, b"stale\n" * 100)
    path = open_card(os.ttyname(theirs))
    os.write(ours, b"fresh")
    assert receive(path, 5) == b"fresh"
    os.close(ours)
    os.close(theirs)


def test_leftovers_in_a_fifo_are_dropped_too(tmp_path, open_card):
    os.mkfifo(tmp_path / "out")
    os.mkfifo(tmp_path / "in")
    reader = os.open(tmp_path / "out", os.O_RDONLY | os.O_NONBLOCK)
    writer = os.open(tmp_path / "in", os.O_RDWR | os.O_NONBLOCK)
    os.write(writer, b"stale")
    path = open_card(f"{tmp_path}/out,{tmp_path}/in")
    os.write(writer, b"fresh")
    assert receive(path, 5) == b"fresh"
    os.close(reader)
    os.close(writer)


# --- giving back ----------------------------------------------------------------------------------------------


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_closing_restores_the_terminals_settings():
    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    card = connect(os.ttyname(theirs))
    during = termios.tcgetattr(theirs)
    card.close()
    assert termios.tcgetattr(theirs) == before
    assert during[3] & (termios.ICANON | termios.ECHO | termios.ISIG) == 0
    os.close(ours)
    os.close(theirs)


def test_a_second_opener_is_told_that_the_device_is_in_use_until_the_first_closes(start_echo):
    address = start_echo().address
    first = connect(address)
    with pytest.raises(CardInUse, match="in use"):
        connect(address)
    first.close()
    connect(address).close()


def exclusive(fd: int) -> bool:
    """TIOCGEXCL of Linux asm-generic/ioctls.h: _IOR('T', 0x40, int)."""
    return fcntl.ioctl(fd, 0x80045440, bytes(4)) != bytes(4)


def test_a_terminal_refuses_other_programs_until_the_card_is_closed(start_echo):
    """TIOCEXCL, Linux tty_ioctl(2): further opens fail with EBUSY, except for a process with CAP_SYS_ADMIN."""
    address = start_echo().address
    other = os.open(address, os.O_RDWR | os.O_NOCTTY)
    card = connect(address)
    while_open = exclusive(other)
    card.close()
    assert (while_open, exclusive(other)) == (True, False)
    os.close(other)


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_closing_gives_back_every_descriptor_and_may_be_repeated(transport, tmp_path, start_echo):
    address = start_echo(*arguments_for(transport, tmp_path)).address
    before = open_descriptors()
    card = connect(address)
    echoed(card.channels[0].path, b"x" * 1000)
    card.close()
    card.close()
    assert open_descriptors() == before


def test_closing_a_device_that_is_gone_raises_nothing(start_echo):
    echo = start_echo()
    before = open_descriptors()
    card = connect(echo.address)
    echo.kill()
    card.close()
    assert open_descriptors() == before


@pytest.mark.parametrize("address", ["/dev/null", "/dev/zero", "pair"])
def test_a_failed_open_leaks_no_descriptor(address, tmp_path):
    if address == "pair":
        os.mkfifo(tmp_path / "out")
        os.mkfifo(tmp_path / "in")
        address = f"{tmp_path}/out,{tmp_path}/in"
    before = open_descriptors()
    with pytest.raises(CannotOpen):
        connect(address, SHORT_S)
    assert open_descriptors() == before


def test_a_closed_card_touches_no_descriptor_that_came_after_it(start_echo):
    card = connect(start_echo().address)
    path = card.channels[0].path
    card.close()
    with Deadline(LONG_S) as deadline, pytest.raises(DriverFault, match="closed"):
        path.send(memoryview(b"x"), deadline)
