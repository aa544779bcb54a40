"""The format of plans as a JSON Schema, for editors that complete and check while one writes.

It is made from the classes that a plan is read into. It knows no bounds, so what it lets pass may still be refused;
nothing that it refuses is taken. The file beside this module is what `python -m laneproof.campaign.plan_schema` prints.
"""

from __future__ import annotations

import datetime
import inspect
import json
import types
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import attrs

from laneproof.campaign.declared import MOST_LETTERS, MOST_NOTES, Notes, Offset, Text
from laneproof.campaign.plan import Plan
from laneproof.campaign.steps import STEPS, Step
from laneproof.documents import KEY, Celsius, Rate, Seconds, Share, Size, SpeedGtps, Volts, Watts

_NUMBER = r"[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?\s*"
_BYTES = "(B|[kMGT]B|[KMGT]iB)"


def _quantity(unit: str, *examples: str) -> dict[str, Any]:
    return {"type": "string", "pattern": rf"^\s*{_NUMBER}{unit}\s*$", "examples": list(examples)}


_TEXT = {"type": "string", "minLength": 1, "maxLength": MOST_LETTERS}
_VALUES: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    Text: _TEXT,
    Notes: {"type": "object", "maxProperties": MOST_NOTES, "additionalProperties": _TEXT},
    # A date of TOML, which has no type in JSON: editors hand it on as text.
    datetime.date: {"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$", "examples": ["2027-03-31"]},
    Size: _quantity(_BYTES, "64 MiB", "4096 B"),
    Seconds: _quantity("(us|µs|ms|s|min|h)", "30 s", "10 min"),
    Offset: {"type": "string", "pattern": rf"^\s*[+-]?\s*{_NUMBER}(us|µs|ms|s|min|h)\s*$", "examples": ["+1.2 s"]},
    SpeedGtps: _quantity("GT/s", "8 GT/s"),
    Rate: _quantity(f"{_BYTES}/s", "950 MB/s"),
    Share: _quantity("%", "80 %"),
    Watts: _quantity("(mW|W|kW)", "75 W"),
    Volts: _quantity("(mV|V)", "15 mV"),
    Celsius: {"type": "string", "pattern": rf"^\s*-?{_NUMBER}(°C|degC)\s*$", "examples": ["85 °C"]},
}


OWN = "a step of one's own"
# Left open: which there are, and with which keys, depends on what is installed and on what a plan loads.
_OWN: dict[str, Any] = {
    "type": "object",
    "description": "A step of one's own: see laneproof guide steps.",
    "properties": {"kind": {"type": "string", "pattern": f"^(?!({'|'.join(STEPS)})$)."}},
    "required": ["kind"],
}


def plan_schema() -> dict[str, Any]:
    """The JSON Schema (draft-07, which TOML editors read) of plan files."""
    found = _table(Plan)
    found["required"] = ["schema"]
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "A plan of laneproof's",
        **found,
        "definitions": {**{kind: _table(step, kind) for kind, step in STEPS.items()}, OWN: _OWN},
    }


def _table(kind: type[Any], tag: str = "") -> dict[str, Any]:
    """A class of values as a table; `tag` is its "kind", where it has one."""
    hints = get_type_hints(kind)
    keys = {field.name: field.metadata.get(KEY, field.name) for field in attrs.fields(kind)}
    needed = [keys[field.name] for field in attrs.fields(kind) if field.default is attrs.NOTHING]
    return {
        "type": "object",
        "description": " ".join((inspect.getdoc(kind) or "").split()).replace("`", ""),
        "properties": {
            **({"kind": {"const": tag}} if tag else {}),
            **{key: _value(hints[name]) for name, key in keys.items()},
        },
        "required": ["kind", *needed] if tag else needed,
        "additionalProperties": False,
    }


def _value(hint: Any) -> dict[str, Any]:
    """What may stand for a value of that type."""
    if hint in _VALUES:
        return _VALUES[hint]
    if hint is Step:
        return {"oneOf": [{"$ref": f"#/definitions/{kind}"} for kind in (*STEPS, OWN)]}
    if get_origin(hint) is Literal:
        return {"enum": list(get_args(hint))}
    if get_origin(hint) is tuple:
        return {"type": "array", "items": _value(get_args(hint)[0])}
    if get_origin(hint) in (Union, types.UnionType):  # a value or none; none is said by leaving the key out
        (given,) = [one for one in get_args(hint) if one is not type(None)]
        return _value(given)
    return _table(hint)


if __name__ == "__main__":
    print(json.dumps(plan_schema(), indent=1, ensure_ascii=False))
