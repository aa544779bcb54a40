"""The GPU as a card, on a stand-in for its driver library: order, page-locked memory, what becomes of each ticket.

The stand-in has the library's streams and events and copies when it is looked at; the real one is tried by the command
that the example's page gives.
"""

from __future__ import annotations

import ctypes
import importlib
import sys
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import laneproof
from laneproof import conformance
from laneproof.clock import Deadline
from laneproof.contract import Address, Card, QueuedPath, RegionSource
from laneproof.errors import BadInput, CannotOpen, DeviceLost, EndpointBusy, Interrupted

SOURCE = Path(__file__).parents[2] / "examples" / "gpu_card" / "src"
MIB = 1 << 20


class StandIn:
    """The library's calls on memory of this process. A copy is done when something looks for its event."""

    def __init__(self) -> None:
        self.streams: dict[int, deque[Callable[[], bool]]] = {}
        self.recorded: dict[int, int] = {}
        self.reached: dict[int, int] = {}
        self.memory: dict[int, Any] = {}
        self.locked: set[int] = set()
        self.held_up = False
        self.gone = False
        self.left = 0
        self._number = 0

    def new(self) -> Any:
        self._number += 1
        return ctypes.c_void_p(self._number)

    def devices(self) -> list[tuple[int, str, str]]:
        return [(0, "0000:65:00.0", "invented copy engine")]

    def version(self) -> str:
        return "1.0"

    def context(self, device: int) -> Any:
        return self.new()

    def enter(self, context: Any) -> None:
        if self.gone:
            raise DeviceLost("gone")

    def leave(self, device: int) -> None:
        self.left += 1

    def lock_pages(self, pointer: int, nbytes: int) -> None:
        self.locked.add(pointer)

    def unlock_pages(self, pointer: int) -> None:
        self.locked.remove(pointer)

    def card_memory(self, nbytes: int) -> int:
        memory = ctypes.create_string_buffer(nbytes)
        address = ctypes.addressof(memory)
        self.memory[address] = memory
        return address

    def free_card(self, pointer: int) -> None:
        del self.memory[pointer]

    def stream(self) -> Any:
        stream = self.new()
        self.streams[stream.value] = deque()
        return stream

    def end_stream(self, stream: Any) -> None:
        while self.streams[stream.value]:
            self.work()
        del self.streams[stream.value]

    def event(self) -> Any:
        event = self.new()
        self.recorded[event.value] = self.reached[event.value] = 0
        return event

    def end_event(self, event: Any) -> None:
        del self.recorded[event.value]

    def to_card(self, card: int, host: int, nbytes: int, stream: Any) -> None:
        self._copy(card, host, nbytes, stream)

    def from_card(self, host: int, card: int, nbytes: int, stream: Any) -> None:
        self._copy(host, card, nbytes, stream)

    def record(self, event: Any, stream: Any) -> None:
        number = self.recorded[event.value] = self.recorded[event.value] + 1

        def reach() -> bool:
            self.reached[event.value] = number
            return True

        self.streams[stream.value].append(reach)

    def follow(self, stream: Any, event: Any) -> None:
        number = self.recorded[event.value]
        self.streams[stream.value].append(lambda: self.reached[event.value] >= number)

    def passed(self, event: Any) -> bool:
        if self.gone:
            raise DeviceLost("gone")
        if not self.held_up:
            self.work()
        return self.reached[event.value] >= self.recorded[event.value]

    def work(self) -> None:
        """One piece of each stream's work, if it can be done yet."""
        for queue in self.streams.values():
            if queue and queue[0]():
                queue.popleft()

    def _copy(self, to: int, source: int, nbytes: int, stream: Any) -> None:
        def copy() -> bool:
            ctypes.memmove(to, source, nbytes)
            return True

        self.streams[stream.value].append(copy)


@pytest.fixture
def gpu_card(monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    monkeypatch.syspath_prepend(str(SOURCE))
    yield importlib.import_module("gpu_card")
    for name in [name for name in sys.modules if name.split(".")[0] == "gpu_card"]:
        del sys.modules[name]


@pytest.fixture
def library(gpu_card: ModuleType, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    stand_in = StandIn()
    monkeypatch.setattr(gpu_card, "Library", lambda: stand_in)
    return stand_in


@pytest.fixture
def card(gpu_card: ModuleType, library: StandIn) -> Iterator[Card]:
    options = gpu_card.Options(slots=3, max_transfer_mib=1)
    opened = gpu_card.driver.connect(Address("0"), options, Deadline(5.0))
    yield opened
    opened.close()


def path_of(card: Card) -> QueuedPath:
    path = card.channels[0].path
    assert isinstance(path, QueuedPath)
    return path


def test_an_endpoint_proves_its_data(gpu_card: ModuleType, library: StandIn, install: Callable[..., None]) -> None:
    install(gpu_card.driver, "gpu")
    with laneproof.open("gpu:0000:65:00.0?max_transfer_mib=1", acknowledge_cautions=True) as card:
        assert card.check("prbs31", 10 * MIB + 1).ok
        data, back = bytes(range(256)) * 5000, bytearray(1_280_000)
        card.loopback(data, back)
        assert back == data
        card.send(data)
        back = bytearray(1_280_000)
        card.receive_into(back)
        assert back == data
    assert not library.memory
    assert not library.locked
    assert library.left == 1


def test_it_keeps_the_contract(gpu_card: ModuleType, library: StandIn, install: Callable[..., None]) -> None:
    install(gpu_card.driver, "gpu")
    rig = conformance.Rig("gpu:0?max_transfer_mib=1")
    rig.largest, rig.budget_s = 1 << 16, 0.3
    findings = conformance.run(rig, conformance.rules_of("offline") + conformance.rules_of("card"))
    assert [str(one) for one in findings if one.outcome == "broken"] == []
    kept = {one.rule for one in findings if one.outcome == "kept"}
    assert {"each-ticket-completes-once", "a-region-in-flight-stays", "a-card-recovers-from-a-timeout"} <= kept


def test_several_are_out_at_once_and_one_more_is_refused(card: Card, library: StandIn) -> None:
    library.held_up = True
    path, into = path_of(card), [bytearray(100) for _ in range(3)]
    for ticket in range(3):
        path.submit(ticket, memoryview(bytes([ticket]) * 100), memoryview(into[ticket]))
    with pytest.raises(BadInput):
        path.submit(3, memoryview(b"x"), None)
    library.held_up = False
    done = []
    while len(done) < 3:
        done += path.reap(Deadline(5.0))
    assert [completion.ticket for completion in done] == [0, 1, 2]
    assert into == [bytearray([ticket]) * 100 for ticket in range(3)]


def test_what_waits_for_data_is_stopped_and_keeps_its_buffer(card: Card) -> None:
    path, into = path_of(card), bytearray(b"before")
    path.submit(1, None, memoryview(into))
    with Deadline(0.01) as deadline:
        assert path.reap(deadline) == []
    assert [completion.status for completion in path.quiesce(Deadline(5.0))] == ["stopped"]
    path.submit(2, memoryview(b"later!"), None)
    path.reap(Deadline(5.0))
    assert into == b"before"


def test_a_message_longer_than_its_receiver_goes_on_in_the_next(card: Card) -> None:
    path, parts = path_of(card), [bytearray(4), bytearray(4)]
    path.submit(1, memoryview(b"abcdef"), None)
    path.reap(Deadline(5.0))
    received = []
    for ticket, part in enumerate(parts, 2):
        path.submit(ticket, None, memoryview(part))
        received += [completion.received for completion in path.reap(Deadline(5.0))]
    assert received == [4, 2]
    assert parts == [b"abcd", b"ef\0\0"]


def test_a_buffer_that_the_engine_has_not_left_is_held(card: Card, library: StandIn) -> None:
    library.held_up = True
    path = path_of(card)
    path.submit(1, memoryview(b"abc"), memoryview(bytearray(3)))
    with Deadline(0.01) as deadline:
        assert [completion.status for completion in path.quiesce(deadline)] == ["held"]
    library.held_up = False


def test_memory_in_flight_is_not_given_back(card: Card, library: StandIn) -> None:
    source = card.part(RegionSource)
    assert source is not None
    region = source.allocate(MIB, Deadline(5.0))
    library.held_up = True
    path = path_of(card)
    path.submit(1, region.view[:4096], region.view[4096:8192])
    with pytest.raises(EndpointBusy):
        region.close()
    library.held_up = False
    path.reap(Deadline(5.0))
    region.close()
    region.close()
    region.view[:1] = b"x"  # outlives its lock
    assert not library.locked


def test_an_interrupt_ends_the_wait(card: Card, library: StandIn) -> None:
    library.held_up = True
    path, deadline = path_of(card), Deadline(5.0)
    path.submit(1, memoryview(b"abc"), memoryview(bytearray(3)))
    deadline.cancel()
    with pytest.raises(Interrupted):
        path.reap(deadline)
    library.held_up = False


def test_a_gpu_that_is_gone_is_lost_and_its_tickets_fail(card: Card, library: StandIn) -> None:
    path = path_of(card)
    path.submit(1, memoryview(b"abc"), memoryview(bytearray(3)))
    library.passed = lambda event: library.enter(None) or True  # type: ignore[method-assign,func-returns-value]
    library.gone = True
    with pytest.raises(DeviceLost):
        path.reap(Deadline(5.0))
    library.enter = lambda context: None  # type: ignore[method-assign]
    library.passed = StandIn.passed.__get__(library)  # type: ignore[method-assign]
    assert [completion.status for completion in path.quiesce(Deadline(5.0))] == ["failed"]
    library.gone = False


def test_another_address_names_those_that_there_are(gpu_card: ModuleType, library: StandIn) -> None:
    with pytest.raises(BadInput, match=r"use one of 0 \(0000:65:00\.0\)"):
        gpu_card.driver.connect(Address("7"), gpu_card.Options(), Deadline(5.0))


def test_without_the_driver_library_nothing_is_found_and_opening_says_why(gpu_card: ModuleType) -> None:
    try:
        ctypes.CDLL("libcuda.so.1")
    except OSError:
        assert list(gpu_card.driver.discover(Deadline(5.0))) == []
        with pytest.raises(CannotOpen, match="driver library"):
            gpu_card.driver.connect(Address("0"), gpu_card.Options(), Deadline(5.0))
