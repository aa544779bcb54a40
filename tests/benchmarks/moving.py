"""Rows on whole ways out and back: through memory in one thread and two, and what one call costs beyond its bytes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
from yardsticks import PATTERN, Bytes, Kernels, Row, Work, against, in_turns

from laneproof.clock import Deadline
from laneproof.contract import Card, Channel, Completion, Limits, Path, QueuedPath, StreamPath
from laneproof.endpoint import Endpoint

CHUNK = 4 << 20
"""Calls on less end before the other thread has woken up to the lock that they gave free: two threads are then slower
than one. Halves of a smaller buffer are taken as they are."""
BLOCK = 4096
FIFO = 1 << 16
BLOCKS = 256
AT_A_TIME = 16
"""Round trips in one measurement: few, so that hardly any of them is held up by what else the computer does."""
TURNS = 500
"""So many measurements for each round of the other rows, which take a thousand times as long."""


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


class MemoryStream(StreamPath):
    """A FIFO that costs two copies: it takes what fits, gives what it holds, and waits for nothing."""

    def __init__(self) -> None:
        self._memory = memoryview(bytearray(FIFO))
        self._first = self._end = 0

    def send(self, view: memoryview, deadline: Deadline) -> int:
        start = self._end
        moved = min(len(view), FIFO - start)
        self._end = start + moved
        self._memory[start : self._end] = view[:moved]
        return moved

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        start = self._first
        moved = min(len(view), self._end - start)
        self._first = start + moved
        view[:moved] = self._memory[start : self._first]
        if self._first == self._end:
            self._first = self._end = 0
        return moved


def memory_card(path: Path | None = None) -> Endpoint:
    """An endpoint on a card that is all memory: that path, or a `MemoryPath`."""
    limits = Limits(max_transfer=CHUNK, boundary="stream", fifo_depth=FIFO)
    channel = Channel(name="only", path=path or MemoryPath(), limits=limits)
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


def _through_queue(
    path: MemoryPath, out: memoryview, into: memoryview, deadline: Deadline, times: int = AT_A_TIME
) -> None:
    for ticket in range(times):
        path.submit(ticket, out, into)
        path.reap(deadline)


def _through_stream(path: MemoryStream, out: memoryview, into: memoryview, deadline: Deadline) -> None:
    for _ in range(AT_A_TIME):
        path.send(out, deadline)
        path.receive_into(into, deadline)


def _through_endpoint(card: Endpoint, data: Any, buffer: Any) -> None:
    for _ in range(AT_A_TIME):
        card.loopback(data, buffer)


def _copied(out: memoryview, into: memoryview) -> None:
    for _ in range(AT_A_TIME):
        into[:] = out


PATHS: dict[str, tuple[Callable[[], Path], Callable[..., None]]] = {
    "queue": (MemoryPath, _through_queue),
    "stream": (MemoryStream, _through_stream),
}
BUFFERS: dict[str, Callable[[Endpoint], tuple[Any, Any]]] = {
    "bytes": lambda card: (bytes(BLOCK), bytearray(BLOCK)),
    "Regions": lambda card: (card.allocate(BLOCK).view, card.allocate(BLOCK).view),
    "arrays": lambda card: (np.zeros(BLOCK, np.uint8), np.zeros(BLOCK, np.uint8)),
}


def loopback_overhead(rounds: int) -> Iterator[Row]:
    """What `Endpoint.loopback` of 4 KiB takes beyond the driver's own calls, with every check that it makes.

    Beyond: `submit` and `reap` of the same memory over a queue, `send` and `receive_into` over a stream, by hand and
    with one deadline for all; by turns. The checks are those on buffers (bytes in one row, writable,
    granularity, alignment, no overlap), on the call (another one under way, closed, out of step, a finite timeout, its
    deadline, `interrupt`) and on what the driver says (tickets that are out, counts that can be, all that was asked).

    The figure is the median over the turns; beside it the quartiles, and how often 4 KiB are copied meanwhile.
    """
    for over, (make, by_hand) in PATHS.items():
        for kind, buffers in BUFFERS.items():
            with memory_card(make()) as card, Deadline(600.0) as deadline:
                data, buffer = buffers(card)
                out, into = memoryview(data), memoryview(buffer)
                works: tuple[Work, ...] = (
                    partial(_through_endpoint, card, data, buffer),
                    partial(by_hand, make(), out, into, deadline),
                    partial(_copied, out, into),
                )
                whole, driver, copying = in_turns(works, TURNS * rounds) / AT_A_TIME * 1e6
            low, own, high = np.percentile(whole - driver, (25, 50, 75))
            work, spread = f"loopback of 4 KiB, {over}, {kind}", f"{low:.2f}-{high:.2f} µs"
            to = f"µs, {np.median((whole - driver) / copying):.0f} copies"
            yield Row(work, "any", spread, float(own), to, 3.0, at_most=True)


def own_overhead(name: Kernels, rounds: int) -> Iterator[Row]:
    """What the endpoint adds to a block of 4 KiB in a check, over a card that costs a copy.

    Of a check: the time of `Endpoint.check` for each block, less the driver's by hand, as above, less that of filling,
    filling with the complement and verifying as many blocks of new stretches, by hand. What is left is, beside tickets
    and errors looked after, finding each block's stretch and joining its result to the others.

    Of small blocks: what the last row leaves out because it is the pattern's part, not the endpoint's: the time of
    making and verifying those blocks, each with a stretch of its own, less that of as many bytes in one piece.
    """
    out, into = np.zeros(BLOCK, np.uint8), np.zeros(BLOCK, np.uint8)
    path = MemoryPath()
    views = out.data, into.data
    with memory_card() as card, Deadline(60.0) as deadline:
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
            _through_queue(path, *views, deadline, BLOCKS)
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
