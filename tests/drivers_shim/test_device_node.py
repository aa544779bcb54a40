"""Opening what echoes, refusing what cannot, and giving it back as it was found."""

from __future__ import annotations

import errno
import fcntl
import os
import pty
import termios
import threading

import pytest
from echo_card import (
    LONG_S,
    SHORT_S,
    TRANSPORTS,
    arguments_for,
    connect,
    echoed,
    receive,
)

from laneproof.clock import Deadline
from laneproof.errors import BadInput, CannotOpen, CardInUse, DriverFault
from laneproof_drivers.chardev import driver

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


def test_leftovers_in_a_fifo_are_dropped_too(held_fifos, open_card):
    os.write(held_fifos.into, b"stale")
    path = open_card(held_fifos.address)
    os.write(held_fifos.into, b"fresh")
    assert receive(path, 5) == b"fresh"


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
    next_in_its_place = os.open("/dev/null", os.O_RDWR)
    with Deadline(LONG_S) as deadline, pytest.raises(DriverFault, match="closed"):
        path.send(memoryview(b"x"), deadline)
    card.close()
    os.close(next_in_its_place)
