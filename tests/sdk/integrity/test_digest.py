"""Verification by digest: it finds what the exact check finds, and says what it is."""

from __future__ import annotations

import attrs
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.integrity import NAMES, Comparison, crc32, crc_backend, pattern
from laneproof.integrity.digest import CAUTION, CHUNK_BYTES, compare_by_digest, counted_chunks, prbs_chunks
from laneproof.integrity.prbs import POLYNOMIALS

positions = st.one_of(st.integers(0, 70), st.integers(0, 2**40), st.just(2**64 - 1))
# Nothing, what is not predicted, one piece and some, whole chunks and what is left of the next.
sizes = st.one_of(st.integers(0, 70), st.integers(4000, 20_000), st.integers(2 * CHUNK_BYTES, 4 * CHUNK_BYTES))
masks = st.dictionaries(st.integers(0, 4 * CHUNK_BYTES), st.integers(1, 255), max_size=6)


def without_method(found: Comparison) -> Comparison:
    return attrs.evolve(found, method="exact", caution="")


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=40, deadline=None)
@given(st.booleans(), positions, sizes, masks)
@example(False, 1, 2 * CHUNK_BYTES + 7 * 4096 + 1, {0: 1, CHUNK_BYTES: 2, 2 * CHUNK_BYTES: 3})
@example(True, 2**40, 5 * CHUNK_BYTES - 1, {3 * CHUNK_BYTES + 5: 0x80})
@example(True, 2**40, 5 * CHUNK_BYTES - 1, {})
def test_digest_and_exact_agree_on_sound_and_on_corrupted_data(name, complement, at, nbytes, wrong):
    options = {"inverted": complement} if name in POLYNOMIALS else {}
    source = pattern(name, seed=7, slot=3, channel=1, sequence=11, **options)
    data = np.empty(nbytes, np.uint8)
    source.fill(data, at)
    for position, mask in wrong.items():
        if nbytes:
            data[position % nbytes] ^= mask
    digest, exact = source.verify_digest(data, at), source.verify(data, at)
    assert without_method(digest) == without_method(exact)
    assert digest.ok is exact.ok
    assert exact.method == "exact"
    assert digest.method == "digest" or digest == exact


@pytest.mark.parametrize("name", NAMES)
def test_sound_data_are_not_made_again(name, monkeypatch):
    """Only what is left over at the ends may be verified exactly."""
    source = pattern(name, seed=2, sequence=5)
    data = np.empty(6 * CHUNK_BYTES, np.uint8)
    source.fill(data)
    verified = []
    verify = type(source).verify

    def counting(self, buffer, *rest):
        verified.append(len(buffer))
        return verify(self, buffer, *rest)

    monkeypatch.setattr(type(source), "verify", counting)
    assert source.verify_digest(data).ok
    assert sum(verified) <= CHUNK_BYTES


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_memory_of_one_value_does_not_pass(name, byte):
    source = pattern(name)
    data = np.full(2 * CHUNK_BYTES + 5, byte, np.uint8)
    assert without_method(source.verify_digest(data)) == without_method(source.verify(data))


@pytest.mark.parametrize("step", [3, 50, 20_000, 30_000])
def test_much_damage_is_found_like_little(step):
    """So much that the list of regions is cut, and around where the rest is verified exactly."""
    source = pattern("prbs31", seed=4)
    data = np.empty(3 * CHUNK_BYTES + 4097, np.uint8)
    source.fill(data)
    data[::step] ^= 0x41
    assert without_method(source.verify_digest(data)) == without_method(source.verify(data))


@pytest.mark.parametrize("name", [name for name in NAMES if pattern(name).period_bytes > CHUNK_BYTES])
def test_predictions_hold_across_the_end_of_the_period(name):
    source = pattern(name, sequence=3)
    at = source.period_bytes - 3 * CHUNK_BYTES // 2
    for start in (at, at - 12_345):
        data = np.empty(4 * CHUNK_BYTES, np.uint8)
        source.fill(data, start)
        assert source.verify_digest(data, start).ok


def test_a_given_state_is_predicted_too():
    source = pattern("prbs31", state=0x2AAAAAAA, inverted=False)
    data = bytearray(CHUNK_BYTES + 4096)
    source.fill(data, 12)
    assert source.verify_digest(data, 12).ok
    assert not source.verify_digest(data, 13).ok


@pytest.mark.parametrize("name", ["prbs29", "prbs31"])
def test_a_whole_chunk_from_elsewhere_in_the_sequence_never_passes(name):
    """The CRC of a chunk, a linear map of the state but for a constant, has no two states with the same CRC."""
    polynomial = POLYNOMIALS[name]

    def digest(state: int) -> int:
        data = np.empty(CHUNK_BYTES, np.uint8)
        pattern(name, state=state, inverted=False).fill(data)
        return crc32(data) ^ crc32(bytes(CHUNK_BYTES))

    independent: list[int] = []
    for bit in range(polynomial.n):
        rest = digest(1 << bit)
        for image in independent:
            rest = min(rest, rest ^ image)
        if rest:
            independent.append(rest)
    assert len(independent) == polynomial.n


def test_pieces_are_whole_chunks_and_ever_smaller_ones():
    def make(position: int, nbytes: int) -> np.ndarray:
        return np.ones(nbytes, np.uint8)

    nbytes = 2 * CHUNK_BYTES + 4096 + 5
    prbs = list(prbs_chunks(POLYNOMIALS["prbs31"], True, make, 77, nbytes))
    assert [piece for piece, _ in prbs] == [CHUNK_BYTES, CHUNK_BYTES, 4096, 5]
    assert [crc is None for _, crc in prbs] == [False, False, False, True]
    counted = list(counted_chunks(8, 2**31, make, 100, 4 * CHUNK_BYTES))
    assert [piece for piece, _ in counted] == [CHUNK_BYTES - 100, CHUNK_BYTES, CHUNK_BYTES, CHUNK_BYTES, 100]
    assert [crc is None for _, crc in counted] == [True, False, False, False, True]


def test_the_result_says_that_it_is_a_digest_and_how_much_escapes():
    data = bytearray(2 * CHUNK_BYTES)
    pattern("prbs31").fill(data)
    assert pattern("prbs31").verify_digest(data).caution == CAUTION
    assert "2^-32" in CAUTION
    short = pattern("prbs7")
    short.fill(data)
    assert short.verify_digest(data).caution == f"{short.caution} {CAUTION}"


def test_the_result_names_what_worked_it_out():
    data = bytearray(2 * CHUNK_BYTES)
    pattern("prbs31").fill(data)
    assert pattern("prbs31").verify_digest(data).kernels == crc_backend()
    data[5] ^= 1
    exact = pattern("prbs31").verify(data)
    both = sorted([crc_backend(), *exact.kernels.split(" and ")])
    assert pattern("prbs31").verify_digest(data).kernels == " and ".join(both)


@pytest.mark.parametrize("name", NAMES)
def test_where_each_byte_was_looked_at_the_result_has_nothing_that_escapes(name):
    """Too little to be worth predicting, and a chunk of which the digest objected."""
    source = pattern(name)
    for nbytes, wrong in ((4095, 0), (4096, 1)):
        data = np.empty(nbytes, np.uint8)
        source.fill(data)
        data[7] ^= wrong
        found = source.verify_digest(data)
        assert (found, found.method, found.escape_probability) == (source.verify(data), "exact", 0.0)


def test_an_exact_and_a_digest_result_combine_to_a_digest():
    exact, digest = Comparison(bytes_checked=1), Comparison(bytes_checked=1, method="digest", caution=CAUTION)
    assert exact.combined(exact).method == "exact"
    for both in (exact.combined(digest), digest.combined(exact)):
        assert (both.method, both.caution) == ("digest", CAUTION)


def test_a_crc_that_is_not_that_of_the_data_is_never_passed_over():
    """Data that were wrong and then right: something wrote to the buffer meanwhile, or memory is sick."""
    data = np.zeros(10, np.uint8)
    with pytest.raises(BadInput, match=r"changed while it was verified: bytes 4 to 9 .* wait"):
        compare_by_digest(
            data,
            [(4, crc32(bytes(4))), (6, crc32(bytes(6)) ^ 1)],
            lambda start, stop: Comparison(bytes_checked=stop - start),
            caution="",
        )


def test_an_empty_buffer_is_no_evidence():
    for name in NAMES:
        found = pattern(name).verify_digest(b"")
        assert found.empty
        assert not found.ok


@pytest.mark.parametrize("at", [-1, 1.5, "0", 2**64])
def test_a_position_that_is_none_is_refused(at):
    with pytest.raises(BadInput, match="at is"):
        pattern("prbs31").verify_digest(bytes(8), at)


def test_what_is_no_buffer_is_refused():
    with pytest.raises(BadInput, match="is not a buffer"):
        pattern("prbs31").verify_digest("text")
