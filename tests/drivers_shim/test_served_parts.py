"""What a served card says of itself and brings with it: that it is simulated, caveats, its pattern engine, a window.

A report must never pass off what a bench has shown as a real card's.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from attrs import evolve
from echo_card import SHORT_S
from framed_cards import firmware, opened, served
from window_parts import MIB, engine, engine_options

import laneproof
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.results import RunResult
from laneproof.cli.main import main
from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Channel, Limits, StreamPath
from laneproof.insight.report import render_html
from laneproof.readings import Component, Identity
from laneproof_drivers import serve
from laneproof_drivers.window import MappedWindow, WindowDriver
from laneproof_sim.limits_of_model import CAVEATS

INTEGRITY = {"kind": "integrity", "bytes": "64 KiB"}
CAUTIONS = "Before hands go near the computer"


@pytest.fixture(scope="module")
def bench() -> Iterator[str]:
    with served("sim:demo#north") as place:
        yield place


def a_run(place: str, folder: Path) -> RunResult:
    plan = plans.parse({"schema": 1, "endpoint": [{"uri": place}], "step": [INTEGRITY]}, "plan")
    return runner.run(plan, folder / "run.ledger", cautions_acknowledged=True)


# --- simulated, and its caveats


def test_a_served_bench_is_a_simulated_card_with_its_benchs_caveats(bench: str) -> None:
    with opened(bench) as card:
        assert not card.physical
        assert not card.clock.virtual
        ours, *theirs = card.caveats
        assert "on simulated faults, and is no real card's" in ours
        assert "Times and rates are those of TCP" in ours
        assert tuple(theirs) == CAVEATS
        identity = card.identity
        assert isinstance(identity, Identity)
        assert identity.components[-1] == Component("served from", "sim:demo#north")


def test_a_run_on_a_served_bench_says_everywhere_that_it_is_simulated(bench: str, tmp_path: Path) -> None:
    result = a_run(bench, tmp_path)
    document = result.to_dict()
    (endpoint,) = document["endpoints"]
    assert (endpoint["verdict"], endpoint["simulated"], endpoint["virtual_time"]) == ("pass", True, False)
    assert list(document["environment"]["caveats"][1:]) == list(CAVEATS)
    page = render_html(result)
    assert "measured on simulated faults" in page
    assert "(simulated)" in page
    assert "The card is simulated; times are this computer’s." in page
    assert "<h2>Cautions</h2>" not in page


def test_a_served_card_that_is_none_stays_a_physical_one(start_echo: Callable[..., object], tmp_path: Path) -> None:
    echo = start_echo("--socket", tmp_path / "socket")
    with served(f"chardev:{echo.address}") as place, opened(place) as card:  # type: ignore[attr-defined]
        assert card.physical
        assert card.caveats == ()


def test_a_bench_that_is_served_twice_over_is_still_simulated(bench: str) -> None:
    with served(bench) as place, opened(place) as card:
        assert not card.physical
        assert card.caveats[-len(CAVEATS) :] == CAVEATS
        assert card.check("prbs31", 4096).ok


def test_firmware_that_says_nothing_of_itself_is_a_physical_card() -> None:
    """As all did before there was anything to say."""
    with firmware("--tcp") as place, opened(f"serial:{place}") as card:
        assert card.physical
        assert card.caveats == ()


def flat(text: str) -> str:
    return " ".join(text.split())


def test_cautions_are_shown_for_a_physical_card_and_not_for_a_bench(
    bench: str, start_echo: Callable[..., object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "quick.toml"
    plan.write_text('schema = 1\n[[step]]\nkind = "integrity"\nbytes = "64 KiB"\n')

    def shown(place: str) -> str:
        main(["run", str(plan), "--endpoint", place, "--ledger", str(tmp_path / f"{place[-5:]}.ledger")])
        return flat(capsys.readouterr().out)

    said = shown(bench)
    assert CAUTIONS not in said
    assert f"{bench}, a simulated card in real time: pass" in said
    assert "is no real card's" in said
    echo = start_echo("--socket", tmp_path / "socket")
    with served(f"chardev:{echo.address}") as place:  # type: ignore[attr-defined]
        said = shown(place)
    assert said.count(CAUTIONS) == 1
    assert f"{place}, a physical card: pass" in said
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        port = nobody.getsockname()[1]
    assert CAUTIONS in shown(f"serial:socket://127.0.0.1:{port}")


def test_preflight_of_a_served_bench_shows_its_caveat_and_no_cautions(
    bench: str, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["preflight", "--endpoint", bench, "--tier", "offline"])
    said = flat(capsys.readouterr().out)
    assert f"{bench}, a simulated card, tier offline The card behind TCP is simulated" in said
    assert CAUTIONS not in said


# --- hostile words


class Echo(StreamPath):
    def __init__(self) -> None:
        self._held = bytearray()

    def send(self, view: memoryview, deadline: Deadline) -> int:
        self._held += view
        return len(view)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while not self._held and not deadline.expired:
            deadline.pause(0.001)
        n = min(len(view), len(self._held))
        view[:n] = self._held[:n]
        del self._held[:n]
        return n


def test_what_a_card_gives_for_a_caveat_is_shortened_stripped_and_escaped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, start_echo: Callable[..., object]
) -> None:
    hostile = "<script>alert(1)</script>\x1b]0;x\x07\u202e\n" + "x" * 5000
    limits = Limits(max_transfer=1 << 16)

    def connect(deadline: Deadline) -> Card:
        channel = Channel(name="echo", path=Echo(), limits=limits)
        return Card(channels=(channel,), close=lambda: None, simulated=True, caveats=(hostile,))

    monkeypatch.setattr(serve, "opener", lambda _: (connect, WindowDriver()))
    with served("invented:card") as place:
        with opened(place) as card:
            first, caveat = card.caveats
            assert "simulated" in first
            assert len(caveat) <= 1000
            assert caveat.isprintable()
        page = render_html(a_run(place, tmp_path))
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "<script>alert" not in page
    assert "\x1b" not in page


# --- its pattern engine


def test_a_served_cards_pattern_engine_makes_and_compares() -> None:
    with served("sim:own-pattern#north") as place, opened(place) as card:
        for direction in ("to_card", "from_card"):
            result = card.check("prbs31", 1 << 16, direction=direction, timeout=20)
            assert result.ok
            assert result.method == "card"
            assert "is not demonstrated" not in result.caution  # an injected error was counted
        with pytest.raises(laneproof.BadInput, match="prbs7"):
            card.check("prbs7", 1 << 16, direction="to_card")
        assert card.check("prbs31", 1 << 16).ok


def test_a_served_card_without_one_offers_no_check_in_one_direction(bench: str) -> None:
    with opened(bench) as card, pytest.raises(laneproof.NotOffered):
        card.check("prbs31", 1 << 16, direction="to_card")


# --- a window as an echo


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    path = tmp_path / "memory"
    path.write_bytes(bytes(MIB // 4))
    return path


@pytest.mark.parametrize("block", [None, 60_000, MIB // 4])
def test_a_served_window_echoes_more_than_it_holds(memory: Path, block: int | None) -> None:
    with served(f"window:{memory}") as place, opened(place) as card:
        result = card.check("prbs31", MIB, block=block, timeout=20)
        assert (result.ok, result.bytes_received) == (True, MIB)
        data, into = bytes(range(200)), bytearray(200)
        assert card.send(data) == 200
        assert card.receive_into(into) == 200
        assert into == data


def test_a_served_window_of_words_takes_a_receiver_that_comes_first(memory: Path) -> None:
    """It waits for a first byte, which a window of words does not give alone."""
    into = bytearray(8)
    with served(f"window:{memory}?word=4") as place, opened(place) as card:
        receiving = threading.Thread(target=card.receive_into, args=(into, 10.0))
        receiving.start()
        time.sleep(0.2)
        card.send(b"01234567")
        receiving.join()
    assert into == b"01234567"


def test_a_served_window_with_a_copy_engine_echoes(tmp_path: Path, memory: Path) -> None:
    registers = tmp_path / "registers"
    registers.write_bytes(bytes(4096))
    options = "&".join(f"{name}={value}" for name, value in engine_options(registers).items())
    place_of = f"window:{memory}?{options}"
    with engine(memory, registers) as copied, served(place_of) as place, opened(place) as card:
        assert card.check("prbs31", 100_000, timeout=20).ok
    assert sum(nbytes for _, _, nbytes in copied) == 100_000


def test_what_a_served_window_damages_arrives_damaged(memory: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = MappedWindow.write

    def damaged(self: MappedWindow, offset: int, view: memoryview, deadline: Deadline) -> int:
        return write(self, offset, memoryview(bytes((view[0] ^ 1,)) + bytes(view[1:])), deadline)

    monkeypatch.setattr(MappedWindow, "write", damaged)
    with served(f"window:{memory}") as place, opened(place) as card:
        result = card.check("prbs31", 100_000, block=100_000, timeout=20)
    assert (result.mismatched_bits, result.first) == (1, 0)


def test_the_server_says_what_it_does_not_pass_on(memory: Path) -> None:
    with Deadline(SHORT_S) as deadline:
        driver = WindowDriver()
        card = driver.connect(Address(str(memory)), driver.options(), deadline)
    card.close()
    assert serve.left_out(card) == "not passed on: its window as such, which hosts see as a stream that echoes"
    channel = evolve(card.channels[0], path=Echo())
    assert serve.left_out(evolve(card, channels=(channel,))) == ""
