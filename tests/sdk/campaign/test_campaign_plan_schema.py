"""The JSON Schema of plans: that it is the one that ships, and that it lets pass all that the reader takes.

Which keywords there are and what they mean: JSON Schema Validation, draft-07 (from memory of it).
"""

from __future__ import annotations

import datetime
import json
import re
import subprocess
import sys
import tomllib
from importlib.resources import files
from typing import Any

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign.plan_schema import OWN, plan_schema
from laneproof.campaign.steps import STEPS
from laneproof.errors import BadInput

SCHEMA = plan_schema()
TYPES: dict[str, Any] = {"object": dict, "array": list, "string": str, "integer": int, "boolean": bool}
FULL = """
schema = 1
name = "all of it"
seed = 4
repeat = 2
order = "shuffled"
stop_slot_on = "fail"
stop_run_on = "error"
stop_after = "8 h"
supply_power = "1 kW"
notes = { order = "A-17" }
operator = { name = "J. Doe" }
ambient = { temperature = "23 °C" }
declared = { riser = "ribbon" }
[[equipment]]
name = "thermometer"
calibration_due = 2027-03-31
[[endpoint]]
uri = "sim:demo#north"
group = "switch"
power = "60 W"
slot_power = "75 W"
riser_power = "75.5 W"
auxiliary_power = "0 W"
stop_above_temperature = "-5 degC"
stop_above_power = "70 W"
stop_sensors = "card"
expect = { speed = "8 GT/s", width = 8 }
[[step]]
kind = "integrity"
bytes = "1 MiB"
timeout = "5 s"
[[step]]
kind = "throughput"
min_share = "80 %"
min_rate = "1 MB/s"
[[step]]
kind = "train"
by = "hot reset"
"""


def allows(schema: dict[str, Any], value: Any) -> bool:
    """Whether a value is valid, by those keywords of JSON Schema that the schema uses."""
    found = True
    for keyword, wanted in schema.items():
        match keyword:
            case "$ref":
                found &= allows(SCHEMA["definitions"][wanted.rsplit("/", 1)[1]], value)
            case "type":
                found &= isinstance(value, TYPES[wanted]) and (wanted == "boolean" or not isinstance(value, bool))
            case "const":
                found &= value == wanted
            case "enum":
                found &= value in wanted
            case "oneOf":
                found &= sum(allows(one, value) for one in wanted) == 1
            case "pattern":
                found &= isinstance(value, str) and re.search(wanted, value) is not None
            case "minLength":
                found = found and len(value) >= wanted
            case "maxLength":
                found = found and len(value) <= wanted
            case "maxProperties":
                found = found and len(value) <= wanted
            case "items":
                found = found and all(allows(wanted, one) for one in value)
            case "required":
                found = found and set(wanted) <= set(value)
            case "properties":
                found = found and all(allows(one, value[key]) for key, one in wanted.items() if key in value)
            case "additionalProperties":
                more = [item for key, item in value.items() if key not in schema.get("properties", {})] if found else []
                found = found and all(wanted is not False and allows(wanted, item) for item in more)
            case "$schema" | "title" | "description" | "examples" | "definitions":
                pass
            case _:
                raise AssertionError(f"the schema uses {keyword}")
    return bool(found)


def as_json(value: Any) -> Any:
    """A document of TOML as an editor hands it to a schema: dates as text."""
    return json.loads(json.dumps(value, default=datetime.date.isoformat))


def test_the_file_that_ships_is_the_one_that_is_made() -> None:
    text = files("laneproof.campaign").joinpath("plan.schema.json").read_text("utf-8")
    assert json.loads(text) == SCHEMA
    module = "laneproof.campaign.plan_schema"
    printed = subprocess.run([sys.executable, "-m", module], capture_output=True, text=True, check=True)
    assert printed.stdout == text


def test_plans_that_are_read_are_valid() -> None:
    builtin = files("laneproof.campaign").joinpath("plans", "builtin.toml").read_text("utf-8")
    for text in (FULL, builtin):
        plans.parse(tomllib.loads(text), "plan")
        assert allows(SCHEMA, as_json(tomllib.loads(text)))


def test_every_kind_of_step_is_defined_with_its_keys() -> None:
    assert list(SCHEMA["definitions"]) == [*STEPS, OWN]
    assert {"kind", "by"} == set(SCHEMA["definitions"]["train"]["required"])


def test_a_step_of_ones_own_is_left_open() -> None:
    for kind, wanted in (("stress", True), ("soak-and-dry", True), ("soak", False), ("", False)):
        own = {"kind": kind, "level": 3}
        assert allows(SCHEMA["definitions"][OWN], own) is wanted
        assert allows(SCHEMA, {"schema": 1, "step": [own]}) is wanted


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("schema = 1", "schema = 2"),
        ("schema = 1\n", ""),
        ('"shuffled"', '"random"'),
        ("repeat = 2", 'repeat = "2"'),
        ('"8 h"', '"8"'),
        ('"80 %"', '"80"'),
        ('"1 MiB"', "1048576"),
        ('by = "hot reset"', ""),
        ('by = "hot reset"', 'by = "kick"'),
        ("timeout =", "time_out ="),
        ('"A-17"', "17"),
        ('name = "J. Doe"', 'name = ""'),
        ("2027-03-31", '"soon"'),
        ('uri = "sim:demo#north"', ""),
    ],
)
def test_what_is_wrong_is_not_and_the_reader_refuses_it_too(good: str, bad: str) -> None:
    assert good in FULL
    data = tomllib.loads(FULL.replace(good, bad, 1))
    assert not allows(SCHEMA, as_json(data))
    with pytest.raises(BadInput):
        plans.parse(data, "plan")
