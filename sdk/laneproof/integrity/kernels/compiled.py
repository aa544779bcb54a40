"""Compiled kernels for the long pseudo-random sequences, by numba. They hold no GIL, allocate nothing, and work on
whole words of 64 bits; `prbs` and `verification` bring them aligned ones. Import this through `kernels` only.

Words obey the rule of the bits at lags of n and k times any power of two; here that is 8, a cache line, so that
n × 8 words are a small part of the first-level cache and n - k lines are enough to fill a vector.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

UNIT_WORDS = 8
"""The rule holds for words n and k times this apart. Sequences go on from n times as many words."""

# Where data are damaged a tile is made again: a short one where they were right so far, so that little is made for one
# wrong byte; a longer one where most are wrong.
_TILE_WORDS = 512
_LONG_TILE_WORDS = 1024

Words = NDArray[np.uint64]
Places = NDArray[np.int64]
_Function = TypeVar("_Function", bound=Callable[..., Any])
_numba: Any = importlib.import_module("numba")
_extending: Any = importlib.import_module("numba.extending")
_dispatchers: list[Any] = []


def was_compiled() -> bool:
    """Whether anything had to be compiled, rather than loaded from the cache on disk."""
    return any(dispatcher.stats.cache_misses for dispatcher in _dispatchers)


def _compiled(result: str, *arguments: str) -> Callable[[_Function], _Function]:
    signature = f"{result}({', '.join(arguments)})"

    def compile_it(function: _Function) -> _Function:
        kinds = {
            "received": _numba.types.Array(_numba.uint64, 1, "C", readonly=True),
            "words": _numba.uint64[::1],
            "places": _numba.int64[::1],
            "int64": _numba.int64,
            "boolean": _numba.boolean,
            "uint64": _numba.uint64,
            "none": _numba.void,
            "pair": _numba.types.UniTuple(_numba.int64, 2),
            "counts": _numba.types.UniTuple(_numba.int64, 3),
        }
        types = kinds[result](*(kinds[argument] for argument in arguments))
        try:
            dispatcher = _numba.njit(types, nogil=True, cache=True)(function)
        except RuntimeError:  # nowhere to keep it: neither beside this file nor in the user's own cache
            dispatcher = _numba.njit(types, nogil=True)(function)
        dispatcher.__doc__ = function.__doc__ or signature
        _dispatchers.append(dispatcher)
        return dispatcher

    return compile_it


@_extending.intrinsic
def _ones(_context: Any, _word: Any) -> Any:
    """How many bits of a word are 1, by the processor's own instruction where it has one."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.ctpop(arguments[0])

    return _numba.uint64(_numba.uint64), generate


@_compiled("none", "words", "int64", "int64", "int64", "int64", "uint64")
def _continue(words: Words, start: int, stop: int, far: int, near: int, flip: np.uint64) -> None:
    """words[start:stop] from the `far` words before."""
    while start < stop:
        # No further than the nearer lag at a time: the three stretches are then apart, and vectors can be used.
        size = min(near, stop - start)
        into = words[start : start + size]
        one = words[start - far : start - far + size]
        two = words[start - near : start - near + size]
        for place in range(size):
            into[place] = one[place] ^ two[place] ^ flip
        start += size


@_compiled("none", "words", "received", "int64", "int64", "uint64")
def fill(words: Words, before: Words, n: int, k: int, flip: np.uint64) -> None:
    """Write what follows `before`, which is n × UNIT_WORDS words. `flip` is all ones where the sequence is the
    complement of what obeys the rule, else 0."""
    far, near = n * UNIT_WORDS, k * UNIT_WORDS
    known = min(far, words.size)
    for place in range(known):
        nearer = before[place + far - near] if place < near else words[place - near]
        words[place] = before[place] ^ nearer ^ flip
    _continue(words, known, words.size, far, near, flip)


@_compiled("uint64", "received", "int64", "int64", "int64", "int64", "uint64")
def _breaks(words: Words, start: int, stop: int, far: int, near: int, flip: np.uint64) -> np.uint64:
    """Which bits of words[start:stop] break the rule, put together; 0 where all obey it."""
    size = stop - start
    here = words[start:stop]
    one = words[start - far : start - far + size]
    two = words[start - near : start - near + size]
    bits = np.uint64(0)
    for place in range(size):
        bits |= here[place] ^ one[place] ^ two[place] ^ flip
    return bits


@_compiled("pair", "words", "int64", "int64", "int64", "uint64", "received")
def _continue_and_compare(
    words: Words, stop: int, far: int, near: int, flip: np.uint64, received: Words
) -> tuple[int, int]:
    """words[far:stop] from the `far` words before; how many bytes and bits of `received` differ from them."""
    low = np.uint64(0x7F7F7F7F7F7F7F7F)
    wrong_bytes, wrong_bits = np.uint64(0), np.uint64(0)
    start = far
    while start < stop:
        size = min(near, stop - start)
        into = words[start : start + size]
        one = words[start - far : start - far + size]
        two = words[start - near : start - near + size]
        got = received[start - far : start - far + size]
        for place in range(size):
            made = one[place] ^ two[place] ^ flip
            into[place] = made
            wrong = made ^ got[place]
            wrong_bits += _ones(wrong)
            # The top bit of each byte that is not 0.
            wrong_bytes += _ones((((wrong & low) + low) | wrong) & ~low)
        start += size
    return int(wrong_bytes), int(wrong_bits)


@_compiled("boolean", "received", "received")
def _same(one: Words, two: Words) -> bool:
    different = np.uint64(0)
    for place in range(one.size):
        different |= one[place] ^ two[place]
    return different == np.uint64(0)


@_compiled("int64", "received", "received", "int64", "int64", "places", "places")
def _add_runs(received: Words, expected: Words, at: int, found: int, starts: Places, stops: Places) -> int:
    """Append the runs of wrong bytes, `at` being the first one's position; returns how many there are now.

    Ends early where `starts` is full: the last one entered may then go on.
    """
    for place in range(received.size):
        word = received[place] ^ expected[place]
        byte = at + 8 * place
        while word != np.uint64(0):
            if word & np.uint64(255):
                if found and stops[found - 1] == byte:
                    stops[found - 1] = byte + 1
                elif found == starts.size:
                    return found
                else:
                    starts[found] = byte
                    stops[found] = byte + 1
                    found += 1
            word >>= np.uint64(8)
            byte += 1
    return found


@_compiled("counts", "received", "received", "int64", "int64", "uint64", "words", "places", "places")
def verify(
    received: Words, before: Words, n: int, k: int, flip: np.uint64, scratch: Words, starts: Places, stops: Places
) -> tuple[int, int, int]:
    """Compare with what follows `before`; arguments as of `fill`, and `scratch` of `scratch_words(n)`.

    Returns how many bytes are wrong, how many bits, and how many runs of wrong bytes were entered into `starts` and
    `stops`. Runs beyond what fits are not entered, and the last that fits may go on.

    Where the n × UNIT_WORDS words before are right, words that obey the rule are right, by induction, so clean data are
    read once and nothing is made. Where they break it, and until as many words in a row are right again, the sequence
    is made and compared.
    """
    far, near = n * UNIT_WORDS, k * UNIT_WORDS
    wrong_bytes, wrong_bits, found, at = 0, 0, 0, 0
    # Whether the words before `at` are right; where they are not, what they should be stands in `scratch`.
    right_before = False
    for place in range(far):
        scratch[place] = before[place]
    while at < received.size:
        size = min(_TILE_WORDS if right_before else _LONG_TILE_WORDS, received.size - at)
        if right_before and _breaks(received, at, at + size, far, near, flip) == np.uint64(0):
            at += size
            continue
        if right_before:
            for place in range(far):
                scratch[place] = received[at - far + place]
        got = received[at : at + size]
        more_bytes, more_bits = _continue_and_compare(scratch, far + size, far, near, flip, got)
        wrong_bytes += more_bytes
        wrong_bits += more_bits
        if more_bytes and found < starts.size:
            found = _add_runs(got, scratch[far : far + size], 8 * at, found, starts, stops)
        right_before = size >= far and _same(got[size - far :], scratch[size : size + far])
        if not right_before:
            for place in range(far):
                scratch[place] = scratch[size + place]
        at += size
    return wrong_bytes, wrong_bits, found


def scratch_words(n: int) -> int:
    """The size of the `scratch` that `verify` needs."""
    return n * UNIT_WORDS + _LONG_TILE_WORDS


def check() -> None:
    """Try the kernels on a little data; raises RuntimeError if they are wrong. What is kept on disk can be stale."""
    n, k, flip, random = 31, 28, np.uint64(2**64 - 1), np.random.default_rng(0)
    far, near = n * UNIT_WORDS, k * UNIT_WORDS
    made, places = np.zeros(4 * _LONG_TILE_WORDS, np.uint64), np.zeros((2, 4), np.int64)
    before = random.integers(0, 2**64, far, np.uint64)
    fill(made, before, n, k, flip)
    whole = np.concatenate((before, made))
    right = np.array_equal(made, whole[:-far] ^ whole[far - near : -near] ^ flip)
    scratch = np.empty(scratch_words(n), np.uint64)
    clean = verify(made, before, n, k, flip, scratch, *places)
    wrong = made.copy()
    wrong[3000] ^= np.uint64(0x8100)
    found = verify(wrong, before, n, k, flip, scratch, *places)
    if not right or clean != (0, 0, 0) or found != (1, 2, 1) or places[:, 0].tolist() != [24001, 24002]:
        raise RuntimeError("its kernels fail their check; delete numba's cache")
