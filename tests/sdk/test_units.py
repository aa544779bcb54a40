"""Quantities as people write them: read exactly or refused in one line, and written so that they can be read."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof import units
from laneproof.errors import BadInput

PARSERS: list[Callable[[str], float]] = [
    units.parse_bytes,
    units.parse_seconds,
    units.parse_speed_gtps,
    units.parse_bytes_per_s,
    units.parse_fraction,
    units.parse_watts,
    units.parse_celsius,
]


# IEC 80000-13 (KiB, MiB, GiB, TiB) and SI prefixes, from memory of both.
@pytest.mark.parametrize(
    ("text", "nbytes"),
    [
        ("0 B", 0),
        ("17 B", 17),
        ("4096B", 4096),
        (" 64  MiB ", 64 * 2**20),
        ("1.5 kB", 1500),
        ("1.001 kB", 1001),
        ("1.005 kB", 1005),
        ("0.1 kB", 100),
        ("1e3 B", 1000),
        ("2 TiB", 2 * 2**40),
        ("3 TB", 3 * 10**12),
        ("1 GB", 10**9),
        ("1 GiB", 2**30),
    ],
)
def test_bytes_are_read_exactly(text: str, nbytes: int) -> None:
    assert units.parse_bytes(text) == nbytes
    assert isinstance(units.parse_bytes(text), int)


@pytest.mark.parametrize(("text", "seconds"), [("30 s", 30), ("5 ms", 0.005), ("7 us", 7e-6), ("7 µs", 7e-6)])
@pytest.mark.parametrize("space", ["", " "])
def test_seconds(text: str, seconds: float, space: str) -> None:
    assert units.parse_seconds(text.replace(" ", space)) == pytest.approx(seconds)


def test_watts_and_degrees() -> None:
    assert (units.parse_watts("75 W"), units.parse_watts("1.5 kW"), units.parse_watts("20 mW")) == (75, 1500, 0.02)
    assert (units.parse_celsius("85 °C"), units.parse_celsius("85degC"), units.parse_celsius(" -5.5 °C")) == (
        85,
        85,
        -5.5,
    )


@pytest.mark.parametrize("text", ["- 5 °C", "--5 °C", "85 C", "85 K", "85", "°C", "−5 °C"])
def test_what_is_no_temperature_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(BadInput, match='write for example "85 °C"'):
        units.parse_celsius(text)


def test_minutes_hours_speeds_rates_and_shares() -> None:
    assert units.parse_seconds("2 min") == 120
    assert units.parse_seconds("2 h") == 7200
    assert units.parse_speed_gtps("2.5 GT/s") == 2.5
    assert units.parse_bytes_per_s("950 MB/s") == 950e6
    assert units.parse_bytes_per_s("1 GiB/s") == 2**30
    assert units.parse_fraction("80 %") == pytest.approx(0.8)
    assert (units.parse_fraction("0%"), units.parse_fraction("100%")) == (0, 1)


@pytest.mark.parametrize(
    "text", ["", " ", "MiB", "12", "-1 MiB", "+1 MiB", "1 mib", "1 Mib", "1 MB/s", "1,5 kB", "0x10 B"]
)
def test_what_is_no_number_of_bytes_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(BadInput, match='write for example "64 MiB"'):
        units.parse_bytes(text)


@pytest.mark.parametrize("text", ["0.5 B", "1.5 B", "1.0001 kB", "1e-9 B"])
def test_a_broken_byte_is_refused(text: str) -> None:
    with pytest.raises(BadInput, match="whole number of bytes"):
        units.parse_bytes(text)


@pytest.mark.parametrize("parse", PARSERS)
@pytest.mark.parametrize("text", ["nan s", "inf B", "1e999 B", "9" * 400 + " B", "٣ B", "1 B\x00", "1 \n B x"])
def test_no_quantity_is_infinite_or_strange(parse: Callable[[str], float], text: str) -> None:
    with pytest.raises(BadInput):
        parse(text)


@pytest.mark.parametrize("text", ["101 %", "100.1 %", "1e9 %"])
def test_a_share_is_at_most_all(text: str) -> None:
    with pytest.raises(BadInput, match="between 0 % and 100 %"):
        units.parse_fraction(text)


def test_a_long_run_of_spaces_is_refused_without_delay() -> None:
    started_s = time.process_time()
    with pytest.raises(BadInput):
        units.parse_bytes("1 B" + " " * 200_000 + "x")
    assert time.process_time() - started_s < 2.0  # a pattern that backtracks takes minutes


@given(st.text(max_size=40) | st.from_regex(r"[0-9.eE+-]{0,12} ?[A-Za-z/%µ]{0,5}", fullmatch=True))
def test_any_text_is_a_quantity_or_bad_input(text: str) -> None:
    for parse in PARSERS:
        with suppress(BadInput):
            assert parse(text) >= 0


@given(st.integers(0, 2**62))
def test_bytes_for_a_reader_are_right_to_four_digits(count: int) -> None:
    text = units.format_bytes(count)
    number, unit = text.split()
    scale = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}[unit]
    assert float(number) * scale == pytest.approx(count, rel=1e-3)
    assert "e" not in number


@given(st.integers(0, 1023), st.sampled_from(["B", "KiB", "MiB", "GiB"]))
def test_round_sizes_come_back_as_they_were_written(number: int, unit: str) -> None:
    nbytes = units.parse_bytes(f"{number} {unit}")
    assert units.parse_bytes(units.format_bytes(nbytes)) == nbytes


@given(st.floats(1e-3, 1e15))
def test_rates_for_a_reader_are_right_to_three_digits(rate: float) -> None:
    text = units.format_bytes_per_s(rate)
    assert units.parse_bytes_per_s(text) == pytest.approx(rate, rel=6e-3)
    assert "e+" not in text


@given(st.floats(1e-9, 59.0))
def test_short_times_for_a_reader_are_right_to_three_digits(seconds: float) -> None:
    text = units.format_seconds(seconds)
    assert units.parse_seconds(text) == pytest.approx(seconds, rel=6e-3)
    assert "e+" not in text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 µs"), (0.9999, "1000 ms"), (1.2, "1.2 s"), (250, "4 min 10 s"), (3 * 3600 + 5 * 60, "3 h 5 min")],
)
def test_times_for_a_reader(seconds: float, text: str) -> None:
    assert units.format_seconds(seconds) == text


@pytest.mark.parametrize(("rate", "text"), [(3.94e9, "3.94 GB/s"), (999_999.0, "1000 kB/s"), (0.0, "0 B/s")])
def test_rates_for_a_reader(rate: float, text: str) -> None:
    assert units.format_bytes_per_s(rate) == text
