"""Steadiness of a load, against spans whose numbers can be worked out by hand and by stepping through time."""

from __future__ import annotations

import math
import statistics
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.campaign.statistics import steadiness
from laneproof.errors import BadInput

EXAMPLES = settings(max_examples=40, deadline=None, derandomize=True)

Span = tuple[float, float, float]


def test_an_even_load_is_perfectly_steady() -> None:
    seen = steadiness([(0.5 * turn, 0.5, 100.0) for turn in range(20)])
    assert (seen.windows, seen.median_bytes_per_s, seen.coefficient_of_variation, seen.near_median) == (10, 200, 0, 1)
    assert (seen.slowest_bytes_per_s, seen.fastest_bytes_per_s) == (200, 200)
    assert (seen.longest_gap_s, seen.longest_gap_at_s) == (0, None)


def test_variation_is_that_of_whole_seconds() -> None:
    per_second = [100.0, 104.0, 96.0, 100.0, 50.0, 100.0]
    seen = steadiness([(float(at), 1.0, moved) for at, moved in enumerate(per_second)])
    deviation = statistics.stdev(per_second) / statistics.mean(per_second)
    assert seen.coefficient_of_variation == pytest.approx(deviation)
    assert seen.median_bytes_per_s == 100
    assert seen.near_median == pytest.approx(5 / 6)
    assert steadiness([(float(a), 1.0, m) for a, m in enumerate(per_second)], within=0.03).near_median == 0.5


def test_the_slowest_second_may_begin_at_any_moment() -> None:
    """A pause of a second from 2.5 s on, half in either second of the clock."""
    seen = steadiness([(0.0, 2.5, 250.0), (3.5, 2.5, 250.0)])
    assert seen.slowest_bytes_per_s == 0
    assert seen.fastest_bytes_per_s == 100
    assert (seen.longest_gap_s, seen.longest_gap_at_s) == (1, 2.5)
    assert seen.median_bytes_per_s == 100


def test_spans_in_any_order_that_overlap_add_up() -> None:
    seen = steadiness([(2.0, 2.0, 20.0), (0.0, 4.0, 40.0), (1.0, 1.0, 10.0)])
    assert (seen.windows, seen.slowest_bytes_per_s, seen.fastest_bytes_per_s) == (4, 10, 20)
    assert seen.longest_gap_at_s is None


def test_a_gap_begins_where_the_last_span_under_way_ends() -> None:
    seen = steadiness([(0.0, 5.0, 1.0), (1.0, 1.0, 1.0), (7.0, 1.0, 1.0), (8.5, 1.0, 1.0)])
    assert (seen.longest_gap_s, seen.longest_gap_at_s) == (2, 5)


def test_simulated_time_may_ask_for_a_shorter_window() -> None:
    seen = steadiness([(0.001 * turn, 0.001, 7.0) for turn in range(50)], window_s=0.01)
    assert (seen.windows, seen.window_s) == (5, 0.01)
    assert seen.median_bytes_per_s == pytest.approx(7000)


@st.composite
def loads(draw: st.DrawFn) -> list[Span]:
    """Spans of whole milliseconds with gaps between them, two seconds or more."""
    at, spans = draw(st.integers(0, 10**6)), list[Span]()
    for _ in range(draw(st.integers(2, 12))):
        length = draw(st.integers(1, 900))
        spans.append((at / 1000, length / 1000, float(draw(st.integers(0, 10**6)))))
        at += length + draw(st.integers(0, 400))
    spans.append((at / 1000, 2.0, 1000.0))
    return spans


@EXAMPLES
@given(loads())
def test_each_number_is_what_stepping_through_milliseconds_gives(spans: list[Span]) -> None:
    begin, end = round(1000 * spans[0][0]), round(1000 * (spans[-1][0] + spans[-1][1]))
    moved = [0.0]
    for at in range(begin, end):
        here = (
            nbytes / (1000 * long)
            for start, long, nbytes in spans
            if start * 1000 - 0.5 < at < (start + long) * 1000 - 0.5
        )
        moved.append(moved[-1] + sum(here))
    seconds = [moved[at + 1000] - moved[at] for at in range(0, end - begin - 999, 1000)]
    anywhere = [moved[at + 1000] - moved[at] for at in range(end - begin - 999)]
    gaps = [later[0] - (first[0] + first[1]) for first, later in pairwise(spans)]
    seen = steadiness(spans)
    scale = max(anywhere) * 1e-6
    assert seen.windows == len(seconds)
    assert seen.median_bytes_per_s == pytest.approx(statistics.median(seconds), abs=scale)
    assert seen.slowest_bytes_per_s == pytest.approx(min(anywhere), abs=scale)
    assert seen.fastest_bytes_per_s == pytest.approx(max(anywhere), abs=scale)
    assert seen.longest_gap_s == pytest.approx(max(0.0, *gaps), abs=1e-9)
    if statistics.mean(seconds):
        deviation = statistics.stdev(seconds) / statistics.mean(seconds)
        assert seen.coefficient_of_variation == pytest.approx(deviation, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize(
    ("spans", "complaint"),
    [
        ([], "spans: give one at least"),
        ([(0.0, 1.9, 5.0)], "a load of 1.9 s: give two to 10000000 windows of 1 s"),
        ([(0.0, 1e9, 5.0)], "a load of 1e[+]09 s: give two to 10000000 windows"),
        ([(0.0, 5.0, 0.0)], "no byte moved"),
        ([(0.0, 0.0, 5.0)], "each lasts longer than 0 s"),
        ([(0.0, 5.0, -5.0)], "moves 0 bytes or more"),
        ([(1e18, 5.0, 5.0)], "too short for where it starts"),
        ([(math.nan, 5.0, 5.0)], "starts of spans: give one list of finite numbers"),
        ([(0.0, math.inf, 5.0)], "lengths of spans: give one list of finite numbers"),
        ([(0.0, 5.0, 10**400)], "bytes of spans: give a list of numbers"),
        ([(0.0, 5.0)], "spans: give .start in seconds, length in seconds, bytes. of each"),
        ([5.0], "spans: give .start in seconds, length in seconds, bytes. of each"),
        (None, "spans: give .start in seconds, length in seconds, bytes. of each"),
    ],
)
def test_what_is_no_load_is_refused_in_one_line(spans: Any, complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint) as refused:
        steadiness(spans)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("wrong", [{"within": 0.0}, {"window_s": 0.0}, {"window_s": math.nan}])
def test_a_window_or_a_nearness_of_nothing_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="give a number above 0"):
        steadiness([(0.0, 5.0, 5.0)], **wrong)
