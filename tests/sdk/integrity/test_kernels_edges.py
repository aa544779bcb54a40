"""Where the compiled kernels go over from one way of working to another: nothing changes in what is found or made."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from laneproof.integrity import kernels, pattern
from laneproof.integrity.kernels import compiled

BACKENDS = ("numpy", "numba")
SOURCE = pattern("prbs31", seed=6)
FAR = 31 * 64  # what the kernels go on from
TILE = 2048  # what they check at a time
SIZE = 40_961
EXPECTED = np.zeros(SIZE, np.uint8)


@pytest.fixture(autouse=True)
def the_environment_chooses_afterwards() -> Iterator[None]:
    kernels.choose("numpy")
    SOURCE.fill(EXPECTED, 11)
    kernels.ready()
    yield
    kernels.choose(None)


def room(nbytes: int, off: int) -> np.ndarray:
    """That many bytes, `off` behind a boundary of 64, and their neighbours, which are 0xEE."""
    around = np.full(nbytes + 192, 0xEE, np.uint8)
    start = 64 + (off - around.ctypes.data) % 64
    return around[start : start + nbytes]


def neighbours_untouched(part: np.ndarray) -> bool:
    around = part.base
    assert around is not None
    before = part.ctypes.data - around.ctypes.data
    return bool(np.all(around[:before] == 0xEE) and np.all(around[before + part.size :] == 0xEE))


SIZES = (*range(1, 70), *(edge + off for edge in (64 * 28, FAR, TILE, 4096, 8192) for off in (-33, -32, -1, 0, 1, 31)))


@pytest.mark.parametrize("backend", BACKENDS)
@pytest.mark.parametrize("off", [0, 1, 8, 31, 32, 63])
def test_blocks_of_every_size_are_made_and_verified_wherever_they_lie(backend, off):
    kernels.choose(backend)
    assert kernels.ready() == backend
    for nbytes in SIZES:
        block = room(nbytes, off)
        SOURCE.fill_unlike(block, 11)
        assert np.array_equal(block, ~EXPECTED[:nbytes])
        assert SOURCE.verify(block, 11).mismatched_bytes == nbytes
        SOURCE.fill(block, 11)
        assert np.array_equal(block, EXPECTED[:nbytes])
        assert neighbours_untouched(block)
        assert SOURCE.verify(block, 11).ok
        block[-1] ^= 0x40
        found = SOURCE.verify(block, 11)
        assert (found.first, found.mismatched_bytes, found.mismatched_bits) == (nbytes - 1, 1, 1)


@pytest.mark.parametrize("name", ["prbs20", "prbs31"])
@pytest.mark.parametrize("off", [0, 5, 32])
def test_one_wrong_bit_anywhere_is_found_there_and_nothing_else(name, off):
    """Bytes of the first pieces and of the end, and what lies around every later tile's border."""
    source, data = pattern(name), room(SIZE, off)
    kernels.choose("numpy")
    source.fill(data, 11)
    kernels.choose("numba")
    assert kernels.ready() == "numba"
    borders = {border + shift for border in range(0, SIZE, TILE) for shift in range(-off - 2, 3)}
    places = {*range(0, 2 * TILE + FAR, 7), *range(SIZE - 70, SIZE), *(place % SIZE for place in borders)}
    for place in sorted(places):
        bit = 1 << place % 8
        data[place] ^= bit
        found = source.verify(data, 11)
        assert (found.mismatched_bytes, found.mismatched_bits) == (1, 1)
        assert [(region.start, region.stop) for region in found.regions] == [(place, place + 1)]
        data[place] ^= bit
    assert source.verify(data, 11).ok


@pytest.mark.parametrize("apart", [1, 31, 512, FAR - 1, FAR, FAR + 1, TILE, 3 * TILE])
def test_damage_after_damage_is_found_however_far_behind(apart):
    """The second wrong byte comes while the first is still being got over, or just after."""
    kernels.choose("numba")
    for first in (0, 100, TILE - 1, TILE, 5000):
        data = EXPECTED.copy()
        data[[first, first + apart, first + 2 * apart]] ^= np.uint8(0x81)
        found = SOURCE.verify(data, 11)
        assert (found.mismatched_bytes, found.mismatched_bits) == (3, 6)
        places = [place for region in found.regions for place in range(region.start, region.stop)]
        assert places == [first, first + apart, first + 2 * apart]


@pytest.mark.parametrize("lag", [FAR, 28 * 64])
def test_damage_that_makes_up_for_damage_does_not_pass(lag):
    """Bytes whose errors cancel in the rule: what is after them obeys it again, and they are wrong all the same."""
    kernels.choose("numba")
    for first in (0, 3000, 9000):
        data = EXPECTED.copy()
        data[[first, first + lag]] ^= np.uint8(0x24)
        found = SOURCE.verify(data, 11)
        assert [region.start for region in found.regions] == [first, first + lag]


@pytest.mark.parametrize("maker", BACKENDS)
@pytest.mark.parametrize("name", ["prbs20", "prbs31"])
@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("off", [0, 33])
def test_buffers_too_large_for_caches_hold_the_same(maker, name, inverted, off):
    """They are written past the caches, or several tiles at a time; in the middle, between what is not aligned."""
    source = pattern(name, inverted=inverted)
    large = room(compiled._STREAMED_BYTES + 12_345, off)
    (checker,) = set(BACKENDS) - {maker}
    for write, other in ((source.fill, source), (source.fill_unlike, pattern(name, inverted=not inverted))):
        kernels.choose(maker)
        kernels.ready()
        write(large, 77)
        assert neighbours_untouched(large)
        kernels.choose(checker)
        kernels.ready()
        found = other.verify(large, 77)
        assert found.ok
        assert found.kernels == checker


@pytest.mark.parametrize("flaw", ["fill", "_stream", "verify"])
def test_a_kernel_that_is_wrong_is_not_used(monkeypatch, flaw):
    right = getattr(compiled, flaw)

    def wrong(data: np.ndarray, *arguments: object) -> object:
        given = right(data, *arguments)
        if flaw == "verify":
            return 0, 0, 0
        data[5000] ^= 1
        return given

    compiled.check()
    monkeypatch.setattr(compiled, flaw, wrong)
    with pytest.raises(RuntimeError, match="delete numba's cache"):
        compiled.check()
