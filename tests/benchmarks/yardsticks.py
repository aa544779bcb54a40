"""How the benchmarks measure: work and yardstick in turn on the same buffer, and a line that sets their ratio beside
its goal. What is measured is in `engine`, `moving` and `simulator`."""

from __future__ import annotations

import mmap
import time
from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from laneproof.errors import BadInput
from laneproof.integrity import kernels, pattern

Bytes = NDArray[np.uint8]
Work = Callable[[], object]
Kernels = Literal["numpy", "numba"]

PATTERN = pattern("prbs31", seed=1)
# Less than that is done several times in one measurement: the clock and the call take part of a microsecond themselves.
_SHORTEST_BYTES = 16 << 20


@frozen
class Row:
    """One line of a table. `goal` is the least ratio, or where `at_most` the greatest; None where there is none.

    `ratio` is NaN where nothing could be measured; `speed` then says why.
    """

    work: str
    kernels: str
    speed: str
    ratio: float
    to: str
    goal: float | None = None
    at_most: bool = False

    @property
    def measured(self) -> bool:
        return self.ratio == self.ratio

    @property
    def met(self) -> bool:
        """Whether the goal is reached; what could not be measured has not failed it."""
        if self.goal is None or not self.measured:
            return True
        return self.ratio <= self.goal if self.at_most else self.ratio >= self.goal

    def __str__(self) -> str:
        goal = ""
        if self.goal is not None:
            said = ("met" if self.met else "MISSED") if self.measured else ""
            goal = f"{'≤' if self.at_most else '≥'} {self.goal:<5g}{said}"
        ratio = f"{self.ratio:.3f}" if self.measured else "-"
        return f"{self.work:<40} {self.kernels:<6} {self.speed:>14} {ratio:>8} {self.to:<14} {goal}".rstrip()


@frozen
class Buffers:
    """The buffer that is worked on, one more as large, and how often everything is measured."""

    data: Bytes
    other: Bytes
    rounds: int
    repeats: int = field(init=False)
    """How often a work is done in one measurement."""

    @repeats.default
    def _enough(self) -> int:
        return 1 if self.rounds == 1 else max(1, _SHORTEST_BYTES // self.data.size)

    def read(self) -> object:
        """Yardstick R: the buffer read once."""
        return np.bitwise_or.reduce(self.data.view(np.uint64))

    def write(self) -> object:
        """Yardstick W: the buffer written once. Not with zeros, which may cost no memory at all."""
        return self.data.view(np.uint64).fill(0x0123_4567_89AB_CDEF)

    def copy(self) -> object:
        """Yardstick C: the buffer copied from another one, once."""
        return np.copyto(self.data, self.other)

    def rate(self, seconds: float) -> str:
        return f"{self.data.size / seconds / 1e9:.2f} GB/s"

    def against(self, work: Work, yardstick: Work) -> tuple[float, float]:
        """See `against`; the seconds are those of doing the work once."""
        return against(work, yardstick, self.rounds, self.repeats)


def against(work: Work, yardstick: Work, rounds: int, repeats: int = 1) -> tuple[float, float]:
    """The shortest time of the work, in seconds, and how often the work fits into the time of the yardstick.

    They take turns, and the ratio is the median of those of each turn, so that a machine that changes its speed
    changes it for both. One turn beforehand warms up. Each is done `repeats` times in a row.
    """
    own, yard = in_turns((work, yardstick), rounds, repeats)
    return float(own.min()), float(np.median(yard / own))


def in_turns(works: Sequence[Work], rounds: int, repeats: int = 1) -> NDArray[np.float64]:
    """The seconds of each work, in a row of its own, in each turn; one turn beforehand warms up."""
    taken = [[_seconds(work, repeats) for work in works] for _ in range(rounds + 1)]
    return np.array(taken[1:]).T


def shortest(work: Work, rounds: int, repeats: int = 1) -> float:
    """The shortest time of the work, in seconds, after it was done once to warm up."""
    return min([_seconds(work, repeats) for _ in range(rounds + 1)][1:])


def _seconds(work: Work, repeats: int) -> float:
    began = time.perf_counter()
    for _ in range(repeats):
        work()
    return (time.perf_counter() - began) / repeats


def buffer_of(nbytes: int) -> Bytes:
    """Whole pages, touched: memory that was never written reads faster than any memory is."""
    room = np.empty(nbytes + mmap.PAGESIZE, np.uint8)
    start = -room.ctypes.data % mmap.PAGESIZE
    data = room[start : start + nbytes]
    data.fill(1)
    return data


def installed() -> list[Kernels]:
    """The kernels that can be measured here."""
    try:
        kernels.choose("numba")
    except BadInput:
        return ["numpy"]
    finally:
        kernels.choose(None)
    return ["numpy", "numba"]


def use(name: Kernels) -> None:
    """Measure these from here on: loaded, compiled and warm."""
    kernels.choose(name)
    kernels.ready()
    data = np.zeros(1 << 16, np.uint8)
    PATTERN.fill(data)
    PATTERN.verify(data)
