"""A check by digest: what it finds, what its result says of itself, and that it is one only where it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from endpoint_fakes import EchoQueue, EchoStream, opened

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Completion
from laneproof.integrity import crc_backend

Install = Callable[..., None]
BLOCK = 1 << 16
NBYTES = 4 * BLOCK + 4096
AT = 2 * BLOCK + 77


class FlippingStream(EchoStream):
    """Damages one byte on its way back."""

    done = 0

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        moved = super().receive_into(view, deadline)
        if self.done <= AT < self.done + moved:
            view[AT - self.done] ^= 0x42
        self.done += moved
        return moved


class FlippingQueue(EchoQueue):
    """The same, a block at a time."""

    done = 0

    def finish(self, ticket: int) -> Completion:
        into = self.waiting[ticket][1]
        completion = super().finish(ticket)
        if into is not None and self.done <= AT < self.done + completion.received:
            into[AT - self.done] ^= 0x42
        self.done += completion.received
        return completion


def checked(install: Install, path: Any, **options: Any) -> laneproof.integrity.Comparison:
    with opened(install, path) as card:
        return card.check("prbs31", NBYTES, block=BLOCK, **options)


@pytest.mark.parametrize("path", [EchoStream, EchoQueue])
def test_clean_data_pass_by_their_crc_alone_and_the_result_says_so(install: Install, path: Any) -> None:
    found = checked(install, path(), digest=True)
    assert found.ok
    assert (found.bytes_checked, found.method, found.kernels) == (NBYTES, "digest", crc_backend())
    assert found.escape_probability == 2**-32
    assert "a probability of about 2^-32" in found.caution


@pytest.mark.parametrize("path", [FlippingStream, FlippingQueue])
def test_damage_is_placed_as_the_exact_check_places_it(install: Install, path: Any) -> None:
    found = checked(install, path(), digest=True)
    assert (found.mismatched_bytes, found.mismatched_bits, found.first) == (1, 2, AT)
    assert [(region.start, region.stop) for region in found.regions] == [(AT, AT + 1)]
    assert found.method == "digest"


def test_a_check_is_exact_unless_a_digest_is_asked_for(install: Install) -> None:
    found = checked(install, EchoStream())
    assert (found.ok, found.method, found.escape_probability, found.caution) == (True, "exact", 0.0, "")


def test_nothing_checked_by_digest_is_no_evidence_either(install: Install) -> None:
    with opened(install, EchoStream()) as card:
        found = card.check("prbs31", 0, digest=True)
    assert (found.ok, found.empty, found.method) == (False, True, "digest")


def test_what_was_verified_exactly_to_the_last_byte_is_called_exact(install: Install) -> None:
    with opened(install, EchoStream()) as card:
        found = card.check("prbs31", 2000, digest=True)
    assert (found.ok, found.method, found.escape_probability, found.caution) == (True, "exact", 0.0, "")
