"""The parts of the good cards in memory: readings, resets, regions, patterns. Each mistake overrides one method."""

from __future__ import annotations

import ctypes
import itertools
from collections.abc import Callable
from typing import Literal

import numpy as np

from laneproof.clock import Deadline
from laneproof.contract import (
    ConditionObserver,
    ErrorInjector,
    ErrorObserver,
    IdentitySource,
    LinkObserver,
    PatternCount,
    PatternEngine,
    Region,
    RegionSource,
    ResetLevel,
    Resettable,
)
from laneproof.errors import BadInput, DeviceLost, EndpointBusy
from laneproof.readings import (
    AtLeast,
    Component,
    Conditions,
    ErrorReading,
    Exact,
    Identity,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Unavailable,
)

RATE_BITS_PER_S = 1_000_000
ALIGNMENT = 4
_serials = itertools.count(1)


class Hardware:
    """What a card keeps, whether it is open or not."""

    def __init__(self) -> None:
        self.gone = False
        self.serial = f"invented {next(_serials)}"
        self.silent = False
        self.bad_tlp = 0
        self.epoch = 1

    def require(self) -> None:
        if self.gone:
            raise DeviceLost("all ones, and the vendor id reads FFFF")


class MemoryRegion(Region):
    """Plain memory, held in place while `in_flight` says that it is used."""

    def __init__(self, nbytes: int, in_flight: Callable[[object], bool]) -> None:
        self.memory = np.zeros(nbytes + ALIGNMENT, np.uint8)
        skip = -self.memory.ctypes.data % ALIGNMENT
        self.view = memoryview(self.memory)[skip : skip + nbytes]
        self._in_flight = in_flight

    def close(self) -> None:
        if self._in_flight(self.memory):
            raise EndpointBusy("a transfer still uses the region; stop the engine first")
        self.view.release()


class Readings(LinkObserver, ErrorObserver, ConditionObserver, IdentitySource):
    """What the card says of itself and its link."""

    def __init__(self, hardware: Hardware) -> None:
        self.hardware = hardware

    def read_link(self, deadline: Deadline) -> LinkReading:
        self.hardware.require()
        near, far = (
            PartnerLink(name=name, speed_gtps=8.0, width=4, max_speed_gtps=16.0, max_width=8, max_payload=256)
            for name in ("port", "card")
        )
        return LinkReading(near=near, far=far)

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        self.hardware.require()
        counts = {"BadTLP": Exact(self.hardware.bad_tlp), "RxErr": AtLeast(1, "a sticky flag", blind=True)}
        epoch = str(self.hardware.epoch)
        return ErrorReading(
            near=PartnerErrors(name="port", epoch=epoch, correctable=counts),
            far=PartnerErrors(name="card", epoch=epoch, nonfatal={"UnsupReq": Unavailable("the kernel hides it")}),
        )

    def read_conditions(self, deadline: Deadline) -> Conditions:
        no = Unavailable("there is no host around a card in memory")
        return Conditions(near=no, far=no, sensors=(), memory_errors=no, iommu_faults=no, reported=no)

    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model="queue card", serial=self.hardware.serial, components=(Component("firmware", "1"),))


class Resets(Resettable):
    """Data and function; `clear` empties the card."""

    levels = (ResetLevel.DATA, ResetLevel.FUNCTION)

    def __init__(self, hardware: Hardware, clear: Callable[[], None]) -> None:
        self.hardware = hardware
        self.clear = clear

    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        self.clear()
        if level > ResetLevel.DATA:
            self.hardware.bad_tlp = 0
            self.hardware.epoch += 1


class Regions(RegionSource):
    region_type: Callable[[int, Callable[[object], bool]], MemoryRegion] = MemoryRegion

    def __init__(self, in_flight: Callable[[object], bool]) -> None:
        self.in_flight = in_flight

    def allocate(self, nbytes: int, deadline: Deadline) -> Region:
        return self.region_type(nbytes, self.in_flight)


class Patterns(PatternEngine, ErrorInjector):
    """Counts bits as time passes, and the errors that are injected."""

    patterns = ("prbs7", "prbs31")

    def __init__(self) -> None:
        self.began_s: float | None = None
        self.bits = 0
        self.errors = 0

    def start(self, channel: str, direction: Literal["to_card", "from_card"], pattern: str, deadline: Deadline) -> None:
        if pattern not in self.patterns:
            raise BadInput(f'the card has no pattern "{pattern}"; it has {", ".join(self.patterns)}')
        self.began_s, self.bits, self.errors = deadline.clock.now_s(), 0, 0

    def read(self, deadline: Deadline) -> PatternCount:
        if self.began_s is not None:
            self.bits = int((deadline.clock.now_s() - self.began_s) * RATE_BITS_PER_S)
        return PatternCount(bits=self.bits, errors=self.errors, locked=True, lock_losses=0, saturated=False)

    def stop(self, deadline: Deadline) -> None:
        self.began_s = None

    def inject(self, bits: int, deadline: Deadline) -> None:
        self.errors += bits


def address_of(view: memoryview) -> int:
    return np.frombuffer(view, np.uint8).ctypes.data


def poke(address: int, value: int) -> None:
    """Write one byte where no view permits it, as a DMA engine can."""
    ctypes.memset(address, value, 1)
