"""Faults of the transaction layer: the packets that they hit, who reports what with which header, and what comes of it.

Which end sees which error, and what is advisory: PCI Express base specification, section 6.2.3, from memory. Headers
are read back by `pcie.decode_tlp`, which is held to a logged one (Linux Documentation/PCI/pcieaer-howto.rst).
"""

from __future__ import annotations

from collections.abc import Callable

import attrs
import numpy as np
import pytest
from attrs import frozen
from hypothesis import given
from hypothesis import strategies as st

from laneproof import pcie
from laneproof.errors import BadInput
from laneproof_sim.damage.when import Occasion, When
from laneproof_sim.transactions.faults import (
    CompleterAbort,
    CompletionTimeout,
    Malformed,
    Poisoned,
    ReceiverOverflow,
    UnexpectedCompletion,
    UnsupportedRequest,
)
from laneproof_sim.transactions.headers import Request
from laneproof_sim.transactions.mishaps import INTO_ADDRESS, OUT_ADDRESS, Fetched, Mishaps, Packets
from laneproof_sim.transactions.packet import Report, TransactionFault

CARD, ROOT = 0x0100, 0x0000
SIZE = 64 * 1024
SIZES = Packets(payload=256, completion=128, read_request=512, tags=32, memory=SIZE, requester=CARD, completer=ROOT)
ROUND_TRIP_S = 1e-6


# --- headers


def test_a_request_has_its_fields_where_a_logged_one_has_them():
    # Linux Documentation/PCI/pcieaer-howto.rst: 04000001 00200a03 … is a CfgRd0 from 00:04.0 with tag 0x0a, whose
    # first double word wants bytes 0 and 1. A memory read differs in its type and in what follows.
    words = Request(address=0x1000, nbytes=2, requester=0x0020, completer=0, tag=0x0A).read()
    assert words == (0x00000001, 0x00200A03, 0x00001000, 0)


requests = st.builds(
    Request,
    address=st.integers(0, (1 << 52) - 1).map(lambda page: page << 12),
    nbytes=st.integers(1, 4096),
    requester=st.integers(0, 0xFFFF),
    completer=st.integers(0, 0xFFFF),
    tag=st.integers(0, 1023),
)


def name(function: int) -> str:
    return f"{function >> 8:02x}:{function >> 3 & 0x1F:02x}.{function & 7}"


@given(requests, st.integers(0, 4095))
def test_a_read_reads_back_as_what_it_asks_for(request: Request, offset: int):
    request = attrs.evolve(request, address=request.address + offset, nbytes=min(request.nbytes, 4096 - offset))
    seen = pcie.decode_tlp(request.read())
    assert (seen.type, seen.requester, seen.tag) == ("MRd", name(request.requester), request.tag)
    assert seen.header_dwords == (4 if request.address >= 1 << 32 else 3)
    assert seen.address == request.address & ~3
    assert (seen.poisoned, seen.with_data) == (False, False)
    asked = [seen.address + 4 * dword + byte for dword in range(seen.length) for byte in range(4)]
    wanted = [True] * len(asked)
    wanted[:4] = [bool(seen.first_byte_enables >> byte & 1) for byte in range(4)]
    if seen.length > 1:
        wanted[-4:] = [bool(seen.last_byte_enables >> byte & 1) for byte in range(4)]
    enabled = [address for address, there in zip(asked, wanted, strict=True) if there]
    assert (enabled[0], enabled[-1], len(enabled)) == (
        request.address,
        request.address + request.nbytes - 1,
        request.nbytes,
    )
    if seen.length == 1:
        assert seen.last_byte_enables == 0


@given(requests, st.booleans())
def test_a_write_reads_back_with_its_poison(request: Request, poisoned: bool):
    seen = pcie.decode_tlp(request.write(poisoned=poisoned))
    assert (seen.type, seen.with_data, seen.poisoned) == ("MWr", True, poisoned)
    assert (seen.address, seen.length) == (request.address, -(-request.nbytes // 4))


@given(requests, st.integers(0, 4095), st.integers(1, 4096))
def test_a_completion_reads_back_as_a_part_of_what_was_asked(request: Request, place: int, nbytes: int):
    place %= request.nbytes
    nbytes = min(nbytes, request.nbytes - place)
    seen = pcie.decode_tlp(request.completion(place=place, nbytes=nbytes))
    assert (seen.type, seen.status) == ("CplD", "SC")
    assert (seen.completer, seen.requester, seen.tag) == (name(request.completer), name(request.requester), request.tag)
    assert seen.byte_count == request.nbytes - place
    assert seen.lower_address == (request.address + place) & 0x7F
    assert seen.length == (place % 4 + nbytes + 3) // 4


@pytest.mark.parametrize("status", ["UR", "CA"])
def test_a_completion_that_is_not_successful_has_no_data(status):
    seen = pcie.decode_tlp(
        Request(address=0, nbytes=512, requester=CARD, completer=ROOT, tag=1).completion(status=status)
    )
    assert (seen.type, seen.status, seen.byte_count, seen.length) == ("Cpl", status, 512, None)


# --- what each fault does to a message, apart from any engine


@frozen
class Seen:
    """What came of one message."""

    reports: list[Report]
    fetched: Fetched | None
    holes: list[tuple[int, int]]
    right: np.ndarray
    data: np.ndarray

    @property
    def wrong(self) -> np.ndarray:
        return np.flatnonzero(self.right != self.data)


def mishaps(faults: tuple, seed: int, reports: list[Report]) -> Mishaps:
    return Mishaps(faults, seed, "north", SIZES, report=reports.append)


def occasion(number: int = 1) -> Occasion:
    return Occasion(number=number, passed=0, at_s=0.0, size=SIZE, address=0, depth=1)


def message(*faults: TransactionFault, seed: int = 0, number: int = 1, segment: int = SIZE) -> Seen:
    """One message read and written back in segments of a tenth of a millisecond each, at seconds 1 and 2."""
    reports: list[Report] = []
    one = mishaps(faults, seed, reports)
    right = np.random.default_rng(3).integers(1, 256, SIZE, dtype=np.uint8)
    data = right.copy()
    each_s = 1e-4 * segment / SIZE
    one.begin_reads(occasion(number))
    one.begin_writes(occasion(number))
    fetched, holes = None, []
    for index, place in enumerate(range(0, SIZE, segment)):
        piece = data[place : place + segment]
        start_s = 1 + index * each_s
        result = one.read(place, piece, start_s, start_s + each_s, ROUND_TRIP_S)
        if fetched is None or result.until_s > fetched.until_s:
            fetched = result
        if result.failure:
            break
        for hole in one.written(place, piece, start_s + 1, start_s + 1 + each_s):
            holes.append((place + hole.start, place + hole.stop))
    return Seen(reports, fetched, holes, right, data)


def packet(seen: Seen, report: Report) -> pcie.Tlp:
    assert report.header is not None
    return pcie.decode_tlp(report.header)


def test_a_healthy_channel_has_nothing_to_do():
    assert not mishaps((), 0, [])


def test_a_request_that_nobody_answers_times_out_at_the_card_and_fails_its_transfer():
    seen = message(CompletionTimeout())
    (report,) = seen.reports
    assert (report.end, report.name, report.advisory) == ("far", "CmpltTO", False)
    assert packet(seen, report).type == "MRd"
    assert 1.05 <= report.at_s <= 1.0501
    assert seen.fetched.until_s == report.at_s
    assert "no completion within 0.05 s" in seen.fetched.failure
    assert seen.fetched.nbytes % 512 == 0
    assert packet(seen, report).address == OUT_ADDRESS + (1 << 30) + seen.fetched.nbytes


def test_a_request_asked_again_costs_its_timeout_and_is_advice_only():
    seen = message(CompletionTimeout(retries=2, lost=2, timeout=1e-3))
    assert [(report.name, report.advisory) for report in seen.reports] == [("CmpltTO", True)] * 2
    first, second = (report.at_s for report in seen.reports)
    assert second - first == pytest.approx(1e-3)
    assert seen.fetched.until_s == pytest.approx(second + ROUND_TRIP_S)
    assert seen.fetched.failure == ""
    assert not seen.wrong.size


def test_the_last_of_too_few_retries_is_no_advice():
    seen = message(CompletionTimeout(retries=1, lost=5))
    assert [report.advisory for report in seen.reports] == [True, False]
    assert seen.fetched.failure


def test_a_hole_holds_what_the_card_s_memory_held():
    reports: list[Report] = []
    one = mishaps((CompletionTimeout(then="hole", when=When(every=2)),), 0, reports)
    first, second = (np.full(SIZE, value, np.uint8) for value in (0x11, 0x22))
    for number, data in enumerate((first, second), 1):
        one.begin_reads(occasion(number))
        one.read(0, data, 0.0, 1e-4, ROUND_TRIP_S)
    wrong = np.flatnonzero(second != 0x22)
    assert bool(np.all(first == 0x11))
    assert (wrong.size, wrong[0] % 512, set(second[wrong].tolist())) == (512, 0, {0x11})


def test_completions_that_come_too_late_are_unexpected():
    seen = message(CompletionTimeout(timeout=1e-3, late=2e-3, retries=1))
    late, timed_out = seen.reports
    assert (late.name, late.end, late.advisory) == ("UnxCmplt", "far", True)
    assert late.at_s - timed_out.at_s == pytest.approx(1e-3)
    assert packet(seen, late).tag == packet(seen, timed_out).tag


def test_a_completion_with_a_wrong_tag_is_unexpected_and_the_right_one_times_out():
    seen = message(UnexpectedCompletion())
    stray, timed_out = seen.reports
    assert (stray.name, stray.advisory, timed_out.name, timed_out.advisory) == ("UnxCmplt", True, "CmpltTO", False)
    assert packet(seen, stray).type == "CplD"
    assert packet(seen, stray).tag != packet(seen, timed_out).tag
    assert seen.fetched.failure


@pytest.mark.parametrize(
    ("fault", "error", "wrong_address"),
    [(CompleterAbort(), "CmpltAbrt", False), (UnsupportedRequest(), "UnsupReq", True)],
)
def test_a_read_that_is_refused_is_advice_at_the_near_end_and_fails_its_transfer(fault, error, wrong_address):
    seen = message(fault)
    (report,) = seen.reports
    assert (report.end, report.name, report.advisory) == ("near", error, True)
    assert packet(seen, report).type == "MRd"
    asked = OUT_ADDRESS + (1 << 30) + seen.fetched.nbytes
    assert (packet(seen, report).address != asked) == wrong_address
    assert seen.fetched.until_s < 1.001
    assert "status" in seen.fetched.failure


def test_poison_on_the_way_to_the_card_names_the_host_and_is_two_wrong_bits():
    seen = message(Poisoned(direction="to_card"))
    (report,) = seen.reports
    assert (report.end, report.name, report.advisory) == ("far", "PoisonedTLP", True)
    header = packet(seen, report)
    assert (header.type, header.poisoned, header.completer, header.requester) == ("CplD", True, "00:00.0", "01:00.0")
    assert sum(int(mask).bit_count() for mask in seen.right ^ seen.data) == 2
    assert np.unique(seen.wrong // SIZES.completion).size == 1
    assert seen.fetched.failure == ""


def test_which_bits_are_wrong_varies_from_message_to_message():
    places = [message(Poisoned(direction="to_card"), number=number).wrong % SIZES.completion for number in range(1, 9)]
    assert len({tuple(one.tolist()) for one in places}) > 6


def test_a_card_that_takes_no_poison_fails_its_transfer():
    seen = message(Poisoned(direction="to_card", then="failed"))
    assert [report.advisory for report in seen.reports] == [False]
    assert "poison" in seen.fetched.failure


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (UnsupportedRequest(request="write"), "UnsupReq"),
        (Poisoned(direction="from_card"), "PoisonedTLP"),
        (Malformed(), "MalfTLP"),
        (ReceiverOverflow(), "RxOF"),
    ],
    ids=lambda value: getattr(value, "kind", value),
)
def test_a_write_that_is_not_taken_leaves_a_hole_of_one_payload_and_is_no_advice(fault, error):
    seen = message(fault)
    (report,) = seen.reports
    assert (report.end, report.name, report.advisory) == ("near", error, False)
    ((start, stop),) = seen.holes
    assert (start % SIZES.payload, stop - start) == (0, SIZES.payload)
    assert 2 < report.at_s < 2.001
    assert not seen.wrong.size
    if error == "RxOF":  # belongs to no packet that could be logged
        assert report.header is None
        return
    header = packet(seen, report)
    assert (header.type, header.requester, header.length) == ("MWr", "01:00.0", SIZES.payload // 4)
    assert header.poisoned == (error == "PoisonedTLP")
    assert (header.address == INTO_ADDRESS + (1 << 30) + start) == (error != "UnsupReq")


EVERY = [
    CompletionTimeout(then="hole", timeout=1e-3),
    CompletionTimeout(),
    UnexpectedCompletion(retries=1),
    CompleterAbort(),
    UnsupportedRequest(),
    UnsupportedRequest(request="write"),
    Poisoned(direction="to_card"),
    Poisoned(direction="from_card"),
    Malformed(),
    ReceiverOverflow(),
]
by_kind = pytest.mark.parametrize("fault", EVERY, ids=lambda fault: fault.kind)


def told(seen: Seen) -> tuple:
    """All that does not depend on when a segment was on the line."""
    return [attrs.evolve(report, at_s=0) for report in seen.reports], seen.holes, seen.wrong.tolist()


@by_kind
@pytest.mark.parametrize("segment", [4096, 1024])
def test_the_packet_that_is_hit_does_not_depend_on_segments(fault, segment):
    whole, pieces = message(fault), message(fault, segment=segment)
    assert told(whole) == told(pieces)
    assert [one.at_s for one in whole.reports] == pytest.approx([one.at_s for one in pieces.reports], abs=1e-9)


@by_kind
def test_seed_and_message_settle_which_packet_is_hit(fault):
    assert told(message(fault, seed=4)) == told(message(fault, seed=4))
    for variety in (
        [told(message(fault, seed=seed)) for seed in range(8)],
        [told(message(fault, number=number)) for number in range(1, 9)],
    ):
        assert sum(one != variety[0] for one in variety) >= 6


def test_a_fault_acts_only_when_its_conditions_hold():
    conditional = Malformed(when=When(every=3))
    assert [bool(message(conditional, number=number).reports) for number in (1, 2, 3)] == [False, False, True]


@pytest.mark.parametrize(
    ("make", "problem"),
    [
        (lambda: CompletionTimeout(timeout=49e-6), 'use "50 us" to "64 s"'),
        (lambda: UnexpectedCompletion(timeout=65.0), 'use "50 us" to "64 s"'),
        (lambda: CompletionTimeout(timeout=1e-3, late=1e-3), "make it longer"),
        (lambda: Poisoned(direction="from_card", then="failed"), "leave out"),
    ],
)
def test_parameters_that_make_no_sense_are_refused(make: Callable[[], object], problem: str):
    with pytest.raises(BadInput, match=problem):
        make()
