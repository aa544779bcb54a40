"""Any card behind frames on a TCP port: the server in a process of its own, hosts that are well-behaved and hosts that
are not."""

from __future__ import annotations

import itertools
import random
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import attrs
import numpy as np
import pytest
from echo_card import SHORT_S
from framed_cards import SERVE, opened, served, started

import laneproof
import laneproof_sim
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.errors import CannotOpen, CardInUse, DeviceLost, DriverFault, Interrupted
from laneproof.readings import ErrorReading, PartnerErrors
from laneproof_drivers import serve, served_channel
from laneproof_drivers.framing.frame import Frame, encoded
from laneproof_drivers.framing.messages import Hello, Kind, Start


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    """From a process of its own."""
    with started(*SERVE, "sim:demo#north") as (_, place):
        assert place.startswith("serial:socket://127.0.0.1:"), place
        yield place


@pytest.fixture
def bench(tmp_path) -> Callable[[str], str]:
    """A shipped bench's slot north, whose fault comes after less than there."""

    def sooner(name: str) -> str:
        text = (Path(laneproof_sim.__file__).parent / f"benches/{name}.toml").read_text("utf-8")
        assert 'after = "24 MiB"' in text
        (tmp_path / "sooner.toml").write_text(text.replace('after = "24 MiB"', 'after = "1 MiB"'), "utf-8")
        return f"sim:{tmp_path}/sooner.toml#north"

    return sooner


def address(place: str) -> tuple[str, int]:
    return "127.0.0.1", int(place.rpartition(":")[2])


def test_a_bench_behind_the_server_is_what_it_is_without(demo) -> None:
    with opened(demo) as far, laneproof.open("sim:demo#north") as near:
        # The frames have no place for the power that a slot may give.
        assert far.read_link() == attrs.evolve(near.read_link(), slot_power_w=None)
        for there, here in zip(partners(far.read_errors()), partners(near.read_errors()), strict=True):
            assert attrs.evolve(there, epoch=here.epoch) == here
        assert far.identity.model == near.identity.model
        assert far.identity.serial == near.identity.serial
        result = far.check("prbs31", 5 << 20)
        assert (result.ok, result.bytes_received) == (True, 5 << 20)


def partners(reading: ErrorReading) -> list[PartnerErrors]:
    return [one for one in (reading.near, reading.far) if isinstance(one, PartnerErrors)]


def test_what_the_served_card_damages_arrives_damaged() -> None:
    with served("sim:flipping-card#north") as place, opened(place) as card:
        far = card.check("prbs31", 4 << 20)
    assert not far.ok
    assert far.mismatched_bits > 0
    assert far.bytes_received == 4 << 20


def test_a_served_card_that_drops_off_is_lost(bench) -> None:
    with served(bench("drops-off")) as place, opened(place) as card, pytest.raises(DeviceLost):
        card.check("prbs31", 4 << 20)


def test_a_served_card_that_stalls_is_a_stall(bench) -> None:
    with served(bench("stalling-card")) as place, opened(place) as card:
        result = card.check("prbs31", 4 << 20, timeout=2)
        assert result.stalled
        assert not result.mismatched_bytes


def test_resets_reach_the_card_and_sending_alone_works(demo) -> None:
    with opened(demo) as card:
        data, into = bytes(range(250)), bytearray(250)
        assert card.send(data) == 250
        assert card.receive_into(into) == 250
        assert into == data
        card.send(data)
        card.reset(1)
        with pytest.raises(laneproof.TransferTimeout):
            card.receive_into(into, timeout=SHORT_S)
        card.recover()
        assert card.loopback(data, into).bytes_received == 250


# --- a stream behind the server -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mode", "at", "expected"),
    [
        ("plain", 0, {"ok": True, "surplus_bytes": 0}),
        ("slow", 0, {"ok": True}),
        ("corrupt", 3000, {"ok": False, "mismatched_bits": 1, "first": 3000}),
        ("add", 299_999, {"ok": False, "surplus_bytes": 1}),
        ("stall", 150_000, {"ok": False, "stalled": True}),
    ],
)
def test_a_stream_behind_the_server_shows_the_same_damage(
    mode, at, expected, start_echo, tmp_path, monkeypatch
) -> None:
    # The echoing process may be kept waiting.
    monkeypatch.setattr(served_channel, "_SURPLUS_S", 2.0 if mode == "add" else 0.5)
    echo = start_echo("--mode", mode, "--at", at, "--socket", tmp_path / "socket")
    with served(f"chardev:{echo.address}") as place, opened(place) as card:
        result = card.check("prbs31", 300_000, block=60_000, timeout=1.5 if mode == "stall" else 20)
        assert {name: getattr(result, name) for name in expected} == expected


def test_memory_that_the_card_never_wrote_does_not_pass() -> None:
    out = bytes(range(256))
    into = served_channel.unlike(out, 260)
    assert not (into[:256] == np.frombuffer(out, np.uint8)).any()
    assert into.size == 260


# --- hosts that come and go -----------------------------------------------------------------------------------


def test_one_host_has_the_card_at_a_time(demo) -> None:
    with opened(demo), pytest.raises(CardInUse, match="another program"), opened(demo):
        pass
    assert_serves(demo)


def assert_serves(place: str) -> None:
    """A host that behaves is served; the one before may have to be noticed as gone."""
    until_s = time.monotonic() + 10
    while True:
        try:
            with opened(place) as card:
                assert card.loopback(b"0123456789", bytearray(10)).bytes_received == 10
                return
        except CardInUse:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.01)


HELLO = encoded(Frame(Kind.HELLO, 0xFF, 1, Hello(65535, 1 << 20).packed()))


def test_a_host_that_leaves_in_the_middle_makes_room(demo) -> None:
    with socket.create_connection(address(demo)) as host:
        host.sendall(HELLO + encoded(Frame(Kind.START, 0, 0, Start(1, 1 << 20, 1 << 20).packed())) + b"\5abc")
    assert_serves(demo)


def test_hostile_hosts_end_nothing_but_their_own_connection(demo) -> None:
    chance = random.Random(7)
    kinds = [*Kind, 0x20, 0x81]
    for number in range(12):
        with socket.create_connection(address(demo)) as host, ExitStack() as undo:
            host.settimeout(5)
            undo.callback(host.close)
            try:
                if number % 3:
                    host.sendall(HELLO)
                for _ in range(40):
                    frame = Frame(
                        chance.choice(kinds), chance.choice((0, 1, 0xFF)), chance.randrange(6), chance.randbytes(9)
                    )
                    host.sendall(encoded(frame) if chance.random() < 0.7 else chance.randbytes(chance.randrange(200)))
            except OSError:  # it is another's turn, or it was shown the door
                pass
    assert_serves(demo)


def test_an_interrupt_at_the_host_leaves_the_server_ready(demo) -> None:
    data, into = bytes(1 << 20), bytearray(1 << 20)
    with opened(demo) as card:
        ended = threading.Event()

        def interrupt() -> None:  # again and again, since one may fall between two calls
            while not ended.wait(0.05):
                card.interrupt()

        thread = threading.Thread(target=interrupt)
        thread.start()
        loops = itertools.repeat(None)
        with pytest.raises(Interrupted):
            any(card.loopback(data, into) is None for _ in loops)
        ended.set()
        thread.join()
        card.recover()
        assert card.check("prbs31", 1 << 20).ok


def test_a_served_card_promises_no_more_than_its_carrier_can_keep(demo) -> None:
    """Default timeouts follow from the rate: a slow way to a fast card must not pass for a stall."""
    with opened(demo) as far, laneproof.open("sim:demo#north") as near:
        assert near.limits.nominal_bytes_per_s > 1e9
        assert far.limits.nominal_bytes_per_s <= 4e6


# --- tokens, addresses, and the end ---------------------------------------------------------------------------


def test_a_token_is_asked_for_and_stands_in_no_uri(tmp_path) -> None:
    right, wrong = tmp_path / "right", tmp_path / "wrong"
    right.write_text("only for the tide gauge\n")
    wrong.write_text("something else")
    with served("sim:demo#south", right.read_bytes().strip()) as place:
        for options in ({}, {"token_file": wrong}):
            with pytest.raises(CannotOpen, match="token"), opened(place, **options):
                pass
        with opened(place, token_file=right) as card:
            assert card.check("prbs31", 100_000).ok


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("sim:demo#north", "--address", "0.0.0.0"), 2, "--token-file"),
        (("sim:demo#north", "--address", "here"), 2, "no IP address"),
        (("sim:demo#north", "--port", "70000"), 2, "no port"),
        (("sim:no-such-bench#north",), 2, "no-such-bench"),
        (("sim:empty-slot#north",), 4, ""),
        (("nothing:at-all",), 2, "laneproof endpoints"),
        (("sim:demo#north?x=1",), 2, ""),
        (("sim:demo?wrong=1#north",), 2, "wrong"),
        (("sim:demo#north", "--token-file", "/no/such/file"), 2, "token"),
    ],
)
def test_wrong_use_is_one_clear_line(arguments, status, words, capsys) -> None:
    assert serve.main(["--port", "0", *arguments]) == status
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert words in err


@pytest.mark.parametrize("connected", [False, True])
def test_ctrl_c_ends_the_server_with_no_more_than_what_it_leaves_out(connected) -> None:
    with started(*SERVE, "sim:demo#north") as (process, place), ExitStack() as undo:
        if connected:
            card = undo.enter_context(opened(place))
            card.loopback(b"abc", bytearray(3))
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=10)
        assert (process.returncode, out) == (130, "")
        assert err == "not passed on: conditions (lanes, sensors, host)\n"
        if connected:
            with pytest.raises((DeviceLost, DriverFault)):
                card.loopback(b"abc", bytearray(3))


# --- a rate that is the carrier's -----------------------------------------------------------------------------

THROUGHPUT = {"kind": "throughput", "bytes": "100 kB", "repeats": 2}


@pytest.mark.parametrize(
    ("asked", "verdict", "words"),
    [
        ({}, "inconc", "it is that of TCP, and says nothing about the link: give min_rate"),
        ({"min_rate": "1 kB/s"}, "pass", "the plan asks for"),
        ({"min_rate": "100 GB/s"}, "fail", "the plan asks for"),
    ],
)
def test_a_rate_over_the_server_is_not_held_against_the_links_ceiling(asked, verdict, words, tmp_path) -> None:
    with served("sim:demo#south") as place:
        plan = plans.parse({"schema": 1, "endpoint": [{"uri": place}], "step": [THROUGHPUT | asked]}, "plan")
        result = runner.run(plan, tmp_path / "run.ledger", cautions_acknowledged=True)
    (step,) = result.endpoints[0].steps
    assert str(step.verdict) == verdict
    assert words in " ".join(reason.text for reason in step.reasons)
