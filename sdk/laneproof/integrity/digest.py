"""Verification by digest: the CRC-32 of what is expected, predicted without making it, against that of the data.

A CRC is affine over GF(2) in the data, and a stretch of PRBS is linear in the generator's state, so the CRC of a
chunk is an affine map of the state at its start. Patterns that count are affine in the number of an aligned block,
and short ones come round to the same chunk. Chunks that cannot be predicted, and every chunk that objects, are left
to the exact check, which is in `verification`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cache

from attrs import evolve

from laneproof.errors import BadInput
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.comparison import Comparison
from laneproof.integrity.crc import REFLECTED_POLYNOMIAL, crc32, crc32_of_bytes, crc_backend, one_zero_byte, zero_bytes
from laneproof.integrity.gf2 import LinearMap
from laneproof.integrity.prbs import Polynomial

# 2^20 is also a length at which the CRC tells all states of PRBS29 and of PRBS31 apart, as not every power of two is:
# a whole chunk from elsewhere in the same sequence never passes. tests/sdk/integrity/test_digest.py holds this.
_POWER = 20
# Below this, predicting takes longer than the exact check.
_LEAST_POWER = 12

# Beyond this many wrong regions the rest is verified exactly: most chunks would be, after they were digested.
_MANY_REGIONS = 100

CHUNK_BYTES = 1 << _POWER
"""The most data that one digest vouches for."""

CAUTION = "Checked by digest: a wrong chunk, of at most 1 MiB, passes with a probability of about 2^-32."
"""What a check by digest cannot tell, in one sentence."""

Chunk = tuple[int, int | None]
"""A chunk's bytes, and the CRC-32 that they should have, or None where only the exact check can say."""

Make = Callable[[int, int], Bytes]
"""`make(position, nbytes)` makes a piece of the pattern, for where a prediction starts from."""


def compare_by_digest(
    received: Bytes, expected: Iterable[Chunk], exactly: Callable[[int, int], Comparison], *, caution: str
) -> Comparison:
    """Compare `received` with chunks that together are as long; `exactly(start, stop)` verifies a part of it.

    Raises BadInput where a chunk objects in which the exact check then finds nothing: the data changed meanwhile.
    """
    memory = received.data
    looked_at: Comparison | None = None
    vouched_for = 0
    start = 0
    for nbytes, crc in expected:
        stop = start + nbytes
        if crc is not None and crc32_of_bytes(memory[start:stop], 0) == crc:
            vouched_for += nbytes
        else:
            found = exactly(start, stop)
            if crc is not None and found.mismatched_bytes == 0:
                raise BadInput(
                    f"the buffer changed while it was verified: bytes {start} to {stop - 1} were wrong, then right; "
                    "wait until nothing writes to it, and if nothing does, test the computer's memory"
                )
            found = found.shifted(start)
            looked_at = looked_at.combined(found) if looked_at else found
        start = stop
        if looked_at and len(looked_at.regions) > _MANY_REGIONS and start < received.size:
            looked_at = looked_at.combined(exactly(start, received.size).shifted(start))
            break
    if looked_at and not vouched_for:  # every byte was looked at, so nothing can have escaped
        return looked_at
    caution = f"{caution} {CAUTION}".strip()
    rest = Comparison(bytes_checked=vouched_for, method="digest", caution=caution, kernels=crc_backend())
    return evolve(looked_at.combined(rest), caution=caution) if looked_at else rest


def prbs_chunks(polynomial: Polynomial, inverted: bool, make: Make, position: int, nbytes: int) -> Iterator[Chunk]:
    """The chunks of the `nbytes` bytes from `position` on of a PRBS of at least eight bits of state.

    `inverted`: the output is the complement of what the polynomial makes. Chunks are powers of two of bytes; what is
    left below 4 KiB is not predicted.
    """
    # The state is the first n bits out, most significant first, before inversion.
    first = int.from_bytes(make(position, 4).tobytes(), "big")
    state = (first ^ 0xFFFFFFFF if inverted else first) >> (32 - polynomial.n)
    power = _POWER
    while nbytes >> _LEAST_POWER:
        power = min(power, nbytes.bit_length() - 1)
        digest, jump, constant = _digest(polynomial, power), _jump(polynomial, power), _crc_of_repeated(inverted, power)
        for _ in range(nbytes >> power):
            yield 1 << power, digest(state) ^ constant
            state = jump(state)
        nbytes &= (1 << power) - 1
    if nbytes:
        yield nbytes, None


def repeated_chunks(period_bytes: int, make: Make, position: int, nbytes: int) -> Iterator[Chunk]:
    """The chunks of a pattern with a period of at most `CHUNK_BYTES`: whole periods, hence all with the same CRC."""
    size = CHUNK_BYTES // period_bytes * period_bytes
    if nbytes >= 2 * size:
        crc = crc32(make(position, size))
        for _ in range(nbytes // size):
            yield size, crc
        nbytes %= size
    if nbytes:
        yield nbytes, None


def counted_chunks(word_bytes: int, period_bytes: int, make: Make, position: int, nbytes: int) -> Iterator[Chunk]:
    """The chunks of a pattern of words in whose low bits their own number is, its period being a power of two.

    Chunks end where their position is a multiple of `CHUNK_BYTES`; those cut short at either end are not predicted.
    """
    edge = min(-position % CHUNK_BYTES, nbytes)
    if edge:
        yield edge, None
    nbytes -= edge
    if nbytes >= 2 * CHUNK_BYTES:
        constant = crc32(make(0, CHUNK_BYTES))
        blocks = period_bytes // CHUNK_BYTES
        block = (position + edge) // CHUNK_BYTES
        of_number = _number(word_bytes, blocks.bit_length() - 1)
        for _ in range(nbytes // CHUNK_BYTES):
            yield CHUNK_BYTES, of_number(block % blocks) ^ constant
            block += 1
        nbytes %= CHUNK_BYTES
    if nbytes:
        yield nbytes, None


@cache
def _jump(polynomial: Polynomial, power: int) -> LinearMap:
    """Generator state to the state 2^power bytes further on."""
    if power:
        return _jump(polynomial, power - 1).squared()
    n, k = polynomial.n, polynomial.k
    shifted = [1 << bit + 1 for bit in range(n - 1)] + [0]
    # The next bit is the XOR of the first, which leaves, and the one k before the next.
    shifted[n - 1] ^= 1
    shifted[k - 1] ^= 1
    one_bit = LinearMap(shifted)
    return one_bit.squared().squared().squared()


@cache
def _digest(polynomial: Polynomial, power: int) -> LinearMap:
    """Generator state to the part in the CRC-32 of the 2^power bytes that follow from it, not inverted."""
    states = [1 << bit for bit in range(polynomial.n)]
    if not power:
        step = one_zero_byte(REFLECTED_POLYNOMIAL, 32)
        return LinearMap([step(state >> (polynomial.n - 8)) for state in states])
    half, jump, behind = _digest(polynomial, power - 1), _jump(polynomial, power - 1), zero_bytes(power - 1)
    return LinearMap([behind(half(state)) ^ half(jump(state)) for state in states])


@cache
def _crc_of_repeated(ones: bool, power: int) -> int:
    """The CRC-32 of 2^power bytes 0xFF where `ones`, else of zeros."""
    return crc32((b"\xff" if ones else b"\x00") * (1 << power))


@cache
def _number(word_bytes: int, bits: int) -> LinearMap:
    """A block's number to its part in the block's CRC-32, as it stands in each word above the bits that count in it."""
    words = CHUNK_BYTES // word_bytes
    zero = _crc_of_repeated(False, _POWER)
    return LinearMap([crc32((words << bit).to_bytes(word_bytes, "little") * words) ^ zero for bit in range(bits)])
