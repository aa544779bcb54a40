"""One slot as an ordinary pytest file: `SLOT_UNDER_TEST=URI pytest test_slot.py`; without it, sim:demo#north.

What cannot be seen fails here. A skip would leave pytest's exit status at 0, and nobody counts skips.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

import laneproof
from laneproof import Unavailable

MIB = 1 << 20


@pytest.fixture
def card() -> Iterator[laneproof.Endpoint]:
    """Opened anew for each test, so that what one test breaks does not fail the next."""
    with laneproof.open(os.environ.get("SLOT_UNDER_TEST", "sim:demo#north")) as card:
        yield card


@pytest.mark.parametrize("size", [4095, 4096, 4097])
def test_transfers_around_a_page_come_back_unchanged(card: laneproof.Endpoint, size: int) -> None:
    result = card.check("prbs31", 1024 * size, block=size)
    assert result.ok, result


def test_a_long_transfer_comes_back_unchanged(card: laneproof.Endpoint) -> None:
    result = card.check("prbs31", 32 * MIB)
    assert result.ok, result


def test_the_link_trains_to_all_its_lanes(card: laneproof.Endpoint) -> None:
    card.check("prbs31", 4 * MIB)  # a link may save power while it is idle
    reading = card.read_link()
    near, far = reading.near, reading.far
    assert not isinstance(near, Unavailable), near.why
    assert not isinstance(far, Unavailable), far.why
    assert near.max_width is not None
    assert far.max_width is not None
    assert near.width == far.width == min(near.max_width, far.max_width, reading.wiring or far.max_width)


def test_a_load_causes_no_link_errors(card: laneproof.Endpoint) -> None:
    before = card.read_errors()
    card.check("prbs31", 32 * MIB)
    added = card.read_errors().since(before)
    for partner in (added.near, added.far):
        assert not isinstance(partner, Unavailable), partner.why
        counts = [*partner.correctable.values(), *partner.nonfatal.values(), *partner.fatal.values()]
        assert counts, f"{partner.name} counts nothing at all"
        assert not any(isinstance(count, Unavailable) or count.n for count in counts), partner
