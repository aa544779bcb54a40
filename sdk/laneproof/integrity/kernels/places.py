"""Compiled kernels that find where in its period stretches of a long pseudo-random sequence stand. `recovery` does the
same in numpy, and says what a run is and how its place is found. Import this through `kernels` only.

A word is 64 bits of the sequence, the first one its most significant. Its state is its first n bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.kernels.compiling import kernel, swapped
from laneproof.integrity.kernels.vectors import load_word

Bytes = NDArray[np.uint8]
Word = np.uint64
Words = NDArray[np.uint64]
Table = NDArray[np.uint32]
Places = NDArray[np.int64]

# Words looked at together: few, so that where a run ends few are looked at one by one.
_GROUP = 16


@kernel("uint64", "uint64", "uint64", "uint64")
def _continued(state: Word, n: Word, k: Word) -> Word:
    """The word that starts with that state."""
    word = state << (np.uint64(64) - n)
    known = n
    while known < np.uint64(64):
        kept = ~(~np.uint64(0) >> known)
        word = (word & kept) | (((word >> n) ^ (word >> k)) & ~kept)
        known += k
    return word


@kernel("int64", "uint64", "uint64", "uint64", "table", "uint64")
def place_of(word: Word, n: Word, k: Word, table: Table, bits: Word) -> np.int64:
    """Where that word of the sequence stands in the period; `table` has the places of states below 2^bits."""
    down = np.uint64(64) - n
    if bits == n:
        return np.int64(table[word >> down])
    period = (np.int64(1) << np.int64(n)) - 1
    leading = ~(~np.uint64(0) >> (n - bits))
    gone = np.int64(0)
    while True:
        for byte in range(4):
            shifted = word << np.uint64(8 * byte)
            if shifted & leading == np.uint64(0):
                return (np.int64(table[shifted >> down]) - gone - byte) % period
        # The rule holds with both lags doubled, too, and then makes 32 bits out of the 64.
        more = (word >> (np.uint64(2) * n - np.uint64(32))) ^ (word >> (np.uint64(2) * k - np.uint64(32)))
        word = (word << np.uint64(32)) | (more & np.uint64(0xFFFFFFFF))
        gone += 4


@kernel("none", "words", "uint64", "uint64", "table", "uint64", "places out")
def places(states: Words, n: Word, k: Word, table: Table, bits: Word, found: Places) -> None:
    """Places in the period of states, none of them 0."""
    for index in range(states.size):
        found[index] = place_of(_continued(states[index], n, k), n, k, table, bits)


@kernel("uint64", "uint64", "uint64", "uint64")
def breaks(word: Word, n: Word, k: Word) -> Word:
    """0 where the last 64 - n bits of a word follow from those before them."""
    return (word ^ (word >> n) ^ (word >> k)) << n


@kernel("uint64", "uint64", "uint64", "uint64", "uint64")
def breaks_between(before: Word, word: Word, n: Word, k: Word) -> Word:
    """0 where the first n bits of a word follow from the last of the word before."""
    up = np.uint64(64) - n
    over = (before << n) | (word >> up)
    return (over ^ (over >> n) ^ (over >> k)) << up


@kernel("boolean", "words", "words", "int64", "uint64", "uint64")
def _go_on(data: Words, wrong: Words, start: int, n: Word, k: Word) -> bool:
    """Whether a run that includes the word before goes on through the words of a group."""
    broken, ends = np.uint64(0), False
    now, before = data[start : start + _GROUP], data[start - 1 : start - 1 + _GROUP]
    damaged = wrong[start : start + _GROUP]
    for index in range(_GROUP):
        word = swapped(now[index])
        broken |= breaks(word, n, k) | breaks_between(swapped(before[index]), word, n, k)
        ends |= (damaged[index] == np.uint64(0)) | (word >> (np.uint64(64) - n) == np.uint64(0))
    return broken == np.uint64(0) and not ends


@kernel("boolean", "words", "int64")
def _all_right(wrong: Words, start: int) -> bool:
    any_wrong = np.uint64(0)
    for damaged in wrong[start : start + _GROUP]:
        any_wrong |= damaged
    return any_wrong == np.uint64(0)


@kernel("int64", "words", "words", "uint64", "uint64", "places out", "places out")
def _scan(data: Words, wrong: Words, n: Word, k: Word, first: Places, last: Places) -> int:
    """Enter the first and the last word of each run; returns how many."""
    found, inside, before, at = 0, False, np.uint64(0), 0
    while at < data.size:
        if at + _GROUP <= data.size and (_go_on(data, wrong, at, n, k) if inside else _all_right(wrong, at)):
            at += _GROUP
            before = swapped(data[at - 1])
            continue
        for index in range(at, min(at + _GROUP, data.size)):
            word = swapped(data[index])
            own = (
                breaks(word, n, k) == np.uint64(0)
                and wrong[index] != np.uint64(0)
                and word >> (np.uint64(64) - n) != np.uint64(0)
            )
            if inside and not (own and breaks_between(before, word, n, k) == np.uint64(0)):
                last[found - 1] = index - 1
                inside = False
            if own and not inside:
                first[found] = index
                found += 1
                inside = True
            before = word
        at += _GROUP
    if inside:
        last[found - 1] = data.size - 1
    return found


@kernel("uint64", "words", "uint64", "uint64", "int64")
def _mapped(tables: Words, state: Word, columns: Word, column: int) -> Word:
    """A word of the image of a state."""
    image, row = np.uint64(0), np.uint64(column)
    while state != np.uint64(0):
        image ^= tables[row + (state & np.uint64(255)) * columns]
        state >>= np.uint64(8)
        row += np.uint64(256) * columns
    return image


@kernel("int64", "bytes", "int64", "int64", "uint64", "uint64", "uint64")
def _extent(data: Bytes, at: int, step: int, near: Word, far: Word, flip: Word) -> int:
    """How far from `at` on in steps of 1 or -1 the data agree with 16 bytes, rare errors allowed as in `recovery`."""
    score, best, extent = 0, 0, 0
    for index in range(16):
        if at < 0 or at >= data.size:
            break
        made = ((near if index < 8 else far) ^ flip) >> np.uint64(8 * (index % 8))
        score += 1 if made & np.uint64(255) == np.uint64(data[at]) else -3
        if score > best:
            best, extent = score, index + 1
        at += step
    return extent


@kernel("uint64", "words", "uint64", "uint64")
def following(around: Words, word: Word, n: Word) -> Word:
    """The 8 bytes that follow a word, in memory's order."""
    return _mapped(around, word >> (np.uint64(64) - n), np.uint64(5), 3)


@kernel(
    "int64", "bytes", "uint64", "uint64", "words", "int64", "int64",
    "places out", "places out", "places out",
)  # fmt: skip
def finished(
    data: Bytes, flip: Word, n: Word, around: Words, gap: int, count: int, starts: Places, stops: Places, found: Places
) -> int:
    """Of so many runs' first and last words, and the first ones' places, make starts, stops and places in bytes.

    Returns how many runs are left: those of one alignment at most `gap` apart are one. `flip` is all ones where the
    data are complemented, else 0.
    """
    period = (np.int64(1) << np.int64(n)) - 1
    down = np.uint64(64) - n
    five = np.uint64(5)
    kept, alignment, ended = 0, np.int64(0), np.int64(0)
    for index in range(count):
        first, last, place = starts[index], stops[index], found[index]
        begin = 8 * first
        if kept and (place - begin) % period == alignment and begin - ended <= gap:
            stops[kept - 1] = last
        else:
            alignment = (place - begin) % period
            starts[kept], stops[kept], found[kept] = first, last, alignment
            kept += 1
        ended = 8 * last + 8
    count, kept, ended = kept, 0, np.int64(0)
    for index in range(count):
        state = (load_word(data, 8 * starts[index]) ^ flip) >> down
        near, far = swapped(_mapped(around, state, five, 1)), swapped(_mapped(around, state, five, 0))
        start = 8 * starts[index]
        start -= _extent(data, start - 1, -1, near, far, flip)
        state = (load_word(data, 8 * stops[index]) ^ flip) >> down
        near, far = _mapped(around, state, five, 3), _mapped(around, state, five, 4)
        stop = 8 * stops[index] + 8
        stop += _extent(data, stop, 1, near, far, flip)
        # Where two meet, bytes that suit both are the first one's.
        if index:
            start = max(start, ended)
        ended = stop
        if start < stop:
            starts[kept], stops[kept], found[kept] = start, stop, (found[index] + start) % period
            kept += 1
    return kept


@kernel(
    "int64", "bytes", "words", "words", "uint64", "uint64", "table", "uint64", "words", "int64",
    "places out", "places out", "places out",
)  # fmt: skip
def runs(
    data: Bytes,
    words: Words,
    wrong: Words,
    n: Word,
    k: Word,
    table: Table,
    bits: Word,
    around: Words,
    gap: int,
    starts: Places,
    stops: Places,
    found: Places,
) -> int:
    """Enter start, stop and place of each run; returns how many. Each array has room for as many as there are words.

    `words` are `data` and `wrong` its truths, in eights; `around` gives the 40 bytes around a state, of which 8 are
    its own, by `_mapped`. Runs of one alignment at most `gap` apart are one.
    """
    count = _scan(words, wrong, n, k, starts, stops)
    for index in range(count):
        found[index] = place_of(swapped(words[starts[index]]), n, k, table, bits)
    return finished(data, np.uint64(0), n, around, gap, count, starts, stops, found)


@kernel("none", "bytes out", "places", "places")
def clear(truths: Bytes, starts: Places, stops: Places) -> None:
    """Make the truths in each range false."""
    for index in range(starts.size):
        truths[starts[index] : stops[index]] = 0


@kernel("none", "bytes", "places", "places", "places out")
def count(truths: Bytes, starts: Places, stops: Places, counts: Places) -> None:
    """How many truths each range has."""
    for index in range(starts.size):
        truths_there = np.int64(0)
        for truth in truths[starts[index] : stops[index]]:
            truths_there += np.int64(truth)
        counts[index] = truths_there


def check() -> None:
    """Try the kernels on a little data; raises RuntimeError if they are wrong. What is kept on disk can be stale."""
    n, k = np.uint64(7), np.uint64(6)
    state, table = 127, np.zeros(128, np.uint32)
    for place in range(127):
        table[state] = place
        for _ in range(8):
            state = (state << 1 | (state >> 6 ^ state >> 5) & 1) & 127
    found = np.zeros(127, np.int64)
    places(np.arange(1, 128, dtype=np.uint64), n, k, table, n, found)
    if found.tolist() != table[1:].tolist():
        raise RuntimeError("its kernels fail their check; delete numba's cache")
