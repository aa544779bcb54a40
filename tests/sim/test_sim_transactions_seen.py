"""Faults of the transaction layer as a tester meets them: transfers, data, counters at both ends, headers, time.

Which end counts what, and that advice is silent while it is masked, as it is by default: PCI Express base
specification, section 6.2.3, from memory; the masks as in QEMU's hw/pci/pcie_aer.c.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from attrs import frozen
from sim_bench import Bench, below_a_switch

import laneproof
from laneproof import pcie
from laneproof.contract import Completion
from laneproof_sim.damage.when import When
from laneproof_sim.transactions.faults import (
    CompleterAbort,
    CompletionTimeout,
    Malformed,
    Poisoned,
    ReceiverOverflow,
    UnexpectedCompletion,
    UnsupportedRequest,
)
from laneproof_sim.transactions.packet import TransactionFault

KIB = 1024
SIZE = 256 * KIB
PREFILL = 0x5A
SECOND = When(every=2)
ADVICE = "NonFatalErr"
"""Advice while it is masked: its flag stands, and nothing says of which error."""


@frozen
class Echoed:
    """One transfer out and back: how it ended, what stands in the buffer and what should, and how long it took."""

    completion: Completion
    right: np.ndarray
    back: np.ndarray
    seconds: float

    @property
    def wrong(self) -> np.ndarray:
        return np.flatnonzero(self.right != self.back)


def echo(bench: Bench, ticket: int, size: int = SIZE) -> Echoed:
    right = np.random.default_rng(ticket).integers(0, 256, size, dtype=np.uint8)
    right[right == PREFILL] = 0
    back = np.full(size, PREFILL, np.uint8)
    begin_s = bench.opened.clock.now_s()
    bench.path.submit(ticket, memoryview(right), memoryview(back))
    (completion,) = bench.path.reap(bench.deadline(1000.0))
    return Echoed(completion, right, back, bench.opened.clock.now_s() - begin_s)


def second(bench: Bench) -> Echoed:
    """The second of two transfers, which is the one that the faults here act on; the first one is right."""
    assert not echo(bench, 1).wrong.size
    return echo(bench, 2)


def logged(bench: Bench, end: str) -> pcie.Tlp:
    """The header in a partner's log."""
    near, far = bench.opened.images()
    seen = pcie.decode(near if end == "near" else far).aer
    assert seen is not None
    return pcie.decode_tlp(seen.header_log)


@frozen
class Row:
    """What is counted at each end by default, whether the transfer fails, and the unit of damage in bytes, 0 for none.

    `flips`: wrong bits instead of a stretch that was not written.
    """

    fault: TransactionFault
    near: tuple[str, ...] = ()
    far: tuple[str, ...] = ()
    fails: bool = False
    unit: int = 0
    flips: bool = False
    header: str = ""


ROWS = {
    "no completion": Row(CompletionTimeout(when=SECOND), far=("CmpltTO",), fails=True, header="far MRd"),
    "no completion, a hole": Row(
        CompletionTimeout(when=SECOND, then="hole"), far=("CmpltTO",), unit=512, header="far MRd"
    ),
    "no completion at first": Row(CompletionTimeout(when=SECOND, retries=1), far=(ADVICE,)),
    "wrong tag": Row(UnexpectedCompletion(when=SECOND), far=(ADVICE, "CmpltTO"), fails=True, header="far MRd"),
    "status CA": Row(CompleterAbort(when=SECOND), near=(ADVICE,), fails=True),
    "status UR": Row(UnsupportedRequest(when=SECOND), near=(ADVICE,), fails=True),
    "write to nowhere": Row(
        UnsupportedRequest(when=SECOND, request="write"), near=("UnsupReq",), unit=256, header="near MWr"
    ),
    "poison used": Row(Poisoned(when=SECOND, direction="to_card"), far=(ADVICE,), unit=256, flips=True),
    "poison refused": Row(
        Poisoned(when=SECOND, direction="to_card", then="failed"),
        far=("PoisonedTLP",),
        fails=True,
        header="far CplD",
    ),
    "poison written": Row(
        Poisoned(when=SECOND, direction="from_card"), near=("PoisonedTLP",), unit=256, header="near MWr"
    ),
    "malformed": Row(Malformed(when=SECOND), near=("MalfTLP",), unit=256, header="near MWr"),
    "overflow": Row(ReceiverOverflow(when=SECOND), near=("RxOF",), unit=256),
}


def of_rows(wanted: Callable[[Row], bool] = lambda row: True) -> pytest.MarkDecorator:
    chosen = {name: row for name, row in ROWS.items() if wanted(row)}
    return pytest.mark.parametrize("row", chosen.values(), ids=chosen)


each = of_rows()


@each
def test_the_transfer_ends_as_promised(bench: Callable[..., Bench], row: Row) -> None:
    seen = second(bench(faults=(row.fault,)))
    assert seen.completion.status == ("failed" if row.fails else "done")
    assert bool(seen.completion.why) == row.fails
    if row.fails:
        # All that came before the request is right, and behind it nothing was written.
        assert seen.completion.received <= seen.completion.sent < SIZE
        assert not seen.wrong[seen.wrong < seen.completion.received].size
        assert bool(np.all(seen.back[seen.completion.received :] == PREFILL))
    else:
        assert (seen.completion.sent, seen.completion.received) == (SIZE, SIZE)


@of_rows(lambda row: not row.fails)
def test_the_data_show_what_is_promised(bench: Callable[..., Bench], row: Row) -> None:
    seen = second(bench(faults=(row.fault,)))
    assert np.unique(seen.wrong // (row.unit or SIZE)).size == (row.unit > 0)
    if row.flips:
        assert int(np.bitwise_count(seen.right ^ seen.back).sum()) == 2
    elif row.unit == 256:
        assert bool(np.all(seen.back[seen.wrong] == PREFILL))
        assert seen.wrong.size == 256
    elif row.unit:
        # What the card's memory held: its FIFO is as deep as one of these transfers is long.
        old = np.random.default_rng(1).integers(0, 256, SIZE, dtype=np.uint8)
        old[old == PREFILL] = 0
        assert np.array_equal(seen.back[seen.wrong], old[seen.wrong])


@each
def test_both_ends_count_what_is_promised_and_the_link_nothing(bench: Callable[..., Bench], row: Row) -> None:
    one = bench(faults=(row.fault,))
    before = one.opened.read_link()
    echo(one, 1)
    assert one.counts("near") == one.counts("far") == {}
    echo(one, 2)
    assert one.counts("near") == dict.fromkeys(row.near, 1)
    assert one.counts("far") == dict.fromkeys(row.far, 1)
    assert one.opened.read_link() == before
    assert [change.state for change in one.opened.history][-1] == "L0"


@each
def test_the_header_log_says_which_packet_it_was(bench: Callable[..., Bench], row: Row) -> None:
    one = bench(faults=(row.fault,))
    second(one)
    one.counts("near")
    if not row.header:
        for end in ("near", "far"):
            assert logged(one, end) == pcie.decode_tlp((0, 0, 0, 0))
        return
    end, kind = row.header.split()
    header = logged(one, end)
    assert (header.type, header.requester) == (kind, "01:00.0")
    assert header.poisoned == isinstance(row.fault, Poisoned)


SILENT = {"no completion at first": "far", "status CA": "near", "status UR": "near", "poison used": "far"}


@pytest.mark.parametrize(("name", "end"), SILENT.items())
def test_advice_is_a_flag_without_a_message_until_it_is_unmasked(
    bench: Callable[..., Bench], name: str, end: str
) -> None:
    fault = ROWS[name].fault
    silent, heard = bench(faults=(fault,)), bench(faults=(fault,))
    partner = getattr(heard.opened, end)
    partner.write(0x100 + 0x14, 0)  # the correctable error mask: capability at 0x100, register 0x14 of it
    for one in (silent, heard):
        second(one)
    assert silent.counts(end) == {ADVICE: 1}
    assert silent.opened.read_conditions().reported == ()
    assert getattr(silent.opened.read_conditions(), end).device_status[0] == "CED"
    assert heard.counts(end)[ADVICE] == 1
    assert [report.errors for report in heard.opened.read_conditions().reported] == [(ADVICE,)]
    assert logged(heard, end).type in ("MRd", "CplD")


@pytest.mark.parametrize("timeout_s", [50e-6, 10e-3, 64.0])
def test_a_retry_costs_its_timeout_and_no_data(bench: Callable[..., Bench], timeout_s: float) -> None:
    clean = second(bench())
    fault = CompletionTimeout(when=SECOND, timeout=timeout_s, retries=3, lost=2)
    seen = second(bench(faults=(fault,)))
    assert not seen.wrong.size
    assert seen.completion.status == "done"
    lost_s = seen.seconds - clean.seconds
    # What goes on meanwhile is made up for: a transfer of this size takes no longer than that.
    assert 2 * timeout_s - clean.seconds <= lost_s <= 2 * timeout_s + clean.seconds


def test_a_failed_channel_stands_still_until_its_data_reset(bench: Callable[..., Bench]) -> None:
    one = bench(faults=(CompletionTimeout(when=SECOND),))
    assert second(one).completion.status == "failed"
    target = bytearray(SIZE)
    one.path.submit(3, memoryview(bytes(SIZE)), memoryview(target))
    assert one.path.reap(one.deadline(1.0)) == []
    assert [done.status for done in one.path.quiesce(one.deadline())] == ["stopped"]
    assert not any(target)
    one.opened.flush()
    assert not echo(one, 5).wrong.size


def test_nothing_is_written_to_the_buffer_of_a_transfer_that_has_failed(bench: Callable[..., Bench]) -> None:
    # The card writes slowly here, so that it has much of both messages in hand when the second one fails.
    one = bench(faults=(CompleterAbort(when=SECOND),), near={"posted_buffer": 256}, card={"fifo": 4 * SIZE})
    targets = [bytearray(SIZE) for _ in range(2)]
    for ticket, target in enumerate(targets):
        one.path.submit(ticket, memoryview(b"\xff" * SIZE), memoryview(target))
    (failed,) = one.path.reap(one.deadline())
    assert (failed.ticket, failed.status) == (1, "failed")
    held = [bytes(target) for target in targets]
    one.opened.clock.sleep(1.0)
    one.opened.read_errors()
    assert [bytes(target) for target in targets] == held
    assert [done.status for done in one.path.quiesce(one.deadline())] == ["stopped"]


def test_a_message_that_fails_with_its_first_request_leaves_nothing_behind(bench: Callable[..., Bench]) -> None:
    one = bench(faults=(CompleterAbort(when=SECOND),))
    assert not echo(one, 1, 512).wrong.size
    assert echo(one, 2, 512).completion.sent == 0
    assert one.path.quiesce(one.deadline()) == []
    assert not echo(one, 3, 512).wrong.size


@pytest.mark.parametrize("fault", [CompletionTimeout(), CompleterAbort()], ids=lambda fault: fault.kind)
def test_transfers_behind_a_failed_one_are_stopped_and_their_buffers_left(
    bench: Callable[..., Bench], fault: TransactionFault
) -> None:
    one = bench(faults=(fault,))
    targets = [bytearray(SIZE) for _ in range(3)]
    for ticket, target in enumerate(targets):
        one.path.submit(ticket, memoryview(b"\xff" * SIZE), memoryview(target))
    (failed,) = one.path.reap(one.deadline())
    assert (failed.ticket, failed.status) == (0, "failed")
    held = bytes(targets[0])
    one.opened.clock.sleep(1.0)
    one.opened.read_errors()
    assert bytes(targets[0]) == held
    assert sorted((done.ticket, done.status) for done in one.path.quiesce(one.deadline())) == [
        (1, "stopped"),
        (2, "stopped"),
    ]
    assert bytes(targets[0]) == held
    assert not any(map(any, targets[1:]))


# A hole of a read holds what stood as many bytes back as the FIFO is deep, so that it depends on the FIFO all the same.
@of_rows(lambda row: row.unit != 512)
def test_what_happens_does_not_depend_on_the_card_s_segments(bench: Callable[..., Bench], row: Row) -> None:
    found = []
    for fifo in (256 * KIB, 16 * KIB):
        one = bench(faults=(row.fault,), card={"fifo": fifo})
        seen = second(one)
        whole = (seen.back.tobytes(), seen.completion.received) if not row.fails else ()
        found.append((seen.completion.status, whole, seen.completion.sent, one.counts("near"), one.counts("far")))
    assert found[0] == found[1]


@each
def test_reading_in_between_changes_nothing(bench: Callable[..., Bench], row: Row) -> None:
    quiet, watched = bench(faults=(row.fault,)), bench(faults=(row.fault,))
    first = echo(quiet, 1), echo(watched, 1)
    watched.opened.read_errors()
    watched.opened.read_conditions()
    last = echo(quiet, 2), echo(watched, 2)
    for one, other in (first, last):
        assert (one.completion, one.seconds) == (other.completion, other.seconds)
        assert np.array_equal(one.back, other.back)
    assert quiet.counts("near") == watched.counts("near")
    assert quiet.counts("far") == watched.counts("far")


# --- through the endpoint, with switches, and on record

SCENARIO = """\
schema = 1
name = "mine"
invented = "invented for a test"
description = "One slot with one fault."

[[slot]]
name = "north"
wiring = 8
near = {{ max_speed = "8 GT/s", max_width = 8 }}
card = {{ max_speed = "8 GT/s", max_width = 8, model = "echo card", serial = "invented" }}
[[slot.fault]]
{fault}
"""


@pytest.fixture
def open_with(tmp_path: Path) -> Callable[..., laneproof.Endpoint]:
    def one(fault: str) -> laneproof.Endpoint:
        path = tmp_path / "mine.toml"
        path.write_text(SCENARIO.format(fault=fault), "utf-8")
        return laneproof.open(f"sim:{path}?truth={tmp_path / 'truth'}#north")

    return one


def test_the_endpoint_says_why_a_transfer_failed_and_recovers(open_with: Callable[..., laneproof.Endpoint]) -> None:
    with open_with('kind = "completer-abort"\nwhen = { every = 2 }') as card:
        assert card.check("prbs31", SIZE, block=SIZE).ok
        with pytest.raises(laneproof.DriverFault, match=r"a transfer failed: a read .* with status CA"):
            card.check("prbs31", SIZE, block=SIZE)
        card.recover()
        assert card.check("prbs31", SIZE, block=SIZE).ok


@pytest.mark.parametrize(
    ("fault", "port", "root"),
    [
        (Malformed(), {"MalfTLP": 1}, {}),
        (UnsupportedRequest(request="write"), {}, {"UnsupReq": 1}),
        (Poisoned(direction="from_card"), {ADVICE: 1}, {"PoisonedTLP": 1}),
    ],
    ids=lambda value: getattr(value, "kind", ""),
)
def test_below_a_switch_the_root_port_judges_requests_and_the_first_port_their_format(
    fault: TransactionFault, port: dict[str, int], root: dict[str, int]
) -> None:
    scenario = below_a_switch("north", faults=(fault,))
    one = Bench(scenario.slots[0], 0, scenario)
    echo(one, 1)
    assert (one.counts("near"), one.counts("far")) == (port, {})
    above = one.opened._route.links[0].kernel.errors("near", "root port")
    groups = (above.correctable, above.nonfatal, above.fatal)
    assert {name: count.n for group in groups for name, count in group.items() if count.n} == root
    one.opened.close()


def test_each_message_is_hit_however_much_longer_its_buffer_is(open_with: Callable[..., laneproof.Endpoint]) -> None:
    with open_with('kind = "malformed"') as card:
        result = card.check("prbs31", 16 * 256, block=256)  # into buffers with room for surplus
    assert result.mismatched_bytes == 16 * 256


def test_the_truth_names_the_packet_and_who_saw_what(
    open_with: Callable[..., laneproof.Endpoint], tmp_path: Path
) -> None:
    with open_with('kind = "poisoned"\ndirection = "from_card"') as card:
        result = card.check("prbs31", SIZE, block=SIZE)
    (event,) = [json.loads(line) for line in (tmp_path / "truth").read_text().splitlines()][1:]
    assert (event["kind"], event["message"]) == ("poisoned", 1)
    assert event["places"] == [[region.start, region.stop] for region in result.regions]
    ((at_s, end, name),) = event["errors"]
    assert (end, name) == ("near", "PoisonedTLP")
    assert event["time_s"] < at_s < event["time_s"] + 1e-6
