"""The format of scenario files as a JSON Schema, for editors that complete and check while one writes.

It is made from the classes that a scenario is read into. It knows no bounds across keys, so what it lets pass may
still be refused; nothing that it refuses is taken. The file beside this module is what `python -m laneproof_sim.schema`
prints.
"""

from __future__ import annotations

import inspect
import json
import types
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import attrs

from laneproof.documents import KEY, Seconds
from laneproof_sim import quantities as q
from laneproof_sim.damage.when import When
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES, Fault, SwitchFault
from laneproof_sim.scenario import SCHEMA, Scenario, Slot, Switch

_NUMBER = r"[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?\s*"
_BYTES = {
    "type": "string",
    "pattern": rf"^\s*{_NUMBER}(B|[kMGT]B|[KMGT]iB)\s*$",
    "examples": ["64 B", "4 KiB", "1 MiB"],
}
_BIT_ERROR_RATE = {"type": "number", "minimum": 0, "maximum": q.MAX_BIT_ERROR_RATE}
_LANES = "^0{0,2}[0-9]$|^0?1[0-5]$"
_SPEEDS = [f"{speed:g} GT/s" for speed in q.SPEEDS_GTPS]
_SPEED = {"type": "string", "pattern": rf"^\s*{_NUMBER}GT/s\s*$", "examples": _SPEEDS}

_QUANTITIES: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    bool: {"type": "boolean"},
    q.Text: {"type": "string", "maxLength": q.MAX_TEXT},
    q.SlotName: {"type": "string", "pattern": f"^{q.SLOT_NAME}$"},
    q.SpeedGtps: _SPEED,
    q.LaneSpeeds: {"type": "object", "patternProperties": {_LANES: _SPEED}, "additionalProperties": False},
    q.LaneShares: {
        "type": "object",
        "patternProperties": {_LANES: {"type": "number", "minimum": 0, "maximum": 1}},
        "additionalProperties": False,
    },
    q.Picoseconds: {"type": "string", "pattern": f"^{q.MEASURE}ps$", "examples": ["31 ps"]},
    q.Millivolts: {"type": "string", "pattern": f"^{q.MEASURE}mV$", "examples": ["90 mV"]},
    q.Watts: {"type": "string", "pattern": f"^{q.MEASURE}W$", "examples": ["25 W"]},
    q.Celsius: {"type": "string", "pattern": f"^{q.MEASURE}°C$", "examples": ["45 °C"]},
    q.Payload: {**_BYTES, "examples": [f"{nbytes} B" for nbytes in q.PAYLOADS]},
    q.CompletionSize: {**_BYTES, "examples": [f"{nbytes} B" for nbytes in q.COMPLETIONS]},
    q.ByteCount: _BYTES,
    q.ByteOffset: _BYTES,
    q.Displacement: {**_BYTES, "examples": ["4 B", f"{q.MAX_DISPLACEMENT} B"]},
    q.Probability: {"type": "number", "minimum": 0, "exclusiveMaximum": 1},
    q.LaneRates: {
        "anyOf": [
            _BIT_ERROR_RATE,
            {
                "type": "object",
                "patternProperties": {_LANES: _BIT_ERROR_RATE},
                "additionalProperties": False,
            },
        ]
    },
    Seconds: {"type": "string", "pattern": rf"^\s*{_NUMBER}(us|µs|ms|s|min|h)\s*$", "examples": ["5 ms", "30 s"]},
}
"""What `quantities.READERS` take, but for the whole numbers whose readers say themselves what they take."""

_SHARED: dict[Any, str] = {Slot: "slot", Switch: "switch", When: "when"}
"""Tables that stand in one place, to be referred to."""


def scenario_schema() -> dict[str, Any]:
    """The JSON Schema (draft-07, which TOML editors read) of scenario files."""
    definitions = {kind.kind: _table(kind, tag=kind.kind) for kind in (*CATALOGUE, *IN_SWITCHES)}
    found = _table(Scenario)
    found["properties"]["schema"] = {"const": SCHEMA}
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "A bench of laneproof's simulator",
        **found,
        "definitions": {**definitions, **{name: _table(kind) for kind, name in _SHARED.items()}},
    }


def _table(kind: type[Any], tag: str = "") -> dict[str, Any]:
    """A class of values as a table."""
    hints = get_type_hints(kind)
    keys = {field.name: field.metadata.get(KEY, field.name) for field in attrs.fields(kind)}
    needed = [keys[field.name] for field in attrs.fields(kind) if field.default is attrs.NOTHING]
    told = (getattr(kind, "cause", ""), getattr(kind, "seen", "")) if tag else ()
    described = " ".join([" ".join((inspect.getdoc(kind) or "").split()), *told])
    return {
        "type": "object",
        "description": described.replace("`", ""),
        "properties": {
            **({"kind": {"const": tag}} if tag else {}),
            **{key: _value(hints[name]) for name, key in keys.items()},
        },
        "required": ["kind", *needed] if tag else needed,
        "additionalProperties": False,
    }


def _value(hint: Any) -> dict[str, Any]:
    """What may stand for a value of that type."""
    reader = q.READERS.get(hint)
    if isinstance(reader, q.OneOf):
        return {"type": "integer", "enum": list(reader.allowed)}
    if isinstance(reader, q.Between):
        return {"type": "integer", "minimum": reader.least, "maximum": reader.most}
    if hint in _QUANTITIES:
        return _QUANTITIES[hint]
    if hint == Fault:
        return {"oneOf": [{"$ref": f"#/definitions/{kind.kind}"} for kind in CATALOGUE]}
    if hint == SwitchFault:
        return {"oneOf": [{"$ref": f"#/definitions/{kind.kind}"} for kind in IN_SWITCHES]}
    if hint in _SHARED:
        return {"$ref": f"#/definitions/{_SHARED[hint]}"}
    if get_origin(hint) is Literal:
        return {"enum": list(get_args(hint))}
    if get_origin(hint) is tuple:
        return {"type": "array", "items": _value(get_args(hint)[0])}
    if get_origin(hint) in (Union, types.UnionType):  # a value or none; none is said by leaving the key out
        (given,) = [one for one in get_args(hint) if one is not type(None)]
        return _value(given)
    return _table(hint)


if __name__ == "__main__":
    print(json.dumps(scenario_schema(), indent=1, ensure_ascii=False))
