"""The compiled kernel that counts what is wrong in a tile of received data. `tally` does the same in numpy, and says
what is counted. Import this through `kernels` only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from laneproof.integrity.kernels.compiling import kernel, ones

Words = NDArray[np.uint64]
Table = NDArray[np.uint32]
Places = NDArray[np.int64]

# Lines added up before a count of 8 bits could be full.
_LINES = 255
_EACH = 0x0101010101010101
_LOW = 0x7F7F7F7F7F7F7F7F


@kernel("none", "words", "words out")
def _add_line(line: Words, counts: Words) -> None:
    """Count the ones of a line of 64 bytes, for each byte and bit, and its bytes that are not 0; 8 bits for each."""
    for bit in range(8):
        row = counts[8 * bit : 8 * bit + 8]
        for word in range(8):
            row[word] += (line[word] >> np.uint64(bit)) & np.uint64(_EACH)
    row = counts[64:]
    for word in range(8):
        wrong = ((line[word] & np.uint64(_LOW)) + np.uint64(_LOW)) | line[word]
        row[word] += (wrong >> np.uint64(7)) & np.uint64(_EACH)


@kernel("none", "words out", "places out", "places out")
def _empty(counts: Words, bits: Places, lanes: Places) -> None:
    """Add what was counted to where it is kept."""
    for lane in range(64):
        shift = np.uint64(8 * (lane % 8))
        lanes[lane] += np.int64((counts[64 + lane // 8] >> shift) & np.uint64(255))
        for bit in range(8):
            bits[8 * (lane % 4) + bit] += np.int64((counts[8 * bit + lane // 8] >> shift) & np.uint64(255))
    counts[:] = np.uint64(0)


@kernel("counts", "words", "words", "table", "places", "places out", "places out", "places out", "table out")
def tally(
    difference: Words,
    risen: Words,
    holders: Table,
    index_of: Places,
    bits: Places,
    lanes: Places,
    mask_counts: Places,
    new: Table,
) -> tuple[int, int, int]:
    """Add to `bits`, `lanes` and, where `holders` has a dword's mask at its key, to `mask_counts` at its index.

    Returns how many dwords are wrong, how many bits of `risen` are ones, and how many masks went into `new` because
    they are not known, in their order.
    """
    wrong_dwords, risen_bits, unknown, counted = 0, np.uint64(0), 0, 0
    counts = np.zeros(72, np.uint64)
    for line in range(difference.size // 8):
        wrong = np.uint64(0)
        for word in difference[8 * line : 8 * line + 8]:
            wrong |= word
        if wrong == np.uint64(0):
            continue
        _add_line(difference[8 * line : 8 * line + 8], counts)
        counted += 1
        if counted == _LINES:
            _empty(counts, bits, lanes)
            counted = 0
        for index in range(8 * line, 8 * line + 8):
            risen_bits += ones(risen[index])
            word = difference[index]
            while word != np.uint64(0):
                mask = np.uint32(word & np.uint64(0xFFFFFFFF))
                word >>= np.uint64(32)
                if mask != np.uint32(0):
                    wrong_dwords += 1
                    key = np.uint64(np.uint32(mask * np.uint32(0x9E3779B1)) >> np.uint32(16))
                    if holders[key] == mask:
                        mask_counts[index_of[key]] += 1
                    else:
                        new[unknown] = mask
                        unknown += 1
    _empty(counts, bits, lanes)
    return wrong_dwords, int(risen_bits), unknown


def check() -> None:
    """Try the kernel on a little data; raises RuntimeError if it is wrong. What is kept on disk can be stale."""
    difference = np.zeros(800, np.uint64)
    difference[[3, 9]] = 0x100, 0x8000000100000000
    holders, index_of, new = np.zeros(1 << 16, np.uint32), np.zeros(1 << 16, np.int64), np.empty(4, np.uint32)
    bits, lanes, counts = np.zeros(32, np.int64), np.zeros(64, np.int64), np.zeros(1, np.int64)
    found = tally(difference, difference, holders, index_of, bits, lanes, counts, new)
    right = found == (2, 3, 2) and new[:2].tolist() == [0x100, 0x80000001]
    if not right or np.flatnonzero(bits).tolist() != [0, 8, 31] or np.flatnonzero(lanes).tolist() != [12, 15, 25]:
        raise RuntimeError("its kernels fail their check; delete numba's cache")
