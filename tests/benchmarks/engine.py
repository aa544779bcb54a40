"""Rows on the integrity engine itself: making, verifying, digesting and tracing bytes that lie in memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from yardsticks import PATTERN, Buffers, Bytes, Kernels, Row, Work, shortest

from laneproof.integrity import Past, crc32, trace
from laneproof.integrity.recovery import recovery

THREADS = 2
BLOCK = 4096
LOOK_UPS = 1 << 16
# Wrong bytes: a number of them, or a share of all; and what a check's speed has to be as a part of the clean one.
DAMAGE: dict[str, tuple[float, dict[Kernels, float]]] = {
    "10 wrong bytes": (10, {"numpy": 0.9, "numba": 0.85}),
    "1e-6 wrong": (1e-6, {"numpy": 0.55, "numba": 0.8}),
    "1e-4 wrong": (1e-4, {"numpy": 0.3, "numba": 0.6}),
    "garbage": (1.0, {"numpy": 0.2, "numba": 0.6}),
}


def damage(data: Bytes, amount: float) -> None:
    """So many wrong bytes, or as large a share of all, anywhere; 1.0 is garbage."""
    random = np.random.default_rng(5)
    if amount == 1.0:
        data[:] = random.integers(0, 256, data.size, np.uint8)
        return
    wrong = int(amount if amount > 1 else np.ceil(amount * data.size))
    data[random.integers(0, data.size, wrong)] ^= 0x5A


def making_and_verifying(name: Kernels, buffers: Buffers) -> Iterator[Row]:
    """Generation against writing or copying, verification against reading, damaged data against clean ones."""
    data, compiled = buffers.data, name == "numba"

    def row(what: str, work: Work, yardstick: Work, unit: str, goal: float | None) -> Row:
        taken, ratio = buffers.against(work, yardstick)
        return Row(what, name, buffers.rate(taken), ratio, unit, goal)

    yardstick, unit = (buffers.write, "W") if compiled else (buffers.copy, "C")
    yield row("generate", lambda: PATTERN.fill(data), yardstick, unit, 0.85)
    yield row(f"generate, {THREADS} threads", lambda: PATTERN.fill(data, threads=THREADS), yardstick, unit, None)
    PATTERN.fill(data)
    yield row("verify, clean", lambda: PATTERN.verify(data), buffers.read, "R", 0.85 if compiled else 0.35)
    shared = row(
        f"verify, clean, {THREADS} threads",
        lambda: PATTERN.verify(data, threads=THREADS),
        buffers.read,
        "R",
        None if compiled else 0.5,
    )
    yield shared
    PATTERN.fill(buffers.other)
    for what, (amount, goals) in DAMAGE.items():
        PATTERN.fill(data)
        damage(data, amount)
        clean = buffers.other
        yield row(
            f"verify, {what}",
            lambda: PATTERN.verify(data),
            lambda clean=clean: PATTERN.verify(clean),
            "of clean",
            goals[name],
        )


def origins(name: Kernels, buffers: Buffers) -> Iterator[Row]:
    """Where every block of a shuffled buffer came from, against reading the buffer; and single places.

    A look-up is one state of the generator to its position in the sequence, of many asked for at once. The table that
    makes it possible is made beforehand, once in a process; so it is left out.
    """
    data = buffers.data
    PATTERN.fill(buffers.other)
    blocks = data.size // BLOCK
    order = np.random.default_rng(7).permutation(blocks)
    np.take(buffers.other.reshape(blocks, BLOCK), order, axis=0, out=data.reshape(blocks, BLOCK))
    past = Past(nbytes=data.size, earlier=0)
    trace(PATTERN, data[:BLOCK], past=past)
    taken, ratio = buffers.against(lambda: trace(PATTERN, data, past=past), buffers.read)
    yield Row(f"origin of {blocks} shuffled 4 KiB", name, buffers.rate(taken), 1 / ratio, "1/R", 2.0, at_most=True)
    states = np.random.default_rng(8).integers(1, 1 << 31, LOOK_UPS, np.uint64)
    found = recovery(PATTERN)
    taken = shortest(lambda: found.places(states), buffers.rounds) / LOOK_UPS * 1e6
    yield Row("one origin look-up", name, f"{taken:.2f} µs", taken, "µs", 2.5, at_most=True)
    taken = shortest(lambda: trace(PATTERN, data[:BLOCK], past=past), buffers.rounds, 10) * 1e6
    yield Row("origin of a single 4 KiB", name, f"{taken:.0f} µs", taken, "µs")


def digests(buffers: Buffers) -> Iterator[Row]:
    """What reads the data and makes nothing, whatever the kernels."""
    data = buffers.data
    PATTERN.fill(data)
    for what, work in (
        ("verify by digest", lambda: PATTERN.verify_digest(data)),
        ("CRC-32", lambda: crc32(data)),
    ):
        taken, ratio = buffers.against(work, buffers.read)
        yield Row(what, "any", buffers.rate(taken), ratio, "R", 0.9)


def density(name: Kernels, buffers: Buffers) -> Iterator[str]:
    """How the cost of verifying grows with what is wrong."""
    data = buffers.data
    for exponent in range(-8, 1):
        PATTERN.fill(data)
        damage(data, 10.0**exponent)
        taken, ratio = buffers.against(lambda: PATTERN.verify(data), buffers.read)
        yield f"{name:<6} 1e{exponent:<3} of bytes wrong   verify {buffers.rate(taken):>12} {ratio:>7.3f} R"


def growth(name: Kernels, whole: Bytes, rounds: int) -> Iterator[str]:
    """How the cost grows with the size: from 4 KiB on, four times larger each, as far as `whole` reaches."""
    size = BLOCK
    while size <= whole.size:
        buffers = Buffers(whole[:size], whole[:size], rounds)
        data = buffers.data
        made, of_write = buffers.against(lambda data=data: PATTERN.fill(data), buffers.write)
        PATTERN.fill(data)
        verified, of_read = buffers.against(lambda data=data: PATTERN.verify(data), buffers.read)
        digested, of_read_too = buffers.against(lambda data=data: PATTERN.verify_digest(data), buffers.read)
        yield (
            f"{name:<6} {size >> 10:>8} KiB   generate {buffers.rate(made):>11} {of_write:.3f} W"
            f"   verify {buffers.rate(verified):>11} {of_read:.3f} R"
            f"   digest {buffers.rate(digested):>11} {of_read_too:.3f} R"
        )
        size *= 4
