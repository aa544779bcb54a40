"""Who may call when, what a call takes, and how calls are ended: on a card in memory, by the rules of the contract."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from endpoint_fakes import (
    EchoQueue,
    EchoStream,
    InThread,
    Untouchable,
    opened,
    until,
)
from numpy.lib.stride_tricks import as_strided

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Limits, LinkObserver, Region, RegionSource
from laneproof.errors import (
    BadInput,
    EndpointBusy,
    Interrupted,
    NotOffered,
)
from laneproof.integrity import kernels
from laneproof.readings import LinkReading, Unavailable

Install = Callable[..., None]


@pytest.fixture(params=[EchoStream, EchoQueue])
def card(request: pytest.FixtureRequest, install: Install) -> Any:
    with opened(install, request.param()) as endpoint:
        yield endpoint


# --- buffers


@pytest.mark.parametrize(
    "data",
    [
        b"\x00\x01\xff\x80" * 16,
        bytearray(range(64)),
        memoryview(bytes(64)),
        np.arange(16, dtype=">u4"),
        np.arange(64, dtype=np.uint8).reshape(4, 16),
        np.zeros(8, dtype=[("a", "u4"), ("b", "f4")]),
        np.array(["2024-01-01"] * 8, dtype="datetime64[s]"),
    ],
    ids=["bytes", "bytearray", "memoryview", "big-endian", "two-dimensional", "records", "dates"],
)
def test_any_contiguous_buffer_goes_out_and_back(card: laneproof.Endpoint, data: Any) -> None:
    buffer = np.zeros(64, np.uint8)
    transfer = card.loopback(data, buffer)
    assert buffer.tobytes() == (data.tobytes() if hasattr(data, "tobytes") else bytes(data))
    assert (transfer.bytes_sent, transfer.bytes_received) == (64, 64)


@pytest.mark.parametrize("empty", [b"", np.zeros(0), np.zeros((2, 0))], ids=["bytes", "array", "matrix"])
def test_nothing_is_sent_and_received_at_once(card: laneproof.Endpoint, empty: Any) -> None:
    assert card.send(empty) == 0
    assert card.receive_into(bytearray()) == 0
    assert card.loopback(empty, bytearray()).bytes_received == 0
    assert card.check("prbs31", 0).empty
    assert not card.check("prbs31", 0).ok, "an empty test is not a pass"


SHARED = bytearray(128)
OVERLAPPING = as_strided(np.zeros(64, np.uint8), (4, 16), (8, 1))
"""Rows of 16 bytes, each half in the next: 64 bytes in 40 of memory."""


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda card: card.send("text"), "str is not a buffer"),
        (lambda card: card.send(64), "int is not a buffer"),
        (lambda card: card.send(None), "NoneType is not a buffer"),
        (lambda card: card.send(np.array([object()])), "Python objects"),
        (lambda card: card.send(memoryview(bytes(128))[::2]), "not C-contiguous"),
        (lambda card: card.send(np.zeros((8, 8), order="F")[:, :4]), "not C-contiguous"),
        (lambda card: card.receive_into(bytes(64)), "read-only"),
        (lambda card: card.receive_into(memoryview(bytes(64))), "read-only"),
        (lambda card: card.loopback(bytes(64), bytes(64)), "read-only"),
        (lambda card: card.loopback(bytes(64), bytearray(32)), "64 bytes out do not fit 32 bytes in"),
        (lambda card: card.loopback(SHARED, SHARED), "overlap"),
        (lambda card: card.loopback(memoryview(SHARED)[:64], memoryview(SHARED)[32:96]), "overlap"),
        (lambda card: card.loopback(np.frombuffer(SHARED, "<u8")[:8], memoryview(SHARED)[63:127]), "overlap"),
        (
            lambda card: card.loopback(memoryview(SHARED).toreadonly()[64:], np.frombuffer(SHARED, "u1")[1:65]),
            "overlap",
        ),
        (lambda card: card.loopback(*2 * (card.allocate(64).view,)), "overlap"),
        (lambda card: card.loopback(bytes(64), OVERLAPPING), "not C-contiguous"),
        (lambda card: card.loopback(OVERLAPPING, bytearray(64)), "not C-contiguous"),
        (lambda card: card.receive_into(OVERLAPPING), "not C-contiguous"),
        (lambda card: card.receive_into(np.broadcast_to(np.zeros(1, np.uint8), (64,))), "not C-contiguous"),
        (lambda card: card.receive_into(np.zeros((8, 8), order="F")[:, :4]), "not C-contiguous"),
        (lambda card: card.receive_into([0] * 64), "list is not a buffer"),
        (lambda card: card.receive_into(np.array([object()] * 8)), "Python objects"),
        (lambda card: card.receive_into(card.allocate(64)), "_PlainRegion is not a buffer"),
        (lambda card: card.receive_into(card.allocate(64).view.toreadonly()), "read-only"),
        (lambda card: card.receive_into(card.allocate(64).view[::2]), "not C-contiguous"),
        (lambda card: card.send(bytes(60)), "60 bytes is no multiple of the card's granularity, 16"),
        (lambda card: card.receive_into(bytearray(8)), "granularity"),
        (lambda card: card.check("prbs31", 100), "nbytes 100 is no multiple"),
        (lambda card: card.check("prbs31", 128, block=24), "block 24 is no multiple"),
        (lambda card: card.check("prbs31", 128, block=8192), "more than the card's largest transfer, 4096"),
        (lambda card: card.check("prbs31", -16), "nbytes is -16"),
        (lambda card: card.check("prbs31", 1e6), "nbytes is 1000000.0"),
        (lambda card: card.check("prbs31", "1 MiB"), "nbytes is '1 MiB'"),
        (lambda card: card.check("prbs31", 128, block=0), "block 0"),
        (lambda card: card.check("prbs31", 128, depth=0), "depth 0"),
        (lambda card: card.check("prbs32", 128), "prbs32"),
        (lambda card: card.check(None, 128), "NoneType is no pattern"),
        (lambda card: card.check("prbs31", 128, direction="sideways"), "direction is 'sideways'"),
        (lambda card: card.allocate(0), "0 bytes cannot be allocated"),
        (lambda card: card.allocate(-1), "-1 bytes cannot be allocated"),
    ],
)
@pytest.mark.parametrize("kind", [Untouchable, EchoQueue])
def test_bad_input_is_told_before_a_byte_is_written(
    install: Install, kind: Callable[[], Any], call: Callable[[Any], Any], message: str
) -> None:
    path = kind()
    with opened(install, path, limits=Limits(max_transfer=4096, granularity=16)) as card:
        with pytest.raises(BadInput, match=r"^fake:card ") as caught:
            call(card)
        assert message in str(caught.value)
        assert getattr(path, "submitted", 0) == 0
        assert card.channels[0].in_step


def test_what_is_refused_is_left_as_it_was(install: Install) -> None:
    data = np.arange(128, dtype=np.uint8)
    with opened(install, EchoStream()) as card:
        for buffer in (data[32:96], data[::2], as_strided(data, (4, 16), (8, 1))):
            with pytest.raises(BadInput):
                card.loopback(data[:64], buffer)
    assert np.array_equal(data, np.arange(128))


def test_buffers_side_by_side_in_one_piece_of_memory_do_not_overlap(card: laneproof.Endpoint) -> None:
    data = np.arange(128, dtype=np.uint8)
    assert card.loopback(data[:64], data[64:]).bytes_received == 64
    assert np.array_equal(data[:64], data[64:])


@pytest.mark.parametrize("timeout", [float("inf"), float("nan"), -1.0, "5"])
@pytest.mark.parametrize(
    "call",
    [
        lambda card, timeout: card.send(bytes(64), timeout),
        lambda card, timeout: card.receive_into(bytearray(64), timeout),
        lambda card, timeout: card.loopback(bytes(64), bytearray(64), timeout),
        lambda card, timeout: card.check("prbs31", 64, timeout=timeout),
        lambda card, timeout: card.recover(timeout),
    ],
    ids=["send", "receive_into", "loopback", "check", "recover"],
)
def test_a_timeout_that_is_not_finite_moves_nothing(
    install: Install, call: Callable[[Any, Any], Any], timeout: Any
) -> None:
    with opened(install, Untouchable()) as card:
        with pytest.raises(BadInput, match="finite number of seconds"):
            call(card, timeout)
        assert card.channels[0].in_step


def test_the_block_that_nobody_chose_keeps_the_granularity(install: Install) -> None:
    with opened(install, EchoQueue(), limits=Limits(max_transfer=1 << 21, granularity=3000, queue_depth=2)) as card:
        assert card.check("prbs31", 600 * 3000).ok


def test_a_buffer_that_is_not_aligned_as_the_card_needs_is_refused(install: Install) -> None:
    with opened(install, EchoStream(), limits=Limits(max_transfer=4096, alignment=4096)) as card:
        out, into = card.allocate(128), card.allocate(128)
        assert card.loopback(out.view, into.view).bytes_received == 128
        with pytest.raises(BadInput, match=r"not aligned to 4096 bytes; allocate\(\) gives memory that is"):
            card.loopback(out.view[1:65], into.view[:64])


def test_a_closed_region_is_no_buffer_any_more(card: laneproof.Endpoint) -> None:
    with card.allocate(64) as region:
        assert card.loopback(bytes(64), region.view).bytes_received == 64
    with pytest.raises(BadInput, match="released memoryview"):
        card.send(region.view)
    region.close()


def test_regions_come_from_the_card_where_it_has_them(install: Install) -> None:
    class Own(Region):
        view = memoryview(bytearray(64))

        def close(self) -> None: ...

    class Source(RegionSource):
        def allocate(self, nbytes: int, deadline: Deadline) -> Region:
            return Own()

    with opened(install, EchoStream(), parts=(Source(),)) as card:
        assert isinstance(card.allocate(64), Own)


def test_one_direction_alone_is_not_offered(card: laneproof.Endpoint) -> None:
    with pytest.raises(NotOffered, match="needs a PatternEngine"):
        card.check("prbs31", 64, direction="to_card")


# --- two calls at once


def test_a_send_runs_beside_a_receive_and_no_other_call_does(install: Install) -> None:
    with opened(install, EchoStream()) as card:
        buffer = bytearray(64)
        receiving = InThread(lambda: card.receive_into(buffer, 30.0))
        until(lambda: card.channels[0]._inward[0].taken)
        for call in (
            lambda: card.receive_into(bytearray(64)),
            lambda: card.loopback(bytes(64), bytearray(64)),
            lambda: card.check("prbs31", 64),
            lambda: card.recover(),
        ):
            with pytest.raises(EndpointBusy, match=r"^fake:card .*another call under way"):
                call()
        assert card.send(bytes(range(64))) == 64
        assert receiving.join().result == 64
        assert buffer == bytes(range(64))


def test_a_send_keeps_a_second_send_off_and_lets_a_receive_in(install: Install) -> None:
    with opened(install, EchoStream(fifo=16)) as card:
        sending = InThread(lambda: card.send(bytes(64), 30.0))
        until(lambda: card.channels[0]._outward[0].taken)
        with pytest.raises(EndpointBusy):
            card.send(bytes(1))
        assert card.receive_into(bytearray(64)) == 64
        assert sending.join().result == 64


def test_a_check_keeps_every_other_call_off(install: Install) -> None:
    class Silent(EchoStream):
        def receive_into(self, view: memoryview, deadline: Deadline) -> int:
            while not deadline.expired:
                deadline.pause(0.001)
            return 0

    with opened(install, Silent()) as card:
        checking = InThread(lambda: card.check("prbs31", 64, timeout=30.0))
        until(lambda: card.channels[0]._inward[0].taken)
        with pytest.raises(EndpointBusy):
            card.send(bytes(1))
        with pytest.raises(EndpointBusy):
            card.receive_into(bytearray(1))
        card.interrupt()
        assert isinstance(checking.join().error, Interrupted)


def test_channels_run_beside_each_other(install: Install) -> None:
    with opened(install, EchoStream(), EchoStream()) as card:
        waiting = InThread(lambda: card.channels[0].receive_into(bytearray(8), 30.0))
        until(lambda: card.channels[0]._inward[0].taken)
        assert card.channels[1].loopback(bytes(64), bytearray(64)).bytes_received == 64
        card.send(bytes(8))
        assert waiting.join().result == 8


def test_no_two_channels_and_no_two_checks_send_the_same_stretch(install: Install) -> None:
    sent: list[bytes] = []

    class Recording(EchoStream):
        def send(self, view: memoryview, deadline: Deadline) -> int:
            moved = super().send(view, deadline)
            sent.append(bytes(view[:moved]))
            return moved

    with opened(install, Recording(), Recording()) as card:
        for _ in range(2):
            for channel in card.channels:
                assert channel.check("prbs31", 4096, block=1024).ok
    assert sum(map(len, sent)) == 4 * 4096
    assert len(set(sent)) == len(sent)


def test_link_and_errors_are_read_one_at_a_time_and_beside_traffic(install: Install) -> None:
    entered, leave = threading.Event(), threading.Event()

    class Slow(LinkObserver):
        def read_link(self, deadline: Deadline) -> LinkReading:
            entered.set()
            leave.wait(10.0)
            return LinkReading(near=Unavailable("a"), far=Unavailable("b"))

    with opened(install, EchoStream(), parts=(Slow(),)) as card:
        reading = InThread(card.read_link)
        assert entered.wait(10.0)
        assert card.loopback(bytes(8), bytearray(8)).bytes_received == 8
        with pytest.raises(EndpointBusy, match=r"^fake:card read_link: "):
            card.read_link()
        leave.set()
        assert reading.join().error is None


def test_loading_the_kernels_is_no_part_of_a_checks_time(card: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes a second, and compiling them many: a sound card must not seem to stall meanwhile."""
    asked: list[int] = []

    def load(nbytes: int) -> None:
        if not asked:
            time.sleep(0.6)
        asked.append(nbytes)

    monkeypatch.setattr(kernels, "for_bytes", load)
    found = card.check("prbs31", 8192, block=4096, timeout=0.5)
    assert found.ok
    assert asked[0] == 8192
