"""Mistakes on the queue card: in its regions, resets, channels and patterns."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import Any

import attrs
from card_parts import Hardware, MemoryRegion, Patterns, Regions, Resets
from planted import plant
from queue_card import LIMITS, MemoryQueue, QueueDriver

from laneproof.clock import Deadline
from laneproof.contract import PatternCount, ResetLevel

queue = partial(plant, "queue")


# --- regions


class ClosesInFlight(MemoryRegion):
    def close(self) -> None:
        self.view.release()


class RegionClosedOnce(MemoryRegion):
    closed = False

    def close(self) -> None:
        if self.closed:
            raise ValueError("it is closed already")
        super().close()
        self.closed = True


class RegionOneByteLonger(MemoryRegion):
    def __init__(self, nbytes: int, in_flight: Callable[[object], bool]) -> None:
        super().__init__(nbytes + 1, in_flight)


class RegionOffAlignment(MemoryRegion):
    def __init__(self, nbytes: int, in_flight: Callable[[object], bool]) -> None:
        super().__init__(nbytes, in_flight)
        skip = -self.memory.ctypes.data % 4 + 1
        self.view = memoryview(self.memory)[skip : skip + nbytes]


class RegionReadOnly(MemoryRegion):
    def __init__(self, nbytes: int, in_flight: Callable[[object], bool]) -> None:
        super().__init__(nbytes, in_flight)
        self.view = self.view.toreadonly()


class SendsRegionsFromTheirStart(MemoryQueue):
    """A slice of a Region goes out as if it began where the Region does."""

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if out is not None and type(out.obj).__name__ == "ndarray":
            out = memoryview(out.obj)[: len(out)]
        super().submit(ticket, out, into)


def regions(kind: type[MemoryRegion]) -> type[Regions]:
    return type("WrongRegions", (Regions,), {"region_type": kind})


queue("closes a region in flight", "a-region-in-flight-stays", regions_type=regions(ClosesInFlight))
queue("cannot close a region twice", "regions-are-memory", regions_type=regions(RegionClosedOnce))
queue("makes a region one byte longer", "regions-are-memory", regions_type=regions(RegionOneByteLonger))
queue("makes a region off its alignment", "regions-are-memory", regions_type=regions(RegionOffAlignment))
queue("makes a region read-only", "regions-are-memory", regions_type=regions(RegionReadOnly))
queue("sends every region from its start", "regions-carry-data", SendsRegionsFromTheirStart)


# --- resets and channels


class DoesNothing(Resets):
    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        return


class ClearsWithoutANewEpoch(Resets):
    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        super().reset(level, deadline)
        self.hardware.epoch = 1


class ResetsInItsOwnTime(Resets):
    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        time.sleep(0.4)
        super().reset(level, deadline)


class OffersNoLevel(Resets):
    levels = ()


class LosesTheCard(Resets):
    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        super().reset(level, deadline)
        self.hardware.silent = True


class ClearsCounts(Hardware):
    def __init__(self) -> None:
        super().__init__()
        self.bad_tlp = 7


def one_path_for_all(self: QueueDriver, hardware: Hardware) -> list[MemoryQueue]:
    first, second = self.path_type(hardware), self.path_type(hardware)
    second.messages = first.messages
    return [first, second]


def counted_before(self: QueueDriver) -> None:
    self.hardware = {"one": ClearsCounts(), "two": ClearsCounts()}


queue("has a reset that does nothing", "a-reset-empties-the-card", resets_type=DoesNothing)
queue("has a reset that silences the card", "a-reset-leaves-the-card-usable", resets_type=LosesTheCard)
queue("offers no level of reset", "a-reset-leaves-the-card-usable", resets_type=OffersNoLevel)
queue(
    "clears counts without a new epoch",
    "counts-that-fall-have-a-new-epoch",
    resets_type=ClearsWithoutANewEpoch,
    __init__=counted_before,
)
queue(
    "clears counts that have just risen without a new epoch",
    "counts-that-fall-have-a-new-epoch",
    resets_type=ClearsWithoutANewEpoch,
)
queue("resets in its own time", "parts-keep-their-deadline", resets_type=ResetsInItsOwnTime)
queue("mixes up channels", "channels-share-no-data", paths=one_path_for_all)
queue("has a granule that no transfer holds", "limits-fit-each-other", limits=attrs.evolve(LIMITS, max_transfer=3))


# --- patterns


class CountsNoInjectedError(Patterns):
    def inject(self, bits: int, deadline: Deadline) -> None:
        return


class StandsStill(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), bits=8)


class NeverStops(Patterns):
    def stop(self, deadline: Deadline) -> None:
        return


class TakesAnyPattern(Patterns):
    def start(self, channel: str, direction: Any, pattern: str, deadline: Deadline) -> None:
        super().start(channel, direction, self.patterns[0], deadline)


queue("counts no injected error", "a-checker-counts-injected-errors", patterns_type=CountsNoInjectedError)
queue("is locked and stands still", "a-checker-locks-and-counts", patterns_type=StandsStill)
queue("goes on counting after stop", "a-checker-locks-and-counts", patterns_type=NeverStops)
queue("takes any name for a pattern", "a-checker-locks-and-counts", patterns_type=TakesAnyPattern)


class ErrsByItself(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), errors=1)


class LosesItsLock(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), locked=not self.errors)


class CountsInFractions(Patterns):
    def read(self, deadline: Deadline) -> Any:
        return attrs.evolve(super().read(deadline), bits=0.5)


class CountsMoreErrorsThanBits(Patterns):
    def read(self, deadline: Deadline) -> Any:
        return attrs.evolve(super().read(deadline), bits=1, errors=2)


class GivesNoCount(Patterns):
    def read(self, deadline: Deadline) -> Any:
        return None


class NamesAPatternTwice(Patterns):
    patterns = ("prbs7", "prbs7")


queue("finds errors of its own", "a-checker-locks-and-counts", patterns_type=ErrsByItself)
queue("loses its lock with an error", "a-checker-counts-injected-errors", patterns_type=LosesItsLock)
queue("counts bits in fractions", "a-checker-locks-and-counts", patterns_type=CountsInFractions)
queue("counts more errors than bits", "a-checker-locks-and-counts", patterns_type=CountsMoreErrorsThanBits)
queue("gives no count", "a-checker-locks-and-counts", patterns_type=GivesNoCount)
queue("names a pattern twice", "a-checker-locks-and-counts", patterns_type=NamesAPatternTwice)
