"""Sweeps of an integrity step: which points a card is tried with, what they find, and when they end."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import laneproof_sim
from laneproof.campaign.results import RunResult
from laneproof.campaign.steps import Slot
from laneproof.campaign.steps.sweep import MAX_RECOVERIES, RECOVERY_S, Point, in_order, points_of
from laneproof.contract import Limits

BENCH = Path(laneproof_sim.__file__).with_name("benches") / "flipping-card.toml"
STEP = '[[step]]\nkind = "integrity"\nbytes = "64 KiB"\n'


@pytest.fixture
def faulty(tmp_path: Path) -> Callable[[str], str]:
    """The URI of a healthy card but for one fault, given as it stands in a scenario."""

    def bench(fault: str) -> str:
        path = tmp_path / "bench.toml"
        path.write_text(BENCH.read_text().replace('kind = "bit-flips"\nprobability = 1e-6\n', fault))
        return f"sim:{path}#north"

    return bench


def sizes(limits: Limits) -> list[int]:
    return [point.bytes for point in points_of(["sizes"], limits)]


def test_each_border_is_tried_with_its_neighbours() -> None:
    found = sizes(Limits(max_transfer=1 << 30, fifo_depth=10_000))
    for border in (64, 128, 256, 4096, 10_000):
        assert {border - 1, border, border + 1} <= set(found)
    assert found[0] == 1


def test_sizes_are_such_as_the_card_takes() -> None:
    found = sizes(Limits(max_transfer=4000, granularity=4))
    assert max(found) == 4000
    assert all(size % 4 == 0 for size in found)
    assert {60, 64, 68} <= set(found)


def test_a_card_that_needs_alignment_is_tried_at_the_offsets_that_it_takes() -> None:
    points = points_of(["offsets"], Limits(max_transfer=1 << 20, alignment=64))
    assert [point.offset for point in points] == [0, 64, 128, 512, 2048, 4032]
    assert {point.bytes for point in points} == {8192}


def test_a_queue_is_filled_to_its_depth() -> None:
    points = points_of(["depths"], Limits(max_transfer=1 << 20, queue_depth=12))
    assert [point.depth for point in points] == [1, 2, 4, 8, 12]
    assert all(point.bytes > point.depth * point.block for point in points)


def test_a_shuffle_is_the_same_for_the_same_seed() -> None:
    points = points_of(["sizes", "depths"], Limits(max_transfer=1 << 20, queue_depth=4))
    one, same, other = (in_order(points, "shuffled", seed) for seed in (1, 1, 2))
    assert one == same != other
    assert [point.sweep for point in one] == [point.sweep for point in points]
    assert in_order(points, "descending", 1)[0] == max((p for p in points if p.sweep == "sizes"), key=_bytes)


def _bytes(point: Point) -> int:
    return point.bytes


def test_a_good_card_passes_every_point(run_plan: Callable[..., RunResult]) -> None:
    plan = STEP + 'check = "both"\nsweep = ["sizes", "offsets", "depths"]\n'
    (step,) = run_plan(plan, "sim:demo#south").endpoints[0].steps
    assert str(step.verdict) == "pass"
    points = step.measures["points"]
    assert {point["sweep"] for point in points} == {"sizes", "offsets", "depths"}
    assert all(point["ok"] for point in points)
    exposure = step.measures["points_corruption"]["exposure_bits"]
    assert exposure == 8 * sum(point["bytes"] for point in points)
    assert step.bytes_moved == 2 * 65536 + exposure // 8
    assert step.measures["bytes_checked"] == 2 * 65536


def test_a_fault_above_a_size_shows_from_that_size_on(
    run_plan: Callable[..., RunResult], faulty: Callable[[str], str]
) -> None:
    plan = STEP.replace('"64 KiB"', '"64 B"') + 'block = "64 B"\nsweep = ["sizes"]\n'
    (step,) = run_plan(plan, faulty('kind = "short-tail"\nwhen = { size_from = "65 B" }\n')).endpoints[0].steps
    wrong = [point["bytes"] for point in step.measures["points"] if not point["ok"]]
    right = [point["bytes"] for point in step.measures["points"] if point["ok"]]
    assert max(right) <= 64 < min(wrong)
    assert any("sizes" in reason.text and "65 B" in reason.text for reason in step.reasons)
    assert str(step.verdict) == "fail"
    assert step.measures["mismatched_bits"] == 0


def test_a_card_that_never_gets_in_step_ends_the_sweep(
    run_plan: Callable[..., RunResult], faulty: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    announced: list[float] = []
    monkeypatch.setattr(Slot, "expect", lambda _, seconds: announced.append(seconds))
    plan = STEP + 'sweep = ["sizes"]\n'
    fault = 'kind = "short-tail"\nreported = true\nwhen = { after = "64 KiB" }\n'
    (step,) = run_plan(plan, faulty(fault)).endpoints[0].steps
    assert len(step.measures["points"]) == MAX_RECOVERIES + 1
    assert step.measures["points_not_tried"] > 0
    assert "never came" in step.reasons[-2].text
    assert "were not tried" in step.reasons[-1].text
    assert announced == (MAX_RECOVERIES + 1) * [RECOVERY_S]


def test_a_card_out_of_step_is_not_swept(run_plan: Callable[..., RunResult], faulty: Callable[[str], str]) -> None:
    fault = 'kind = "short-tail"\nreported = true\n'
    (step,) = run_plan(STEP + 'sweep = ["sizes"]\n', faulty(fault)).endpoints[0].steps
    assert step.measures["points"] == []
    assert "not tried, since the card was out of step" in step.reasons[-1].text
