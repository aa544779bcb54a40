"""PRBS against references from outside, and against the rule of ITU-T O.150 taken bit by bit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import max_len_seq

from laneproof.integrity import pattern
from laneproof.integrity.prbs import POLYNOMIALS, prbs_source

# ITU-T O.150 (05/96), clause 5 and table 1: feedback taps and inversion. PRBS7 is common practice.
O150 = {
    "prbs7": (7, 6, False),
    "prbs9": (9, 5, False),
    "prbs11": (11, 9, False),
    "prbs15": (15, 14, True),
    "prbs20": (20, 3, False),
    "prbs23": (23, 18, True),
    "prbs29": (29, 27, True),
    "prbs31": (31, 28, True),
}

# First 16 bytes from all ones, most significant bit first, not inverted; scipy and galois agree on them.
FIRST_BYTES = {
    "prbs7": "fe041851e459d4fa1c49b5bd8d2ee655",
    "prbs9": "ff83df1732094ed1e7cd8a91c6d5c4c4",
    "prbs11": "ffe00c078331fec0b84b2cf3e78f367d",
    "prbs15": "fffe00040018005001e0044019805501",
    "prbs20": "fffff1c71c8dc8d28d282d7d26157dda",
    "prbs23": "fffffe00007c001ff807c1f1ffff9c00",
    "prbs29": "fffffff8000000c000001e0000033000",
    "prbs31": "fffffffe0000001c000001f800001c70",
}


def stretch(name: str, nbytes: int, at: int = 0, **options: object) -> bytes:
    buffer = bytearray(nbytes)
    pattern(name, **options).fill(buffer, at)
    return bytes(buffer)


def by_rule(n: int, k: int, state: int, nbits: int) -> list[int]:
    """x[t] = x[t-n] xor x[t-k], one bit at a time: the definition, as slow as it is plain."""
    bits = [state >> (n - 1 - place) & 1 for place in range(n)]
    while len(bits) < nbits:
        bits.append(bits[-n] ^ bits[-k])
    return bits[:nbits]


@pytest.fixture(scope="module")
def galois():
    import galois  # seconds, for it brings a compiler

    return galois


@pytest.mark.parametrize("name", O150)
def test_the_first_bytes_are_those_of_the_reference_table(name):
    assert stretch(name, 16, inverted=False).hex() == FIRST_BYTES[name]


@pytest.mark.parametrize("name", O150)
def test_a_prbs_follows_the_rule_of_the_standard_with_its_inversion(name):
    n, k, inverted = O150[name]
    bits = by_rule(n, k, 2**n - 1, 8 * 9000)
    expected = np.packbits(bits) ^ (0xFF if inverted else 0)
    assert stretch(name, 9000) == expected.tobytes()


@pytest.mark.parametrize("name", O150)
def test_scipy_makes_the_same_sequence(name):
    n, k, _ = O150[name]
    bits, _ = max_len_seq(n, state=[1] * n, length=8 * 100_003, taps=[n - k])
    assert stretch(name, 100_003, inverted=False) == np.packbits(bits).tobytes()


@pytest.mark.parametrize("name", O150)
def test_galois_makes_the_same_sequence(name, galois):
    n, k, _ = O150[name]
    register = galois.FLFSR(galois.Poly.Degrees([n, k, 0]), state=[1] * n)
    bits = np.array(register.step(8 * 2003), np.uint8)
    assert stretch(name, 2003, inverted=False) == np.packbits(bits).tobytes()


@pytest.mark.parametrize("name", O150)
def test_an_explicit_state_is_the_first_bits_out(name):
    n, k, _ = O150[name]
    state = 0x2B5C_A193 % 2**n
    expected = np.packbits(by_rule(n, k, state, 8 * 600)).tobytes()
    assert stretch(name, 600, state=state, inverted=False) == expected
    assert stretch(name, 600, state=state, inverted=True) == bytes(byte ^ 0xFF for byte in expected)


@pytest.mark.parametrize("name", ["prbs7", "prbs15", "prbs20", "prbs23", "prbs29", "prbs31"])
def test_a_prbs_repeats_after_its_period_and_its_generator_is_maximal(name):
    n, _, _ = O150[name]
    period = 2**n - 1
    assert pattern(name).period_bytes == period
    assert stretch(name, 300, at=period + 5) == stretch(name, 300, at=5)
    # Were the period shorter, it would divide 2^n - 1 by one of that number's prime factors.
    for prime in (7, 31, 47, 73, 127, 151, 233, 1103, 2089, 178481, 3, 5, 11, 41):
        if period % prime == 0 and period != prime:
            assert stretch(name, 300, at=period // prime) != stretch(name, 300)


@pytest.mark.parametrize("name", ["prbs20", "prbs23", "prbs29", "prbs31"])
def test_a_far_position_continues_by_the_rule(name):
    """Bytes obey the rule at byte lags too (squaring is linear), which ties each position to those before it."""
    n, k, _ = O150[name]
    for at in (0, 12_345_678, 2**n - 400_000):
        data = np.frombuffer(stretch(name, 1_500_000, at=at, inverted=False), np.uint8)
        assert np.array_equal(data[n:], data[:-n] ^ data[n - k : -k])


def test_every_polynomial_of_the_table_is_offered_and_no_other():
    assert {name: (p.n, p.k, p.inverted) for name, p in POLYNOMIALS.items()} == O150


@pytest.mark.parametrize("nbytes", [1, 1984, 1985, 4096, 4097])
def test_what_is_kept_for_the_next_time_cannot_be_spoilt(nbytes):
    source = prbs_source(POLYNOMIALS["prbs31"], 5, inverted=False)
    first = np.concatenate([tile.copy() for tile in source.tiles(9, nbytes)])
    if nbytes <= 4096:
        assert not next(source.tiles(9, nbytes)).flags.writeable
    block = np.zeros(nbytes, np.uint8)
    stream = pattern("prbs31", state=5, inverted=False)
    stream.fill_unlike(block, 9)
    block[:] = 0
    stream.fill(block, 9)
    assert np.array_equal(block, first)
