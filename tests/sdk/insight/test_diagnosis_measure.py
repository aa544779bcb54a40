"""The measure of the diagnosis works: cases follow from the seed, truths that look alike are found, its parts are
printed; and in small the numbers hold, with slack. The numbers that count come from the benchmark itself."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from laneproof.insight.diagnosis import rules
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES

FOLDER = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def folder() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(FOLDER))
        yield


def module(name: str) -> ModuleType:
    return importlib.import_module(name)


@pytest.mark.usefixtures("folder")
def test_every_kind_of_fault_is_drawn() -> None:
    truths = module("diagnosis_truths")
    cases = module("diagnosis_cases")
    drawn: set[str] = set()
    for task in cases.tasks(5, cases=1, pairs=0, quiet=0, alarms=0):
        bench, _ = cases.bench_of(task)
        drawn |= {fault["kind"] for fault in (*bench.faults, *bench.switch_faults)}
    assert drawn == {kind.kind for kind in (*CATALOGUE, *IN_SWITCHES)}
    assert len({truth.name for truth in truths.FAULTS}) == len(truths.FAULTS)


@pytest.mark.usefixtures("folder")
def test_every_mechanism_that_counts_as_right_is_one_that_the_rules_know() -> None:
    truths = module("diagnosis_truths")
    named = {name for truth in (*truths.FAULTS, *truths.FALSE_ALARMS) for name in truth.mechanisms}
    assert named | truths.LINK_SIDE <= {mechanism.name for mechanism in rules().mechanism}


@pytest.mark.usefixtures("folder")
def test_a_case_follows_from_seed_and_number_alone() -> None:
    cases = module("diagnosis_cases")
    task = next(one for one in cases.tasks(5, cases=1, pairs=0, quiet=0, alarms=0) if one.truths == ("drop-off",))
    one, two = cases.outcome_of(task), cases.outcome_of(task)
    assert (one.bench, one.features, one.answered, one.held_out) == (
        two.bench,
        two.features,
        two.answered,
        two.held_out,
    )


def seen(alike: ModuleType, truth: str, spread: float, middle: float, seed: int, **more: Any) -> list[Any]:
    chance = np.random.default_rng(seed)
    return [
        alike.Seen(truth, frozenset({truth}), {"shown": x, "noise": y}, **more)
        for x, y in zip(middle + spread * chance.random(10), chance.random(10), strict=True)
    ]


@pytest.mark.usefixtures("folder")
def test_truths_that_show_the_same_are_found_and_others_are_kept() -> None:
    alike = module("diagnosis_alike")
    runs = [
        *seen(alike, "quiet", 0.0, 0.0, 1, quiet=True),
        *seen(alike, "one", 0.2, 0.5, 2),
        *seen(alike, "same as one", 0.2, 0.5, 3),
        *seen(alike, "other", 0.2, 0.8, 4),
    ]
    found = alike.alike(runs)
    assert [(pair.one, pair.two) for pair in found.pairs] == [("one", "same as one")]
    assert all(found.like[10:30])
    assert not any(found.like[30:])


@pytest.mark.usefixtures("folder")
def test_a_run_that_shows_nothing_beyond_a_healthy_one_left_no_trace() -> None:
    alike = module("diagnosis_alike")
    found = alike.alike(
        [
            alike.Seen("quiet", frozenset(), {"shown": 0.3}, True),
            alike.Seen("quiet", frozenset(), {"shown": 0.1}, True),
            alike.Seen("fault", frozenset({"fault"}), {"shown": 0.2}),
            alike.Seen("fault", frozenset({"fault"}), {"shown": 0.4}),
        ]
    )
    assert found.like[2:] == (("no trace",), ())


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(0, 10, 0.0, 0.3085), (1, 10, 0.0025, 0.4450), (10, 10, 0.6915, 1.0)],
)
def test_intervals_are_those_of_clopper_and_pearson(count: int, of: int, low: float, high: float) -> None:
    # 0 of 10: 1 - 0.025 ** (1 / 10), by hand; 1 of 10: the tables of Clopper and Pearson (1934), from memory.
    assert module("diagnosis_scores").Share(count, of).interval == pytest.approx((low, high), abs=5e-5)


@pytest.mark.usefixtures("folder")
def test_the_small_measure_prints_its_parts_and_holds_its_bounds(capsys: pytest.CaptureFixture[str]) -> None:
    assert module("diagnosis").main(["--small", "--seed", "2"]) == 0
    out = capsys.readouterr().out
    for part in ("First answers", "cannot tell apart", "One fault", "left out of the rules", "Two faults", "no alarm"):
        assert sum(part in line for line in out.splitlines()) == 1, part
    right = next(line for line in out.splitlines() if line.startswith("  first answer right "))
    count, of = (int(word) for word in right.split("%")[2].replace("of", " ").split()[:2])
    assert of == len(module("diagnosis").SMALL)
    assert count >= of - 1
