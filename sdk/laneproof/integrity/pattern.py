"""Patterns as functions of position: what is written to a card, and what has to come back."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import SupportsIndex

import numpy as np
from attrs import Factory, field, frozen

from laneproof.errors import BadInput
from laneproof.integrity.allocation import (
    CHANNELS,
    COUNT_LIMIT,
    COUNTER,
    PRBS,
    PRBS31_ROOM,
    SLOTS,
    WALKING,
    checked_index,
)
from laneproof.integrity.buffers import Bytes, byte_view, checked_threads
from laneproof.integrity.comparison import Comparison
from laneproof.integrity.digest import (
    CHUNK_BYTES,
    Chunk,
    compare_by_digest,
    counted_chunks,
    prbs_chunks,
    repeated_chunks,
)
from laneproof.integrity.generation import write
from laneproof.integrity.overwriting import TellWrong, compare_and_overwrite
from laneproof.integrity.prbs import POLYNOMIALS, prbs_source
from laneproof.integrity.sources import Counter, RepeatedPeriod, Source, fixed, walking_one
from laneproof.integrity.tagged import WORD_BYTES, tagged
from laneproof.integrity.verification import compare

NAMES = (*POLYNOMIALS, "fixed", "walking-one", "walking-zero", "counter", "tagged")
"""Every name that `pattern` knows."""

FIXED_WORD = 0xA55AC33C
"""The fixed pattern's word where none is given: half its bits are ones, and its bytes differ, so order shows."""

_TELL_STALE = ("prbs29", "prbs31", "tagged")


def pattern(
    name: str,
    *,
    seed: SupportsIndex = 0,
    slot: SupportsIndex = 0,
    channel: SupportsIndex = 0,
    sequence: SupportsIndex = 0,
    state: SupportsIndex | None = None,
    inverted: bool | None = None,
    word: SupportsIndex | None = None,
) -> Pattern:
    """The pattern `name` for one buffer of one run: the stretch of (seed, slot, channel, sequence).

    - `prbs7` to `prbs31`: bits go into bytes most significant first. The stretch of all zeros starts with n ones
      (before inversion). `inverted` complements the output; as ITU-T O.150 has it where not given, which is for 15,
      23, 29 and 31. `state` starts the generator there instead of at an allocated place, to match a card's own: its
      n bits are the first n bits out, most significant first, before inversion; every sequence is then the same data.
    - `fixed`: one 32-bit `word` (`FIXED_WORD` where not given), repeated. Every stretch is the same.
    - `walking-one`, `walking-zero`: a bit that moves up by one each 32-bit word.
    - `counter`: 32-bit words, each one more than the one before.
    - `tagged`: 64-bit words that say slot, channel, sequence and offset; laid out, and read back, in `tagged`.

    Words are least significant byte first. `seed` and `sequence` are below 2^64, `slot` below 256, `channel` below 64.
    Raises BadInput for an unknown name, a number out of bounds, or an option that the pattern has no use for.
    """
    if name not in NAMES:
        raise BadInput(f'there is no pattern "{name}"; known are {", ".join(NAMES)}')
    polynomial = POLYNOMIALS.get(name)
    if polynomial is None and (inverted is not None or state is not None):
        option = "inverted" if inverted is not None else "state"
        raise BadInput(f'{option} is for the PRBS, not for the pattern "{name}"; leave it out')
    if word is not None and name != "fixed":
        raise BadInput(f'word is for the pattern "fixed", not for "{name}"; leave it out')
    first_state = None
    if polynomial is not None and state is not None:
        first_state = checked_index("state", state, polynomial.all_ones + 1)
        if first_state == 0:
            raise BadInput(
                f"state is 0, which the generator of {name} never leaves; give 1 to {polynomial.all_ones:#x}"
            )
        if any((seed, slot, channel, sequence)):
            raise BadInput("state says where the stretch starts; leave out seed, slot, channel and sequence")
    standard = polynomial is not None and polynomial.inverted
    return Pattern(
        name=name,
        seed=checked_index("seed", seed, COUNT_LIMIT),
        slot=checked_index("slot", slot, SLOTS),
        channel=checked_index("channel", channel, CHANNELS),
        sequence=checked_index("sequence", sequence, COUNT_LIMIT),
        state=first_state,
        inverted=standard if inverted is None else inverted,
        word=checked_index("word", FIXED_WORD if word is None else word, 2**32) if name == "fixed" else None,
    )


def start_bytes(name: str, seed: int, slot: int, channel: int, sequence: int) -> int:
    """Where the stretch of a buffer starts in the pattern's period, in bytes. The numbers are within their bounds."""
    if name in POLYNOMIALS:
        return PRBS[POLYNOMIALS[name].n].start(seed, slot, channel, sequence)
    if name == "tagged":
        return 0  # its words name the buffer
    return 4 * (COUNTER if name == "counter" else WALKING).start(seed, slot, channel, sequence)


def _start_bytes(pattern: Pattern) -> int:
    return start_bytes(pattern.name, pattern.seed, pattern.slot, pattern.channel, pattern.sequence)


@frozen(kw_only=True)
class Pattern:
    """One buffer's stretch of a pattern; make it with `pattern`. Immutable, safe to share between threads.

    Every byte is a function of its position: `fill` writes the same bytes whatever the chunking. `at` is the position
    of the buffer's first byte in the stretch, any whole number from 0 on; it costs the same wherever it is. Buffers
    are any C-contiguous ones, of any length and alignment; BadInput is raised for others, before a byte is written.
    """

    name: str
    seed: int = 0
    slot: int = 0
    channel: int = 0
    sequence: int = 0
    state: int | None = None
    inverted: bool = False
    word: int | None = None
    _start: int = field(init=False, repr=False, eq=False, default=Factory(_start_bytes, takes_self=True))

    @property
    def period_bytes(self) -> int:
        """After how many bytes the pattern repeats."""
        return self._source.period_bytes

    @property
    def tells_stale(self) -> bool:
        """Whether another buffer's data, earlier or elsewhere, cannot pass for this one's."""
        return self.name in _TELL_STALE and self.state is None

    @property
    def room_bytes(self) -> int:
        """How far a buffer may move on along this stretch, by multiples of 64 bytes, and still share its place in the
        sequence with no buffer that lives beside it; 0 where it must stay.

        Where there is room, two places that differ give data that differ in every 31 bits in a row, since the XOR of
        a maximal-length sequence with itself moved is that sequence moved again (S. W. Golomb, Shift Register
        Sequences), which nowhere has 31 zeros in a row. So data that were right in one place are wrong in another.
        """
        return PRBS31_ROOM if self.name == "prbs31" and self.state is None else 0

    @property
    def caution(self) -> str:
        """One sentence on what the pattern cannot tell; empty where it tells stale data."""
        if self.name in _TELL_STALE and self.state is None:
            return ""
        if self.state is not None:
            why = "started from a given state is the same for every buffer"
        elif self.name in POLYNOMIALS:
            why = f"repeats after {self.period_bytes} bytes, too few for a stretch for each buffer"
        elif self.name == "counter":
            why = "differs between buffers by a constant, so that most bytes of a wrong buffer can be right"
        else:
            why = f"repeats after {self.period_bytes} bytes"
        return f"{self.name} {why}: stale or misplaced data can pass; prbs29, prbs31 and tagged tell them."

    def period_position(self, at: SupportsIndex = 0) -> int:
        """Where in the pattern's period, in bytes, position `at` of this stretch stands."""
        return self._position(at, self._source)

    def for_sequence(self, sequence: SupportsIndex) -> Pattern:
        """The same pattern's stretch for another sequence number of the same run, slot and channel.

        From a given state there is one stretch only, so that is what comes back.
        """
        number = checked_index("sequence", sequence, COUNT_LIMIT)
        if self.state is not None:
            return self
        # Not evolve, which takes as long again: each block of a check has a stretch of its own.
        return Pattern(
            name=self.name,
            seed=self.seed,
            slot=self.slot,
            channel=self.channel,
            sequence=number,
            inverted=self.inverted,
            word=self.word,
        )

    def fill(self, buffer: object, at: SupportsIndex = 0, threads: SupportsIndex = 1) -> None:
        """Write the pattern, in up to as many `threads`. Raises BadInput for fewer than 1."""
        self._write(buffer, at, threads, complement=False)

    def fill_unlike(self, buffer: object, at: SupportsIndex = 0, threads: SupportsIndex = 1) -> None:
        """Write the complement: a receive buffer's content beforehand, so that a byte never written is wrong."""
        self._write(buffer, at, threads, complement=True)

    def verify(self, buffer: object, at: SupportsIndex = 0, threads: SupportsIndex = 1) -> Comparison:
        """Compare every byte with the pattern; positions in the result count from the buffer's first byte.

        In up to as many `threads`; short buffers take one. The result is the same for any number, and for numpy and
        numba; its `kernels` says which of the two ran (`laneproof.integrity.kernels` chooses). Memory is bounded by
        16 MiB whatever the buffer. An empty buffer gives an empty comparison, which is not `ok`.
        """
        received, workers, source = byte_view(buffer), checked_threads(threads), self._source
        return compare(received, source, self._position(at, source), caution=self.caution, threads=workers)

    def verify_and_overwrite(
        self,
        buffer: object,
        at: SupportsIndex,
        other: Pattern,
        other_at: SupportsIndex = 0,
        *,
        wrong: TellWrong | None = None,
    ) -> Comparison:
        """`verify`, and then `other.fill_unlike`: a buffer that comes back is made ready for what comes next.

        `wrong` is told of each wrong piece before it is overwritten: where it begins in the buffer, its bytes, and
        what was found in it, whose positions count from there.

        In one pass over memory where compiled kernels do the work, the data are clean and both patterns are of one
        sequence.
        """
        received = byte_view(buffer, writable=True)
        source, following = self._source, other._source
        position, next_position = self._position(at, source), other._position(other_at, following)
        return compare_and_overwrite(
            received, source, position, following, next_position, caution=self.caution, wrong=wrong
        )

    def verify_digest(self, buffer: object, at: SupportsIndex = 0) -> Comparison:
        """Compare with the pattern by the CRC-32 of each 1 MiB, predicted, not made: at the speed of reading.

        A chunk whose CRC objects is verified exactly, so what is found is what `verify` finds. But a chunk that is
        wrong passes with a probability of about 2^-32, which the result's caution says. It never passes where all
        that is wrong in it is one or two bits, or lies within 32 bits in a row; nor where a whole 1 MiB of prbs29 or
        prbs31 comes from elsewhere in the same sequence. `verify` has no such escape.

        Chunks are counted from the buffer's first byte, and for `counter` and `tagged` from the pattern's; what is
        left over is split into smaller ones, or verified exactly, as is the rest once much is wrong. Without zlib-ng
        (`crc_backend`) this is slower than `verify`. Raises BadInput if the buffer changes meanwhile.
        """
        received = byte_view(buffer)
        first = checked_index("at", at, COUNT_LIMIT) % self.period_bytes

        def exactly(start: int, stop: int) -> Comparison:
            return self.verify(received[start:stop], (first + start) % self.period_bytes)

        return compare_by_digest(received, self._chunks(first, received.size), exactly, caution=self.caution)

    def _chunks(self, at: int, nbytes: int) -> Iterator[Chunk]:
        position, period = self.period_position(at), self.period_bytes

        def make(position: int, nbytes: int) -> Bytes:
            made = np.empty(nbytes, np.uint8)
            self.fill(made, (position - self._start) % period)
            return made

        if period <= CHUNK_BYTES:
            return repeated_chunks(period, make, position, nbytes)
        if self.name in POLYNOMIALS:
            return prbs_chunks(POLYNOMIALS[self.name], self.inverted, make, position, nbytes)
        return counted_chunks(WORD_BYTES if self.name == "tagged" else 4, period, make, position, nbytes)

    def _write(self, buffer: object, at: SupportsIndex, threads: SupportsIndex, *, complement: bool) -> None:
        out, workers, source = byte_view(buffer, writable=True), checked_threads(threads), self._source
        write(source, out, self._position(at, source), complement=complement, threads=workers)

    def _position(self, at: SupportsIndex, source: Source) -> int:
        return (self._start + checked_index("at", at, COUNT_LIMIT)) % source.period_bytes

    @property
    def _source(self) -> Source:
        # Looked up, not held: a pattern stays small where it is sent to another process.
        if self.name == "tagged":
            return tagged(self.seed, self.slot, self.channel, self.sequence)
        return _source(self.name, self.state, self.inverted, self.word)


@lru_cache(maxsize=64)
def _source(name: str, state: int | None, inverted: bool, word: int | None) -> Source:
    if name in POLYNOMIALS:
        polynomial = POLYNOMIALS[name]
        return prbs_source(polynomial, polynomial.all_ones if state is None else state, inverted)
    if name == "counter":
        return Counter()
    if name == "fixed":
        return RepeatedPeriod(fixed(FIXED_WORD if word is None else word))
    return RepeatedPeriod(walking_one() if name == "walking-one" else ~walking_one())
