"""Finds a bench, shipped or in a file, and reads its TOML into a `Scenario`; refuses the rest in one line.

Every refusal is a `BadInput` that names the file, the key (`slot[1].near.max_width`, counted from 0) or the line,
and the remedy. Files are hostile: they may be anything but a scenario.
"""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, NoReturn, get_args, get_origin

import attrs
import cattrs
from cattrs.errors import (
    AttributeValidationNote,
    ClassValidationError,
    ForbiddenExtraKeysError,
    IterableValidationError,
    IterableValidationNote,
)
from cattrs.gen import make_dict_structure_fn, override

from laneproof.errors import BadInput
from laneproof_sim.faults import CATALOGUE, Absent, Fault, StuckBit
from laneproof_sim.quantities import MAX_LANES, READERS, shown
from laneproof_sim.scenario import SCHEMA, BitErrorRates, EchoCard, RootPort, Scenario, Slot

_MAX_FILE_BYTES = 1 << 20
_MAX_SLOTS = 64
_MAX_LINE = 400


def shipped() -> tuple[str, ...]:
    """Names of the benches that come with the simulator, the healthy one first."""
    names = {Path(entry.name).stem for entry in files("laneproof_sim").joinpath("benches").iterdir()}
    return ("demo", *sorted(names - {"demo"}))


def load(text: str) -> Scenario:
    """The bench that an address names: a shipped name, or a path (anything with "/", or ending in ".toml").

    Raises BadInput.
    """
    if "/" in text or text.endswith(".toml"):
        return read_scenario(_read_file(text), text)
    if text not in shipped():
        known = ", ".join(shipped())
        _refuse(
            f"bench {text}", f"is not known; shipped: {known}; for a file of your own give its path, as in ./my.toml"
        )
    data = files("laneproof_sim").joinpath("benches", f"{text}.toml").read_bytes()
    return read_scenario(data, f"bench {text}")


def read_scenario(data: bytes, where: str) -> Scenario:
    """Read a scenario's TOML; `where` names it in messages. Raises BadInput."""
    try:
        table = tomllib.loads(data.decode())
    except UnicodeDecodeError:
        _refuse(where, "not a text file in UTF-8; give a scenario in TOML")
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        _refuse(where, f"not TOML: {error}; correct it there")
    if table.get("schema") != SCHEMA:
        _refuse(where, f"schema: {shown(table.get('schema'))} is not known; begin with schema = {SCHEMA}")
    try:
        scenario = _converter().structure(table, Scenario)
        _check_across_keys(scenario)
    except (ClassValidationError, _AcrossKeys) as error:
        key, problem = _first_problem(error)
        _refuse(where, f"{key}: {problem}")
    return scenario


def _refuse(where: str, problem: str) -> NoReturn:
    """Raise BadInput in one printable line, whatever the file or its name held."""
    line = f"{where}: {problem}"
    line = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in line)
    raise BadInput(
        line if len(line) <= _MAX_LINE else f"{line[: _MAX_LINE // 2]} … {line[-_MAX_LINE // 2 :]}"
    ) from None


def _read_file(text: str) -> bytes:
    remedy = "give a scenario file in TOML"
    try:
        path = Path(text)
        mode = path.stat().st_mode  # before opening: a pipe or device might never end
        if not stat.S_ISREG(mode):
            _refuse(text, f"is {'a folder' if stat.S_ISDIR(mode) else 'no ordinary file'}; {remedy}")
        with path.open("rb") as file:
            data = file.read(_MAX_FILE_BYTES + 1)
    except OSError as error:
        _refuse(text, f"cannot be read ({error.strerror}); {remedy}")
    except ValueError as error:
        if isinstance(error, BadInput):
            raise
        _refuse(text, f"cannot be read ({error}); {remedy}")
    if len(data) > _MAX_FILE_BYTES:
        _refuse(text, f"larger than 1 MiB, which no scenario is; {remedy}")
    return data


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True)
    converter.register_structure_hook(Fault, lambda value, _: _read_fault(converter, value))
    converter.register_structure_hook_func(_is_tuple, lambda value, kind: _read_list(converter, value, kind))
    converter.register_structure_hook_func(lambda kind: get_origin(kind) is Literal, _read_choice)
    for kind, read in READERS.items():
        converter.register_structure_hook(kind, lambda value, _, read=read: read(value))
    renamed = {Scenario: {"slots": "slot"}, Slot: {"faults": "fault"}}
    for kind in (RootPort, EchoCard, BitErrorRates, *CATALOGUE, Slot, Scenario):
        names = {name: override(rename=key) for name, key in renamed.get(kind, {}).items()}
        structure = make_dict_structure_fn(kind, converter, _cattrs_forbid_extra_keys=True, **names)  # pyright: ignore
        converter.register_structure_hook(kind, lambda value, _, s=structure: s(_table(value), _))
    return converter


def _is_tuple(kind: Any) -> bool:
    return get_origin(kind) is tuple


def _read_choice(value: Any, kind: Any) -> Any:
    if value not in get_args(kind):
        raise ValueError(f"{shown(value)} is not known; use one of {', '.join(get_args(kind))}")
    return value


def _read_list(converter: cattrs.Converter, value: Any, kind: Any) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise ValueError(f"{shown(value)} is no list; write [[...]] for tables, [...] for values")
    return tuple(converter.structure(value, list[get_args(kind)[0]]))


def _table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError(f"{shown(value)} is no table of keys and values")
    return value


def _read_fault(converter: cattrs.Converter, value: Any) -> Fault:
    keys = dict(_table(value))
    kind = keys.pop("kind", None)
    for fault in CATALOGUE:
        if fault.kind == kind:
            return converter.structure(keys, fault)
    known = ", ".join(fault.kind for fault in CATALOGUE)
    raise ValueError(f"kind = {shown(kind)} is no kind of fault; use one of {known}")


class _AcrossKeys(Exception):
    """A value that is right by itself and wrong beside another: key and problem."""


def _check_across_keys(scenario: Scenario) -> None:
    if not 1 <= len(scenario.slots) <= _MAX_SLOTS:
        raise _AcrossKeys("slot", f"{len(scenario.slots)} slots; write 1 to {_MAX_SLOTS} tables [[slot]]")
    names = [slot.name for slot in scenario.slots]
    for number, slot in enumerate(scenario.slots):
        at = f"slot[{number}]"
        if slot.name in names[:number]:
            raise _AcrossKeys(f"{at}.name", f'"{slot.name}" is there twice; give each slot a name of its own')
        for lane in slot.dead_lanes:
            if lane >= slot.wiring:
                raise _AcrossKeys(f"{at}.dead_lanes", f"lane {lane} is not wired; use 0 to {slot.wiring - 1}")
        for direction, lane_rates in (
            ("to_card", slot.bit_error_rate.to_card),
            ("from_card", slot.bit_error_rate.from_card),
        ):
            beyond = [lane for lane in range(slot.wiring, MAX_LANES) if lane_rates[lane]]
            if beyond and len(set(lane_rates)) > 1:  # one rate for all lanes is a rate for those that are wired
                problem = f"lane {beyond[0]} is not wired; use 0 to {slot.wiring - 1}"
                raise _AcrossKeys(f"{at}.bit_error_rate.{direction}", problem)
        for place, fault in enumerate(slot.faults):
            if isinstance(fault, StuckBit) and not 0 <= fault.byte < fault.word:
                problem = f"{fault.byte} is not in a word of {fault.word} bytes; use 0 to {fault.word - 1}"
                raise _AcrossKeys(f"{at}.fault[{place}].byte", problem)
            if isinstance(fault, Absent) and len(slot.faults) > 1:
                raise _AcrossKeys(f"{at}.fault[{place}]", "a card that is absent has no other faults; leave one")


def _first_problem(error: Exception) -> tuple[str, str]:
    if isinstance(error, _AcrossKeys):
        return error.args[0], error.args[1]
    path: list[str] = []
    while isinstance(error, ClassValidationError | IterableValidationError):
        # A key spelt wrong is unknown and the right one missing: the first says what to correct.
        error = min(error.exceptions, key=lambda one: not isinstance(one, ForbiddenExtraKeysError))
        path.extend(_steps(error))
    if isinstance(error, ForbiddenExtraKeysError):
        known = ", ".join(sorted(_keys_of(error.cl))) or "none"
        return _joined([*path, f".{sorted(error.extra_fields)[0]}"]), f"unknown key; known here: {known}"
    if isinstance(error, KeyError):
        return _joined([*path, f".{_key_of(error.args[0])}"]), "is missing; add it"
    return _joined(path), str(error)


def _steps(error: BaseException) -> Iterator[str]:
    for note in getattr(error, "__notes__", ()):
        if isinstance(note, IterableValidationNote):
            yield f"[{note.index}]"
        elif isinstance(note, AttributeValidationNote) and not isinstance(error, KeyError):
            yield f".{_key_of(note.name)}"


def _key_of(attribute: str) -> str:
    return {"slots": "slot", "faults": "fault"}.get(attribute, attribute)


def _keys_of(kind: type[Any]) -> set[str]:
    own = {"kind"} if kind in CATALOGUE else set[str]()
    return own | {_key_of(field.name) for field in attrs.fields(kind)}


def _joined(path: list[str]) -> str:
    return "".join(path).lstrip(".") or "the file"
