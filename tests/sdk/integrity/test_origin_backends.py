"""Origin and localisation by numpy and by numba: the same results to the bit, whatever the damage."""

from __future__ import annotations

from collections.abc import Iterator

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.integrity import kernels, pattern
from laneproof.integrity.localisation import localise
from laneproof.integrity.origin import Past, Source, trace
from laneproof.integrity.prbs import POLYNOMIALS
from laneproof.integrity.prbs_recovery import PrbsRecovery
from laneproof.integrity.recovery import recovery

BACKENDS = ("numpy", "numba")  # numba comes with galois, a reference of these tests
SIZE = 700_000  # more than one of the chunks and tiles that are worked through at a time
PATTERN = pattern("prbs31", seed=3, slot=1, channel=2, sequence=10)
PAST = Past(nbytes=2 * SIZE, earlier=8, later=2, slots=(0, 1), channels=(1, 2))


@pytest.fixture(autouse=True, scope="module")
def the_environment_chooses_afterwards() -> Iterator[None]:
    yield
    kernels.choose(None)


def use(name: str) -> None:
    kernels.choose(name)
    assert kernels.ready() == name


def stretch(source, at: int, nbytes: int) -> np.ndarray:
    data = np.zeros(nbytes, np.uint8)
    source.fill(data, at)
    return data


@pytest.mark.parametrize("backend", BACKENDS)
@pytest.mark.parametrize("block", [512, 4096])
def test_every_one_of_many_shuffled_blocks_is_traced_to_where_it_stood(backend, block):
    use(backend)
    count = 600
    expected = stretch(PATTERN, 0, block * count)
    order = np.random.default_rng(block).permutation(count)
    received = expected.reshape(count, block)[order].reshape(-1)
    found = trace(PATTERN, received).origins
    covered = np.zeros(received.size, np.bool_)
    for origin in found:
        assert origin.source == Source(1, 2, 10, int(order[origin.start // block]) * block + origin.start % block)
        assert np.array_equal(
            received[origin.start : origin.stop], stretch(PATTERN, origin.source.position, origin.nbytes)
        )
        covered[origin.start : origin.stop] = True
    assert covered[received != expected].all()


def planted(kind: str, start: int, stop: int, received: np.ndarray, random: np.random.Generator) -> None:
    """Damage of one kind between two positions of a buffer that was right there."""
    own = received[start:stop].copy()
    nbytes = own.size
    elsewhere = int(random.integers(0, SIZE - nbytes + 1))
    whole = nbytes // 16 * 16
    reversals = {
        "reversed-bytes": lambda data: data.reshape(-1, 4)[:, ::-1],
        "reversed-words": lambda data: data.reshape(-1, 2, 4)[:, ::-1],
        "reversed-bits": lambda data: np.packbits(np.unpackbits(data), bitorder="little"),
    }
    if kind == "swapped":
        received[start:stop], received[elsewhere : elsewhere + nbytes] = (
            received[elsewhere : elsewhere + nbytes].copy(),
            own,
        )
    elif kind in ("shifted", "repeated"):
        by = 4 if kind == "shifted" else max(16, nbytes // 2)
        received[start + by : stop] = own[:-by]
    elif kind in ("stale", "early", "foreign", "elsewhere"):
        changes = {
            "stale": {"sequence": 8},
            "early": {"sequence": 12},
            "foreign": {"slot": 0},
            "elsewhere": {"seed": 9},
        }
        attrs.evolve(PATTERN, **changes[kind]).fill(received[start:stop], elsewhere)
    elif kind in reversals:
        received[start : start + whole] = reversals[kind](own[:whole]).reshape(-1)
    elif kind == "noise":
        received[start:stop] = random.integers(0, 256, nbytes, np.uint8)
    elif kind == "bit errors":
        at = random.integers(start, stop, max(1, nbytes // 300))
        received[at] ^= np.uint8(1) << random.integers(0, 8, at.size, np.uint8)
    else:
        received[start:stop] = {"pre-fill": ~own, "ones": 255, "zeros": 0}[kind]


KINDS = ("shifted", "swapped", "repeated", "stale", "early", "foreign", "elsewhere", "reversed-bytes", "reversed-words",
         "reversed-bits", "pre-fill", "ones", "zeros", "noise", "bit errors")  # fmt: skip
ranges = st.tuples(st.integers(0, SIZE - 600_000), st.integers(64, 5000) | st.integers(64, 600_000))
EXPECTED = stretch(PATTERN, 0, SIZE)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(KINDS), ranges), min_size=1, max_size=6),
    st.integers(0, 9),
    st.integers(0, 2**32),
)
def test_both_backends_agree_on_any_damage(damage, skipped, seed):
    random = np.random.default_rng(seed)
    received = EXPECTED.copy()
    for kind, (start, nbytes) in damage:
        planted(kind, start, start + nbytes, received, random)
    received = received[skipped:]  # so that words lie at any address
    found = []
    for backend in BACKENDS:
        use(backend)
        found.append((trace(PATTERN, received, skipped, past=PAST), localise(PATTERN, received, skipped, block=512)))
    assert found[0] == found[1]


@pytest.mark.parametrize("kind", KINDS)
def test_both_backends_agree_on_each_kind_of_damage(kind):
    received = EXPECTED.copy()
    planted(kind, 100_003, 650_000, received, np.random.default_rng(5))
    found = []
    for backend in BACKENDS:
        use(backend)
        found.append((trace(PATTERN, received, past=PAST), localise(PATTERN, received)))
    assert found[0] == found[1]
    assert found[0][0].origins


@pytest.mark.parametrize("stray", [0, 1, 5])
@pytest.mark.parametrize("block", [300, 1003, 4096, 16384, 100_000])
@pytest.mark.parametrize("source", [PATTERN, pattern("prbs23", sequence=3), pattern("prbs20", inverted=True)])
def test_both_backends_agree_on_shuffled_blocks_with_stray_damage(source, block, stray):
    random = np.random.default_rng(block + stray)
    count = 2_200_000 // block
    expected = stretch(source, 0, count * block)
    received = expected.reshape(count, block)[random.permutation(count)].reshape(-1)
    # A quarter is right, and so are the borders between it and the rest.
    received[: received.size // 4] = expected[: received.size // 4]
    for at in random.integers(0, received.size - 64, stray).tolist():
        received[at : at + int(random.integers(1, 64))] ^= np.uint8(random.integers(1, 256))
    found = []
    for backend in BACKENDS:
        use(backend)
        found.append(trace(source, received[stray:], stray, past=PAST))
    assert found[0] == found[1]
    assert sum(found[0].wrong_bytes_by_kind.values()) == np.count_nonzero(received[stray:] != expected[stray:])


@pytest.mark.parametrize("beyond", [*range(20), *range(56, 90), 120, 127, 128, 136])
@pytest.mark.parametrize("follows", ["displaced", "right"])
def test_both_backends_agree_on_a_stretch_that_stops_near_a_border_between_chunks(beyond, follows):
    border = 1 << 19
    received = EXPECTED.copy()
    stop = border + beyond
    received[border - 20_000 : stop] = EXPECTED[1000 : 21_000 + beyond]
    if follows == "displaced":
        # Its first byte suits what it follows as well.
        first = 50_000 + int(np.flatnonzero(EXPECTED[50_000:] == EXPECTED[21_000 + beyond])[0])
        received[stop : stop + 5000] = EXPECTED[first : first + 5000]
    found = []
    for backend in BACKENDS:
        use(backend)
        found.append(trace(PATTERN, received))
    assert found[0] == found[1]


def test_displaced_data_alone_are_found_up_to_the_chunk_that_holds_other_damage():
    use("numba")
    finder = recovery(PATTERN)
    assert isinstance(finder, PrbsRecovery)
    expected = stretch(PATTERN, 0, 3 << 18)
    received = expected.reshape(-1, 4096)[::-1].reshape(-1).copy()
    before = np.empty(31 * 64, np.uint8)
    PATTERN.fill(before, PATTERN.period_bytes - before.size)
    found = finder.displaced(received, before, PATTERN.inverted, 1 << 18, 1000, None)
    assert found is not None
    assert found.nbytes == received.size
    assert found.wrong.sum() == np.count_nonzero(received != expected)
    received[300_000:300_300] = np.random.default_rng(1).integers(0, 256, 300, np.uint8)
    found = finder.displaced(received, before, PATTERN.inverted, 1 << 18, 1000, None)
    assert found is not None
    assert found.nbytes == 1 << 18


@pytest.mark.parametrize("amount", [0.0001, 0.01, 0.3, 1.0])
def test_both_backends_count_the_same_masks_where_some_are_forgotten(amount):
    random = np.random.default_rng(int(1e4 * amount))
    received = EXPECTED ^ np.where(random.random(SIZE) < amount, random.integers(0, 256, SIZE), 0).astype(np.uint8)
    received[3::4000] ^= 0x20
    found = []
    for backend in BACKENDS:
        use(backend)
        found.append(localise(PATTERN, received))
    assert found[0] == found[1]
    assert found[0].masks_are_least is (amount > 0.1)


@pytest.mark.parametrize("name", POLYNOMIALS)
def test_both_backends_find_the_same_places(name):
    finder = recovery(pattern(name))
    assert isinstance(finder, PrbsRecovery)
    states = np.random.default_rng(1).integers(1, POLYNOMIALS[name].period + 1, 500, np.uint64)
    found = []
    for backend in BACKENDS:
        use(backend)
        found.append(finder.places(states).tolist())
    assert found[0] == found[1]


@pytest.mark.parametrize("backend", BACKENDS)
def test_maps_and_counts_name_what_did_the_work(backend):
    use(backend)
    data = np.zeros(1 << 20, np.uint8)
    assert trace(PATTERN, data).kernels == backend
    assert localise(PATTERN, data).kernels == backend
    assert localise(PATTERN, data[:512]).combined(localise(PATTERN, data[512:], 512)).kernels == backend
    assert trace(pattern("counter"), data[:4096]).kernels == "numpy"
