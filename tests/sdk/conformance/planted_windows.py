"""Mistakes on the window card: offsets, ends, the copy engine, and a card that is touched unasked."""

from __future__ import annotations

import time
from collections.abc import Iterable
from functools import partial

import attrs
from planted import leave_running, plant
from window_card import LIMITS, SIZE, MemoryEngine, MemoryWindow, WindowDriver

from laneproof.clock import Deadline
from laneproof.contract import Found
from laneproof.errors import DeviceLost

window = partial(plant, "window-card")


SLOW = attrs.evolve(LIMITS, nominal_bytes_per_s=20e3, max_transfer=SIZE)


class SlowWindow(MemoryWindow):
    """A good one, a kilobyte at a time."""

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        for at in self.pieces(len(view), deadline):
            super().write(offset + at, view[at : at + 1000], deadline)
        return self.moved

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        for at in self.pieces(len(view), deadline):
            super().read_into(offset + at, view[at : at + 1000], deadline)
        return self.moved

    def pieces(self, nbytes: int, deadline: Deadline) -> Iterable[int]:
        self.moved = 0
        for at in range(0, nbytes, 1000):
            if self.ended(deadline, nbytes):
                return
            time.sleep(0.05)
            yield at
            self.moved = min(nbytes, at + 1000)

    def ended(self, deadline: Deadline, nbytes: int) -> bool:
        deadline.check()
        return deadline.expired


class FastPathWithoutADeadline(SlowWindow):
    """Whole words go in one burst, whatever its length."""

    def ended(self, deadline: Deadline, nbytes: int) -> bool:
        return bool(nbytes % 4) and super().ended(deadline, nbytes)


class SlowPathWithoutADeadline(SlowWindow):
    def ended(self, deadline: Deadline, nbytes: int) -> bool:
        return not nbytes % 4 and super().ended(deadline, nbytes)


class CannotBeCancelled(SlowWindow):
    def ended(self, deadline: Deadline, nbytes: int) -> bool:
        return deadline.expired


window("ignores the deadline on its fast path", "a-window-keeps-its-deadline", FastPathWithoutADeadline, limits=SLOW)
window("ignores the deadline off its fast path", "a-window-keeps-its-deadline", SlowPathWithoutADeadline, limits=SLOW)
window("cannot be cancelled in a long write", "a-window-keeps-its-deadline", CannotBeCancelled, limits=SLOW)


class TakesOnesForALoss(MemoryWindow):
    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        moved = super().read_into(offset, view, deadline)
        if bytes(view[:4]) == b"\xff" * 4:
            raise DeviceLost("all ones")
        return moved


window("takes data of all ones for a loss", "any-bytes-come-back", TakesOnesForALoss)


class OffByOne(MemoryWindow):
    """Small writes that begin at an odd offset land one byte further."""

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        shifted = offset + 1 if offset % 2 and len(view) < 100 else offset
        return super().write(shifted, view, deadline)


class ComesShortFromAnOddOffset(MemoryWindow):
    """The last, partial burst of a long write is left out."""

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        if len(view) > 4096 and offset % 64:
            view = view[: len(view) // 64 * 64]
        return super().write(offset, view, deadline)


class RoundsUpToWords(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        padded = bytes(view) + bytes(-len(view) % 4)
        super().write(offset, memoryview(padded[: SIZE - offset]), deadline)
        return len(view)


class Wraps(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        return super().write(offset % SIZE if offset >= SIZE else offset, view, deadline)

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        return super().read_into(offset % SIZE if offset >= SIZE else offset, view, deadline)


class WrapsAndRefuses(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        if offset >= SIZE:
            super().write(offset % SIZE, view, deadline)
        return super().write(offset, view, deadline)


class EndsInItsFront(MemoryWindow):
    """A write that reaches the end goes on with a zero at the front."""

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        wrote = super().write(offset, view, deadline)
        if offset + wrote == SIZE:
            self.memory[0] = 0
        return wrote


class DamagesItsEndAndRefuses(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        if offset >= SIZE:
            self.memory[-1] = (self.memory[-1] + 1) % 256
        return super().write(offset, view, deadline)


class SaysItWroteHalf(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        return super().write(offset, view, deadline) // 2


class GrowsWithAWrite(MemoryWindow):
    """A slice beyond the end of a bytearray is no error."""

    def place(self, offset: int, nbytes: int) -> slice:
        return slice(offset, offset + nbytes)


class SaysItWroteAll(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        if deadline.expired:
            super().write(offset, view[: len(view) // 2], deadline)
            return len(view)
        return super().write(offset, view, deadline)


class ReadsHalf(MemoryWindow):
    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        return super().read_into(offset, view[: max(1, len(view) // 2)], deadline)


class ReadsLate(MemoryWindow):
    """At the deadline the rest is left to a thread."""

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        if not deadline.expired:
            return super().read_into(offset, view, deadline)

        def later() -> None:
            time.sleep(0.02)
            view[:] = self.memory[self.place(offset, len(view))]

        leave_running(later)
        return 0


class WaitsInWrite(MemoryWindow):
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        time.sleep(0.35 if deadline.expired and len(view) == 1 else 0)
        return super().write(offset, view, deadline)


class SaysNothingOfACopy(MemoryEngine):
    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        super().copy(source, destination, nbytes, deadline)
        return 0


class OneByteShort(MemoryEngine):
    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        super().copy(source, destination, nbytes - 1 if nbytes > 64 else nbytes, deadline)
        return nbytes


class OneByteTooMany(MemoryEngine):
    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        super().copy(source, destination, nbytes + nbytes % 2, deadline)
        return nbytes


class CopiesForwardsOverItself(MemoryEngine):
    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        memory = self.window.memory
        self.window.place(source, nbytes), self.window.place(destination, nbytes)
        for at in range(nbytes):
            memory[destination + at] = memory[source + at]
        return nbytes


class CopiesBeyondTheEnd(MemoryEngine):
    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        if source < 0 or destination < 0:
            return super().copy(source, destination, nbytes, deadline)
        nbytes = min(nbytes, SIZE - source, SIZE - destination)
        return super().copy(source, destination, nbytes, deadline)


def discover_by_writing(self: WindowDriver, deadline: Deadline) -> Iterable[Found]:
    for path in self.open:
        path.memory[0] ^= 1
    return WindowDriver.discover(self, deadline)


window(
    "has less than a granule",
    "limits-fit-each-other",
    limits=attrs.evolve(LIMITS, granularity=1 << 15, max_transfer=1 << 15),
)
window("has a window that is off by one", "a-window-holds-what-was-written-where", OffByOne)
window("comes short from an odd offset", "a-window-holds-what-was-written-where", ComesShortFromAnOddOffset)
window("rounds a write up to words", "a-window-holds-what-was-written-where", RoundsUpToWords)
window("wraps at the end of the window", "a-window-ends-where-it-says", Wraps)
window("clears its front with its end", "a-window-ends-where-it-says", EndsInItsFront)
window("wraps and refuses", "a-window-ends-where-it-says", WrapsAndRefuses)
window("damages its end and refuses", "a-window-ends-where-it-says", DamagesItsEndAndRefuses)
window("says that it wrote half", "a-window-holds-what-was-written-where", SaysItWroteHalf)
window("reads half of what was written", "a-window-holds-what-was-written-where", ReadsHalf)
window("writes beyond the end of the window", "a-window-ends-where-it-says", GrowsWithAWrite)
window("says that it wrote all", "counts-are-honest", SaysItWroteAll)
window("reads half", "counts-are-honest", ReadsHalf)
window("reads on after the deadline", "nothing-is-written-late", ReadsLate)
window("waits in write with no time left", "a-deadline-of-zero-returns-at-once", WaitsInWrite)
window("copies and says that it did not", "a-copy-engine-copies", engine_type=SaysNothingOfACopy)
window("copies one byte short", "a-copy-engine-copies", engine_type=OneByteShort)
window("copies one byte too many", "a-copy-engine-copies", engine_type=OneByteTooMany)
window("copies forwards over itself", "a-copy-engine-knows-its-bounds", engine_type=CopiesForwardsOverItself)
window("copies beyond the end", "a-copy-engine-knows-its-bounds", engine_type=CopiesBeyondTheEnd)
window("writes to the window in discover", "discover-disturbs-no-card", discover=discover_by_writing)
