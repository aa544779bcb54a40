"""The JSON Schema of scenario files: that it is the one that ships, and that it lets pass all that the reader takes."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from importlib.resources import files
from typing import Any

import pytest

from laneproof_sim.faults import CATALOGUE
from laneproof_sim.scenario_file import shipped
from laneproof_sim.schema import scenario_schema

SCHEMA = scenario_schema()
TYPES = {"object": dict, "array": list, "string": str, "integer": int, "number": (int, float), "boolean": bool}


def allows(schema: dict[str, Any], value: Any) -> bool:
    """Whether a value is valid, by those keywords of JSON Schema, draft-07, that the schema uses."""
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
            case "anyOf":
                found &= any(allows(one, value) for one in wanted)
            case "oneOf":
                found &= sum(allows(one, value) for one in wanted) == 1
            case "pattern":
                found &= isinstance(value, str) and re.search(wanted, value) is not None
            case "maxLength":
                found &= isinstance(value, str) and len(value) <= wanted
            case "minimum":
                found = found and value >= wanted
            case "maximum":
                found = found and value <= wanted
            case "exclusiveMaximum":
                found = found and value < wanted
            case "items":
                found = found and all(allows(wanted, one) for one in value)
            case "required":
                found = found and set(wanted) <= set(value)
            case "properties":
                found = found and all(allows(one, value[key]) for key, one in wanted.items() if key in value)
            case "patternProperties":
                fitting = [(one, key) for name, one in wanted.items() for key in value if re.search(name, key)]
                found = found and all(allows(one, value[key]) for one, key in fitting)
            case "additionalProperties":
                known = [re.escape(key) + r"\Z" for key in schema.get("properties", {})]
                known += schema.get("patternProperties", {})
                found = found and all(any(re.match(name, key) for name in known) for key in value)
            case "$schema" | "title" | "description" | "examples" | "definitions":
                pass
            case _:
                raise AssertionError(f"the schema uses {keyword}")
    return bool(found)


def test_the_file_that_ships_is_the_one_that_is_made():
    text = files("laneproof_sim").joinpath("scenario.schema.json").read_text("utf-8")
    assert json.loads(text) == SCHEMA
    printed = subprocess.run([sys.executable, "-m", "laneproof_sim.schema"], capture_output=True, text=True, check=True)
    assert printed.stdout == text


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_bench_is_valid(name):
    table = tomllib.loads(files("laneproof_sim").joinpath("benches", f"{name}.toml").read_text("utf-8"))
    assert allows(SCHEMA, table)


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("wiring = 8", "wiring = 3"),
        ("wiring = 8", "wireing = 8"),
        ("wiring = 8", 'wiring = "8"'),
        ("schema = 1", "schema = 2"),
        ('"8 GT/s", max_width = 8, max', '"8", max_width = 8, max'),
        ('"invented-0001"', "1"),
        ("probability = 1e-6", "probability = 1"),
        ("probability = 1e-6", ""),
        ("probability = 1e-6", 'probability = 1e-6\nafter = "1 MiB"'),
        ("probability = 1e-6", "probability = 1e-6\nwhen = { every = 0 }"),
        ("probability = 1e-6", "probability = 1e-6\nwhen = { size_from = 64 }"),
        ("bit-flips", "gremlin"),
        ("wiring = 8", "wiring = 8\nbit_error_rate = { to_card = { 16 = 1e-6 } }"),
        ("wiring = 8", 'wiring = 8\nerrors_owned_by = "me"'),
    ],
)
def test_what_is_wrong_is_not(good, bad):
    text = files("laneproof_sim").joinpath("benches", "flipping-card.toml").read_text("utf-8")
    assert good in text
    assert not allows(SCHEMA, tomllib.loads(text.replace(good, bad, 1)))


def test_every_kind_of_fault_says_what_it_is():
    for fault in CATALOGUE:
        told = SCHEMA["definitions"][fault.kind]["description"]
        assert fault.cause in told
        assert fault.seen in told
