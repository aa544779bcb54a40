"""The compiled kernel that finds what is displaced in received data that hold nothing else wrong: whole blocks at each
other's places, a buffer's data from elsewhere. `dissection` finds the same, and all else, by more passes over the data.
Import this through `kernels` only.

A run is 64-bit words in a row that are wrong, obey the sequence's rule, and go on from one another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.kernels.compiling import kernel
from laneproof.integrity.kernels.places import breaks, breaks_between, finished, following, place_of
from laneproof.integrity.kernels.vectors import (
    VECTOR,
    any_bit,
    differing,
    either,
    load,
    load_word,
    repeated,
    store,
    xor,
)

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]
Table = NDArray[np.uint32]
Places = NDArray[np.int64]

_UNIT = 64
_GROUP_BYTES = 128
# More runs than these in a chunk, or as many words in a row that are wrong and of none, and it holds something else.
_MOST_RUNS = 4096
_MOST_STRANGE = 16
# How far in the data a state that the table has is looked for; one comes every 512 bytes of PRBS31.
_LOOKED_THROUGH = 8192


@kernel("none", "bytes out", "int64", "int64", "int64", "int64")
def _make(made: Bytes, far: int, near: int, nbytes: int, flip: int) -> None:
    """Make so many bytes behind the `far` ones that `made` begins with, or up to a vector more."""
    flips = repeated(flip)
    for place in range(0, nbytes, VECTOR):
        store(made, place + far, xor(xor(load(made, place), load(made, place + far - near)), flips))


@kernel("int64", "bytes", "bytes", "int64", "int64", "int64")
def _unlike(data: Bytes, made: Bytes, offset: int, start: int, stop: int) -> int:
    """How many bytes of data[start:stop] are not those `offset` places further in `made`."""
    count = 0
    place = start
    while place + VECTOR <= stop:
        count += differing(load(data, place), load(made, place + offset))
        place += VECTOR
    while place < stop:
        count += data[place] != made[place + offset]
        place += 1
    return count


@kernel("boolean", "bytes", "int64", "int64", "int64", "int64")
def _goes_on(data: Bytes, start: int, n: int, k: int, flip: int) -> bool:
    """Whether a group goes on from the bytes before: bytes obey the rule of the bits, at lags of n and k."""
    flips = repeated(flip)
    broken = repeated(0)
    for place in range(start, start + _GROUP_BYTES, VECTOR):
        broken = either(broken, xor(xor(load(data, place), flips), xor(load(data, place - n), load(data, place - k))))
    return not any_bit(broken)


@kernel("boolean", "bytes", "bytes", "int64", "int64")
def _is_right(data: Bytes, made: Bytes, offset: int, start: int) -> bool:
    wrong = repeated(0)
    for place in range(start, start + _GROUP_BYTES, VECTOR):
        wrong = either(wrong, xor(load(data, place), load(made, place + offset)))
    return not any_bit(wrong)


@kernel("int64", "bytes", "bytes", "int64", "int64", "int64", "int64", "places out", "places out")
def _scan(data: Bytes, made: Bytes, offset: int, n: int, k: int, flip: int, first: Places, last: Places) -> int:
    """Enter the first and the last word of each run; returns how many, or -1 where there is something else."""
    lag_n, lag_k, flips = np.uint64(n), np.uint64(k), np.uint64(flip)
    found, inside, before, at, strange = 0, False, np.uint64(0), 0, 0
    size = data.size // 8 * 8
    while at < size:
        if at + _GROUP_BYTES <= size and (
            # What goes on from a wrong word is wrong in every word: the difference obeys the rule, too.
            (at - 8 * first[found - 1] >= n and _goes_on(data, at, n, k, flip))
            if inside
            else _is_right(data, made, offset, at)
        ):
            at += _GROUP_BYTES
            before, strange = load_word(data, at - 8) ^ flips, 0
            continue
        for place in range(at, min(at + _GROUP_BYTES, size), 8):
            word = load_word(data, place) ^ flips
            wrong = word != load_word(made, place + offset) ^ flips
            own = (
                wrong and breaks(word, lag_n, lag_k) == np.uint64(0) and word >> (np.uint64(64) - lag_n) != np.uint64(0)
            )
            if inside and not (own and breaks_between(before, word, lag_n, lag_k) == np.uint64(0)):
                last[found - 1] = place // 8 - 1
                inside = False
            if own and not inside:
                if found == _MOST_RUNS:
                    return -1
                first[found] = place // 8
                found += 1
                inside = True
            strange = strange + 1 if wrong and not own else 0
            if strange > _MOST_STRANGE:
                return -1
            before = word
        at += _GROUP_BYTES
    if inside:
        last[found - 1] = size // 8 - 1
    return found


@kernel("none", "bytes", "uint64", "uint64", "uint64", "table", "uint64", "int64", "places", "places", "places out")
def _look_up(
    data: Bytes, flip: np.uint64, n: np.uint64, k: np.uint64, table: Table, bits: np.uint64, count: int,
    first: Places, last: Places, found: Places,
) -> None:  # fmt: skip
    """Enter the places of the runs' first words. Most runs hold a state that is in the table: none has to be made."""
    period = (np.int64(1) << np.int64(n)) - 1
    down, leading = np.uint64(64) - n, ~(~np.uint64(0) >> (n - bits))
    low, high = np.uint64(0x0101010101010101), np.uint64(0x8080808080808080)
    met = np.empty(count, np.int64)
    for index in range(count):
        begin = 8 * first[index]
        met[index] = -1
        end = min(8 * last[index], begin + _LOOKED_THROUGH)
        at = begin
        while at <= end and met[index] < 0:
            word = load_word(data, at) ^ flip
            if (word - low) & ~word & high != np.uint64(0):
                for place in range(at, min(at + 8, end + 1)):
                    word = load_word(data, place) ^ flip
                    if word & leading == np.uint64(0):
                        met[index] = np.int64(word >> down)
                        found[index] = begin - place
                        break
            at += 8
    # By themselves, so that the processor can wait for many of them at once.
    for index in range(count):
        if met[index] >= 0:
            found[index] = (found[index] + np.int64(table[met[index]])) % period
        else:
            found[index] = place_of(load_word(data, 8 * first[index]) ^ flip, n, k, table, bits)


@kernel(
    "two counts", "bytes", "bytes", "int64", "int64", "int64", "table", "uint64", "words", "int64", "int64", "int64",
    "int64", "int64", "places out", "places out", "places out", "places out",
)  # fmt: skip
def displaced(
    received: Bytes,
    before: Bytes,
    n: int,
    k: int,
    flip: int,
    table: Table,
    bits: np.uint64,
    around: Words,
    gap: int,
    chunk_bytes: int,
    limit: int,
    alignment: int,
    going_on: int,
    starts: Places,
    stops: Places,
    alignments: Places,
    wrong: Places,
) -> tuple[int, int]:
    """Enter ranges of displaced bytes, chunk by chunk, and stop before one that holds anything else, or behind
    `limit` ranges, or where there is no room for those of another chunk.

    Returns how many bytes were looked at and how many ranges entered; alignments are places less starts.
    `before` is what is expected before the first byte, n × 64 bytes; `flip` is -1 where the pattern is complemented.
    `alignment` is that of a range that ends where the data begin, -1 for none, and `going_on` the next 8 bytes of it.
    """
    period = (np.int64(1) << np.int64(n)) - 1
    lag_n, lag_k, flips = np.uint64(n), np.uint64(k), np.uint64(flip)
    far, near = n * _UNIT, k * _UNIT
    made = np.empty(far + chunk_bytes + VECTOR, np.uint8)
    made[:far] = before
    first, last, places = np.empty(_MOST_RUNS, np.int64), np.empty(_MOST_RUNS, np.int64), np.empty(_MOST_RUNS, np.int64)
    done, entered = 0, 0
    while done < received.size and entered < limit and entered + _MOST_RUNS < starts.size:
        data = received[done : done + chunk_bytes]
        _make(made, far, near, data.size, flip)
        count = _scan(data, made, far, n, k, flip, first, last)
        if count < 0:
            break
        _look_up(data, flips, lag_n, lag_k, table, bits, count, first, last, places)
        ends_inside = count > 0 and 8 * last[count - 1] + 8 == data.size
        count = finished(data, flips, lag_n, around, gap, count, first, last, places)
        own, ended = entered, 0
        if alignment >= 0:
            here = (alignment + done) % period
            goes_on = count > 0 and (places[0] - first[0]) % period == here
            if goes_on and last[0] < _GROUP_BYTES:
                break
            while not goes_on and ended < min(8, data.size):
                if np.uint64(data[ended]) != (np.uint64(going_on) >> np.uint64(8 * ended)) & np.uint64(255):
                    break
                ended += 1
            if ended == 8 or ended == data.size:
                break
            start, stop = 0, ended
            while start < stop and data[start] == made[start + far]:
                start += 1
            while start < stop and data[stop - 1] == made[stop - 1 + far]:
                stop -= 1
            if start < stop:
                starts[own], stops[own], alignments[own] = start, stop, here
                own += 1
        for index in range(count):
            start, stop = max(first[index], ended), last[index]
            while start < stop and data[start] == made[start + far]:
                start += 1
            while start < stop and data[stop - 1] == made[stop - 1 + far]:
                stop -= 1
            if start == stop:
                continue
            own_alignment = (places[index] - first[index]) % period
            if own > entered and alignments[own - 1] == own_alignment and start - stops[own - 1] <= gap:
                stops[own - 1] = max(stop, stops[own - 1])
            else:
                starts[own], stops[own], alignments[own] = start, stop, own_alignment
                own += 1
        right = 0
        all_found = True
        for index in range(entered, own):
            all_found = all_found and _unlike(data, made, far, right, starts[index]) == 0
            wrong[index] = _unlike(data, made, far, starts[index], stops[index])
            right = stops[index]
        if not (all_found and _unlike(data, made, far, right, data.size) == 0):
            break
        alignment = -1
        at_end = own > entered and stops[own - 1] >= data.size - gap
        for index in range(entered, own):
            starts[index] += done
            stops[index] += done
            alignments[index] = (alignments[index] - done) % period
        entered = own
        done += data.size
        for place in range(far):
            made[place] = made[place + data.size]
        if at_end:
            if not ends_inside:
                break
            alignment = alignments[own - 1]
            going_on = int(np.int64(following(around, load_word(data, data.size - 8) ^ flips, lag_n) ^ flips))
    return done, entered


def check() -> None:
    """Try the kernel on a little data; raises RuntimeError if it is wrong. What is kept on disk can be stale."""
    state, sequence, table = 127, np.empty(127, np.uint8), np.zeros(128, np.uint32)
    for place in range(127):
        table[state] = place
        byte = 0
        for _ in range(8):
            byte = byte << 1 | state >> 6
            state = (state << 1 | (state >> 6 ^ state >> 5) & 1) & 127
        sequence[place] = byte
    sequence = np.tile(sequence, 9)
    around = np.zeros((256, 40), np.uint8)
    for state in range(1, 128):
        place = int(table[state]) + 127 - 16
        around[state] = sequence[place : place + 40]
    received, rows = sequence[448:960].copy(), np.zeros((4, _MOST_RUNS + 2), np.int64)
    received[256:384] = sequence[300:428]
    found = displaced(
        received, sequence[:448].copy(), 7, 6, 0, table, np.uint64(7), around.view(np.uint64).reshape(-1), 64, 512, 1,
        -1, 0, rows[0], rows[1], rows[2], rows[3],
    )  # fmt: skip
    start, stop = int(rows[0, 0]), int(rows[1, 0])
    right = found == (512, 1) and abs(start - 256) <= 1 and abs(stop - 384) <= 1 and rows[2, 0] == (300 - 256) % 127
    if not right or rows[3, 0] != np.count_nonzero(received != sequence[448:960]):
        raise RuntimeError("its kernels fail their check; delete numba's cache")
