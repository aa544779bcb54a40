"""Rows on whole ways out and back: through memory in one thread and two, and what one call costs beyond its bytes."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence

import numpy as np
from yardsticks import PATTERN, Bytes, Kernels, Row, against

from laneproof.clock import Deadline
from laneproof.contract import Card, Channel, Completion, Limits, QueuedPath
from laneproof.endpoint import Endpoint

CHUNK = 4 << 20
"""Calls on less end before the other thread has woken up to the lock that they gave free: two threads are then slower
than one. Halves of a smaller buffer are taken as they are."""
BLOCK = 4096
BLOCKS = 256


class MemoryPath(QueuedPath):
    """A card that costs a copy: what was submitted is back at once."""

    def __init__(self) -> None:
        self._done: list[Completion] = []

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        if out is not None and into is not None:
            into[: len(out)] = out
        self._done.append(Completion(ticket=ticket, sent=len(out or b""), received=len(into or b"")))

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        done, self._done = self._done, []
        return done

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        return self.reap(deadline)


def memory_card() -> Endpoint:
    """An endpoint on such a card."""
    channel = Channel(name="only", path=MemoryPath(), limits=Limits(max_transfer=CHUNK, boundary="stream"))
    card = Card(channels=(channel,), close=lambda: None)
    return Endpoint("memory:card", card, lambda _: card, physical=False, caveats=())


def verified_loopback(name: Kernels, nbytes: int, rounds: int) -> Iterator[Row]:
    """Every chunk is filled, copied and verified, by one thread, or each half of them by a thread of its own.

    A thread has two chunks of memory to itself, and uses them again and again; the threads share nothing.
    """
    size = min(CHUNK, nbytes // 2)
    chunks = nbytes // size
    lanes = [(np.zeros(size, np.uint8), np.zeros(size, np.uint8)) for _ in range(2)]
    wrong: list[int] = []

    def pass_through(lane: tuple[Bytes, Bytes], first: int, stop: int) -> None:
        out, into = lane
        for chunk in range(first, stop):
            stretch = PATTERN.for_sequence(chunk)
            stretch.fill(out)
            np.copyto(into, out)
            if not stretch.verify(into).ok:
                wrong.append(chunk)

    def alone() -> None:
        pass_through(lanes[0], 0, chunks)

    def shared() -> None:
        half = chunks // 2
        other = threading.Thread(target=pass_through, args=(lanes[1], half, chunks))
        other.start()
        pass_through(lanes[0], 0, half)
        other.join()

    taken, ratio = against(shared, alone, rounds)
    if wrong:
        raise AssertionError(f"chunks {wrong[:4]} did not come through memory as they were")
    goal = 1.8 if name == "numba" else 1.7
    speed = f"{chunks * size / taken / 1e9:.2f} GB/s"
    yield Row("verified loopback in memory, 2 threads", name, speed, ratio, "of 1 thread", goal)


def own_overhead(name: Kernels, rounds: int) -> Iterator[Row]:
    """What the endpoint adds to a round trip of 4 KiB, over a card that costs a copy.

    Of a loopback: the time of `Endpoint.loopback`, less that of submitting the same buffers to the driver and reaping
    them, by hand, with one deadline for all. What is left is buffers, locks, deadline, tickets and errors looked after.

    Of a check: the time of `Endpoint.check` for each block, less the driver's as above, less that of filling, filling
    with the complement and verifying as many blocks of new stretches, by hand. What is left is, beside the above,
    finding each block's stretch and joining its result to the others.

    Of small blocks: what the last row leaves out because it is the pattern's part, not the endpoint's: the time of
    making and verifying those blocks, each with a stretch of its own, less that of as many bytes in one piece.
    """
    out, into = np.zeros(BLOCK, np.uint8), np.zeros(BLOCK, np.uint8)
    path = MemoryPath()
    views = out.data, into.data
    with memory_card() as card, Deadline(60.0) as deadline:

        def driver() -> None:
            for ticket in range(BLOCKS):
                path.submit(ticket, *views)
                path.reap(deadline)

        def loopbacks() -> None:
            for _ in range(BLOCKS):
                card.loopback(out, into)

        yield _left_over("own overhead, loopback of 4 KiB", name, against(loopbacks, driver, rounds), 3.0)

        # No stretch twice, nor one of the check's: what was made before would be kept.
        turns = 2 * (rounds + 1)
        stretches = iter([PATTERN.for_sequence(10**6 + number) for number in range(turns * BLOCKS)])

        def bytes_by_block() -> None:
            for _ in range(BLOCKS):
                stretch = next(stretches)
                stretch.fill(out)
                stretch.fill_unlike(into)
                stretch.verify(out)

        def bytes_and_driver() -> None:
            driver()
            bytes_by_block()

        def check() -> None:
            if not card.check(PATTERN.name, BLOCKS * BLOCK, block=BLOCK).ok:
                raise AssertionError("the card in memory did not return what was sent")

        yield _left_over("own overhead, check of a 4 KiB block", name, against(check, bytes_and_driver, rounds), 3.0)

        whole = np.zeros(BLOCKS * BLOCK, np.uint8)

        def bytes_in_one() -> None:
            PATTERN.fill_unlike(whole)
            PATTERN.fill(whole)
            PATTERN.verify(whole)

        yield _left_over("a pattern in blocks of 4 KiB", name, against(bytes_by_block, bytes_in_one, rounds), None)


def _left_over(work: str, name: Kernels, measured: tuple[float, float], goal: float | None) -> Row:
    taken, ratio = measured
    own = taken * (1 - ratio) / BLOCKS * 1e6
    return Row(work, name, f"{own:.1f} µs", own, "µs", goal, at_most=True)


def on_a_card() -> Row:
    """What this computer cannot show."""
    return Row("verified loopback, 32 GT/s x16", "numba", "needs a card", float("nan"), "of raw copy", 0.9)
