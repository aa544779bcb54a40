"""Speed of the integrity engine, as ratios to what memory does in the same run on the same buffer, beside the goals.

    python tests/benchmarks/integrity.py [--mib 256] [--cached-kib 1024] [--grow-to-mib 1024] [--small]

One table for a buffer in memory, one for a buffer in cache; then how costs grow with size and with what is wrong.
Rows stand for numpy and, where it is installed, for numba. Speeds are the best of some rounds, ratios the median over
them; they mean something only on a machine that does nothing else. R, W and C are reading, writing and copying the
buffer once. `--small` takes tiny buffers and one round, to see that this program works.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator

import engine
import moving
import numpy as np
import simulator
from yardsticks import PATTERN, Buffers, Row, buffer_of, installed, shortest, use

from laneproof.integrity import crc_backend, kernels

ROUNDS = 7
SITES = 200_000
"""Errors drawn at once: about as many as one transfer of 256 MiB meets at 1e-4 a bit."""
DAYS = 30
ECHOED_NBYTES = 64 << 20


def table(nbytes: int, rounds: int) -> Iterator[Row]:
    """Every row on a buffer of that size."""
    buffers = Buffers(buffer_of(nbytes), buffer_of(nbytes), rounds)
    yardsticks = {"R": buffers.read, "W": buffers.write, "C": buffers.copy}
    speeds = [f"{unit} {buffers.rate(shortest(work, rounds, buffers.repeats))}" for unit, work in yardsticks.items()]
    print(f"\nbuffer {nbytes >> 10} KiB, {PATTERN.name}, best of {rounds}: {', '.join(speeds)}")
    for name in installed():
        use(name)
        yield from engine.making_and_verifying(name, buffers)
        yield from engine.origins(name, buffers)
        yield from moving.verified_loopback(name, nbytes, rounds)
    yield from engine.digests(buffers)


def beyond_the_buffer(rounds: int, sites: int, days: int, echoed_nbytes: int) -> Iterator[Row]:
    """Every row on which the buffer's size has no bearing."""
    for name in installed():
        use(name)
        yield from moving.own_overhead(name, rounds)
    yield from moving.loopback_overhead(rounds)
    yield from simulator.error_sites(sites, rounds)
    yield from simulator.passing_over(days, rounds)
    yield from simulator.clean_loopback(echoed_nbytes, rounds)
    yield moving.on_a_card()


def memory_for(nbytes: int) -> int:
    """At most half of the memory that is free."""
    return min(nbytes, os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Measure the integrity engine against memory.")
    parser.add_argument("--mib", type=int, default=256, help="the buffer in memory (256)")
    parser.add_argument("--cached-kib", type=int, default=1024, help="the buffer in cache (1024)")
    parser.add_argument("--grow-to-mib", type=int, default=1024, help="the largest buffer of the growth (1024)")
    parser.add_argument("--small", action="store_true", help="tiny buffers: does this program work?")
    options = parser.parse_args(arguments)
    if min(options.mib, options.cached_kib, options.grow_to_mib) < 1 or options.cached_kib % 4:
        parser.error("sizes are 1 or more, that in KiB a multiple of 4")
    sizes, largest, rounds = [options.mib << 20, options.cached_kib << 10], options.grow_to_mib << 20, ROUNDS
    beyond = SITES, DAYS, ECHOED_NBYTES
    if options.small:
        sizes, largest, rounds = [256 << 10, 64 << 10], 64 << 10, 1
        beyond = 10_000, 1, 1 << 20
        print("tiny buffers and one round: neither figures nor goals mean anything")
    print(f"numpy {np.__version__}, CRC-32 of {crc_backend()}, {os.cpu_count()} processors")
    rows: list[Row] = []
    try:
        for size in sizes:
            for row in table(size, rounds):
                rows.append(row)
                print(row, flush=True)
        print("\nbeyond the buffer")
        for row in beyond_the_buffer(rounds, *beyond):
            rows.append(row)
            print(row, flush=True)
        buffers = Buffers(*(buffer_of(sizes[0]) for _ in range(2)), min(rounds, 3))
        print(f"\nwith what is wrong, buffer {sizes[0] >> 10} KiB")
        for name in installed():
            use(name)
            for line in engine.density(name, buffers):
                print(line, flush=True)
        del buffers
        print("\nwith the size")
        whole = buffer_of(memory_for(largest))
        for name in installed():
            use(name)
            for line in engine.growth(name, whole, min(rounds, 3)):
                print(line, flush=True)
    finally:
        kernels.choose(None)
    missed = [row for row in rows if not row.met]
    unmeasured = [row for row in rows if not row.measured]
    print(f"\n{len(rows)} rows, {len(missed)} goals missed, {len(unmeasured)} not measurable here")
    return 0


if __name__ == "__main__":
    sys.exit(main())
