"""Facts that the command line declares: in place of the plan's, said, and as strict as those of a plan."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.declaring import override
from laneproof.campaign.plan import Plan
from laneproof.errors import BadInput

PLAN = plans.parse(
    {
        "schema": 1,
        "operator": {"name": "J. Doe"},
        "ambient": {"temperature": "23 °C"},
        "notes": {"order": "A-17"},
        "equipment": [{"name": "thermometer", "identity": "T-4"}],
    },
    "plan",
)


def test_what_is_declared_stands_in_place_of_the_plans_and_is_said() -> None:
    plan, said = override(PLAN, ["ambient.temperature=25 °C", "operator=M. Muster", "sample.name=controller"])
    assert plan.ambient.temperature == "25 °C"
    assert plan.operator is not None
    assert plan.operator.name == "M. Muster"
    assert plan.sample is not None
    assert plan.sample.name == "controller"
    assert sorted(said) == [
        'ambient.temperature: "25 °C" by the command line, in place of the plan\'s "23 °C"',
        'operator.name: "M. Muster" by the command line, in place of the plan\'s "J. Doe"',
        'sample.name: "controller" by the command line; the plan says nothing of it',
    ]


def test_notes_and_equipment_are_named() -> None:
    pairs = ["notes.order=B=18", "notes.shift=night", "equipment.thermometer.calibration_due=2027-03-31"]
    plan, _ = override(PLAN, [*pairs, "equipment.probe no. 2.identity=P-2"])
    assert plan.notes == {"order": "B=18", "shift": "night"}
    thermometer, probe = plan.equipment
    assert (thermometer.identity, thermometer.calibration_due) == ("T-4", datetime.date(2027, 3, 31))
    assert (probe.name, probe.identity) == ("probe no. 2", "P-2")


def test_an_identity_needs_a_name_in_whatever_order() -> None:
    plan, _ = override(Plan(), ["sample.identity=7", "sample=controller"])
    assert plan.sample is not None
    assert (plan.sample.name, plan.sample.identity) == ("controller", "7")
    with pytest.raises(BadInput, match=r"names the sample; give sample\.name too"):
        override(Plan(), ["sample.identity=7"])


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ("temperature", "write KEY=TEXT, for example"),
        ("temperature=23", "there is no such fact; known are operator.name, operator.identity, sample.name"),
        ("ambient.colour=red", "there is no such fact"),
        ("ambient.temperature=", "write one line of 1 to 200"),
        ("ambient.temperature=a\nb", "write one line of 1 to 200"),
        ("notes=x", "there is no such fact"),
        ("notes.\x1b[1m=x", "write one line of 1 to 200"),
        ("equipment.thermometer=x", "write equipment.NAME.identity"),
        ("equipment.thermometer.calibration_due=March", '"March" is not a date'),
        ("endpoint.uri=sim:demo#north", "there is no such fact"),
        ("=", "write one line of 1 to 200"),
    ],
)
def test_what_no_plan_could_declare_is_refused(pair: str, said: str) -> None:
    with pytest.raises(BadInput) as refused:
        override(PLAN, [pair])
    assert said in str(refused.value)
    assert str(refused.value).startswith("--declare ")
    assert str(refused.value).isprintable()


def test_a_fact_given_twice_is_refused() -> None:
    with pytest.raises(BadInput, match=r"--declare operator\.name: is given twice"):
        override(PLAN, ["operator=A", "operator.name=B"])


def test_the_ledger_keeps_what_was_declared_and_that_it_was(tmp_path: Path) -> None:
    plan, said = override(PLAN.over(["sim:demo#south"]), ["ambient.temperature=25 °C"])
    result = runner.run(plan, tmp_path / "run.ledger", declared=said)
    assert result.plan["ambient"]["temperature"] == "25 °C"
    assert result.environment["declared"] == list(said)
