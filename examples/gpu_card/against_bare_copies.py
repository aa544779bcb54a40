"""How near a verified loopback comes to bare copies over the same page-locked buffers, depth and directions.

    python against_bare_copies.py gpu:0 [GIB]

Both are timed from wall to wall, in turns. A bare copy is what the path does with nothing around it: up, then down.
"""

from __future__ import annotations

import sys
import time
from collections import deque

import numpy as np
from gpu_card import library as gpu
from gpu_card.path import CopyEnginePath

import laneproof

BLOCK = 64 << 20
ROUNDS = 5


def bare_copies(path: CopyEnginePath, lanes: list[tuple[int, int]], blocks: int) -> float:
    """Seconds for `blocks` blocks out and back, as many under way as there are lanes; addresses of out and into."""
    library: gpu.Library = path._library
    path._enter()
    up, down = library.stream(), library.stream()
    slots = [
        (out, into, slot.memory, library.event(), library.event())
        for (out, into), slot in zip(lanes, path._all, strict=False)
    ]
    waiting: deque[tuple] = deque()
    free = deque(slots)
    started_s = time.perf_counter()
    for _ in range(blocks):
        if not free:
            slot = waiting.popleft()
            while not library.passed(slot[4]):
                pass
            free.append(slot)
        out, into, memory, arrived, done = slot = free.popleft()
        library.to_card(memory, out, BLOCK, up)
        library.record(arrived, up)
        library.follow(down, arrived)
        library.from_card(into, memory, BLOCK, down)
        library.record(done, down)
        waiting.append(slot)
    while waiting:
        while not library.passed(waiting[0][4]):
            pass
        waiting.popleft()
    seconds = time.perf_counter() - started_s
    for stream in (up, down):
        library.end_stream(stream)
    return seconds


def main(uri: str, gib: int) -> None:
    blocks = gib * (1 << 30) // BLOCK
    with laneproof.open(uri, acknowledge_cautions=True) as card:
        path = card._card.channels[0].path
        first = card.check("prbs31", BLOCK * 64, block=BLOCK)  # compiles, and makes the buffers
        lanes = [
            (np.frombuffer(lane.out, np.uint8).ctypes.data, np.frombuffer(lane.into, np.uint8).ctypes.data)
            for lane in card.channels[0]._mover._lanes
        ]
        print(f"{card.identity.model}, depth {len(lanes)}, kernels {first.kernels}, {gib} GiB a round")
        shares = []
        for _ in range(ROUNDS):
            bare_s = bare_copies(path, lanes, blocks)
            started_s = time.perf_counter()
            result = card.check("prbs31", blocks * BLOCK, block=BLOCK)
            check_s = time.perf_counter() - started_s
            assert result.ok, result
            shares.append(bare_s / check_s)
            rate = blocks * BLOCK / 1e9
            print(f"bare {rate / bare_s:6.2f} GB/s   verified {rate / check_s:6.2f} GB/s   share {shares[-1]:.3f}")
        print(f"median share {sorted(shares)[ROUNDS // 2]:.3f}")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 32)
