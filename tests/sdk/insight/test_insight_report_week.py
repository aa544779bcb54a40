"""A soak of a week over six slots: the report stays small, and shows on one axis what happened when."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from long_run import SLOTS, WEEK_S, write_week
from reading_html import parsed

from laneproof.campaign.ledger import read_ledger
from laneproof.insight.report import report_html
from laneproof.insight.report_series import MOST_POINTS, SlotSeries, series_of

EVERY_S = 1200
EVENTS = 400


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("week") / "run.ledger"
    write_week(path, every_s=EVERY_S, events=EVENTS)
    return path


@pytest.fixture(scope="module")
def series(ledger: Path) -> tuple[SlotSeries, ...]:
    return series_of(ledger, read_ledger(ledger))


def test_it_is_smaller_than_a_megabyte_and_a_half_however_long_the_lists(ledger: Path) -> None:
    html = report_html(ledger)
    assert len(html.encode()) < 1_500_000 / 3  # with a third of it, ten times as many markers and lanes find room
    assert f"{EVENTS - 80} more in between stand in the ledger alone." in parsed(html).text
    assert html.count("<svg ") >= SLOTS


def test_rolled_up_points_keep_extremes_and_wrong_bits(series: tuple[SlotSeries, ...]) -> None:
    rows = WEEK_S // EVERY_S
    assert rows > MOST_POINTS
    for number, one in enumerate(series):
        assert 0.9 * MOST_POINTS <= len(one.points) <= MOST_POINTS
        assert sum(point.wrong_bits for point in one.points) == 3 * (number == 4)
        assert all(point.slowest <= point.bytes_per_s <= point.fastest for point in one.points)
        assert all(
            before.to_s <= after.from_s + 1e-3 for before, after in zip(one.points, one.points[1:], strict=False)
        )
    slow = min(series[2].points, key=lambda point: point.slowest)
    assert slow.slowest < 0.62 * 3.1e9 < min(point.slowest for point in series[1].points)
    assert slow.from_s < 2.4e5
    assert slow.to_s > 2e5


def test_windows_markers_and_events_lie_where_they_happened(series: tuple[SlotSeries, ...]) -> None:
    one = series[0]
    assert one.length_s == pytest.approx(WEEK_S, abs=2)
    ((begun, ended),) = [(window.from_s, window.to_s) for window in one.windows]
    assert (begun, ended) == pytest.approx((2e5, 2.4e5), abs=1)
    assert [marker.at_s for marker in one.markers] == pytest.approx([2e5, 2.4e5, 4e5], abs=1)
    assert [event.at_s for event in one.events] == pytest.approx(
        [WEEK_S * number / EVENTS for number in range(EVENTS)], abs=EVERY_S + 1
    )
    errors = [event for event in series[3].events if event.kind == "far errors"]
    assert errors[0].text.endswith("BadTLP 1")


def test_a_plot_has_no_more_marks_than_its_width_has_room_for(ledger: Path) -> None:
    for picture in re.findall("<svg .*?</svg>", report_html(ledger), re.DOTALL):
        assert len(picture) < 60_000
