"""How far an instrument's clock is ahead of the computer's, as a plan declares it: read, kept, shown."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign.declared import facts
from laneproof.campaign.plan import Plan
from laneproof.campaign.plan_schema import plan_schema
from laneproof.errors import BadInput


def plan_of(equipment: str) -> Plan:
    text = f'schema = 1\n[[equipment]]\nname = "receiver"\nidentity = "R-1"\n{equipment}'
    return plans.parse(tomllib.loads(text), "plan")


@pytest.mark.parametrize(
    ("offset", "seconds", "shown"),
    [
        ("+1.2 s", 1.2, "1.2 s ahead of this computer's (how well that is known is not declared)"),
        ("1.2 s", 1.2, "1.2 s ahead of this computer's (how well that is known is not declared)"),
        ("-30 ms", -0.03, "30 ms behind this computer's (how well that is known is not declared)"),
        ("- 2 h", -7200.0, "2 h 0 min behind this computer's (how well that is known is not declared)"),
        ("0 s", 0.0, "level with this computer's (how well that is known is not declared)"),
    ],
)
def test_an_offset_is_read_with_its_sign_and_shown(offset: str, seconds: float, shown: str) -> None:
    plan = plan_of(f'clock_offset = "{offset}"')
    assert plan.equipment[0].clock_offset == pytest.approx(seconds)
    assert list(facts(plan.to_dict())) == [("equipment", f"receiver, R-1; its clock was declared {shown}")]


def test_an_offset_is_kept_with_its_uncertainty_and_comes_back_from_a_ledger() -> None:
    plan = plan_of('clock_offset = "-1.5 s"\nclock_offset_uncertainty = "100 ms"')
    assert plan.to_dict()["equipment"][0]["clock_offset"] == -1.5
    assert plans.kept(json.loads(json.dumps(plan.to_dict())), "the plan") == plan
    ((_, text),) = facts(plan.to_dict())
    assert text.endswith("1.5 s behind this computer's (± 100 ms)")


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("clock_offset = 1.2", 'equipment[0].clock_offset: 1.2 has no unit; write for example "+1.2 s"'),
        ('clock_offset = "late"', 'equipment[0].clock_offset: "late" is not a quantity in us, '),
        ('clock_offset = "+-1 s"', 'equipment[0].clock_offset: "-1 s" is not a quantity in us, '),
        ('clock_offset_uncertainty = "1 s"', "clock_offset_uncertainty is of a clock_offset; give that too"),
    ],
)
def test_what_is_no_offset_is_one_line_with_its_key(keys: str, said: str) -> None:
    with pytest.raises(BadInput) as refused:
        plan_of(keys)
    assert said in str(refused.value)


def test_the_schema_takes_what_is_read_and_nothing_else() -> None:
    properties: dict[str, Any] = plan_schema()["properties"]["equipment"]["items"]["properties"]
    pattern = properties["clock_offset"]["pattern"]
    assert all(re.search(pattern, offset) for offset in ("+1.2 s", "-30 ms", "0 s", "- 2 h"))
    assert not any(re.search(pattern, offset) for offset in ("+-1 s", "1.2", "late"))
