"""A card that speaks frames over a serial line: real pseudo-terminals and sockets, and firmware in a second process
that was written from the specification alone."""

from __future__ import annotations

import os
import random
import socket
import sys
import termios
import threading
import time

import pytest
from echo_card import AT_ONCE_S, SHORT_S
from framed_cards import firmware, opened, raised

from laneproof.clock import Deadline
from laneproof.contract import Address
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault, Interrupted
from laneproof.moving import tickets
from laneproof.readings import AtLeast, Component, Exact, Identity, PartnerErrors, PartnerLink, Unavailable
from laneproof_drivers import serial_port
from laneproof_drivers.serial_port import SerialOptions, driver

CARRIER = "the fault of what carries the frames, not of the slot"
BLOCK = 2000


@pytest.fixture(params=["terminal", "socket"])
def way(request: pytest.FixtureRequest) -> tuple[str, ...]:
    return ("--tcp",) if request.param == "socket" else ()


# --- bytes out and back ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "small", [(), ("--window", 64, "--payload", 64, "--depth", 1)], ids=["1024 bytes", "64 bytes at a time"]
)
def test_a_check_passes_and_no_buffer_of_the_card_is_overrun(way, small) -> None:
    """The firmware says FAULT 9 if a byte comes for which it gave no credit."""
    with firmware(*way, *small) as place, opened(f"serial:{place}") as card:
        result = card.check("prbs31", 30_000, block=BLOCK)
        assert (result.ok, result.bytes_received) == (True, 30_000)


def test_one_thread_sends_while_another_receives(way) -> None:
    with firmware(*way) as place, opened(f"serial:{place}") as card:
        out, into = random.Random(3).randbytes(20_000), bytearray(20_000)
        sender = threading.Thread(target=card.send, args=(out,))
        sender.start()
        assert card.receive_into(into) == 20_000
        sender.join()
    assert into == out


def test_the_card_says_what_it_is_and_what_it_sees() -> None:
    with firmware("--tcp") as place, opened(f"serial:{place}") as card:
        assert card.identity == Identity(
            model="tide-gauge-echo", serial="invented-0007", components=(Component("firmware", "0.9"),)
        )
        link, errors = card.read_link(), card.read_errors()
        assert card.limits.queue_depth == 2
        assert card.limits.boundary == "message"
    assert link.near == PartnerLink(
        name="port", speed_gtps=8.0, width=4, max_speed_gtps=16.0, max_width=8, max_payload=256, read_request=512,
        active=True, bandwidth_management=False,
    )  # fmt: skip
    assert (link.far, link.wiring) == (Unavailable("behind the line"), 4)
    assert errors.near == PartnerErrors(
        name="port",
        epoch="1",
        correctable={"RxErr": Exact(7)},
        nonfatal={"CmpltTO": AtLeast(2, "a flag")},
        fatal={"DLP": Unavailable("not kept")},
    )


def test_a_card_is_no_faster_than_its_line() -> None:
    with firmware() as place, opened(f"serial:{place}", baud=19200) as card:
        assert card.limits.nominal_bytes_per_s == 1920
        assert card.limits.carrier == "a serial line at 19200 baud"


def test_a_port_that_has_no_line_behind_it_names_no_baud(tmp_path) -> None:
    """Whatever link of udev's leads to it; ttyACM is the kernel's name (Linux Documentation/usb/acm.rst)."""
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyACM0")
    assert serial_port._is_usb(str(tmp_path / "by-id"))
    assert not serial_port._is_usb(str(tmp_path / "ttyUSB0"))


# --- damage by the slot is a result, damage by the line is none -----------------------------------------------


def test_a_bit_that_the_slot_flipped_is_a_mismatch() -> None:
    with firmware("--tcp", "--fault", "flip-data", "--at", 3) as place, opened(f"serial:{place}") as card:
        result = card.check("prbs31", 10 * BLOCK, block=BLOCK)
        assert (result.ok, result.mismatched_bits, result.first) == (False, 1, 3 * 256)


def test_a_byte_too_many_is_surplus() -> None:
    fault = ("--fault", "surplus", "--at", 1)
    with firmware("--tcp", *fault) as place, opened(f"serial:{place}") as card:
        result = card.check("prbs31", 512, block=512)
        assert (result.ok, result.surplus_bytes, result.mismatched_bytes) == (False, 1, 0)


ONCE = ["flip-line", "drop-out", "drop-in", "repeat", "swap"]


@pytest.mark.parametrize("fault", ONCE)
def test_what_the_line_does_to_data_is_a_fault_of_the_carrier_and_can_be_recovered_from(way, fault) -> None:
    with firmware(*way, "--fault", fault, "--at", 5) as place, opened(f"serial:{place}") as card:
        with pytest.raises(DriverFault, match=CARRIER):
            card.check("prbs31", 10 * BLOCK, block=BLOCK)
        card.recover()
        assert card.check("prbs31", 10 * BLOCK, block=BLOCK).ok


@pytest.mark.parametrize(("fault", "at"), [("drop-in", 7), ("lose-done", 0)])
def test_a_last_frame_that_vanished_is_no_stall_of_the_slot(fault, at) -> None:
    """Nothing more comes, as if the slot had stalled: only the counts of both sides tell the two apart."""
    with firmware("--tcp", "--fault", fault, "--at", at) as place, opened(f"serial:{place}") as card:
        for timeout in (0.3, 5.0):  # found by STOP, and by COUNTS
            with pytest.raises(DriverFault, match=f"were lost.*{CARRIER}"):
                card.check("prbs31", BLOCK, block=BLOCK, timeout=timeout)
            if fault == "drop-in":
                break
            card.recover()


def test_a_slot_that_stalls_is_a_stall() -> None:
    with firmware("--tcp", "--fault", "stall", "--at", 5) as place, opened(f"serial:{place}") as card:
        result = card.check("prbs31", 10 * BLOCK, block=BLOCK, timeout=1.4)
        assert (result.stalled, result.ok, result.mismatched_bytes) == (True, False, 0)


def test_a_credit_that_the_line_lost_costs_time_and_nothing_else() -> None:
    fault = ("--fault", "drop-credit", "--at", 0)
    with firmware("--tcp", *fault, "--window", 300) as place, opened(f"serial:{place}") as card:
        assert card.check("prbs31", BLOCK, block=BLOCK).ok


@pytest.mark.parametrize("fault", ["slow-hello", "lossy-answers"])
def test_a_request_whose_answer_was_lost_is_asked_again(fault) -> None:
    with firmware("--tcp", "--fault", fault) as place, opened(f"serial:{place}") as card:
        assert not isinstance(card.read_link().near, Unavailable)


# --- cards that do what they should not -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "expected", "words"),
    [
        ("flood", DriverFault, "came where"),
        ("babble", DriverFault, "too long"),
        ("more", DriverFault, "sent more than the"),
        ("die", DeviceLost, "the far side"),
    ],
)
def test_a_card_that_breaks_the_protocol_ends_the_transfer(way, fault, expected, words, monkeypatch) -> None:
    monkeypatch.setattr(tickets, "QUIESCE_S", SHORT_S)  # who floods does not stop
    with firmware(*way, "--fault", fault, "--at", 3) as place, opened(f"serial:{place}") as card:
        started_s = time.monotonic()
        with pytest.raises(expected, match=words):
            card.check("prbs31", 10 * BLOCK, block=BLOCK, timeout=20)
        assert time.monotonic() - started_s < 15


def test_a_card_that_answers_nothing_any_more_is_no_stall_of_the_slot(monkeypatch) -> None:
    monkeypatch.setattr(tickets, "QUIESCE_S", SHORT_S)
    dead = firmware("--tcp", "--fault", "dead", "--at", 3)
    no_answer = pytest.raises(DriverFault, match="does not answer")
    with dead as place, opened(f"serial:{place}") as card, no_answer:
        card.check("prbs31", 10 * BLOCK, block=BLOCK, timeout=SHORT_S)


def test_an_interrupt_ends_a_stalled_transfer_at_once_and_leaves_nothing(way) -> None:
    with firmware(*way, "--fault", "stall", "--at", 5) as place, opened(f"serial:{place}") as card:
        moments: list[float] = []

        def interrupt() -> None:
            moments.append(time.monotonic())
            card.interrupt()

        timer = threading.Timer(SHORT_S, interrupt)
        timer.start()
        with pytest.raises(Interrupted):
            card.loopback(bytes(20_000), bytearray(20_000), timeout=20)
        assert time.monotonic() - moments[0] < AT_ONCE_S
        timer.join()


# --- opening --------------------------------------------------------------------------------------------------


def test_a_card_that_refuses_is_quoted() -> None:
    refusing = firmware("--tcp", "--fault", "refuse")
    with refusing as place, pytest.raises(CannotOpen, match="not you"), opened(f"serial:{place}"):
        pass


def test_silence_is_told_from_noise(held_terminal) -> None:
    far, name = held_terminal
    with pytest.raises(CannotOpen, match="nothing came"), opened(f"serial:{name}", timeout=SHORT_S):
        pass
    os.write(far, b"login: \0login: \0")
    noise = threading.Timer(0.1, os.write, (far, b"login: \0login: \0"))
    noise.start()
    with pytest.raises(CannotOpen, match="are no frames"), opened(f"serial:{name}", timeout=2 * SHORT_S):
        pass
    noise.join()


@pytest.mark.parametrize("where", ["loop", "terminal"])
def test_a_loopback_plug_is_recognised(where, start_echo) -> None:
    place = "loop://" if where == "loop" else start_echo().address
    if where == "terminal":
        place = place.partition(",")[0]
    problem = raised(lambda: driver.connect(Address(place), SerialOptions(), Deadline(5)))
    if where == "terminal":  # the echoing process has the terminal open itself
        assert isinstance(problem, CardInUse)
    else:
        assert isinstance(problem, CannotOpen)
        assert "loopback plug" in str(problem)


def test_a_port_that_another_process_has_open_is_named_with_what_would_release_it(start_echo) -> None:
    echo = start_echo()
    named = rf"process {echo.process.pid} .*`kill {echo.process.pid}`"
    with pytest.raises(CardInUse, match=named), opened(f"serial:{echo.address}"):
        pass
    assert echo.process.poll() is None


def test_a_port_that_is_open_already_is_refused() -> None:
    refused = pytest.raises(CardInUse, match="is in use")
    with firmware() as place, opened(f"serial:{place}"), refused, opened(f"serial:{place}"):
        pass


def test_the_line_is_set_as_asked(held_terminal) -> None:
    far, name = held_terminal
    seen: list[object] = []
    look = threading.Timer(0.1, lambda: seen.append(termios.tcgetattr(far)))
    look.start()
    with pytest.raises(CannotOpen), opened(f"serial:{name}", timeout=0.3, baud=921600, rtscts="yes"):
        pass
    look.join()
    (settings,) = seen
    assert isinstance(settings, list)
    assert settings[4] == settings[5] == termios.B921600
    assert settings[2] & termios.CRTSCTS
    assert not settings[3] & (termios.ICANON | termios.ECHO)


def test_a_terminal_has_its_settings_back_after_closing(held_terminal) -> None:
    far, name = held_terminal
    found = termios.tcgetattr(far)
    with pytest.raises(CannotOpen), opened(f"serial:{name}", timeout=0.1, baud=921600, parity="even", rtscts="yes"):
        pass
    assert termios.tcgetattr(far) == found


@pytest.mark.parametrize(
    ("address", "expected", "words"),
    [
        ("/dev/no-such-port", CannotOpen, "does not exist"),
        ("/dev/null", CannotOpen, "no serial port"),
        ("/etc/passwd", CannotOpen, "regular file"),
        ("strange://x", BadInput, "pyserial"),
        ("rfc2217://127.0.0.1:1", BadInput, "socket://ADDRESS:PORT"),
        ("RFC2217://127.0.0.1:1", BadInput, "socket://ADDRESS:PORT"),
        ("socket://127.0.0.1:1", CannotOpen, "refused"),
        ("socket://nowhere.invalid:5", BadInput, "number"),
        ("socket://127.0.0.1", BadInput, "PORT"),
        ("socket://127.0.0.1:99999", BadInput, "PORT"),
    ],
)
def test_what_cannot_be_opened_is_one_clear_line(address, expected, words) -> None:
    with pytest.raises(expected, match=words) as caught, opened(f"serial:{address}", timeout=2):
        pass
    assert "\n" not in str(caught.value)


def test_an_unanswered_connection_ends_at_its_deadline_or_an_interrupt() -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        place = f"socket://127.0.0.1:{listener.getsockname()[1]}"
        with socket.create_connection(listener.getsockname()):  # the queue is full
            deadline = Deadline(20)
            timer = threading.Timer(SHORT_S, deadline.cancel)
            timer.start()
            with deadline, pytest.raises(Interrupted):
                driver.connect(Address(place), SerialOptions(), deadline)
            timer.join()


@pytest.mark.parametrize("options", [{"baud": "fast"}, {"parity": "mark"}, {"speed": 9600}, {"baud": 0}])
def test_an_option_that_makes_no_sense_is_refused(options) -> None:
    with pytest.raises(BadInput), opened("serial:/dev/null", **options):
        pass


def test_without_pyserial_it_says_what_to_install(monkeypatch, held_terminal) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(CannotOpen, match="pip install pyserial"), opened(f"serial:{held_terminal[1]}"):
        pass
