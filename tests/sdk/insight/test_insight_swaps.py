"""Which part a fault follows: right for every culprit, undecided where the runs leave it open, never by one pass.

The chance of an acquittal is held against scipy's hypergeometric distribution.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from laneproof.errors import BadInput
from laneproof.insight.swaps import LIMIT, Followed, NextRun, Part, Trial, follow

EXAMPLES = settings(max_examples=80, deadline=None, derandomize=True)


def tried(combination: tuple[str, str, str | None], culprit: Part, times: int = 1) -> Trial:
    """What becomes of a combination where `culprit` always fails and nothing else does."""
    slot, card, riser = combination
    one = Trial(slot=slot, card=card, riser=riser)
    return evolve(one, failed=times) if culprit in one.parts else evolve(one, passed=times)


def combinations(slots: int, cards: int, risers: int) -> list[tuple[str, str, str | None]]:
    """Every combination; one riser means that there is none, and with more, one is none."""
    named = [None, *(f"r{number}" for number in range(1, risers))]
    return list(product((f"s{n}" for n in range(slots)), (f"c{n}" for n in range(cards)), named))


def culprits(design: list[tuple[str, str, str | None]]) -> list[Part]:
    parts = [part for slot, card, riser in design for part in Trial(slot=slot, card=card, riser=riser).parts]
    return sorted(set(parts), key=str)


DESIGNS = st.tuples(st.integers(2, 3), st.integers(2, 3), st.integers(1, 3))


def carried_out(run: NextRun, culprit: Part) -> Trial:
    """What becomes of a run that was asked for, with parts that nobody has used yet where any will do."""
    riser = run.riser if run.riser is not None or run.without_riser else "another riser"
    return tried((run.slot or "another slot", run.card or "another card", riser), culprit, run.repeat)


@EXAMPLES
@given(DESIGNS, st.data())
def test_a_complete_design_names_every_single_culprit(shape: tuple[int, int, int], data: st.DataObject) -> None:
    design = combinations(*shape)
    culprit = data.draw(st.sampled_from(culprits(design)))
    times = data.draw(st.integers(1, 3))
    found = follow([tried(combination, culprit, times) for combination in design])
    assert (found.answer, found.part, found.missing) == ("follows", culprit, ())


@EXAMPLES
@given(DESIGNS, st.data())
def test_an_incomplete_design_is_undecided_until_the_runs_that_it_asks_for(
    shape: tuple[int, int, int], data: st.DataObject
) -> None:
    design = combinations(*shape)
    culprit = data.draw(st.sampled_from(culprits(design)))
    chosen = data.draw(st.lists(st.sampled_from(design), min_size=1, max_size=5, unique=True))
    trials = [tried(one, culprit, data.draw(st.integers(1, 4))) for one in chosen]
    found = follow(trials)
    if not any(one.failed for one in trials):
        assert found.answer == "no failure"
    elif found.decided:
        assert found.part == culprit
    else:
        assert found.answer == "undecided"
        assert culprit in [one.part for one in found.suspects if not one.acquitted]
        assert 1 <= len(found.missing) <= 3
        after = follow([*trials, *(carried_out(run, culprit) for run in found.missing)])
        assert (after.answer, after.part) == ("follows", culprit)


def test_no_fewer_runs_than_those_asked_for_would_do() -> None:
    """One failure of three parts: for each run that is left out there is a culprit that stays unnamed."""
    start = Trial(slot="s0", card="c0", riser="r1", failed=3)
    asked = follow([start]).missing
    assert len(asked) == 2
    for kept in asked:
        answers = [follow([start, carried_out(kept, culprit)]).decided for culprit in start.parts]
        assert not all(answers)


def test_one_pass_of_what_failed_before_acquits_nothing() -> None:
    failed = Trial(slot="north", card="A", failed=1)
    passed = Trial(slot="north", card="A", passed=5)
    elsewhere = Trial(slot="middle", card="A", passed=1)
    for trials in ([failed, passed], [failed, elsewhere], [failed, passed, elsewhere]):
        found = follow(trials)
        assert found.answer == "undecided"
        assert {str(one.part) for one in found.suspects if not one.acquitted} == {"slot north", "card A"}


def test_passes_acquit_once_there_are_enough_of_them() -> None:
    failed = Trial(slot="north", card="A", failed=3)
    asked = follow([failed, Trial(slot="north", card="B", passed=2)])
    assert asked.answer == "undecided"
    decided = follow([failed, Trial(slot="north", card="B", passed=3)])
    assert (decided.answer, decided.part) == ("follows", Part("card", "A"))


@EXAMPLES
@given(st.integers(1, 6), st.integers(0, 6), st.integers(1, 12))
def test_the_chance_of_an_acquittal_is_hypergeometric(failed: int, again: int, beside: int) -> None:
    """scipy.stats.hypergeom: all failures among the times that both parts were there."""
    trials = [Trial(slot="s", card="c", failed=failed, passed=again), Trial(slot="s", card="d", passed=beside)]
    slot = next(one for one in follow(trials).suspects if one.part.kind == "slot")
    times = failed + again + beside
    assert slot.chance == pytest.approx(hypergeom.pmf(failed, times, failed + again, failed))
    assert slot.acquitted == (slot.chance <= LIMIT)


def test_an_intermittent_culprit_is_seldom_missed_for_another() -> None:
    """Each part is at fault in turn, failing three times in ten: a wrong name comes in 5 % of cases at most."""
    generator, wrong, named = np.random.default_rng(11), 0, 0
    design, times = combinations(2, 2, 2), 4
    for number in range(300):
        culprit = culprits(design)[number % len(culprits(design))]
        trials: list[Trial] = []
        for slot, card, riser in design:
            one = Trial(slot=slot, card=card, riser=riser)
            failed = int(generator.binomial(times, 0.3)) if culprit in one.parts else 0
            trials.append(evolve(one, failed=failed, passed=times - failed))
        found = follow(trials)
        named += found.answer == "follows"
        wrong += found.decided and found.part != culprit
    assert named > 200
    assert wrong <= LIMIT * 300


def test_a_fault_that_needs_two_parts_together_accuses_neither_alone() -> None:
    found = follow(
        [
            Trial(slot="north", card="A", failed=4),
            Trial(slot="north", card="B", passed=12),
            Trial(slot="middle", card="A", passed=12),
        ]
    )
    assert (found.answer, found.part) == ("only together", None)
    assert [str(one.part) for one in found.suspects] == ["slot north", "card A"]


def test_failures_with_nothing_in_common_accuse_no_part() -> None:
    found = follow([Trial(slot="north", card="A", failed=1), Trial(slot="middle", card="B", failed=1)])
    assert (found.answer, found.part) == ("none alone", None)
    assert (Part("slot", "north"), Part("card", "B")) in found.pairs


def test_a_part_that_was_there_in_every_run_is_not_blamed() -> None:
    """Both slots fail with the one card: nothing shows that they pass with another."""
    trials = [Trial(slot="north", card="A", failed=3), Trial(slot="middle", card="A", failed=3)]
    found = follow(trials)
    assert (found.answer, found.part) == ("undecided", None)
    (run,) = found.missing
    assert (run.card, run.tests) == (None, None)
    after = follow([*trials, Trial(slot="north", card="B", passed=run.repeat)])
    assert (after.answer, after.part) == ("follows", Part("card", "A"))


def test_without_a_failure_there_is_nothing_to_follow() -> None:
    assert follow([Trial(slot="north", card="A", passed=3)]).answer == "no failure"


@pytest.mark.parametrize("trials", [[], [Trial(slot="north", card="A")], [Trial(slot="n", card="A", failed=-1)]])
def test_runs_that_say_nothing_are_refused(trials: list[Trial]) -> None:
    with pytest.raises(BadInput):
        follow(trials)


def test_plain_data_hold_the_whole_answer() -> None:
    found: Followed = follow([Trial(slot="north", card="A", failed=3), Trial(slot="north", card="B", passed=3)])
    plain: dict[str, Any] = found.to_dict()
    assert (plain["schema"], plain["answer"], plain["part"]) == (1, "follows", {"kind": "card", "name": "A"})
    assert plain["trials"][1] == {"slot": "north", "card": "B", "riser": None, "failed": 0, "passed": 3}
