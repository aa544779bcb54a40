"""What a comparison tells of two runs: each kind of difference by itself, put into a run that was carried out."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import attrs
import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import EndpointResult, Reason, RunResult, Seal, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.errors import BadInput, StorageFault
from laneproof.insight.comparison import RunsCompared, compare_runs

PLAN = {
    "schema": 1,
    "repeat": 3,
    "endpoint": [{"uri": "sim:demo#north"}, {"uri": "sim:demo#middle"}],
    "step": [
        {"kind": "link", "load": "64 KiB"},
        {"kind": "throughput", "bytes": "64 KiB", "min_share": "10 %"},
        {"kind": "soak", "bytes": "256 KiB", "portion": "32 KiB"},
    ],
}


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run of a healthy bench; said to be in real time, so that its rates have noise to be held against."""
    path = tmp_path_factory.mktemp("comparison") / "run.ledger"
    runner.run(plans.parse(PLAN, "test"), path)
    found = attrs.evolve(read_ledger(path), seal=None)
    slots = tuple(attrs.evolve(one, virtual_time=False) for one in found.endpoints)
    return attrs.evolve(found, endpoints=slots)


Change = Callable[[StepResult], StepResult]


def changed(run: RunResult, change: Change, *, slot: str = "north", kind: str = "") -> RunResult:
    """The run with the steps of one slot, of one kind or all, changed."""
    return of_slot(
        run,
        lambda one: attrs.evolve(
            one, steps=tuple(change(step) if kind in ("", step.kind) else step for step in one.steps)
        ),
        slot,
    )


def of_slot(run: RunResult, change: Callable[[EndpointResult], EndpointResult], slot: str = "north") -> RunResult:
    return attrs.evolve(run, endpoints=tuple(change(one) if one.name == slot else one for one in run.endpoints))


def measuring(**measures: Any) -> Change:
    return lambda step: attrs.evolve(step, measures={**step.measures, **measures})


def times_rate(factor: float, spread: float = 0.002) -> Change:
    """The rates of a step times a factor, each repetition's a little off the others'."""
    return lambda step: measuring(
        bytes_per_second=step.measures["bytes_per_second"] * factor * (1 + spread * (step.repetition - 2))
    )(step)


def noisy(run: RunResult, factor: float = 1.0, spread: float = 0.002) -> RunResult:
    for slot in ("north", "middle"):
        for kind in ("throughput", "soak"):
            scale = factor if (slot, kind) == ("north", "throughput") else 1.0
            run = changed(run, times_rate(scale, spread), slot=slot, kind=kind)
    return run


def told(found: RunsCompared) -> list[tuple[str, str, str]]:
    return [(one.kind, one.slot, one.step) for one in found.differences]


def test_equal_runs_differ_in_nothing(run: RunResult) -> None:
    found = compare_runs([noisy(run)], [noisy(run)])
    assert (found.outcome, found.differences) == ("nothing worse", ())
    assert found.comparisons == 6


def test_a_rate_that_fell_beyond_its_spread_is_worse_and_one_that_rose_better(run: RunResult) -> None:
    slower = compare_runs([noisy(run)], [noisy(run, 0.9)])
    assert (slower.outcome, told(slower)) == ("worse", [("worse", "north", "throughput")])
    assert "(-10.0%)" in slower.differences[0].text
    faster = compare_runs([noisy(run)], [noisy(run, 1.1)])
    assert (faster.outcome, told(faster)) == ("nothing worse", [("better", "north", "throughput")])


def test_a_loss_within_the_spread_is_not_worse_but_not_excluded_either(run: RunResult) -> None:
    found = compare_runs([noisy(run, spread=0.1)], [noisy(run, 0.9, spread=0.1)])
    assert found.outcome == "cannot be said"
    assert ("not told", "north", "throughput") in told(found)
    assert found.of("worse") == ()


def test_a_loss_within_the_tolerance_is_none_and_the_tolerance_can_be_chosen(run: RunResult) -> None:
    assert compare_runs([noisy(run)], [noisy(run, 0.985)]).of("worse") == ()
    quiet, slower = noisy(run, spread=2e-4), noisy(run, 0.985, spread=2e-4)
    assert compare_runs([quiet], [slower], tolerance=0.001).of("worse")
    assert compare_runs([noisy(run)], [noisy(run, 0.9)], tolerance=0.2).of("worse") == ()


def test_runs_without_repetitions_leave_rates_open_unless_time_is_simulated(run: RunResult) -> None:
    def once(one: EndpointResult) -> EndpointResult:
        return attrs.evolve(one, steps=one.steps[:3])

    single = of_slot(of_slot(run, once), once, "middle")
    found = compare_runs([single], [single])
    assert found.outcome == "cannot be said"
    assert [one.step for one in found.of("not told")] == ["throughput", "soak"] * 2
    virtual = attrs.evolve(single, endpoints=tuple(attrs.evolve(one, virtual_time=True) for one in single.endpoints))
    assert compare_runs([virtual], [virtual]).outcome == "nothing worse"
    slower = changed(virtual, times_rate(0.9), kind="throughput")
    assert told(compare_runs([virtual], [slower])) == [("worse", "north", "throughput")]


def test_one_run_is_held_against_several_by_their_means(run: RunResult) -> None:
    before = [noisy(run, factor) for factor in (1.0, 1.001, 0.999, 1.002)]
    assert compare_runs(before, [noisy(run, 0.9)]).outcome == "worse"
    assert compare_runs(before, [noisy(run, 0.9)]).spreads[0].by_run
    assert compare_runs(before, [noisy(run)]).outcome == "nothing worse"


def judged(verdict: Verdict, text: str = "said so") -> Change:
    return lambda step: attrs.evolve(step, verdict=verdict, reasons=(Reason(verdict, text),))


@pytest.mark.parametrize(
    ("before", "now", "kind", "outcome"),
    [
        (Verdict.PASS, Verdict.FAIL, "worse", "worse"),
        (Verdict.INCONC, Verdict.FAIL, "worse", "worse"),
        (Verdict.PASS, Verdict.INCONC, "no longer claimed", "cannot be said"),
        (Verdict.PASS, Verdict.NONE, "no longer claimed", "cannot be said"),
        (Verdict.PASS, Verdict.ERROR, "no longer claimed", "cannot be said"),
        (Verdict.FAIL, Verdict.INCONC, "not told", "cannot be said"),
        (Verdict.FAIL, Verdict.PASS, "better", "nothing worse"),
        (Verdict.INCONC, Verdict.PASS, "better", "nothing worse"),
    ],
)
def test_a_verdict_that_changed_is_told(run: RunResult, before: Verdict, now: Verdict, kind: str, outcome: str) -> None:
    earlier, later = (changed(noisy(run), judged(verdict), kind="soak") for verdict in (before, now))
    found = compare_runs([earlier], [later])
    assert (kind, "north", "soak") in told(found)
    assert found.outcome == outcome


def test_a_step_that_failed_now_and_then_is_not_cured_by_passing(run: RunResult) -> None:
    def once(step: StepResult) -> StepResult:
        return judged(Verdict.FAIL)(step) if step.repetition == 2 else step

    found = compare_runs([changed(noisy(run), once, kind="soak")], [noisy(run)])
    assert found.outcome == "cannot be said"
    assert "now and then" in found.of("not told")[0].text


def counting(**counts: int) -> Change:
    def change(step: StepResult) -> StepResult:
        shown = {name: {"n": n, "bound": "exact"} for name, n in counts.items()}
        return attrs.evolve(step, errors={**step.errors, "far": {**step.errors["far"], "correctable": shown}})

    return change


def test_link_errors_are_held_against_their_exposure(run: RunResult) -> None:
    few, many = (changed(noisy(run), counting(RxErr=n), kind="soak") for n in (2, 20))
    found = compare_runs([few], [many])
    assert told(found) == [("worse", "north", "link")]
    assert found.of("worse")[0].text.startswith("RxErr at the far end: 6 in ")
    twice = changed(many, lambda step: attrs.evolve(step, bytes_moved=10 * step.bytes_moved))
    assert compare_runs([few], [twice]).outcome == "nothing worse"


def test_an_error_that_is_new_is_told_though_chance_may_bring_it(run: RunResult) -> None:
    one = changed(noisy(run), lambda step: counting(BadTLP=1)(step) if step.position == 2 else step)
    found = compare_runs([noisy(run)], [one])
    assert (found.outcome, told(found)) == ("nothing worse", [("new", "north", "error")])
    assert told(compare_runs([one], [noisy(run)])) == [("gone", "north", "error")]


def test_damaged_blocks_are_counted_and_not_their_bits(run: RunResult) -> None:
    """A thousand wrong bits in one block are one event."""
    burst = measuring(damage={"blocks_damaged": 1, "wrong_bits": 1000})
    found = compare_runs([noisy(run)], [changed(noisy(run), burst, kind="soak")])
    assert found.of("worse") == ()
    storm = measuring(damage={"blocks_damaged": 9, "wrong_bits": 9})
    assert compare_runs([noisy(run)], [changed(noisy(run), storm, kind="soak")]).of("worse")


def test_a_claim_on_wrong_bits_needs_the_exposure_that_it_had(run: RunResult) -> None:
    def exposed(share: float) -> Change:
        return lambda step: measuring(
            residual_corruption={"wrong_bits": 0, "exposure_bits": int(2**20 * share), "upper_bound_per_bit": 1.0}
        )(step)

    whole, half, nearly = (changed(noisy(run), exposed(share), kind="soak") for share in (1, 0.5, 0.95))
    found = compare_runs([whole], [half])
    assert (found.outcome, told(found)) == ("cannot be said", [("no longer claimed", "north", "soak")])
    assert compare_runs([whole], [nearly]).outcome == "nothing worse"
    assert compare_runs([half], [whole]).outcome == "nothing worse"


def test_a_step_or_a_slot_that_is_missing_is_no_longer_claimed(run: RunResult) -> None:
    without = of_slot(
        noisy(run), lambda one: attrs.evolve(one, steps=tuple(step for step in one.steps if step.kind != "soak"))
    )
    assert told(compare_runs([noisy(run)], [without])) == [("no longer claimed", "north", "soak")]
    alone = attrs.evolve(noisy(run), endpoints=noisy(run).endpoints[:1])
    found = compare_runs([noisy(run)], [alone], anyway=True)
    assert ("no longer claimed", "middle", "") in told(found)


def test_counters_that_are_not_readable_now_are_no_longer_claimed(run: RunResult) -> None:
    blind = changed(
        noisy(run), lambda step: attrs.evolve(step, errors={**step.errors, "near": {"unavailable": "not permitted"}})
    )
    found = compare_runs([noisy(run)], [blind])
    assert (found.outcome, told(found)) == ("cannot be said", [("no longer claimed", "north", "link")])
    assert "not permitted" in found.differences[0].text


def linked(link: Mapping[str, Any]) -> Callable[[EndpointResult], EndpointResult]:
    """The slot with that seen of its far end, at open and by every step that looked."""

    def change(one: EndpointResult) -> EndpointResult:
        def seen(reading: dict[str, Any]) -> dict[str, Any]:
            gone = "unavailable" in link
            return {**reading, "far": dict(link) if gone else {**reading["far"], **link}}

        steps = tuple(
            measuring(link=seen(step.measures["link"]))(step) if "link" in step.measures else step for step in one.steps
        )
        return attrs.evolve(one, opened={**one.opened, "link": seen(one.opened["link"])}, steps=steps)

    return change


@pytest.mark.parametrize(
    ("link", "kind", "text"),
    [
        ({"width": 4}, "worse", "width at the far end: x8 before, x4 now"),
        ({"speed_gtps": 2.5}, "worse", "speed at the far end: 8 GT/s before, 2.5 GT/s now"),
        ({"speed_gtps": 16.0}, "better", "speed at the far end: 8 GT/s before, 16 GT/s now"),
        ({"width": None}, "no longer claimed", "width at the far end: not shown now, x8 before"),
        ({"unavailable": "no access"}, "no longer claimed", "the far end's link is not seen any more: no access"),
    ],
)
def test_a_link_that_trained_otherwise_or_is_not_seen_is_told(
    run: RunResult, link: dict[str, Any], kind: str, text: str
) -> None:
    found = compare_runs([noisy(run)], [of_slot(noisy(run), linked(link))])
    assert (kind, text) in [(one.kind, one.text) for one in found.differences]


def test_margins_shrink_beyond_a_step_and_not_within_one(run: RunResult) -> None:
    def margins(*steps: int) -> RunResult:
        rows = [
            {"name": "far receiver", "quantity": "timing", "lane": lane, "steps": count, "untold": ""}
            for lane, count in enumerate(steps)
        ]
        return changed(noisy(run), measuring(margins=rows), kind="link")

    assert compare_runs([margins(9, 7)], [margins(9, 6)]).outcome == "nothing worse"
    found = compare_runs([margins(9, 7)], [margins(9, 3)])
    assert [one.text.partition(":")[0] for one in found.of("worse")] == ["least timing margin of far receiver"]


def test_a_margin_that_could_not_be_told_is_not_taken_for_a_small_one(run: RunResult) -> None:
    def margins(untold: str) -> RunResult:
        told = {"name": "far receiver", "quantity": "timing", "lane": 0, "steps": 7, "untold": ""}
        rows = [told, {**told, "lane": 1, "steps": 0 if untold else 7, "untold": untold}]
        return changed(noisy(run), measuring(margins=rows), kind="link")

    assert compare_runs([margins("")], [margins("step 1 was refused")]).outcome == "nothing worse"


def test_trainings_are_compared_by_how_many_were_bad_and_how_long_they_took(run: RunResult) -> None:
    def trained(bad: int, seconds: float) -> RunResult:
        active = {"least": seconds, "median": seconds, "most": seconds}
        return changed(noisy(run), measuring(trainings=100, bad_trainings=bad, seconds_to_active=active), kind="link")

    assert compare_runs([trained(1, 0.01)], [trained(1, 0.0105)]).outcome == "nothing worse"
    assert (
        "bad trainings: 3 in 300 trainings" in compare_runs([trained(1, 1.0)], [trained(20, 1.0)]).of("worse")[0].text
    )
    assert "time to train: 10 ms" in compare_runs([trained(0, 0.01)], [trained(0, 0.02)]).of("worse")[0].text


def test_an_unsteadier_load_is_worse(run: RunResult) -> None:
    def steady(variation: float) -> RunResult:
        return changed(noisy(run), measuring(steadiness={"coefficient_of_variation": variation}), kind="soak")

    assert compare_runs([steady(0.001)], [steady(0.009)]).outcome == "nothing worse"
    assert "variation of the rate" in compare_runs([steady(0.02)], [steady(0.2)]).of("worse")[0].text


def test_surroundings_that_differ_are_listed_and_decide_nothing(run: RunResult) -> None:
    moved = attrs.evolve(noisy(run), environment={**run.environment, "kernel": "7.0", "boot_id": "another"})
    identity = {"model": "echo card", "serial": "invented-9", "components": []}
    other = of_slot(moved, lambda one: attrs.evolve(one, opened={**one.opened, "identity": identity}))
    found = compare_runs([noisy(run)], [other])
    assert found.outcome == "nothing worse"
    texts = " ".join(one.text for one in found.of("surroundings"))
    assert f"kernel: {run.environment['kernel']} before, 7.0 now" in texts
    assert "serial: invented-0001 before, invented-9 now" in texts
    assert "boot_id" not in texts


def test_runs_of_different_plans_are_refused_with_the_keys_named(run: RunResult) -> None:
    steps = [dict(step) for step in run.plan["step"]]
    steps[1]["repeats"] = 9
    other = attrs.evolve(noisy(run), plan={**run.plan, "step": steps, "name": "evening", "repeat": 4, "seed": 9})
    with pytest.raises(BadInput, match=r"step\[1\]\.repeats: 5 / 9; compare runs of one plan, or give --anyway"):
        compare_runs([noisy(run)], [other])
    assert compare_runs([noisy(run)], [other], anyway=True).plan_differs == ("step[1].repeats: 5 / 9",)


def test_a_run_is_not_held_against_itself(run: RunResult) -> None:
    sealed = attrs.evolve(run, seal=Seal(entries=1, head="ab"))
    with pytest.raises(BadInput, match="given twice"):
        compare_runs([sealed], [sealed])


@pytest.mark.parametrize(
    "change",
    [
        measuring(bytes_per_second="fast"),
        measuring(bytes_per_second=math.nan),
        measuring(steadiness=[1, 2]),
        measuring(residual_corruption={"wrong_bits": 0, "exposure_bits": "many"}),
        lambda step: attrs.evolve(step, errors={"near": 3, "far": {}}),
        lambda step: attrs.evolve(step, position=10**9),
    ],
)
def test_a_ledger_that_was_changed_gives_one_line(run: RunResult, change: Change) -> None:
    with pytest.raises((StorageFault, BadInput)) as raised:
        compare_runs([noisy(run)], [changed(noisy(run), change, kind="soak")])
    assert "\n" not in str(raised.value)
