"""The scheme `vfio`: a card whose DMA engine reads and writes this computer's memory, through the kernel's VFIO.

    vfio:0000:65:00.0?source_register=0x80&destination_register=0x88&length_register=0x90&control_register=0x98&…

The device has to be bound to vfio-pci already, behind an IOMMU: no driver is unbound here, and the card reaches no
memory but what is allocated for it. How an engine is driven is said by options, its registers lying in one BAR. How
the device is got hold of is `vfio_access`'s, transfers are `vfio_queue`'s.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import ExitStack, suppress
from pathlib import Path

from attrs import field, frozen, validators

from laneproof.clock import Deadline
from laneproof.contract import (
    Address,
    Card,
    Channel,
    Driver,
    Found,
    Limits,
    ObserverSource,
    Part,
    ResetLevel,
    Resettable,
)
from laneproof.documents import Rate, Size
from laneproof.errors import BadInput
from laneproof_drivers.iova import IovaSpace
from laneproof_drivers.pci_claims import Function, function_at
from laneproof_drivers.pci_observer import observers
from laneproof_drivers.register_engine import EngineOptions, RegisterEngine, Registers
from laneproof_drivers.sysfs import DEVICES, bus_address
from laneproof_drivers.vfio_access import DRIVER, Access, Interface
from laneproof_drivers.vfio_kernel import Device, Interrupt, Place, raise_failed
from laneproof_drivers.vfio_memory import DmaMemory
from laneproof_drivers.vfio_queue import CardBuffer, VfioQueue

_QUEUE_DEPTH = 4
"""Transfers that wait in the driver: the next starts while the last is verified."""
_PLACE = validators.ge(0)


@frozen(kw_only=True)
class VfioOptions(EngineOptions):
    """`bar`: where the registers are. `buffer`, `buffer_size`: the card's own memory, as its engine addresses it.

    `go_to_card`, `go_from_card`: what the control register is given for each direction. `dma_bits`: how many bits of an
    address the engine has. `granularity`: bytes that every length and address is a multiple of. `interrupt`: how the
    end of a transfer is told (none: the status is polled); `acknowledge` is then written to `acknowledge_register`.
    `rate`: what to expect, from which default timeouts follow. `interface`: the kernel's, by which the device is had.
    """

    buffer: int = field(validator=_PLACE)
    buffer_size: Size = field(validator=validators.ge(Size(1)))
    go_to_card: int = field(validator=_PLACE)
    go_from_card: int = field(validator=_PLACE)
    bar: int = field(default=0, validator=[_PLACE, validators.le(5)])
    dma_bits: int = field(default=32, validator=[validators.ge(16), validators.le(64)])
    granularity: int = field(default=4, validator=validators.in_((1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 4096)))
    interrupt: Interrupt = "none"
    acknowledge_register: int | None = field(default=None, validator=validators.optional(_PLACE))
    acknowledge: int = field(default=1, validator=_PLACE)
    interface: Interface = "auto"
    rate: Rate = field(default=Rate(100e6), validator=[validators.gt(Rate(0.0)), validators.le(Rate(1e12))])


class VfioDriver(Driver):
    """Opens functions that are bound to vfio-pci. `sys` and `dev` are where the kernel shows devices."""

    options = VfioOptions

    def __init__(
        self, sys: Path = Path("/sys"), dev: Path = Path("/dev"), observed: ObserverSource = observers
    ) -> None:
        self._sys = sys
        self._devices = sys / DEVICES.relative_to("/sys")
        self._access = Access(sys, dev)
        self._observed = observed

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        """Functions that are bound to vfio-pci. Whether there is an engine, and where, only their user knows."""
        for folder in sorted((self._sys / "bus/pci/drivers" / DRIVER).glob("*:*:*.*")):
            yield Found(address=Address(folder.name), note="bound to vfio-pci; its engine has to be described")

    def connect(self, address: Address, options: VfioOptions, deadline: Deadline) -> Card:
        places = options.registers()
        if places is None:
            raise BadInput("options: describe the card's engine: source_register, destination_register, and the others")
        if options.dma_bits > 8 * options.register_word:
            raise BadInput(f"options: {options.dma_bits} address bits do not fit registers of {options.register_word}")
        function = function_at(bus_address(address.text), self._devices)
        with ExitStack() as undo:
            device, reached = self._access.open(function, options.interface, undo)
            function.require_ready(deadline)
            registers = _BarRegisters(device, device.region(options.bar), options.register_word, function)
            registers.require(*places, options.acknowledge_register)
            engine = RegisterEngine(registers, options, places)
            event_fd = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
            undo.callback(os.close, event_fd)
            if options.interrupt != "none":
                device.interrupt(options.interrupt, event_fd)
            space = reached.space()
            memory = DmaMemory(reached, IovaSpace(space.ranges, space.page, options.dma_bits))
            undo.callback(memory.forget)
            most = options.buffer_size - options.buffer_size % options.granularity
            if most < options.granularity:
                raise BadInput(f"options: buffer_size is less than the granularity, {options.granularity} bytes")
            own = memory.allocate(most, deadline), memory.allocate(most, deadline)
            for region in own:
                undo.callback(region.close)
            undo.callback(_at_rest, device)
            path = VfioQueue(
                engine,
                memory,
                CardBuffer(
                    address=options.buffer,
                    size=most,
                    go_to_card=options.go_to_card,
                    go_from_card=options.go_from_card,
                ),
                own,
                event_fd,
                granularity=options.granularity,
                interrupts=options.interrupt != "none",
                acknowledge=lambda: registers.acknowledge(options),
                set_bus_master=device.set_bus_master,
            )
            observed = self._observed.attach(function.address, deadline)
            device.set_bus_master(True)
            close = undo.pop_all().close
        limits = Limits(
            max_transfer=most,
            granularity=options.granularity,
            queue_depth=_QUEUE_DEPTH,
            fifo_depth=most,
            nominal_bytes_per_s=options.rate,
        )
        reset: tuple[Part, ...] = (_FunctionReset(device, path),) if device.can_reset else ()
        parts = (memory, *observed, *reset)
        return Card(channels=(Channel(name="dma", path=path, limits=limits),), close=close, parts=parts)


class _BarRegisters(Registers):
    """Words of one BAR, read and written by the kernel; it does one of 8 bytes as two of 4, the lower first, before
    Linux 6.11."""

    def __init__(self, device: Device, place: Place, word: int, function: Function) -> None:
        self._device = device
        self._place = place
        self._word = word
        self._function = function

    def require(self, *offsets: int | None) -> None:
        """Raise BadInput for a register beyond the BAR."""
        for offset in offsets:
            if offset is not None and offset + self._word > self._place.size:
                raise BadInput(f"options: there is no register at {offset:#x}: the BAR has {self._place.size:#x} bytes")

    def get(self, offset: int) -> int:
        try:
            value = self._device.read(self._place, offset, self._word)
        except OSError as error:
            self._function.require_answer()
            raise_failed(error, f"reading the register at {offset:#x}")
        if value == 256**self._word - 1:
            self._function.require_answer()
        return value

    def put(self, offset: int, value: int) -> None:
        try:
            self._device.write(self._place, offset, value, self._word)
        except OSError as error:
            self._function.require_answer()
            raise_failed(error, f"writing the register at {offset:#x}")

    def acknowledge(self, options: VfioOptions) -> None:
        if options.acknowledge_register is not None:
            self._device.write(self._place, options.acknowledge_register, options.acknowledge, 4)


class _FunctionReset(Resettable):
    levels = (ResetLevel.FUNCTION,)

    def __init__(self, device: Device, path: VfioQueue) -> None:
        self._device = device
        self._path = path

    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        """Afterwards nothing is under way, and what the card's buffer held is gone."""
        self._path.require_idle()
        try:
            self._device.reset()
            self._device.set_bus_master(True)
        except OSError as error:
            raise_failed(error, "resetting the function")
        self._path.restart()


def _at_rest(device: Device) -> None:
    with suppress(OSError):
        device.set_bus_master(False)


driver = VfioDriver()
