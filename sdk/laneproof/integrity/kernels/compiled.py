"""Compiled kernels for the long pseudo-random sequences, by numba. They hold no GIL and take bytes at any address.
Import this through `kernels` only.

Bytes obey the rule of the bits at lags of n and k times any power of two; here that is 64, a cache line, so that
n lines are a small part of the first-level cache and k lines are more than a vector.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.kernels.compiling import kernel
from laneproof.integrity.kernels.vectors import (
    VECTOR,
    any_bit,
    both,
    either,
    in_order,
    load,
    ones,
    plus,
    repeated,
    store,
    store_past_caches,
    total,
    xor,
)

_UNIT = 64

# Clean data are checked by the tile, and where one is damaged it is made again. While the damage goes on, each piece
# made is twice as long as the one before, up to the greatest.
_TILE_BYTES = 1 << 11
_LONG_TILE_BYTES = 1 << 13

# Differences are looked for in that many bytes at a time, and counted where there are some.
_GROUP_BYTES = 1 << 9

# What is longer leaves the caches before anyone reads it, so it is written past them.
_STREAMED_BYTES = 1 << 25

Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]


@kernel("none", "bytes out", "int64", "int64", "bytes", "int64", "bytes", "int64", "int64")
def _continue(out: Bytes, start: int, stop: int, farther: Bytes, far: int, nearer: Bytes, near: int, flip: int) -> None:
    """out[start:stop] from the bytes `far` and `near` places before, looked for in arrays of their own."""
    flips = repeated(flip)
    place = start
    while place + VECTOR <= stop:
        store(out, place, xor(xor(load(farther, place - far), load(nearer, place - near)), flips))
        place += VECTOR
    while place < stop:
        out[place] = farther[place - far] ^ nearer[place - near] ^ np.uint8(flip & 255)
        place += 1


@kernel("none", "bytes out", "bytes", "int64", "int64", "int64")
def _copy(out: Bytes, source: Bytes, start: int, nbytes: int, flip: int) -> None:
    """out[:nbytes], a multiple of VECTOR, from source[start:], which may be `out`, complemented or not."""
    flips = repeated(flip)
    for place in range(0, nbytes, VECTOR):
        store(out, place, xor(load(source, start + place), flips))


@kernel("none", "bytes out", "int64", "bytes out", "int64", "int64", "int64")
def _stream_tile(out: Bytes, start: int, scratch: Bytes, far: int, near: int, flip: int) -> None:
    """Write a long tile past the caches, from what is at the beginning of `scratch` on; which moves on by it."""
    flips = repeated(flip)
    for place in range(0, _LONG_TILE_BYTES, VECTOR):
        made = xor(xor(load(scratch, place), load(scratch, place + far - near)), flips)
        store(scratch, place + far, made)
        store_past_caches(out, start + place, made)
    _copy(scratch, scratch, _LONG_TILE_BYTES, far, 0)


@kernel("int64", "bytes out", "int64", "int64", "int64", "int64")
def _stream(out: Bytes, start: int, far: int, near: int, flip: int) -> int:
    """Write on past the caches, from a vector's boundary on; returns where less than a tile is left."""
    scratch = np.empty(far + _LONG_TILE_BYTES, np.uint8)
    _copy(scratch, out, start - far, far, 0)
    while start + _LONG_TILE_BYTES <= out.size:
        _stream_tile(out, start, scratch, far, near, flip)
        start += _LONG_TILE_BYTES
    in_order()
    return start


@kernel("none", "bytes out", "bytes", "int64", "int64", "int64")
def fill(out: Bytes, before: Bytes, n: int, k: int, flip: int) -> None:
    """Write what follows `before`, which is n × 64 bytes that obey the rule; or its complement, where `flip` is -1
    instead of 0."""
    far, near = n * _UNIT, k * _UNIT
    _continue(out, 0, min(near, out.size), before, 0, before, near - far, flip)
    # The complement of what is complemented already.
    _continue(out, near, min(far, out.size), before, 0, out, near, 0)
    place = far
    if out.size >= _STREAMED_BYTES:
        place += -(out.ctypes.data + far) % VECTOR
        _continue(out, far, place, out, far, out, near, flip)
        place = _stream(out, place, far, near, flip)
    _continue(out, place, out.size, out, far, out, near, flip)


@kernel("boolean", "bytes", "int64", "int64", "int64", "int64", "int64")
def _obeys(data: Bytes, start: int, stop: int, far: int, near: int, flip: int) -> bool:
    """Whether data[start:stop] follow from what is before them."""
    flips = repeated(flip)
    breaks = repeated(0)
    place = start
    while place + VECTOR <= stop:
        earlier = xor(load(data, place - far), load(data, place - near))
        breaks = either(breaks, xor(xor(load(data, place), earlier), flips))
        place += VECTOR
    rest = np.uint8(0)
    while place < stop:
        rest |= data[place] ^ data[place - far] ^ data[place - near] ^ np.uint8(flip & 255)
        place += 1
    return not any_bit(breaks) and rest == 0


@kernel("counts", "bytes out", "bytes", "int64", "int64", "int64")
def _continue_and_compare(made: Bytes, received: Bytes, far: int, near: int, flip: int) -> tuple[int, int, int]:
    """Make made[far : far + received.size] from the `far` bytes before; how many bytes and bits of `received` differ
    from them, and behind which place none does."""
    low = repeated(0x7F7F7F7F7F7F7F7F)
    wrong_bytes, wrong_bits = repeated(0), repeated(0)
    more_bytes, more_bits, wrong_until = 0, 0, 0
    flips = repeated(flip)
    start = 0
    while start + _GROUP_BYTES <= received.size:
        stop = start + _GROUP_BYTES
        wrong = repeated(0)
        for place in range(start, stop, VECTOR):
            expected = xor(xor(load(made, place), load(made, place + far - near)), flips)
            store(made, place + far, expected)
            wrong = either(wrong, xor(expected, load(received, place)))
        if any_bit(wrong):
            wrong_until = stop
            for place in range(start, stop, VECTOR):
                wrong = xor(load(made, place + far), load(received, place))
                wrong_bits = plus(wrong_bits, ones(wrong))
                # Of each byte all but the top bit, which is 1 where the byte is not 0.
                zeros = either(either(plus(both(wrong, low), low), wrong), low)
                wrong_bytes = plus(wrong_bytes, ones(xor(zeros, low)))
        start = stop
    _continue(made, far + start, far + received.size, made, far, made, near, flip)
    for place in range(start, received.size):
        left = made[place + far] ^ received[place]
        if left:
            wrong_until = place + 1
            more_bytes += 1
        while left:
            more_bits += 1
            left &= left - np.uint8(1)
    return total(wrong_bytes) + more_bytes, total(wrong_bits) + more_bits, wrong_until


@kernel("int64", "bytes", "bytes", "int64", "int64", "places out")
def _add_runs(received: Bytes, expected: Bytes, at: int, found: int, runs: Places) -> int:
    """Append the runs of wrong bytes, `at` being the first one's position; returns how many there are now.

    Ends early where `runs` is full: the last one entered may then go on.
    """
    for line in range(0, received.size, VECTOR):
        stop = min(line + VECTOR, received.size)
        if stop - line == VECTOR and not any_bit(xor(load(received, line), load(expected, line))):
            continue
        for place in range(line, stop):
            if received[place] != expected[place]:
                if found and runs[2 * found - 1] == at + place:
                    runs[2 * found - 1] += 1
                elif 2 * found == runs.size:
                    return found
                else:
                    runs[2 * found], runs[2 * found + 1] = at + place, at + place + 1
                    found += 1
    return found


@kernel("counts", "bytes", "bytes", "int64", "int64", "int64", "places out")
def verify(received: Bytes, before: Bytes, n: int, k: int, flip: int, runs: Places) -> tuple[int, int, int]:
    """Compare with what follows `before`; arguments as of `fill`.

    Returns how many bytes are wrong, how many bits, and how many runs of wrong bytes were entered into `runs`, each as
    its start and its stop. Runs beyond what fits are not entered, and the last that fits may go on.

    Where the n × 64 bytes before are right, bytes that obey the rule are right, by induction, so clean data are read
    once and nothing is made. Where they break it, and until as many bytes in a row are right again, the sequence is
    made and compared.
    """
    far, near = n * _UNIT, k * _UNIT
    scratch = np.empty(far + _LONG_TILE_BYTES, np.uint8)
    _copy(scratch, before, 0, far, flip)
    wrong_bytes, wrong_bits, found = 0, 0, 0
    at, wrong_until = 0, 0
    # Tiles begin where vectors are aligned, but for the first.
    size = _TILE_BYTES - received.ctypes.data % VECTOR
    while at < received.size:
        # What is before `at` should be what is at the beginning of `scratch`; and it is, for as long as data are right.
        right_before = at - wrong_until >= far
        if right_before:
            stop = min(at + _TILE_BYTES, received.size)
            if _obeys(received, at, stop, far, near, flip):
                at = stop
                continue
            _copy(scratch, received, at - far, far, 0)
            size = _TILE_BYTES
        got = received[at : min(at + size, received.size)]
        more_bytes, more_bits, until = _continue_and_compare(scratch, got, far, near, flip)
        if more_bytes:
            wrong_bytes += more_bytes
            wrong_bits += more_bits
            wrong_until = at + until
            if 2 * found < runs.size:
                found = _add_runs(got, scratch[far : far + got.size], at, found, runs)
        at += got.size
        if at - wrong_until < far:
            _copy(scratch, scratch, got.size, far, 0)
            size = min(2 * max(size, _TILE_BYTES), _LONG_TILE_BYTES) if more_bytes else _TILE_BYTES
    return wrong_bytes, wrong_bits, found


@kernel("int64", "bytes out", "bytes", "bytes", "int64", "int64", "int64")
def verify_and_overwrite(data: Bytes, before: Bytes, other: Bytes, n: int, k: int, flip: int) -> int:
    """Compare with what follows `before`, and overwrite what is right with the complement of what follows `other`.

    Returns how many bytes were right, from the first on; all behind them are as they were. `data` begins where vectors
    are aligned. A tile is overwritten once the next one, which follows from it, has been compared.
    """
    far, near = n * _UNIT, k * _UNIT
    scratch = np.empty(far + _LONG_TILE_BYTES, np.uint8)
    if data.size < _LONG_TILE_BYTES:
        return 0
    _copy(scratch, before, 0, far, flip)
    if _continue_and_compare(scratch, data[:_LONG_TILE_BYTES], far, near, flip)[0]:
        return 0
    _copy(scratch, other, 0, far, ~flip)
    at = _LONG_TILE_BYTES
    while at + _LONG_TILE_BYTES <= data.size and _obeys(data, at, at + _LONG_TILE_BYTES, far, near, flip):
        _stream_tile(data, at - _LONG_TILE_BYTES, scratch, far, near, ~flip)
        at += _LONG_TILE_BYTES
    _stream_tile(data, at - _LONG_TILE_BYTES, scratch, far, near, ~flip)
    in_order()
    return at


def check() -> None:
    """Try the kernels on a little data; raises RuntimeError if they are wrong. What is kept on disk can be stale."""
    n, k = 31, 28
    far, near, nbytes = n * _UNIT, k * _UNIT, 5 * _LONG_TILE_BYTES + 1
    before = np.random.default_rng(0).integers(0, 256, far, np.uint8)
    for flip in (0, -1):
        mask = np.uint8(flip & 255)
        made, runs = np.empty(nbytes, np.uint8), np.zeros(8, np.int64)
        fill(made, before, n, k, flip)
        whole = np.concatenate((before ^ mask, made))
        right = np.array_equal(made, whole[:-far] ^ whole[far - near : -near] ^ mask)
        streamed = made.copy()
        start = far + -(streamed.ctypes.data + far) % VECTOR
        streamed[start:] = 0
        stop = _stream(streamed, start, far, near, flip)
        right = right and stop > nbytes // 2 and np.array_equal(streamed[:stop], made[:stop])
        clean = verify(made, before, n, k, flip, runs)
        made[24_001:24_003] ^= np.uint8(0x81)
        found = verify(made, before, n, k, flip, runs)
        if not right or clean != (0, 0, 0) or found != (2, 4, 1) or runs[:2].tolist() != [24_001, 24_003]:
            raise RuntimeError("its kernels fail their check; delete numba's cache")
