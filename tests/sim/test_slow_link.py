"""The slow model of a link against cases worked out by hand, before the simulator is held against it.

Rules and numbers are the base specification's, from memory and reviewed against public quotations of it, unless another
source stands beside a check.
"""

from __future__ import annotations

import numpy as np
import pytest
from slow_link import Result, Setting, Sites, run
from slow_wire import Grid, Sent

from laneproof.pcie import ceiling

X8 = Setting(speed_gtps=8.0, width=8)
X1 = Setting(speed_gtps=2.5, width=1, max_payload=128)


def sent(result: Result, end: str, kind: str) -> list[Sent]:
    return [one for one in result.sent[end] if one.kind == kind]


def place(setting: Setting, one: Sent, offset: int, bit: int = 0) -> dict[int, list[int]]:
    """The place on the wire of a bit of byte `offset` of what was sent."""
    lane, number = Grid(setting.speed_gtps, setting.width).bit_of(one.start + offset, bit)
    return {lane: [number]}


def together(*places: dict[int, list[int]]) -> dict[int, list[int]]:
    lanes = sorted({lane for one in places for lane in one})
    return {lane: [bit for one in places for bit in one.get(lane, [])] for lane in lanes}


def hit(setting: Setting, nbytes: int, kind: str, which: int, offset: int, until_s: float = 0.0) -> Result:
    """Write `nbytes`; the `which`th packet of `kind`, as a clean run has it, is hit in byte `offset`."""
    end = "near" if kind in ("Ack", "Nak", "UpdateFC-P") else "far"
    work = [("write", nbytes)]
    site = place(setting, sent(run(setting, work, until_s=until_s), end, kind)[which], offset)
    return run(setting, work, Sites(**{end: site}), until_s)


def complete(result: Result, nbytes: int) -> bool:
    """All bytes written have come, each once and in order."""
    offsets = np.cumsum([0, *(piece[2] for piece in result.pieces["near"])])
    return [piece[1] for piece in result.pieces["near"]] == offsets[:-1].tolist() and offsets[-1] == nbytes


def test_one_packet_takes_its_symbols_on_the_wire() -> None:
    # 4-DW header 16, payload 256, framing, sequence and LCRC 8: 280 bytes, 35 symbol times on 8 lanes; two blocks of 16
    # and three symbols of the third, after its two bits of sync header.
    assert run(X8, [("write", 256)]).last_s == pytest.approx((2 * 130 + 2 + 3 * 8) / 8e9)
    # 152 symbols of 10 bits on one lane.
    assert run(X1, [("write", 128)]).last_s == pytest.approx(1520 / 2.5e9)


def test_an_ack_leaves_at_the_latency_limit() -> None:
    # 237 symbol times at 2.5 GT/s, x1 and payload 128, after the 152 of the packet: base specification's table, as
    # quoted in public IP manuals.
    (ack,) = sent(run(X1, [("write", 128)]), "near", "Ack")
    assert ack.start == 152 + 237


def test_a_read_is_requested_answered_after_the_host_and_cut_at_the_payload() -> None:
    result = run(X1, [("read", 512)])
    assert len(sent(result, "far", "MRd")) == 1
    assert [one.end - one.start for one in sent(result, "near", "CplD")] == [148] * 4
    # 24 symbols of request, the host's 500 ns, four packets of 148 symbols; an UpdateFC may come between them.
    assert 24 + 125 + 4 * 148 <= result.last_s * 2.5e8 <= 24 + 125 + 4 * 148 + 2 * 8


def test_skp_ordered_sets_come_at_their_interval() -> None:
    # 4 symbols in each 1538; one block in each 375.
    for setting, nbytes, share in ((X1, 1 << 18, 4 / 1538), (X8, 1 << 22, 1 / 375)):
        result = run(setting, [("write", nbytes)])
        skips = sum(one.end - one.start for one in sent(result, "far", "SKP"))
        assert skips / result.sent["far"][-1].end == pytest.approx(share, rel=0.03)


@pytest.mark.parametrize(("speed", "width", "payload"), [(2.5, 1, 128), (5.0, 4, 128), (8.0, 8, 256), (32.0, 16, 512)])
def test_a_long_write_reaches_the_ceiling(speed: float, width: int, payload: int) -> None:
    result = run(Setting(speed_gtps=speed, width=width, max_payload=payload), [("write", 1 << 20)])
    at_best = ceiling(speed, width, payload, direction="from_card")
    assert (1 << 20) / result.last_s == pytest.approx(float(at_best), rel=0.005)


def test_a_packet_damaged_once_is_refused_and_replayed() -> None:
    result = hit(X8, 1024, "MWr", 1, offset=100)
    assert (result.counts("near"), result.counts("far")) == ({"BadTLP": 1}, {})
    assert (result.replays["far"], len(sent(result, "near", "Nak"))) == (1, 1)
    assert result.retrains == 0
    assert complete(result, 1024)


def test_packets_after_the_damaged_one_are_dropped_without_another_report() -> None:
    slow_nak = Setting(speed_gtps=8.0, width=8, nak_latency_symbols=100)
    result = hit(slow_nak, 4096, "MWr", 0, offset=100)
    assert result.counts("near") == {"BadTLP": 1}
    # 35 symbol times each: the Nak waits for 100 and takes one; the fifth packet starts before it is there.
    assert result.packets_replayed["far"] == 4
    assert complete(result, 4096)


def test_a_lost_nak_costs_a_timeout_at_the_sender() -> None:
    first = hit(X8, 256, "MWr", 0, offset=100)
    write = place(X8, sent(first, "far", "MWr")[0], 100)
    nak = place(X8, sent(first, "near", "Nak")[0], 4)
    result = run(X8, [("write", 256)], Sites(far=write, near=nak))
    assert (result.counts("near"), result.counts("far")) == ({"BadTLP": 1}, {"BadDLLP": 1, "Timeout": 1})
    assert complete(result, 256)


def test_a_lost_last_ack_costs_a_timeout_and_a_silent_duplicate() -> None:
    result = hit(X8, 256, "Ack", 0, offset=4)
    assert (result.counts("near"), result.counts("far")) == ({}, {"BadDLLP": 1, "Timeout": 1})
    assert (result.replays["far"], result.duplicates["near"]) == (1, 1)
    assert complete(result, 256)


def test_a_later_ack_hides_a_lost_one() -> None:
    result = hit(X8, 8192, "Ack", 1, offset=4)
    assert (result.counts("near"), result.counts("far")) == ({}, {"BadDLLP": 1})
    assert result.replays["far"] == 0


def test_the_fourth_replay_without_progress_rolls_over_and_retrains() -> None:
    sites: dict[int, list[int]] = {}
    for _ in range(4):  # each time the packet goes, it is hit
        last = sent(run(X8, [("write", 256)], Sites(far=sites)), "far", "MWr")[-1]
        sites = together(sites, place(X8, last, 100))
    result = run(X8, [("write", 256)], Sites(far=sites))
    assert result.counts("near") == {"BadTLP": 4}
    # One replay for the Nak; the flag that it set stays up, so that each further one waits for the timer.
    assert result.counts("far") == {"Timeout": 3, "Rollover": 1}
    assert (result.replays["far"], result.retrains) == (4, 1)
    assert complete(result, 256)
    retrained_ui = next(event.ui for event in result.events if event.name == "Rollover")
    assert result.last_s >= retrained_ui / 8e9 + X8.recovery_s


@pytest.mark.parametrize(("offset", "bad_tlp"), [(0, 1), (1, 0), (2, 0), (50, 0), (151, 0)])
def test_8b10b_refuses_a_packet_in_the_physical_layer(offset: int, bad_tlp: int) -> None:
    # Without its start symbol the packet is never seen; the next one shows that one is missing, which is a Bad TLP.
    result = hit(X1, 1024, "MWr", 2, offset)
    expected = {"RxErr": 1} | ({"BadTLP": 1} if bad_tlp else {})
    assert (result.counts("near"), result.counts("far")) == (expected, {})
    assert (result.replays["far"], result.retrains) == (1, 0)
    assert complete(result, 1024)


def test_8b10b_counts_a_hit_on_link_packets_and_ordered_sets() -> None:
    ack = hit(X1, 128, "Ack", 0, offset=3)
    assert (ack.counts("near"), ack.counts("far")) == ({}, {"RxErr": 1, "Timeout": 1})
    credit = hit(X1, 128, "UpdateFC-P", 0, offset=3, until_s=5e-6)
    assert (credit.counts("near"), credit.counts("far")) == ({}, {"RxErr": 1})
    skip = hit(X1, 4096, "SKP", 0, offset=2)
    assert (skip.counts("near"), skip.replays["far"], skip.retrains) == ({"RxErr": 1}, 0, 0)


def test_an_idle_line_is_hit_too() -> None:
    idle = {0: [20_000]}
    result = run(X1, [("write", 128)], Sites(far=idle), until_s=20e-6)
    assert (result.counts("near"), result.counts("far"), result.retrains) == ({"RxErr": 1}, {}, 0)
    blocks = run(X8, [("write", 256)], Sites(near=idle), until_s=20e-6)
    assert (blocks.counts("near"), blocks.counts("far"), blocks.retrains) == ({}, {"RxErr": 1}, 1)


@pytest.mark.parametrize(
    ("kind", "which", "offset", "near"),
    [
        ("MWr", 1, 0, {"RxErr": 1, "BadTLP": 1}),  # start token: lost whole, missed at the next packet
        ("MWr", 1, 3, {"RxErr": 1, "BadTLP": 1}),
        ("MWr", 1, 4, {"BadTLP": 1}),  # from the header on the LCRC finds it
        ("MWr", 1, 279, {"BadTLP": 1}),
        ("SKP", 0, 5, {"RxErr": 1}),
        ("EDS", 0, 1, {"RxErr": 1}),
    ],
)
def test_128b130b_retrains_for_what_frames_packets_only(
    kind: str, which: int, offset: int, near: dict[str, int]
) -> None:
    result = hit(X8, 65536, kind, which, offset)
    assert result.counts("near") == near
    assert result.retrains == near.get("RxErr", 0)
    assert complete(result, 65536)


def test_128b130b_retrains_for_a_sync_header() -> None:
    result = run(X8, [("write", 4096)], Sites(far={3: [130 * 5]}))
    assert (result.counts("near"), result.counts("far"), result.retrains) == ({"RxErr": 1}, {}, 1)
    assert complete(result, 4096)


def test_the_last_packet_lost_whole_costs_a_timeout_that_recovery_puts_off() -> None:
    result = hit(X8, 256, "MWr", 0, offset=0)
    assert (result.counts("near"), result.counts("far")) == ({"RxErr": 1}, {"Timeout": 1})
    timeout = next(event for event in result.events if event.name == "Timeout")
    # Three Ack limits of 203 symbols: AckFactor 2.5 for 256 + 28 bytes on 8 lanes, 88.75, and 115 inside the receiver.
    # The link retrains from the bit hit on, and the timer stands still meanwhile.
    assert timeout.ui == pytest.approx(2 + X8.recovery_s * 8e9 + 3 * 203 * 130 / 16, abs=1)


def test_nothing_is_counted_in_recovery() -> None:
    until_s = 30e-6
    start_ui = 20_000
    sites = {0: [start_ui, start_ui + 1000, start_ui + 79_000], 1: [start_ui + 80_500]}
    result = run(X8, [("write", 256)], Sites(far=sites), until_s)
    assert result.counts("near") == {"RxErr": 2}
    assert result.retrains == 2


@pytest.mark.parametrize("seed", range(20))
def test_whatever_is_hit_all_arrives_once_and_in_order(seed: int) -> None:
    draw = np.random.default_rng(seed)
    setting = Setting(speed_gtps=float(draw.choice([2.5, 5.0, 8.0, 16.0])), width=int(draw.choice([1, 2, 4, 8, 16])))
    work = [("write", 20_000), ("echo", 10_000), ("read", 5_000)]
    clean_ui = int(run(setting, work).last_s * setting.speed_gtps * 1e9)

    def lanes() -> dict[int, list[int]]:
        return {lane: draw.integers(0, clean_ui, draw.poisson(1.0)).tolist() for lane in range(setting.width)}

    result = run(setting, work, Sites(near=lanes(), far=lanes()))
    for end, wanted in (("near", {0: 20_000, 1: 10_000}), ("far", {1: 10_000, 2: 5_000})):
        got = dict.fromkeys(wanted, 0)
        for item, offset, nbytes in result.pieces[end]:
            assert offset == got[item]
            got[item] += nbytes
        assert got == wanted
