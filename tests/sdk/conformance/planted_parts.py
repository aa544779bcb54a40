"""Mistakes on the queue card: in its regions, resets, channels and patterns."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import attrs
from card_parts import Hardware, MemoryRegion, Patterns, Regions, Resets, address_of, poke
from planted import plant
from queue_card import LIMITS, MemoryQueue, QueueDriver

from laneproof.clock import Deadline
from laneproof.contract import Card, Completion, PatternCount, Region, RegionSource, ResetLevel
from laneproof.errors import DriverFault

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


class ReleasesRegionsInClose(QueueDriver):
    def card(self, hardware: Hardware, paths: list[MemoryQueue]) -> Card:
        made = super().card(hardware, paths)
        source = made.part(RegionSource)
        assert isinstance(source, Regions)
        kept: list[MemoryRegion] = []
        source.region_type = lambda nbytes, in_flight: kept.append(MemoryRegion(nbytes, in_flight)) or kept[-1]

        def close() -> None:
            made.close()
            for region in kept:
                region.view.release()

        return attrs.evolve(made, close=close)


class ZeroesRegionsInClose(QueueDriver):
    def card(self, hardware: Hardware, paths: list[MemoryQueue]) -> Card:
        made = super().card(hardware, paths)
        source = made.part(RegionSource)
        assert isinstance(source, Regions)
        kept: list[MemoryRegion] = []
        source.region_type = lambda nbytes, in_flight: kept.append(MemoryRegion(nbytes, in_flight)) or kept[-1]

        def close() -> None:
            made.close()
            for region in kept:
                region.memory[:] = 0

        return attrs.evolve(made, close=close)


class LeavesTheEngineRunning(QueueDriver):
    """What waited when the card was closed is written to in the next opening."""

    left: tuple[memoryview, ...] = ()

    def card(self, hardware: Hardware, paths: list[MemoryQueue]) -> Card:
        made = super().card(hardware, paths)
        for view in self.left:
            view[:] = bytes(len(view))

        def close() -> None:
            waiting = paths[0].waiting.values()
            self.left += tuple(transfer.into for transfer in waiting if transfer.into is not None)
            made.close()

        return attrs.evolve(made, close=close)


class RefusesToCloseForGood(QueueDriver):
    def card(self, hardware: Hardware, paths: list[MemoryQueue]) -> Card:
        return attrs.evolve(super().card(hardware, paths), close=lambda: None)


class PoolOfSixteen(Regions):
    """What is closed goes back to nobody."""

    left = 16

    def allocate(self, nbytes: int, deadline: Deadline) -> Region:
        self.left -= 1
        if self.left < 0:
            raise DriverFault("no memory is left that the card can reach")
        return super().allocate(nbytes, deadline)


def regions(kind: type[MemoryRegion]) -> type[Regions]:
    return type("WrongRegions", (Regions,), {"region_type": kind})


queue("closes a region in flight", "a-region-in-flight-stays", regions_type=regions(ClosesInFlight))
queue("cannot close a region twice", "regions-are-memory", regions_type=regions(RegionClosedOnce))
queue("makes a region one byte longer", "regions-are-memory", regions_type=regions(RegionOneByteLonger))
queue("makes a region off its alignment", "regions-are-memory", regions_type=regions(RegionOffAlignment))
queue("makes a region read-only", "regions-are-memory", regions_type=regions(RegionReadOnly))
queue(
    "gives the memory of a closed region to nobody", "a-closed-region-gives-its-memory-back", regions_type=PoolOfSixteen
)
queue("ends the views of its regions with itself", "a-region-outlives-its-card", driver=ReleasesRegionsInClose)
queue("clears its regions when it is closed", "a-region-outlives-its-card", driver=ZeroesRegionsInClose)
queue("writes to a region after close", "a-region-outlives-its-card", driver=LeavesTheEngineRunning)
queue("cannot close a region after its card", "a-region-outlives-its-card", driver=RefusesToCloseForGood)
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


def clears_one_channel(self: QueueDriver, hardware: Hardware, paths: list[MemoryQueue]) -> Card:
    made = QueueDriver.card(self, hardware, paths)
    parts = [Resets(hardware, paths[0].clear) if isinstance(part, Resets) else part for part in made.parts]
    return attrs.evolve(made, parts=tuple(parts))


class WritesBeyondItsBuffer(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        poke(address_of(into) + len(into), 0)
        return super().deliver(ticket, into, message)


def second_path_writes_beyond(self: QueueDriver, hardware: Hardware) -> list[MemoryQueue]:
    return [MemoryQueue(hardware), WritesBeyondItsBuffer(hardware)]


def one_path_for_all(self: QueueDriver, hardware: Hardware) -> list[MemoryQueue]:
    first, second = self.path_type(hardware), self.path_type(hardware)
    second.messages = first.messages
    return [first, second]


def counted_before(self: QueueDriver) -> None:
    self.hardware = {"one": ClearsCounts(), "two": ClearsCounts()}


queue("has a reset that does nothing", "a-reset-empties-the-card", resets_type=DoesNothing)
queue("empties one channel of two in a reset", "a-reset-empties-the-card", card=clears_one_channel)
queue("writes beyond a buffer on its second channel", "data-come-back-unchanged", paths=second_path_writes_beyond)
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


class InjectsThree(Patterns):
    """Whatever was asked for."""

    def inject(self, bits: int, deadline: Deadline) -> None:
        super().inject(3, deadline)


class LateOnItsSecondChannel(MemoryQueue):
    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        done = super().reap(deadline)
        if not done:
            time.sleep(0.4)
        return done


def second_path_is_late(self: QueueDriver, hardware: Hardware) -> list[MemoryQueue]:
    return [MemoryQueue(hardware), LateOnItsSecondChannel(hardware)]


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
queue("injects three errors whatever was asked for", "a-checker-counts-injected-errors", patterns_type=InjectsThree)
queue("waits its own time on its second channel", "a-deadline-is-kept", paths=second_path_is_late)
queue("is locked and stands still", "a-checker-locks-and-counts", patterns_type=StandsStill)
queue("goes on counting after stop", "a-checker-locks-and-counts", patterns_type=NeverStops)
queue("takes any name for a pattern", "a-checker-locks-and-counts", patterns_type=TakesAnyPattern)


class ErrsByItself(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), errors=1)


class LosesItsLock(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), locked=not self.errors)


class WrapsAtSixteenBits(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        count = super().read(deadline)
        return attrs.evolve(count, bits=count.bits & 0xFFFF)


class CarriesErrorsOver(Patterns):
    def start(self, channel: str, direction: Any, pattern: str, deadline: Deadline) -> None:
        errors = self.errors
        super().start(channel, direction, pattern, deadline)
        self.errors = errors


class LostALockBefore(Patterns):
    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), lock_losses=3)


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
queue("lets its count of bits wrap", "a-checker-locks-and-counts", patterns_type=WrapsAtSixteenBits)
queue("carries errors over to the next start", "a-checker-counts-injected-errors", patterns_type=CarriesErrorsOver)
queue("counts lost locks of before", "a-checker-locks-and-counts", patterns_type=LostALockBefore)
queue("counts bits in fractions", "a-checker-locks-and-counts", patterns_type=CountsInFractions)
queue("counts more errors than bits", "a-checker-locks-and-counts", patterns_type=CountsMoreErrorsThanBits)
queue("gives no count", "a-checker-locks-and-counts", patterns_type=GivesNoCount)
queue("names a pattern twice", "a-checker-locks-and-counts", patterns_type=NamesAPatternTwice)
