"""A card whose DMA engine is played in this process: registers that copy between mapped memory and a buffer of its own.

Takes the place of the kernel at its edge: what `vfio_kernel` asks of a container and of a device. What the real kernel
and a real engine do is seen in tests/kernel.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Channel, Driver, Found, Limits, ResetLevel, Resettable
from laneproof.errors import CannotOpen
from laneproof_drivers.iova import IovaSpace
from laneproof_drivers.register_engine import EngineOptions, RegisterEngine, Registers
from laneproof_drivers.vfio import VfioOptions
from laneproof_drivers.vfio_memory import DmaMemory
from laneproof_drivers.vfio_queue import CardBuffer, VfioQueue

SOURCE, DESTINATION, LENGTH, CONTROL, STATUS = 0x80, 0x88, 0x90, 0x98, 0xA0
BUFFER = 0x40000
BUSY, FAILED = 1, 2
TO_CARD, FROM_CARD = 1, 3
PAGE = 4096
OPTIONS = {
    "source_register": "0x80",
    "destination_register": "0x88",
    "length_register": "0x90",
    "control_register": "0x98",
    "status_register": "0x98",
    "buffer": "0x40000",
    "buffer_size": "4KiB",
    "go_to_card": "1",
    "go_from_card": "3",
}
"""What the driver has to be told of it, as in a URI."""


class PlayedContainer:
    """Remembers what memory is shown where."""

    def __init__(self) -> None:
        self.shown: dict[int, tuple[int, int]] = {}
        """IOVA to (address, bytes)."""
        self.closed = False

    def map(self, address: int, iova: int, nbytes: int) -> None:
        assert not iova % PAGE
        assert not nbytes % PAGE
        self.shown[iova] = (address, nbytes)

    def unmap(self, iova: int, nbytes: int) -> None:
        assert self.shown.pop(iova)[1] == nbytes

    def at(self, iova: int, nbytes: int) -> int:
        """The address in this process. Fails the test for DMA to memory that is not shown."""
        for start, (address, size) in self.shown.items():
            if start <= iova and iova + nbytes <= start + size:
                return address + iova - start
        raise AssertionError(f"DMA of {nbytes} bytes at {iova:#x}, which is not mapped")


class PlayedEngine(Registers):
    """Copies when it has been looked at `slow` times; `stuck` never does, `failing` says that it failed."""

    def __init__(self, container: PlayedContainer, size: int) -> None:
        self.container = container
        self.memory = bytearray(size)
        self.values: dict[int, int] = {STATUS: 0}
        self.runs: list[tuple[int, int, int, int]] = []
        self.slow, self.stuck, self.failing = 0, False, False
        self.looks = 0
        self.may_dma = True

    def put(self, offset: int, value: int) -> None:
        self.values[offset] = value
        if offset == CONTROL:
            assert not self.values[STATUS] & BUSY, "started while it was busy"
            self.values[STATUS] = BUSY
            self.looks = 0
            self.runs.append((*(self.values[place] for place in (SOURCE, DESTINATION, LENGTH)), value))

    def get(self, offset: int) -> int:
        if offset == STATUS and self.values[STATUS] & BUSY and not self.stuck:
            self.looks += 1
            if self.looks > self.slow:
                self.values[STATUS] = FAILED if self.failing else 0
                if not self.failing:
                    self.copy()
        return self.values[offset]

    def copy(self) -> None:
        assert self.may_dma, "DMA without bus mastering"
        source, destination, nbytes, go = self.runs[-1]
        start = (destination if go == TO_CARD else source) - BUFFER
        assert 0 <= start <= start + nbytes <= len(self.memory)
        if go == TO_CARD:
            self.memory[start : start + nbytes] = ctypes.string_at(self.container.at(source, nbytes), nbytes)
        else:
            content = bytes(self.memory[start : start + nbytes])
            ctypes.memmove(self.container.at(destination, nbytes), content, nbytes)


class PlayedCard:
    """All parts of a card, wired as the driver does it."""

    def __init__(self, size: int, granularity: int, event_fd: int, *, interrupts: bool) -> None:
        self.container = PlayedContainer()
        self.engine = PlayedEngine(self.container, size)
        self.space = IovaSpace([(0, 0xFEDFFFFF), (0xFEF00000, 2**48)], PAGE, 28)
        container: Any = self.container
        self.dma = DmaMemory(container, self.space)
        options = EngineOptions(
            source_register=SOURCE,
            destination_register=DESTINATION,
            length_register=LENGTH,
            control_register=CONTROL,
            status_register=STATUS,
            error_mask=FAILED,
        )
        places = options.registers()
        assert places is not None
        self.acknowledged = 0
        with Deadline(1) as deadline:
            self.own = self.dma.allocate(size, deadline), self.dma.allocate(size, deadline)
        self.queue = VfioQueue(
            RegisterEngine(self.engine, options, places),
            self.dma,
            CardBuffer(address=BUFFER, size=size, go_to_card=TO_CARD, go_from_card=FROM_CARD),
            self.own,
            event_fd,
            granularity=granularity,
            interrupts=interrupts,
            acknowledge=self.acknowledge,
            set_bus_master=self.set_bus_master,
        )

    def acknowledge(self) -> None:
        self.acknowledged += 1

    def set_bus_master(self, on: bool) -> None:
        self.engine.may_dma = on


class PlayedReset(Resettable):
    """The function's reset, as the driver does it."""

    levels = (ResetLevel.FUNCTION,)

    def __init__(self, card: PlayedCard) -> None:
        self.card = card

    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        self.card.queue.require_idle()
        self.card.engine.values[STATUS] = 0
        self.card.queue.restart()


class PlayedDriver(Driver):
    """Gives out a played card each time that it connects; the same one opens once at a time."""

    options = VfioOptions
    physical = False

    def __init__(self) -> None:
        self.cards: list[PlayedCard] = []

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return ()

    def connect(self, address: Address, options: VfioOptions, deadline: Deadline) -> Card:
        if address.text != "here":
            raise CannotOpen(f"there is no card at {address.text}; there is one here")
        undo = ExitStack()
        card = undo.enter_context(playing())
        self.cards.append(card)
        limits = Limits(
            max_transfer=4096, granularity=4, queue_depth=4, fifo_depth=4096, nominal_bytes_per_s=options.rate
        )
        channel = Channel(name="dma", path=card.queue, limits=limits)
        return Card(channels=(channel,), close=undo.close, parts=(card.dma, PlayedReset(card)))


@contextmanager
def playing(size: int = 4096, granularity: int = 4, *, interrupts: bool = False) -> Iterator[PlayedCard]:
    """A card for the time of a `with` block."""
    with ExitStack() as undo:
        event_fd = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        undo.callback(os.close, event_fd)
        card = PlayedCard(size, granularity, event_fd, interrupts=interrupts)
        undo.callback(setattr, card.container, "closed", True)
        undo.callback(card.dma.forget)
        for region in card.own:
            undo.callback(region.close)
        yield card
