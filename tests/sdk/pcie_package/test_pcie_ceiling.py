"""Ceilings and their terms, against published efficiencies and measured rates."""

from __future__ import annotations

import json
import math

import pytest

from laneproof.errors import BadInput
from laneproof.pcie import SPEEDS_GTPS, WIDTHS, Ceiling, ceiling, link_bytes_per_s

EVERY = [
    (speed, width, payload, direction)
    for speed in SPEEDS_GTPS
    for width in WIDTHS
    for payload in (128, 256, 512, 4096)
    for direction in ("to_card", "from_card", "both")
]


def factor(of: Ceiling, name: str) -> float:
    found = [term.factor for term in of.terms if term.name == name]
    assert len(found) == 1
    assert found[0] is not None
    return found[0]


def packets(of: Ceiling) -> float:
    """Payload by packet: P/(P+O), with all that stands around the payload in O."""
    return math.prod(term.factor or 1.0 for term in of.terms if term.name in ("framing", "ECRC", "header"))


def link_packets(of: Ceiling) -> float:
    """What Ack and UpdateFC leave."""
    return math.prod(term.factor or 1.0 for term in of.terms if term.name in ("acknowledgement", "flow control"))


# Packet efficiency P/(P+O): 256/276 from Intel AN 456 §1.1.2; 128 B 86 % and 256 B 92 % from the PolarFire PCIe user
# guide, Table 3-11, which cuts the decimals off.
@pytest.mark.parametrize(
    ("payload", "header", "share"), [(256, "3dw", 256 / 276), (256, "4dw", 256 / 280), (512, "4dw", 512 / 536)]
)
def test_a_packet_costs_what_the_application_note_computes(payload: int, header, share: float) -> None:
    assert packets(ceiling(8.0, 8, payload, direction="from_card", header=header)) == pytest.approx(share)


@pytest.mark.parametrize(("payload", "percent"), [(128, 86), (256, 92)])
def test_a_completion_costs_what_the_users_guide_tabulates(payload: int, percent: int) -> None:
    assert int(100 * packets(ceiling(8.0, 8, payload, direction="to_card"))) == percent


def test_an_end_to_end_crc_costs_four_bytes_more() -> None:
    assert packets(ceiling(8.0, 8, 256, direction="to_card", ecrc=True)) == pytest.approx(256 / 280)
    assert packets(ceiling(8.0, 8, 256, direction="from_card", ecrc=True)) == pytest.approx(256 / 284)


def test_a_read_is_answered_by_completions_that_cost_what_the_application_note_computes() -> None:
    # Intel AN 855 §1.1.3: 512 bytes asked for, two completions of 256 bytes with 20 bytes around each, 512/552.
    assert packets(ceiling(5.0, 4, 256, direction="to_card", read_request=512)) == pytest.approx(512 / 552)


def test_a_read_request_is_a_whole_packet_without_payload() -> None:
    # For each 512 bytes two writes of 256, each with 28 around it, and one request of 28: 4-DW headers, ECRC.
    assert factor(ceiling(8.0, 8, 256, ecrc=True), "read requests") == pytest.approx(568 / (568 + 28))


def test_the_oldest_link_reaches_what_its_vendor_observed_and_no_more_than_it_computed() -> None:
    # A vendor's note on 2.5 GT/s x8 at 128 bytes: 1400 to 1600 MB/s observed one way, below 1730.
    for direction in ("to_card", "from_card"):
        assert 1600 < float(ceiling(2.5, 8, 128, direction=direction)) / 1e6 < 1730


@pytest.mark.parametrize("direction", ["to_card", "from_card"])
def test_a_bus_that_spends_a_ninth_on_headers_comes_close_to_the_ceiling(direction) -> None:
    # Intel AN 690: 8 GT/s x8, 256 bytes; the card's own bus moves them in 8 of 9 cycles, 8/9 × 8 = 7.111 GB/s, and
    # 7.1 were measured for reads and for writes.
    assert 0.98 < 7.1e9 / float(ceiling(8.0, 8, 256, direction=direction)) < 1


# Measured on a real device, 32 GT/s x16, payload 256 bytes: 54.9 GB/s into the card, 55.0 out of it, 45.5 each way at
# once. Computed without acknowledgement and SKP: 58.4 for completions, 57.6 for writes with 4-DW headers.
@pytest.mark.parametrize(
    ("direction", "measured", "computed"),
    [("to_card", 54.9e9, 58.45e9), ("from_card", 55.0e9, 57.62e9), ("both", 45.5e9, 57.62e9)],
)
def test_a_real_device_stays_below_the_ceiling(direction, measured: float, computed: float) -> None:
    assert measured < float(ceiling(32.0, 16, 256, direction=direction)) < computed


@pytest.mark.parametrize(("direction", "computed", "share"), [("to_card", 58.4, 0.94), ("from_card", 57.6, 0.955)])
def test_without_link_packets_the_ceiling_is_the_one_computed_for_that_device(direction, computed, share) -> None:
    # The measured rates above are 94 to 95.5 % of these, in which neither link packets nor SKP are counted.
    seen = ceiling(32.0, 16, 256, direction=direction)
    bare = float(seen) / link_packets(seen) / factor(seen, "SKP ordered sets")
    assert bare / 1e9 == pytest.approx(computed, abs=0.1)
    assert {"to_card": 54.9, "from_card": 55.0}[direction] / (bare / 1e9) == pytest.approx(share, abs=0.002)


@pytest.mark.parametrize(
    ("speed_gtps", "low", "high"),
    [(2.5, 0.0026, 0.0034), (5.0, 0.0026, 0.0034), (8.0, 0.0026, 0.0028), (32.0, 0.0026, 0.0028)],
)
def test_skip_ordered_sets_cost_what_their_interval_says(speed_gtps: float, low: float, high: float) -> None:
    # 4 symbols each 1180 to 1538 at 8b/10b, one block in 370 to 375 at 128b/130b: public IP manuals.
    assert low <= 1 - factor(ceiling(speed_gtps, 4, 256), "SKP ordered sets") < high


@pytest.mark.parametrize(("speed_gtps", "share"), [(2.5, 4 / 154), (8.0, 1 / 38), (32.0, 1 / 38)])
def test_separate_clocks_need_ten_times_as_many_skip_ordered_sets(speed_gtps: float, share: float) -> None:
    # One in less than 154 symbols, or in less than 38 blocks: from memory of the base specification.
    assert 1 - factor(ceiling(speed_gtps, 4, 256, sris=True), "SKP ordered sets") == pytest.approx(share)


def test_link_packets_cost_less_than_the_study_that_counted_more_of_them() -> None:
    # Neugebauer et al., SIGCOMM 2018, doi 10.1145/3230543.3230560, from memory: 62.96 to 57.88 Gb/s at 8 GT/s x8 for
    # acknowledgement and flow control. A ceiling counts the fewest that the standard allows.
    assert link_bytes_per_s(8.0, 8) * 8 / 1e9 == pytest.approx(62.96, rel=1e-3)
    for direction in ("to_card", "both"):
        assert 57.88 / 62.96 < link_packets(ceiling(8.0, 8, 256, direction=direction)) < 1


# Ack latency limits in symbol times at 2.5 GT/s, payload 128: base specification tables as quoted in public IP manuals.
# An Ack, 8 bytes, comes once in that time on the width's lanes.
@pytest.mark.parametrize(
    ("width", "symbol_times"), [(1, 237), (2, 128), (4, 73), (8, 67), (12, 58), (16, 48), (32, 33)]
)
def test_acknowledgements_come_as_seldom_as_the_latency_tables_allow(width: int, symbol_times: int) -> None:
    interval = symbol_times * width
    assert factor(ceiling(2.5, width, 128), "acknowledgement") == pytest.approx(interval / (interval + 8))


def test_completions_are_acknowledged_and_need_no_credits() -> None:
    # Base specification 4.0, 2.6.1, as public notes quote it: an endpoint grants completions without end, and UpdateFC
    # is sent for what is not granted without end. The card answers completions only; the host answers requests.
    both = ceiling(8.0, 8, 256)
    assert both.bound_by == "from_card"
    assert "flow control" not in {term.name for term in both.terms}
    assert factor(ceiling(8.0, 8, 256, direction="to_card"), "flow control") < 1


def test_reads_and_writes_are_credited_by_an_update_each() -> None:
    # With few read requests and many writes the way to the card, which carries what answers both, is the slower one.
    # An update comes once in 333 symbol times, the Ack latency limit at 8 GT/s x1 and 128 bytes, or once a request.
    seen = ceiling(8.0, 1, 128, read_request=4096, header="3dw")
    assert seen.bound_by == "to_card"
    wire = (128 + 20) / 128
    updates = 8 * (1 / 4096 + wire / 333)
    assert factor(seen, "flow control") == pytest.approx(wire / (wire + updates))


def test_nothing_is_acknowledged_while_nothing_comes_the_other_way() -> None:
    assert link_packets(ceiling(8.0, 4, 256, direction="from_card")) == 1.0


def test_both_directions_at_once_carry_less_than_either_alone() -> None:
    for speed, width, payload, direction in EVERY:
        if direction != "both":
            assert float(ceiling(speed, width, payload)) < float(ceiling(speed, width, payload, direction=direction))


def test_larger_read_requests_leave_more_room_for_writes() -> None:
    rates = [float(ceiling(16.0, 8, 256, read_request=nbytes)) for nbytes in (128, 256, 512, 1024, 2048, 4096)]
    assert rates == sorted(set(rates))


def test_a_completion_is_no_longer_than_the_read_request() -> None:
    assert packets(ceiling(8.0, 8, 512, direction="to_card", read_request=128)) == pytest.approx(128 / 148)


def test_completions_cut_at_the_boundary_lower_the_ceiling_to_64_of_84() -> None:
    seen = ceiling(8.0, 8, 256, direction="to_card")
    assert seen.split_bytes_per_second is not None
    before = link_bytes_per_s(8.0, 8)
    assert 0.72 < seen.split_bytes_per_second / before < 64 / 84
    assert seen.split_bytes_per_second < float(seen)
    wider = ceiling(8.0, 8, 256, direction="to_card", completion_boundary=128).split_bytes_per_second
    assert wider is not None
    assert seen.split_bytes_per_second < wider < float(seen)


def test_writes_alone_have_no_completions_to_be_cut() -> None:
    assert ceiling(8.0, 8, 256, direction="from_card").split_bytes_per_second is None


@pytest.mark.parametrize("tags", [32, 256, 768])
def test_reads_are_limited_by_what_is_asked_for_in_a_round_trip(tags: int) -> None:
    # tags × read request ÷ round trip, whatever the link: the arithmetic of any window.
    seen = ceiling(16.0, 16, 256, direction="to_card", tags=tags, round_trip_s=2e-6)
    assert seen.tag_limit is not None
    assert seen.tag_limit.bytes_per_second == pytest.approx(tags * 512 / 2e-6)
    assert float(seen) == pytest.approx(min(tags * 512 / 2e-6, seen.link_bytes_per_second))
    assert seen.limited_by == ("tags" if tags == 32 else "link")


def test_a_limit_of_reads_holds_both_ways_back_but_never_writes_alone() -> None:
    few = {"tags": 8, "round_trip_s": 1e-6}
    assert float(ceiling(16.0, 16, 256, **few)) == pytest.approx(8 * 512 / 1e-6)
    assert ceiling(16.0, 16, 256, direction="from_card", **few) == ceiling(16.0, 16, 256, direction="from_card")


def test_completions_cut_small_are_no_slower_than_the_reads_that_ask_for_them() -> None:
    seen = ceiling(8.0, 8, 256, direction="to_card", tags=8, round_trip_s=1e-6)
    assert seen.split_bytes_per_second == float(seen) == pytest.approx(8 * 512 / 1e-6)


def test_what_is_not_counted_is_said() -> None:
    said = " ".join(ceiling(8.0, 8, 256).not_counted)
    assert "too few tags" in said
    assert "too few tags" not in " ".join(ceiling(8.0, 8, 256, tags=32, round_trip_s=1e-6).not_counted)
    assert "too few tags" not in " ".join(ceiling(8.0, 8, 256, direction="from_card").not_counted)


def test_the_terms_multiply_to_the_ceiling() -> None:
    for speed, width, payload, direction in EVERY:
        seen = ceiling(speed, width, payload, direction=direction)
        rates = [term.bytes_per_second for term in seen.terms if term.bytes_per_second is not None]
        factors = [term.factor for term in seen.terms if term.factor is not None]
        assert len(rates) == 1
        assert len(rates) + len(factors) == len(seen.terms)
        assert rates[0] * math.prod(factors) == pytest.approx(seen.link_bytes_per_second)
        assert all(0 < share <= 1 for share in factors)
        assert float(seen) == seen.bytes_per_second


def test_the_ceiling_lies_below_the_line_and_grows_with_the_payload() -> None:
    for speed in SPEEDS_GTPS:
        for width in WIDTHS:
            rates = [float(ceiling(speed, width, payload, direction="to_card")) for payload in (128, 256, 512)]
            assert rates == sorted(set(rates))
            assert rates[-1] < link_bytes_per_s(speed, width)


def test_flit_mode_is_on_at_64_gtps_and_off_below_unless_asked_for() -> None:
    def flits(seen: Ceiling) -> bool:
        return any(term.name == "flits" for term in seen.terms)

    assert flits(ceiling(64.0, 4, 256))
    assert not flits(ceiling(32.0, 4, 256))
    assert flits(ceiling(32.0, 4, 256, flit=True))


def test_flit_mode_spends_nothing_on_framing_and_acknowledgement() -> None:
    # 236 of 256 bytes carry packets: from memory of the base specification; PCI-SIG's FAQ gives 242 with the DLP bytes.
    seen = ceiling(64.0, 16, 256, direction="from_card", header="3dw")
    assert factor(seen, "flits") == pytest.approx(236 / 256)
    assert packets(seen) == pytest.approx(256 / 268)
    assert {"framing", "acknowledgement", "flow control"}.isdisjoint(term.name for term in seen.terms)


def test_what_rests_on_memory_is_marked_as_assumed() -> None:
    assumed = {term.name for term in ceiling(64.0, 16, 256).terms if term.assumed}
    assert assumed == {"SKP ordered sets", "flits", "header"}
    assert {term.name for term in ceiling(8.0, 8, 256).terms if term.assumed} == {"acknowledgement"}
    assumed = {term.name for term in ceiling(8.0, 8, 256, direction="to_card", sris=True).terms if term.assumed}
    assert assumed == {"SKP ordered sets", "acknowledgement", "flow control"}
    assert all(term.source for term in ceiling(64.0, 16, 256).terms)


def test_the_plain_form_is_ready_for_json() -> None:
    seen = ceiling(16.0, 8, 256)
    plain = json.loads(json.dumps(seen.to_dict()))
    assert plain == seen.to_dict()
    assert plain["bytes_per_second"] == float(seen)
    assert [term["name"] for term in plain["terms"]] == [term.name for term in seen.terms]
    assert ceiling(16.0, 8, 256, tags=1, round_trip_s=1).to_dict()["tag_limit"]["bytes_per_second"] == 512


@pytest.mark.parametrize(
    ("arguments", "options", "complaint"),
    [
        ((7.0, 4, 256), {}, "no link speed"),
        ((8.0, 3, 256), {}, "no link width"),
        ((8.0, 4, 64), {}, "64 bytes is no payload size; use one of 128, 256, 512, 1024, 2048, 4096"),
        ((8.0, 4, 8192), {}, "no payload size"),
        ((8.0, 4, 300), {}, "no payload size"),
        ((8.0, 4, 256), {"read_request": 0}, "no read request size"),
        ((8.0, 4, 256), {"direction": "sideways"}, "no direction; use to_card, from_card or both"),
        ((8.0, 4, 256), {"header": "5dw"}, "no packet header; use 3dw or 4dw"),
        ((8.0, 4, 256), {"completion_boundary": 32}, "no read completion boundary; use 64 or 128"),
        ((8.0, 4, 256), {"tags": 32}, "give both tags and round trip, or neither"),
        ((8.0, 4, 256), {"round_trip_s": 1e-6}, "give both tags and round trip, or neither"),
        ((8.0, 4, 256), {"tags": 0, "round_trip_s": 1e-6}, "0 is no number of tags; use 1 to 15360"),
        ((8.0, 4, 256), {"tags": 20000, "round_trip_s": 1e-6}, "no number of tags"),
        ((8.0, 4, 256), {"tags": 32, "round_trip_s": 0.0}, "no round trip; use a time above zero"),
        ((8.0, 4, 256), {"tags": 32, "round_trip_s": float("nan")}, "no round trip"),
        ((8.0, 4, 256), {"tags": 32, "round_trip_s": 1e-320}, "too short for a round trip"),
        ((64.0, 4, 256), {"flit": False}, "64 GT/s runs in FLIT mode only"),
    ],
)
def test_what_the_standard_does_not_have_is_refused(arguments, options, complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint):
        ceiling(*arguments, **options)
