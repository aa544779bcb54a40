"""A good card in memory with a window, a copy engine and regions, to be broken one change at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from attrs import frozen
from card_parts import Hardware, Regions

from laneproof.clock import Deadline
from laneproof.conformance import Rig
from laneproof.contract import Address, Card, Channel, CopyEngine, Driver, Found, Limits, WindowPath
from laneproof.errors import BadInput, CannotOpen

SIZE = 20_000
LIMITS = Limits(max_transfer=8192, nominal_bytes_per_s=400e6)


@frozen
class NoOptions:
    """Takes none."""


class MemoryWindow(WindowPath):
    """Bytes that stay where they were written."""

    def __init__(self, hardware: Hardware) -> None:
        self.hardware = hardware
        self.memory = bytearray(SIZE)
        self.size = SIZE
        self.engine: CopyEngine | None = MemoryEngine(self)

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        self.hardware.require()
        self.memory[self.place(offset, len(view))] = view
        return len(view)

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        self.hardware.require()
        view[:] = self.memory[self.place(offset, len(view))]
        return len(view)

    def place(self, offset: int, nbytes: int) -> slice:
        if offset < 0 or offset + nbytes > SIZE:
            raise BadInput(f"{nbytes} bytes at offset {offset} are not within the window of {SIZE} bytes")
        return slice(offset, offset + nbytes)


class MemoryEngine(CopyEngine):
    def __init__(self, window: MemoryWindow) -> None:
        self.window = window

    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        self.window.hardware.require()
        moved = self.window.memory[self.window.place(source, nbytes)]
        self.window.memory[self.window.place(destination, nbytes)] = moved
        return nbytes


class WindowDriver(Driver):
    """Cards "one" and "two". What a mistake changes is an attribute."""

    options = NoOptions
    physical = False
    path_type: Callable[[Hardware], MemoryWindow] = MemoryWindow
    engine_type: Callable[[MemoryWindow], CopyEngine] = MemoryEngine
    limits = LIMITS

    def __init__(self) -> None:
        self.hardware = {"one": Hardware(), "two": Hardware()}
        self.open: list[MemoryWindow] = []

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return [Found(address=Address(name)) for name in self.hardware]

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        hardware = self.hardware.get(address.text)
        if hardware is None or hardware.gone:
            raise CannotOpen(f'there is no card "{address.text}"; there are {", ".join(self.hardware)}')
        path = self.path_type(hardware)
        path.engine = self.engine_type(path)
        self.open.append(path)
        channel = Channel(name="bar2", path=path, limits=self.limits)
        return Card(channels=(channel,), close=lambda: None, parts=(Regions(lambda _: False),))


class WindowRig(Rig):
    """All that can be done to the window card."""

    uri = "window-card:one"
    second_uri = "window-card:two"
    largest = 1 << 13
    quiet_s = 0.4
    patience_s = 1.0
    open_s = 1.0
    wait_s = 0.1
    budget_s = 0.3

    def __init__(self, driver: WindowDriver) -> None:
        super().__init__()
        self._hardware = driver.hardware["one"]

    def lose(self) -> None:
        self._hardware.gone = True

    def restore(self) -> None:
        self._hardware.gone = False
