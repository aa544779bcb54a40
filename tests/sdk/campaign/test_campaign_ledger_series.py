"""Time series in a ledger: rows that grow longer, so that a month stays small, and no sample that is lost."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign.events import Sampled, StepStarted
from laneproof.campaign.ledger import Ledger, read_ledger
from laneproof.campaign.ledger import series as rolling
from laneproof.campaign.ledger.series import Series, Span


def sample(clock_s: float, nbytes: int = 1000, seconds: float = 0.25, wrong: int = 0) -> Sampled:
    return Sampled("a", 0, clock_s, nbytes, seconds, verified_bytes=nbytes, mismatched_bits=wrong)


def rolled(samples: list[Sampled]) -> list[Span]:
    series = Series()
    return [*filter(None, map(series.add, samples)), *filter(None, [series.close()])]


def test_a_row_sums_up_a_second() -> None:
    spans = rolled([sample(0.25 * number, nbytes=1000 * number, wrong=number == 3) for number in range(1, 9)])
    assert [(span.from_s, span.to_s, span.count, span.bytes) for span in spans] == [
        (0.0, 1.0, 4, 10_000),
        (1.0, 2.0, 4, 26_000),
    ]
    assert [(span.slowest, span.fastest, span.mismatched_bits) for span in spans] == [(4e3, 16e3, 1), (20e3, 32e3, 0)]
    assert spans[1].seconds == 1.0


def test_rows_become_twice_as_long_after_so_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rolling, "ROWS_A_LENGTH", 3)
    spans = rolled([sample(0.5 * number, seconds=0.5) for number in range(1, 43)])
    assert [round(span.to_s - span.from_s) for span in spans] == [1, 1, 1, 2, 2, 2, 4, 4, 4]


def test_a_month_of_samples_a_second_apart_is_less_than_a_hundred_thousand_rows() -> None:
    month_s = 31 * 24 * 3600
    series, rows = Series(), 0
    for number in range(1, month_s // 60 + 1):  # a sample a minute tells the same of all but the first hours
        rows += series.add(sample(60.0 * number, seconds=60.0)) is not None
    lengths = [2**power for power in range(12)]
    full = 0
    for length in lengths:
        full += min(4096, max(0, (month_s - sum(4096 * one for one in lengths if one < length)) // length))
    assert rows <= full < 100_000


def test_nothing_is_lost_in_rolling_up() -> None:
    samples = [sample(number * 0.013, nbytes=number, seconds=0.013, wrong=number % 7 == 0) for number in range(1, 5000)]
    spans = rolled(samples)
    assert sum(span.bytes for span in spans) == sum(one.nbytes for one in samples)
    assert sum(span.count for span in spans) == len(samples)
    assert sum(span.mismatched_bits for span in spans) == sum(one.mismatched_bits for one in samples)
    assert sum(span.seconds for span in spans) == pytest.approx(sum(one.seconds for one in samples))
    assert 60 < len(spans) < 70


def test_what_is_not_rolled_up_yet_stands_in_the_file_with_each_commit(tmp_path: Path) -> None:
    path = tmp_path / "run.ledger"
    plan = plans.builtin().over(["sim:demo#south"])
    ledger = Ledger(path)
    ledger.begin(plan, {}, set())
    ledger.take(StepStarted("south", 0, "soak"))
    seen: list[int] = []
    for number in range(1, 8):
        ledger.take(Sampled("south", 0, 0.25 * number, 100, 0.25, verified_bytes=100))
        ledger._commit()
        database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        (total,) = database.execute("SELECT sum(bytes) FROM sample").fetchone()
        assert database.execute("SELECT count(*) FROM sample").fetchone()[0] <= 2
        database.close()
        assert read_ledger(path).endpoints[0].steps[0].bytes_moved == total
        seen.append(total)
    assert seen == [100 * number for number in range(1, 8)]
    with ledger:
        ledger.end(interrupted=False)
    database = sqlite3.connect(path)
    assert database.execute("SELECT count(*) FROM tail").fetchone() == (0,)
    assert database.execute("SELECT bytes FROM sample").fetchall() == [(400,), (300,)]
    database.close()
