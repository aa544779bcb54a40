"""Each row of the table of signatures is named by the diagnosis, and by no other rule once its own is left out.

Source of the table: common practice, in the words of the rules' file; of link events the project's check values.
"""

from __future__ import annotations

import pytest
from diagnosis_rows import ROWS

from laneproof.insight.diagnosis import diagnose, rules

KNOWN = rules()
NEIGHBOUR = {
    "unexpected-completion": "completion-timeout",
    "replay-rollover": "link-errors-replayed",
}
"""What a record shows as well, and truly: a completion dropped is one that its reader waited for."""


def test_every_mechanism_has_a_record_here() -> None:
    assert {*ROWS, "relaxed-ordering"} == set(KNOWN.mechanisms)


@pytest.mark.parametrize("mechanism", ROWS)
def test_what_is_seen_where_a_mechanism_is_at_work_is_traced_to_it(mechanism: str) -> None:
    found = diagnose(ROWS[mechanism]())
    assert found.top is not None
    assert found.top.mechanism == mechanism or mechanism in found.top.alike
    assert not found.not_explained
    assert found.top.evidence_for
    assert found.top.next_experiment is not None


@pytest.mark.parametrize("mechanism", [one for one in ROWS if one != "common-cause"])
def test_without_its_rule_the_same_record_is_not_explained(mechanism: str) -> None:
    top = diagnose(ROWS[mechanism]()).top
    assert top is not None
    found = diagnose(ROWS[mechanism](), using=KNOWN.without(top.mechanism, *top.alike))
    if found.top is not None and not found.not_explained:
        assert found.top.mechanism == NEIGHBOUR.get(mechanism)
    else:
        assert found.not_explained


def test_link_errors_and_wrong_bits_are_two_faults_where_no_common_cause_is_thought_of() -> None:
    found = diagnose(ROWS["common-cause"](), using=KNOWN.without("common-cause"))
    assert {answer.mechanism for answer in found.answers[:2]} == {"card-memory-noise", "link-errors-replayed"}
    assert found.top is not None
    assert found.top.together_with is not None


def test_what_two_mechanisms_show_alike_is_not_told_apart() -> None:
    found = diagnose(ROWS["read-overtakes-write"]())
    assert found.top is not None
    assert {found.top.mechanism, *found.top.alike} == {"read-overtakes-write", "relaxed-ordering"}
    assert found.top.confidence == "possible"
    assert found.headline.startswith("cannot be told apart: ")
    experiment = found.top.next_experiment
    assert experiment is not None
    assert experiment.name == "clear-relaxed-ordering"
    assert (experiment.if_yes, experiment.if_no) == ("relaxed-ordering", "read-overtakes-write")
