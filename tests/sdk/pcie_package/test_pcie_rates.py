"""Speeds, widths and rates, against published tables."""

from __future__ import annotations

import pytest

from laneproof.errors import BadInput
from laneproof.pcie import (
    SPEEDS_GTPS,
    WIDTHS,
    bottleneck,
    encoding,
    lane_bits_per_s,
    link_bytes_per_s,
    speed_code,
    speed_from_code,
)


# Linux drivers/pci/pci.h, PCIE_SPEED2MBS_ENC, in Mb/s and lane, without its rounding to integers.
@pytest.mark.parametrize(
    ("speed_gtps", "megabits_per_s"),
    [
        (2.5, 2500 * 8 / 10),
        (5.0, 5000 * 8 / 10),
        (8.0, 8000 * 128 / 130),
        (16.0, 16000 * 128 / 130),
        (32.0, 32000 * 128 / 130),
        (64.0, 64000),
    ],
)
def test_a_lane_carries_what_linux_computes(speed_gtps: float, megabits_per_s: float) -> None:
    assert lane_bits_per_s(speed_gtps) == pytest.approx(megabits_per_s * 1e6)


# TrueNAS documentation, "Interconnect Maximum Effective Data Rates", in MB/s.
@pytest.mark.parametrize(
    ("speed_gtps", "width", "megabytes_per_s"),
    [
        (8.0, 1, 985),
        (8.0, 2, 1969),
        (8.0, 4, 3938),
        (8.0, 8, 7877),
        (8.0, 16, 15754),
        (16.0, 1, 1969),
        (16.0, 16, 31508),
        (32.0, 1, 3938),
        (32.0, 16, 63015),
    ],
)
def test_a_link_carries_what_the_published_table_says(speed_gtps: float, width: int, megabytes_per_s: int) -> None:
    assert round(link_bytes_per_s(speed_gtps, width) / 1e6) == megabytes_per_s


# Intel document 683111, Table 1, in Gb/s at 8 GT/s.
@pytest.mark.parametrize(("width", "gigabits_per_s"), [(1, 7.87), (2, 15.75), (4, 31.5), (8, 63), (16, 126)])
def test_a_link_at_8_gtps_carries_what_the_vendors_table_says(width: int, gigabits_per_s: float) -> None:
    assert link_bytes_per_s(8.0, width) * 8 / 1e9 == pytest.approx(gigabits_per_s, rel=1e-3)


def test_the_bottleneck_is_the_slowest_by_bandwidth_and_not_by_generation() -> None:
    # Linux commit af125b754e2f: 16 GT/s x1, 1969 MB/s, limits a path that starts with 2.5 GT/s x16.
    path = [(2.5, 16), (16.0, 1)]
    assert bottleneck(path) == 1
    assert link_bytes_per_s(*path[1]) / 1e6 == pytest.approx(1969, abs=1)
    assert link_bytes_per_s(*path[1]) < link_bytes_per_s(*path[0])


@pytest.mark.parametrize(
    ("path", "index"),
    [
        ([(8.0, 8)], 0),
        ([(8.0, 8), (16.0, 4), (8.0, 16)], 0),
        ([(16.0, 16), (8.0, 8), (8.0, 8)], 1),
        ([(5.0, 4), (2.5, 8)], 0),
    ],
)
def test_of_equal_links_the_first_is_the_bottleneck(path: list[tuple[float, int]], index: int) -> None:
    assert bottleneck(path) == index


def test_what_flits_cost_counts_for_the_bottleneck() -> None:
    # 236 of 256 bytes of a flit carry packets, from memory of the base specification; line coding costs 1.5 % below.
    assert bottleneck([(32.0, 16), (64.0, 8)]) == 1


@pytest.mark.parametrize(
    ("path", "complaint"), [([], "no links"), ([(8.0, 8), (3.0, 8)], "no link speed"), ([(8.0, 3)], "no link width")]
)
def test_a_path_that_cannot_be_is_refused(path: list[tuple[float, int]], complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint):
        bottleneck(path)


def test_codes_and_speeds_are_each_others_inverse() -> None:
    assert [speed_from_code(speed_code(speed)) for speed in SPEEDS_GTPS] == list(SPEEDS_GTPS)
    assert [speed_code(speed) for speed in SPEEDS_GTPS] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("code", [-1, 0, 7, 15])
def test_a_code_that_names_no_speed_is_none(code: int) -> None:
    assert speed_from_code(code) is None


@pytest.mark.parametrize(
    ("speed_gtps", "flit", "name"),
    [
        (2.5, False, "8b/10b"),
        (5.0, False, "8b/10b"),
        (8.0, False, "128b/130b"),
        (32.0, False, "128b/130b"),
        (32.0, True, "flit"),
        (64.0, False, "flit"),
    ],
)
def test_the_encoding_follows_speed_and_flit_mode(speed_gtps: float, flit: bool, name: str) -> None:
    assert encoding(speed_gtps, flit) == name


@pytest.mark.parametrize("call", [speed_code, lane_bits_per_s, encoding, lambda speed: link_bytes_per_s(speed, 1)])
@pytest.mark.parametrize("speed", [0, 3.0, -8.0, float("nan"), float("inf")])
def test_an_unknown_speed_is_refused_with_the_known_ones(call, speed: float) -> None:
    with pytest.raises(BadInput, match=r"no link speed; use one of 2\.5, 5, 8, 16, 32, 64"):
        call(speed)


@pytest.mark.parametrize("width", [0, 3, 64, -1])
def test_an_unknown_width_is_refused_with_the_known_ones(width: int) -> None:
    with pytest.raises(BadInput, match="no link width; use one of x1, x2, x4, x8, x12, x16, x32"):
        link_bytes_per_s(8.0, width)


def test_every_width_carries_in_proportion() -> None:
    assert [link_bytes_per_s(8.0, width) / link_bytes_per_s(8.0, 1) for width in WIDTHS] == pytest.approx(WIDTHS)
