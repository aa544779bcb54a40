"""numpy and numba, one thread and several: the same results to the bit, and who chooses which of them runs."""

from __future__ import annotations

import os
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import MAX_REGIONS, kernels, pattern
from laneproof.integrity.prbs import POLYNOMIALS

LONG = ("prbs20", "prbs23", "prbs29", "prbs31")
BACKENDS = ("numpy", "numba")  # numba comes with galois, a reference of these tests
TILE = 31 << 14  # what numpy makes at a time


@pytest.fixture(autouse=True)
def the_environment_chooses_afterwards() -> Iterator[None]:
    yield
    kernels.choose(None)


def use(name: str) -> None:
    kernels.choose(name)
    assert kernels.ready() == name


def by_rule(name: str, state: int, nbytes: int, inverted: bool) -> np.ndarray:
    """ITU-T O.150 (05/96), clause 5: x[t] = x[t-n] xor x[t-k], bit by bit; complemented if `inverted`."""
    n, k = POLYNOMIALS[name].n, POLYNOMIALS[name].k
    bits = [state >> (n - 1 - place) & 1 for place in range(n)]
    while len(bits) < 8 * nbytes:
        bits.append(bits[-n] ^ bits[-k])
    return np.packbits(bits[: 8 * nbytes]) ^ np.uint8(255 * inverted)


def in_memory(data: np.ndarray, off: int) -> np.ndarray:
    """A copy that starts `off` bytes behind a boundary of 64 bytes."""
    room = np.zeros(data.size + 128, np.uint8)
    start = (off - room.ctypes.data) % 64
    room[start : start + data.size] = data
    return room[start : start + data.size]


def as_found(comparison: object) -> tuple[object, ...]:
    found = comparison
    return (
        found.bytes_checked,
        found.mismatched_bytes,
        found.mismatched_bits,
        found.first,
        [(region.start, region.stop) for region in found.regions],
        found.regions_cut,
    )


def defined(received: np.ndarray, expected: np.ndarray) -> tuple[object, ...]:
    """What a comparison has to find, byte by byte."""
    runs: list[list[int]] = []
    for position in np.flatnonzero(received != expected).tolist():
        if runs and runs[-1][1] == position:
            runs[-1][1] += 1
        else:
            runs.append([position, position + 1])
    regions = [(start, stop) for start, stop in runs]
    return (
        received.size,
        sum(stop - start for start, stop in regions),
        int(np.unpackbits(received ^ expected).sum()),
        regions[0][0] if regions else None,
        regions[:MAX_REGIONS],
        len(regions) > MAX_REGIONS,
    )


DEFINED = {
    (name, inverted): by_rule(name, 0x5A3 % 2 ** POLYNOMIALS[name].n, 30_000, inverted)
    for name in LONG
    for inverted in (False, True)
}

damage = st.lists(
    st.tuples(st.integers(0, 29_999), st.integers(1, 3000), st.sampled_from([0, 1, 0x80, 0xFF, None])), max_size=6
)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(LONG),
    st.booleans(),
    st.integers(0, 29_999),
    st.integers(0, 30_000),
    st.integers(0, 63),
    damage,
    st.sampled_from(BACKENDS),
    st.integers(0, 2**32),
)
@example("prbs31", True, 0, 30_000, 0, [(0, 1984, 0xFF)], "numba", 0)
@example("prbs31", True, 0, 30_000, 1, [(8000, 1, 1), (12_000, 1, 1)], "numba", 0)
def test_each_backend_keeps_to_the_definition(name, inverted, at, nbytes, off, damaged, backend, seed):
    use(backend)
    nbytes = min(nbytes, 30_000 - at)
    source = pattern(name, state=0x5A3 % 2 ** POLYNOMIALS[name].n, inverted=inverted)
    expected = DEFINED[name, inverted][at : at + nbytes]
    room = in_memory(np.zeros(nbytes, np.uint8), off)
    source.fill(room, at)
    assert np.array_equal(room, expected)
    source.fill_unlike(room, at)
    assert np.array_equal(room, ~expected)
    received = in_memory(expected, off)
    random = np.random.default_rng(seed)
    for start, size, mask in damaged:
        part = received[start : start + size]
        part[:] = random.integers(0, 256, part.size, np.uint8) if mask is None else part ^ np.uint8(mask)
    assert as_found(source.verify(received, at)) == defined(received, expected)


SIZE = 5 * TILE + 4321
SOURCE = pattern("prbs31", seed=9)
CLEAN = np.zeros(SIZE, np.uint8)
SOURCE.fill(CLEAN, 5)


@settings(max_examples=12, deadline=None)
@given(
    st.integers(0, 63),
    st.lists(st.tuples(st.integers(0, SIZE - 1), st.integers(1, 200_000), st.integers(0, 255)), max_size=4),
    st.integers(0, 3000),
    st.integers(1, 9),
    st.integers(0, 2**32),
)
@example(0, [(0, SIZE, 0xFF)], 0, 3, 0)
@example(3, [(TILE - 1, 2, 1), (2 * TILE, 1, 1), (SIZE - 1, 1, 1)], 0, 2, 0)
def test_backends_and_threads_agree_over_tiles(off, stretches, scattered, threads, seed):
    received = in_memory(CLEAN, off)
    for start, size, mask in stretches:
        received[start : start + size] ^= np.uint8(mask)
    received[np.random.default_rng(seed).integers(0, SIZE, scattered)] ^= 0x11
    expected = defined(received, CLEAN)
    for backend in BACKENDS:
        use(backend)
        for count in (1, threads):
            found = SOURCE.verify(received, 5, threads=count)
            assert as_found(found) == expected
            assert found.kernels == backend
            room = in_memory(np.zeros(SIZE, np.uint8), off)
            SOURCE.fill(room, 5, threads=count)
            assert np.array_equal(room, CLEAN)


@pytest.mark.parametrize("backend", BACKENDS)
@pytest.mark.parametrize("name", LONG)
def test_positions_around_the_end_of_the_period_go_on_at_its_start(backend, name):
    use(backend)
    source = pattern(name, state=3)
    whole = np.zeros(2_000_000, np.uint8)
    source.fill(whole, source.period_bytes - 1_000_000)
    start = np.zeros(1_000_000, np.uint8)
    source.fill(start)
    assert np.array_equal(whole[1_000_000:], start)
    for at in (1, 7, 1000, 1_999_990):
        assert source.verify(whole[at:], source.period_bytes - 1_000_000 + at).ok


@pytest.mark.parametrize("backend", BACKENDS)
@pytest.mark.parametrize("byte", [0x00, 0xFF, 0x55])
@pytest.mark.parametrize("inverted", [False, True])
def test_what_obeys_the_rule_and_is_not_the_stretch_never_passes(backend, byte, inverted):
    """All zeros obey the recurrence, and so does any other stretch of the same sequence."""
    use(backend)
    source = pattern("prbs31", seed=4, inverted=inverted)
    expected = np.zeros(300_000, np.uint8)
    source.fill(expected)
    received = np.full(expected.size, byte, np.uint8)
    assert as_found(source.verify(received)) == defined(received, expected)
    source.fill(received, 1)
    assert as_found(source.verify(received)) == defined(received, expected)


@pytest.mark.parametrize("backend", BACKENDS)
@pytest.mark.parametrize("where", [0, 1983, 1984, 4096, 100_000])
def test_a_switch_to_another_place_of_the_sequence_is_found_where_it_happens(backend, where):
    use(backend)
    received, expected = np.zeros(300_000, np.uint8), np.zeros(300_000, np.uint8)
    SOURCE.fill(expected)
    SOURCE.fill(received, 64)
    received[:where] = expected[:where]
    assert as_found(SOURCE.verify(received)) == defined(received, expected)


@pytest.mark.parametrize("backend", BACKENDS)
@pytest.mark.parametrize("threads", [1, 3, 64])
@pytest.mark.parametrize("amount", ["clean", "every byte", "every other byte"])
def test_memory_is_bounded_however_much_is_wrong(backend, threads, amount):
    use(backend)
    data = np.zeros(40 << 20, np.uint8)
    SOURCE.fill(data)
    data[:: {"clean": data.size, "every byte": 1, "every other byte": 2}[amount]] ^= 0 if amount == "clean" else 0x81
    SOURCE.verify(data[:4096])  # what is looked up stays
    tracemalloc.start()
    try:
        found = SOURCE.verify(data, threads=threads)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found.ok is (amount == "clean")
    assert peak < 16 << 20


@pytest.mark.parametrize("backend", BACKENDS)
def test_data_that_may_not_be_written_are_verified(backend):
    use(backend)
    assert SOURCE.verify(CLEAN.tobytes(), 5).ok


@pytest.mark.parametrize("threads", [0, -1, 1.5, "2", None])
def test_a_number_of_threads_that_is_none_is_refused_before_anything_is_written(threads):
    data = bytearray(64)
    for call in (SOURCE.fill, SOURCE.fill_unlike, SOURCE.verify):
        with pytest.raises(BadInput, match="threads is"):
            call(data, threads=threads)
    assert data == bytearray(64)


def test_comparisons_by_different_kernels_are_equal_and_combine():
    use("numpy")
    one = SOURCE.verify(CLEAN[:100_000], 5)
    use("numba")
    two = SOURCE.verify(CLEAN[:100_000], 5)
    assert (one.kernels, two.kernels) == BACKENDS
    assert one == two
    assert one.combined(two).kernels == "numba and numpy"
    assert two.combined(two).kernels == "numba"


def python(code: str, **environment: str) -> str:
    environ = {key: value for key, value in os.environ.items() if key != kernels.VARIABLE} | environment
    done = subprocess.run([sys.executable, "-c", code], env=environ, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


SMALL = "import laneproof, sys; from laneproof.integrity import kernels, pattern; data = bytearray(1 << 20); "
USED = "pattern('prbs31').fill(data); print(pattern('prbs31').verify(data).kernels, 'numba' in sys.modules)"


def test_small_buffers_import_nothing():
    assert python(SMALL + USED) == "numpy False"


def test_large_buffers_and_being_ready_bring_numba():
    assert python(SMALL + "kernels.LARGE_BYTES = 1 << 20; " + USED) == "numba True"
    assert python(SMALL + "kernels.ready(); " + USED) == "numba True"


def test_the_environment_variable_chooses():
    assert python(SMALL + USED, LANEPROOF_KERNELS="numba") == "numba True"
    assert (
        python(SMALL + "kernels.ready(); kernels.LARGE_BYTES = 0; " + USED, LANEPROOF_KERNELS="numpy") == "numpy False"
    )


def test_naming_what_will_run_imports_nothing():
    assert python(
        "import sys; from laneproof.integrity import kernels; print(kernels.name(), 'numba' in sys.modules)"
    ) == ("numba False")


def test_an_unknown_choice_says_what_can_be_given(monkeypatch):
    monkeypatch.setenv(kernels.VARIABLE, "fast")
    kernels.choose(None)
    for call in (kernels.name, kernels.ready, lambda: SOURCE.verify(CLEAN, 5)):
        with pytest.raises(BadInput, match='LANEPROOF_KERNELS is "fast"; give numpy or numba'):
            call()
    monkeypatch.delenv(kernels.VARIABLE)


@pytest.fixture
def without_numba(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernels.importlib.util, "find_spec", lambda name: None)
    kernels.choose(None)


@pytest.mark.usefixtures("without_numba")
def test_without_numba_numpy_works(monkeypatch):
    monkeypatch.delenv(kernels.VARIABLE, raising=False)
    monkeypatch.setattr(kernels, "LARGE_BYTES", 1)
    assert kernels.name() == kernels.ready() == "numpy"
    assert SOURCE.verify(CLEAN, 5).kernels == "numpy"


@pytest.mark.usefixtures("without_numba")
def test_asking_for_numba_without_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setenv(kernels.VARIABLE, "numba")
    with pytest.raises(
        BadInput, match=r"LANEPROOF_KERNELS asks for numba, which is not installed; pip install laneproof\[fast\]"
    ):
        kernels.ready()
    monkeypatch.delenv(kernels.VARIABLE)


BROKEN = "import sys; sys.modules['numba'] = None; import importlib.util as u; u.find_spec = lambda name: 1; "


def test_a_numba_that_does_not_work_is_told_or_done_without():
    code = BROKEN + SMALL + "kernels.LARGE_BYTES = 1; " + USED
    assert python(code).startswith("numpy")
    asked = BROKEN + SMALL + "\ntry: kernels.ready()\nexcept laneproof.BadInput as error: print(error)"
    assert "numba is installed and does not work" in python(asked, LANEPROOF_KERNELS="numba")


def test_kernels_that_cannot_be_kept_work_all_the_same(tmp_path):
    """A read-only installation and no home: numba has nowhere to keep what it compiled."""
    code = (
        "from numba.core import caching; caching.CacheImpl._locator_classes = []; "
        "caching.CompileResultCacheImpl._locator_classes = []; " + SMALL + USED
    )
    # Optimising takes a third of the time, and how fast these kernels are is not asked here.
    assert python(code, LANEPROOF_KERNELS="numba", NUMBA_OPT="0") == "numba True"
