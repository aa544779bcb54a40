"""The integrator's example: installed as a package, found by its entry point, run over real TCP with its stand-in."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, StreamPath
from laneproof.errors import BadInput, CannotOpen, DeviceLost, Interrupted

EXAMPLE = Path(__file__).parents[2] / "examples" / "card_of_ones_own"
SOURCE = EXAMPLE / "src" / "tcp_card.py"
LANEPROOF = Path(sys.executable).with_name("laneproof")
HELLO = b"echo-card tide-gauge-echo invented-0007 0.9\n"
SHORT_S = 0.2
"""A deadline that is meant to pass."""
LONG_S = 20.0
"""A deadline that is not."""


def test_the_whole_source_has_fewer_than_a_hundred_lines():
    assert len(SOURCE.read_text("utf-8").splitlines()) < 100


# --- as a user sees it ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def environment(tmp_path_factory) -> dict[str, str]:
    """That of a Python which has the package installed beside laneproof."""
    target = tmp_path_factory.mktemp("installed")
    offline = ("--no-index", "--no-deps", "--no-build-isolation", "--disable-pip-version-check")
    command = [sys.executable, "-m", "pip", "install", "--quiet", *offline, "--target", str(target), str(EXAMPLE)]
    subprocess.run(command, check=True, capture_output=True)
    return {**os.environ, "PYTHONPATH": str(target)}


@pytest.fixture
def start_stand_in() -> Iterator[Callable[..., tuple[str, subprocess.Popen[str]]]]:
    """Starts the stand-in on a free port; gives what to open, and its process."""
    running: list[subprocess.Popen[str]] = []

    def start(*arguments: object) -> tuple[str, subprocess.Popen[str]]:
        command = [sys.executable, "-I", EXAMPLE / "card_stand_in.py", "--port", "0", *map(str, arguments)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        running.append(process)
        assert process.stdout is not None
        return process.stdout.readline().strip(), process

    yield start
    for process in running:
        process.kill()
        process.communicate()


@pytest.fixture
def begin_run(environment, tmp_path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Begins `laneproof run` with the given steps; what it prints comes line by line, its result as JSON."""
    running: list[subprocess.Popen[str]] = []

    def begin(uri: str, *steps: str) -> subprocess.Popen[str]:
        plan = "schema = 1\n" + "".join(f"[[step]]\n{step}\n" for step in steps)
        (tmp_path / "plan.toml").write_text(plan, "utf-8")
        command = [LANEPROOF, "run", "plan.toml", "--endpoint", uri, "--json", "result.json", "--acknowledge-cautions"]
        streams = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
        process = subprocess.Popen(command, cwd=tmp_path, env={**environment, "COLUMNS": "200"}, text=True, **streams)
        running.append(process)
        return process

    yield begin
    for process in running:
        process.kill()
        process.communicate()


def finished(process: subprocess.Popen[str], tmp_path: Path) -> tuple[int, list[str]]:
    """Exit status, and every reason as "step verdict text"."""
    printed, _ = process.communicate(timeout=60)
    assert "Traceback" not in printed
    (endpoint,) = json.loads((tmp_path / "result.json").read_text("utf-8"))["endpoints"]
    reasons = [
        f"{step['kind']} {reason['verdict']} {reason['text']}"
        for step in endpoint["steps"]
        for reason in step["reasons"]
    ]
    return process.returncode, reasons


def wait_for(line: str, process: subprocess.Popen[str]) -> None:
    assert process.stdout is not None
    assert any(line in printed for printed in process.stdout), f"{line!r} was never printed"


def test_its_scheme_is_listed(environment, tmp_path):
    done = subprocess.run([LANEPROOF, "endpoints"], env=environment, capture_output=True, text=True, check=True)
    assert "tcpcard: from tcp-card" in done.stdout.splitlines()


def test_data_through_a_faithful_card_pass(start_stand_in, begin_run, tmp_path):
    uri, _ = start_stand_in()
    status, reasons = finished(begin_run(uri, 'kind = "integrity"\nbytes = "8 MiB"'), tmp_path)
    assert status == 0
    assert len(reasons) == 1
    assert reasons[0].startswith("integrity pass prbs31: all 8 MiB came back unchanged")


def test_a_wrong_byte_fails_where_it_was(start_stand_in, begin_run, tmp_path):
    uri, _ = start_stand_in("--corrupt-at", 3_000_001)
    status, reasons = finished(begin_run(uri, 'kind = "integrity"\nbytes = "8 MiB"'), tmp_path)
    assert status == 1
    assert "1 of 8388608 bytes came back wrong (1 of 67108864 bits), the first at byte 3000001" in reasons[0]


def test_a_card_that_falls_silent_fails_as_stalled(start_stand_in, begin_run, tmp_path):
    uri, _ = start_stand_in("--stall-at", 3_000_001)
    status, reasons = finished(begin_run(uri, 'kind = "integrity"\nbytes = "8 MiB"\ntimeout = "1 s"'), tmp_path)
    assert status == 1
    assert reasons[0].startswith("integrity fail prbs31: the transfer stalled; 3000001 of 8388608 bytes had come back")


SHORT_STEP = 'kind = "integrity"\nbytes = "1 MiB"'
ENDLESS_STEP = 'kind = "soak"\nduration = "1 h"\nportion = "1 MiB"'


def test_a_card_that_dies_under_a_run_is_inconclusive_since_nothing_shows_its_link(start_stand_in, begin_run, tmp_path):
    uri, card = start_stand_in()
    process = begin_run(uri, SHORT_STEP, ENDLESS_STEP)
    wait_for("integrity: pass", process)
    card.kill()
    status, reasons = finished(process, tmp_path)
    assert status == 3
    assert [reason for reason in reasons if reason.startswith("soak inconc the card was lost")]


@pytest.mark.parametrize("arguments", [(), ("--stall-at", 3 << 20)], ids=["moving", "silent"])
def test_an_interrupt_ends_a_run_that_would_take_an_hour(start_stand_in, begin_run, tmp_path, arguments):
    uri, _ = start_stand_in(*arguments)
    slow = f"{uri}?nominal_mb_s=0.001"  # a card taken to be slow is given half an hour for a mebibyte
    process = begin_run(slow, SHORT_STEP, ENDLESS_STEP)
    wait_for("integrity: pass", process)
    process.send_signal(signal.SIGINT)
    status, reasons = finished(process, tmp_path)
    assert status == 130
    assert [reason for reason in reasons if reason.startswith("integrity pass")]


# --- the driver by itself -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tcp_card() -> ModuleType:
    spec = importlib.util.spec_from_file_location("tcp_card", SOURCE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "dont_write_bytecode", True)
        spec.loader.exec_module(module)
    return module


@pytest.fixture
def connect(tcp_card) -> Iterator[Callable[..., Card]]:
    """Opens an address with the driver; closes it after the test."""
    cards: list[Card] = []

    def open_address(address: str, timeout_s: float = LONG_S) -> Card:
        with Deadline(timeout_s) as deadline:
            cards.append(tcp_card.driver.connect(Address(address), tcp_card.Options(), deadline))
        return cards[-1]

    yield open_address
    for card in cards:
        card.close()
        card.close()


@pytest.fixture
def listening() -> Iterator[socket.socket]:
    """A socket that a card would listen on. The kernel completes connections by itself."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server


def address_of(server: socket.socket) -> str:
    return f"127.0.0.1:{server.getsockname()[1]}"


@pytest.fixture
def opened(connect, listening) -> Iterator[tuple[StreamPath, socket.socket]]:
    """An open path, and the far side of its connection."""
    far: list[socket.socket] = []

    def greet() -> None:
        far.append(listening.accept()[0])
        far[0].sendall(HELLO)

    greeting = threading.Thread(target=greet)
    greeting.start()
    path = connect(address_of(listening)).channels[0].path
    greeting.join()
    yield path, far[0]
    far[0].close()


def test_the_hello_says_what_the_card_is(connect, start_stand_in):
    uri, _ = start_stand_in()
    (part,) = connect(uri.removeprefix("tcpcard:")).parts
    with Deadline(LONG_S) as deadline:
        identity = part.read_identity(deadline)
    assert (identity.model, identity.serial) == ("tide-gauge-echo", "invented-0007")
    assert [(part.name, part.version) for part in identity.components] == [("firmware", "0.9")]


def test_a_silent_card_brings_nothing_by_the_deadline(opened):
    path, _ = opened
    with Deadline(SHORT_S) as deadline:
        assert path.receive_into(memoryview(bytearray(10)), deadline) == 0
        assert deadline.expired


def test_a_card_that_takes_nothing_lets_send_end_at_the_deadline(opened):
    path, _ = opened
    data = memoryview(bytes(1 << 20))
    with Deadline(SHORT_S) as deadline:
        while path.send(data, deadline):
            pass
        assert deadline.expired


@pytest.mark.parametrize("way", ["send", "receive_into"])
def test_a_waiting_call_ends_when_it_is_interrupted(opened, way):
    path, _ = opened
    call, view = getattr(path, way), memoryview(bytearray(1 << 20))
    with Deadline(LONG_S) as deadline:
        threading.Timer(SHORT_S, deadline.cancel).start()
        with pytest.raises(Interrupted):
            all(iter(lambda: call(view, deadline), 0))  # again and again: a send fills the kernel's buffers first
        assert not deadline.expired


def test_a_card_that_hangs_up_is_lost(opened):
    path, far = opened
    far.close()
    with Deadline(LONG_S) as deadline, pytest.raises(DeviceLost, match="closed the connection"):
        path.receive_into(memoryview(bytearray(10)), deadline)


def test_a_connection_that_breaks_is_a_lost_card_in_either_direction(opened):
    path, far = opened
    reset_on_close = (1).to_bytes(4, sys.byteorder) + bytes(4)  # struct linger of socket(7): on, 0 s
    far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, reset_on_close)
    far.close()
    for call in (path.receive_into, path.send):
        with Deadline(LONG_S) as deadline, pytest.raises(DeviceLost, match="connection broke"):
            call(memoryview(bytearray(10)), deadline)


def test_what_arrived_before_a_hang_up_is_not_lost(opened):
    path, far = opened
    far.sendall(b"tail")
    far.close()
    buffer = bytearray(10)
    with Deadline(LONG_S) as deadline:
        assert path.receive_into(memoryview(buffer), deadline) == 4
    assert buffer[:4] == b"tail"


@pytest.mark.parametrize(
    "hello",
    [
        b"",
        HELLO[:-1],
        b"220 mail ready\n",
        b"echo-card a b\n",
        b"echo-card a b " + bytes(300),
        b"echo-card a b " + 300 * b"c",
        b"\xff\xfe\n",
    ],
    ids=["nothing", "cut off", "another protocol", "too few words", "zeros", "endless", "no text"],
)
def test_whoever_sends_no_hello_cannot_be_opened(connect, listening, hello):
    def answer() -> None:
        with listening.accept()[0] as far:
            far.sendall(hello)

    answering = threading.Thread(target=answer)
    answering.start()
    with pytest.raises(CannotOpen):
        connect(address_of(listening))
    answering.join()


def test_a_listener_that_says_nothing_cannot_be_opened(connect, listening):
    with pytest.raises(CannotOpen, match="no echo card's hello came"):
        connect(address_of(listening), timeout_s=SHORT_S)


def test_a_port_without_a_listener_cannot_be_opened(connect, listening):
    address = address_of(listening)
    listening.close()
    with pytest.raises(CannotOpen, match="Connection refused"):
        connect(address)


@pytest.mark.parametrize(
    "address", ["", "7110", "localhost:7110", "127.0.0.1:", "127.0.0.1:0", "127.0.0.1:65536", "::1:7"]
)
def test_an_address_that_is_none_is_refused_with_an_example(connect, address):
    with pytest.raises(BadInput, match=r"write for example 127\.0\.0\.1:7110"):
        connect(address)


# --- the contract, by the conformance kit


def test_it_keeps_the_contract(environment, tmp_path):
    """As a user runs it: no rule is broken, and no rule that a stream can demonstrate is skipped but for these."""
    command = [sys.executable, "-m", "pytest", "-rs", "-p", "no:cacheprovider", "-c", os.devnull, EXAMPLE]
    quiet = {**environment, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, cwd=tmp_path, env=quiet, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    no_part = (
        "the card has no",
        "channel echo has no",
        "the card has one channel",
        "the limits name no",
        "a stream has no messages",
    )
    reasons = [line.partition("py:")[2].partition(": ")[2] for line in done.stdout.splitlines() if "SKIPPED [" in line]
    assert reasons
    missing = [reason.split(",")[0] for reason in reasons if not reason.startswith(no_part)]
    no_hook = ["the rig has no silence() and resume()", "the rig has no stray(nbytes)"]
    assert sorted(missing) == [*no_hook, "the rig's second_uri is its uri"]
