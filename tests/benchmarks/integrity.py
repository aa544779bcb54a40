"""Speed of the integrity engine, as ratios to what memory does in the same run on the same buffer, beside the goals.

    python tests/benchmarks/integrity.py [--mib 256] [--small]

Every row stands for numpy and, where it is installed, for numba. Figures are the best of some rounds; they mean
something only on a machine that does nothing else. `--small` takes tiny buffers, to see that this program works.
"""

from __future__ import annotations

import argparse
import mmap
import sys
import time
from collections.abc import Callable, Iterator
from typing import Literal

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from laneproof.errors import BadInput
from laneproof.integrity import crc32, kernels, pattern

Bytes = NDArray[np.uint8]
PATTERN = pattern("prbs31", seed=1)
THREADS = 2
# Wrong bytes: a number of them, or a share of all; and what a check's speed has to be as a part of the clean one.
DAMAGE: dict[str, tuple[float, dict[str, float]]] = {
    "10 wrong bytes": (10, {"numpy": 0.9, "numba": 0.85}),
    "1e-6 wrong": (1e-6, {"numpy": 0.55, "numba": 0.8}),
    "1e-4 wrong": (1e-4, {"numpy": 0.3, "numba": 0.6}),
    "garbage": (1.0, {"numpy": 0.2, "numba": 0.6}),
}


@frozen
class Row:
    """One line of the table. `goal` is the least ratio, or where `at_most` the greatest; None where there is none."""

    work: str
    kernels: str
    speed: str
    ratio: float
    to: str
    goal: float | None
    at_most: bool = False

    @property
    def met(self) -> bool:
        return self.goal is None or (self.ratio <= self.goal if self.at_most else self.ratio >= self.goal)

    def __str__(self) -> str:
        goal = ""
        if self.goal is not None:
            goal = f"{'≤' if self.at_most else '≥'} {self.goal:<5g}{'met' if self.met else 'MISSED'}"
        return f"{self.work:<34} {self.kernels:<6} {self.speed:>14} {self.ratio:>8.3f} {self.to:<10} {goal}"


@frozen
class Yardsticks:
    """GB/s of reading, writing and copying the buffer once."""

    read: float
    write: float
    copy: float


def seconds(work: Callable[[], object], rounds: int) -> float:
    """The shortest of some rounds, after one that warms up."""
    work()
    taken: list[float] = []
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return min(taken)


def buffer_of(nbytes: int) -> Bytes:
    """Whole pages, touched: memory that was never written reads faster than any memory is."""
    room = np.empty(nbytes + mmap.PAGESIZE, np.uint8)
    start = -room.ctypes.data % mmap.PAGESIZE
    data = room[start : start + nbytes]
    data.fill(1)
    return data


def yardsticks(data: Bytes, other: Bytes, rounds: int) -> Yardsticks:
    words = data.view(np.uint64)

    def speed(work: Callable[[], object]) -> float:
        return data.size / seconds(work, rounds) / 1e9

    return Yardsticks(
        read=speed(lambda: np.bitwise_or.reduce(words)),
        write=speed(lambda: words.fill(0x0123_4567_89AB_CDEF)),
        copy=speed(lambda: np.copyto(other, data)),
    )


def installed() -> list[Literal["numpy", "numba"]]:
    try:
        kernels.choose("numba")
    except BadInput:
        return ["numpy"]
    return ["numpy", "numba"]


def damage(data: Bytes, amount: float) -> None:
    random = np.random.default_rng(5)
    if amount == 1.0:
        data[:] = random.integers(0, 256, data.size, np.uint8)
        return
    wrong = int(amount if amount > 1 else np.ceil(amount * data.size))
    data[random.integers(0, data.size, wrong)] ^= 0x5A


def speed_rows(name: str, data: Bytes, yard: Yardsticks, rounds: int) -> Iterator[Row]:
    def speed(work: Callable[[], object]) -> float:
        return data.size / seconds(work, rounds) / 1e9

    def row(work: str, value: float, to: float, unit: str, goal: float | None) -> Row:
        return Row(work, name, f"{value:.2f} GB/s", value / to, unit, goal)

    compiled = name == "numba"
    made = speed(lambda: PATTERN.fill(data))
    yield row("generate", made, *((yard.write, "W", 0.85) if compiled else (yard.copy, "C", 0.85)))
    made = speed(lambda: PATTERN.fill(data, threads=THREADS))
    yield row(f"generate, {THREADS} threads", made, *((yard.write, "W") if compiled else (yard.copy, "C")), None)
    clean = speed(lambda: PATTERN.verify(data))
    yield row("verify, clean", clean, yard.read, "R", 0.85 if compiled else 0.35)
    shared = speed(lambda: PATTERN.verify(data, threads=THREADS))
    yield row(f"verify, clean, {THREADS} threads", shared, yard.read, "R", None if compiled else 0.5)
    for what, (amount, goals) in DAMAGE.items():
        PATTERN.fill(data)
        damage(data, amount)
        found = speed(lambda: PATTERN.verify(data))
        yield row(f"verify, {what}", found, clean, "of clean", goals[name])


def other_rows(data: Bytes, yard: Yardsticks, rounds: int) -> Iterator[Row]:
    def row(work: str, value: float, goal: float) -> Row:
        return Row(work, "any", f"{value:.2f} GB/s", value / yard.read, "R", goal)

    PATTERN.fill(data)
    digest = getattr(PATTERN, "verify_digest", None)
    if digest is not None:
        yield row("verify by digest", data.size / seconds(lambda: digest(data), rounds) / 1e9, 0.9)
    yield row("CRC-32", data.size / seconds(lambda: crc32(data), rounds) / 1e9, 0.9)


def round_trip_row(name: str) -> Row:
    """What one block costs on top of the time its bytes take: making it, and verifying it."""
    out = np.zeros(4096, np.uint8)

    def blocks() -> None:
        for _ in range(200):
            PATTERN.fill(out)
            PATTERN.verify(out)

    taken = seconds(blocks, 5) / 200 * 1e6
    return Row("fill and verify 4 KiB", name, f"{taken:.1f} µs", taken, "µs", None, at_most=True)


def growth(name: str, sizes: list[int], data: Bytes) -> Iterator[str]:
    for size in sizes:
        part = data[:size]
        rounds = max(2, min(200, (64 << 20) // size))
        made = size / seconds(lambda part=part: PATTERN.fill(part), rounds) / 1e9
        verified = size / seconds(lambda part=part: PATTERN.verify(part), rounds) / 1e9
        yield f"{name:<6} {size / 1024:>10.0f} KiB   generate {made:>7.2f} GB/s   verify {verified:>7.2f} GB/s"


def density(name: str, data: Bytes) -> Iterator[str]:
    for exponent in range(-8, 1):
        PATTERN.fill(data)
        damage(data, 10.0**exponent)
        found = data.size / seconds(lambda: PATTERN.verify(data), 2) / 1e9
        yield f"{name:<6} 1e{exponent:<4} of bytes wrong   verify {found:>7.2f} GB/s"


def growth_sizes(largest: int) -> list[int]:
    """From 4 KiB on, four times larger each, as far as memory allows."""
    return [4096 << power for power in range(0, 19, 2) if 4096 << power <= largest]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Measure the integrity engine against memory.")
    parser.add_argument("--mib", type=int, default=256, help="the buffer's size (256)")
    parser.add_argument("--small", action="store_true", help="tiny buffers: does this program work?")
    parser.add_argument("--grow-to-mib", type=int, default=1024, help="the largest buffer of the growth (1024)")
    options = parser.parse_args(arguments)
    if options.mib < 1 or options.grow_to_mib < 1:
        parser.error("--mib and --grow-to-mib are 1 or more")
    nbytes, rounds = (1 << 20, 1) if options.small else (options.mib << 20, 7)
    largest = 1 << 18 if options.small else options.grow_to_mib << 20
    data, other = buffer_of(nbytes), buffer_of(nbytes)
    print(f"buffer {nbytes >> 20} MiB, {PATTERN.name}, numpy {np.__version__}, best of {rounds}")
    rows: list[Row] = []
    names = installed()
    try:
        for name in names:
            kernels.choose(name)
            kernels.ready()
            yard = yardsticks(data, other, rounds)
            print(f"R {yard.read:.2f} GB/s   W {yard.write:.2f} GB/s   C {yard.copy:.2f} GB/s")
            for row in (*speed_rows(name, data, yard, rounds), round_trip_row(name)):
                rows.append(row)
                print(row, flush=True)
        yard = yardsticks(data, other, rounds)
        for row in other_rows(data, yard, rounds):
            rows.append(row)
            print(row, flush=True)
        for name in names:
            kernels.choose(name)
            kernels.ready()
            for line in density(name, data):
                print(line, flush=True)
        del data, other
        whole = buffer_of(largest)
        for name in names:
            kernels.choose(name)
            kernels.ready()
            for line in growth(name, growth_sizes(largest), whole):
                print(line, flush=True)
    finally:
        kernels.choose(None)
    missed = [row for row in rows if not row.met]
    print(f"{len(rows)} rows, {len(missed)} goals missed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
